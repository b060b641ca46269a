"""What the small plots of a page have in common: a quiet frame, its writing, words at a height.

A plot draws its own ticks: the machinery of matplotlib, which can do far more, takes longer than
all the rest of a page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from xraymeasure.report.layout import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_TICK_PT = 2.0
_PAD_PT = 1.5


def frame(
    axes: Axes,
    *,
    title: str = "",
    along: str = "",
    up: str = "",
    letters_pt: float = 6.2,
    label_pt: float = 6.5,
    title_pt: float = 7.2,
    grid: bool = False,
) -> None:
    """Draw the left and lower line of a plot, faint, with small numbers; nothing may follow.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Whose limits are set.
    title, along, up : str
        Above the plot, and what its axes are.
    letters_pt, label_pt, title_pt : float
        Size of the numbers, of the names of the axes and of the title.
    grid : bool
        Whether lines go from the numbers across the plot.
    """
    axes.tick_params(labelsize=letters_pt)
    axes.apply_aspect()
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(style.RULE)
    out = _TICK_PT + _PAD_PT
    across, upward = axes.get_xaxis_transform(), axes.get_yaxis_transform()
    below = _ticks(axes, "x")
    for place, text in below:
        _write(axes, across, (place, 0.0), (0.0, -out - 0.76 * letters_pt), text, letters_pt)
    beside = _ticks(axes, "y")
    for place, text in beside:
        # Half the height of a figure stands below the middle.
        at = (-out, -0.365 * letters_pt)
        _write(axes, upward, (0.0, place), at, text, letters_pt, align="right")
    if grid:
        for place, _ in below:
            axes.axvline(place, color=style.RULE, linewidth=0.4, zorder=0.5)
        for place, _ in beside:
            axes.axhline(place, color=style.RULE, linewidth=0.4, zorder=0.5)
    whole = axes.transAxes
    ink = {"colour": style.INK}
    _write(axes, whole, (0.0, 1.0), (0.0, 3.0), title, title_pt, align="left", **ink)
    height = out + 1.17 * letters_pt * bool(below) + 1.0 + 0.93 * label_pt
    _write(axes, whole, (0.5, 0.0), (0.0, -height), along, label_pt, **ink)
    if up:
        from xraymeasure.report.layout.type import width_pt

        widest = max((width_pt(text, letters_pt) for _, text in beside), default=0.0)
        axes.annotate(
            up,
            (0.0, 0.5),
            xycoords="axes fraction",
            xytext=(-out - widest - 1.0, 0.0),
            textcoords="offset points",
            rotation="vertical",
            ha="right",
            va="center",
            fontsize=label_pt,
            annotation_clip=False,
        )


def _ticks(axes: Axes, which: str) -> list[tuple[float, str]]:
    """Draw the ticks of one axis in place of matplotlib's; return where they are, with numbers."""
    from matplotlib.lines import Line2D

    axis, limits = (axes.xaxis, axes.get_xlim()) if which == "x" else (axes.yaxis, axes.get_ylim())
    axis.set_visible(False)
    slack = 1e-6 * abs(limits[1] - limits[0])
    places = [
        float(place)
        for place in axis.get_majorticklocs()
        if min(limits) - slack <= place <= max(limits) + slack
    ]
    nought = [0.0] * len(places)
    x, y = (places, nought) if which == "x" else (nought, places)
    line = Line2D(
        x,
        y,
        linestyle="none",
        marker=3 if which == "x" else 0,
        markersize=_TICK_PT,
        markeredgewidth=0.8,
        color=style.GREY,
        transform=axes.get_xaxis_transform() if which == "x" else axes.get_yaxis_transform(),
        clip_on=False,
    )
    axes.add_artist(line)
    return list(zip(places, axis.get_major_formatter().format_ticks(places), strict=True))


def _write(
    axes: Axes,
    transform: Any,
    place: tuple[float, float],
    offset_pt: tuple[float, float],
    text: str,
    size: float,
    *,
    align: str = "center",
    colour: str = style.GREY,
) -> None:
    from matplotlib.transforms import ScaledTranslation

    from xraymeasure.report.layout.type import Line

    figure = axes.get_figure(root=True)
    if not text or figure is None:
        return
    shift = ScaledTranslation(offset_pt[0] / 72, offset_pt[1] / 72, figure.dpi_scale_trans)
    line = Line(place, text, size, transform + shift, colour=colour, align=align)
    axes.add_artist(line)


def key_to_marks(
    axes: Axes, columns: int, *, letters_pt: float, left_pt: float, above_pt: float
) -> None:
    """Write below a plot what its labelled marks are, from a place beside its lower left corner."""
    from matplotlib.lines import Line2D
    from matplotlib.transforms import ScaledTranslation

    from xraymeasure.report.layout.type import width_pt

    figure = axes.get_figure(root=True)
    marks: tuple[list[Any], list[Any]] = axes.get_legend_handles_labels()
    handles, labels = marks
    if figure is None or not labels:
        return
    column = 20.0 + max(width_pt(label, letters_pt) for label in labels)
    for number, (handle, label) in enumerate(zip(handles, labels, strict=True)):
        x = left_pt + column * (number % columns)
        y = above_pt - 9.5 * (number // columns)
        shift = (x + 6.0) / 72, (y + 0.365 * letters_pt) / 72
        sample = Line2D([0.0], [0.0], marker="s", markersize=7.0)
        if isinstance(handle, Line2D):
            sample.update_from(handle)
        else:
            sample.set_markerfacecolor(handle.get_facecolor())
            sample.set_markeredgecolor(handle.get_edgecolor())
        sample.set(
            linestyle="none",
            clip_on=False,
            transform=axes.transAxes + ScaledTranslation(*shift, figure.dpi_scale_trans),
        )
        axes.add_artist(sample)
        at = x + 14.0, y
        _write(axes, axes.transAxes, (0.0, 0.0), at, label, letters_pt, align="left")


def write_beside(
    axes: Axes, height: float, text: str, *, gap_pt: float, letters_pt: float, colour: str
) -> None:
    """Write words to the right of a plot, at a height given in its data."""
    _write(
        axes,
        axes.get_yaxis_transform(),
        (1.0, height),
        (gap_pt, -0.365 * letters_pt),
        text,
        letters_pt,
        align="left",
        colour=colour,
    )
