"""What the small plots of a page have in common: a quiet frame, and words beside a height."""

from __future__ import annotations

from typing import TYPE_CHECKING

from xraymeasure.report.layout import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def quieten(axes: Axes, letters_pt: float = 6.2) -> None:
    """Leave of a plot's frame the left and lower line, faint, with small numbers."""
    axes.tick_params(labelsize=letters_pt, length=2, pad=1.5, colors=style.GREY)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(style.RULE)


def write_beside(
    axes: Axes, height: float, text: str, *, gap_pt: float, letters_pt: float, colour: str
) -> None:
    """Write words to the right of a plot, at a height given in its data."""
    axes.annotate(
        text,
        (1.0, height),
        xycoords=("axes fraction", "data"),
        xytext=(gap_pt, 0),
        textcoords="offset points",
        va="center",
        fontsize=letters_pt,
        color=colour,
        annotation_clip=False,
    )
