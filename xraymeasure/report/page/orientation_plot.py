"""The cup on a plot of inclination against anteversion."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from xraymeasure.measuring.results import Measurement, Measurements
from xraymeasure.plan.compare import Comparison
from xraymeasure.report.layout import style
from xraymeasure.vocabulary import wording
from xraymeasure.vocabulary.quantities import CUP_ANGLES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# What is shown at least, degrees: where most cups lie.
_LEAST_INCLINATION = (25.0, 60.0)
_LEAST_ANTEVERSION = (-5.0, 35.0)
_MARGIN_DEG = 3.0


def draw_orientation_plot(
    axes: Axes, measurements: Measurements, comparison: Comparison | None = None
) -> None:
    """Draw the cup of the index hip, its plan and its record as points of two angles.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Drawn over; its limits and labels are set.
    measurements : Measurements
        The primary angles are drawn with their 95 % intervals, the other pose that gives the same
        outline faintly or, if it lies far off, in words.
    comparison : Comparison, optional
        The planned point, the tolerance about it and the recorded point, all in radiographic
        angles to the film's coronal plane: only there is the tolerance a box.
    """
    from matplotlib.patches import Rectangle

    seen: list[tuple[float, float]] = []
    planned, tolerance, recorded = (
        _pair_of(comparison, key) for key in ("planned", "tolerance", "recorded")
    )
    if planned:
        if tolerance:
            low = planned[0] - tolerance[0], planned[1] - tolerance[1]
            axes.add_patch(
                Rectangle(
                    low,
                    2 * tolerance[0],
                    2 * tolerance[1],
                    facecolor=style.BAND,
                    edgecolor=style.FAINT,
                    linewidth=0.8,
                    label="tolerance",
                )
            )
            seen += [low, (low[0] + 2 * tolerance[0], low[1] + 2 * tolerance[1])]
        axes.plot(
            *planned, "+", color=style.PLANNED, markersize=11, mew=1.6, ls="", label="planned"
        )
        seen.append(planned)
    if recorded:
        axes.plot(
            *recorded,
            "D",
            color=style.RECORDED,
            markerfacecolor="none",
            markersize=6,
            mew=1.4,
            ls="",
            label="recorded",
        )
        seen.append(recorded)
    seen += _draw_cup(
        axes,
        *(measurements.primary(name) for name in CUP_ANGLES),
        marker="o",
        colour=style.MEASURED,
        width=1.6,
        label="measured, 95 %",
    )
    _frame(axes, seen)
    inclination, anteversion = (
        measurements.by_method(name, "perspective_other") for name in CUP_ANGLES
    )
    if inclination and anteversion:
        _draw_other_pose(axes, inclination, anteversion)


def _pair_of(comparison: Comparison | None, key: str) -> tuple[float, float] | None:
    """Return inclination and anteversion of one column of a comparison, where both are there."""
    rows = [comparison.row(name) if comparison else None for name in CUP_ANGLES]
    inclination, anteversion = (getattr(row, key) if row else None for row in rows)
    if inclination is None or anteversion is None:
        return None
    return inclination, anteversion


def _draw_cup(
    axes: Axes,
    inclination: Measurement | None,
    anteversion: Measurement | None,
    *,
    marker: str,
    colour: str,
    width: float,
    label: str,
) -> list[tuple[float, float]]:
    if inclination is None or anteversion is None:
        return []
    across = [inclination.low, inclination.high], [anteversion.value] * 2
    upward = [inclination.value] * 2, [anteversion.low, anteversion.high]
    for ends, cap in ((across, "|"), (upward, "_")):
        axes.plot(*ends, cap, ls="-", color=colour, linewidth=width, markersize=5.0)
    axes.plot(
        inclination.value,
        anteversion.value,
        marker,
        color=colour,
        markerfacecolor=colour if marker == "o" else "white",
        markersize=5.5,
        label=label,
    )
    return [(inclination.low, anteversion.low), (inclination.high, anteversion.high)]


def _draw_other_pose(axes: Axes, inclination: Measurement, anteversion: Measurement) -> None:
    """Draw the other pose faintly; where it lies off the plot, say so at the edge."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    if left <= inclination.value <= right and bottom <= anteversion.value <= top:
        _draw_cup(
            axes,
            inclination,
            anteversion,
            marker="s",
            colour=style.FAINT,
            width=0.8,
            label="other pose",
        )
        return
    below = anteversion.value < bottom
    axes.text(
        0.98,
        0.02 if below else 0.98,
        f"{'↓' if below else '↑'} other pose, same outline: "
        f"{wording.number(inclination.value)}/{wording.number(anteversion.value)}",
        transform=axes.transAxes,
        ha="right",
        va="bottom" if below else "top",
        fontsize=6.8,
        color=style.GREY,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0},
    )


def _frame(axes: Axes, seen: list[tuple[float, float]]) -> None:
    from matplotlib.ticker import MultipleLocator

    spans = []
    for index, (least_low, least_high) in enumerate((_LEAST_INCLINATION, _LEAST_ANTEVERSION)):
        values = [point[index] for point in seen]
        low = min([least_low, *(value - _MARGIN_DEG for value in values)])
        high = max([least_high, *(value + _MARGIN_DEG for value in values)])
        spans.append((low, high))
    # A degree is as long either way, and the plot fills its place.
    place = axes.get_window_extent()
    per_degree = min(
        extent / (high - low)
        for extent, (low, high) in zip((place.width, place.height), spans, strict=True)
    )
    limits: tuple[Callable[[float, float], object], ...] = (axes.set_xlim, axes.set_ylim)
    for extent, (low, high), set_limits in zip(
        (place.width, place.height), spans, limits, strict=True
    ):
        middle, half = (low + high) / 2, extent / per_degree / 2
        set_limits(middle - half, middle + half)
    axes.set_aspect("equal")
    bottom, top = axes.get_ylim()
    if bottom < 0 < top:
        axes.axhline(0, color=style.FAINT, linewidth=0.7, zorder=0)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(10))
