"""Bland and Altman's plots of an agreement."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from xraymeasure.report.layout import style
from xraymeasure.report.layout.blocks import MakeAxes, Picture
from xraymeasure.report.layout.plain_axes import frame, write_beside
from xraymeasure.report.layout.sheet import TEXT_MM
from xraymeasure.series.agreement.reliability import MeasurementAgreement
from xraymeasure.series.agreement.statistics import Limits
from xraymeasure.vocabulary import wording
from xraymeasure.vocabulary.quantities import QUANTITIES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

UNITS = {"deg": "°", "mm": "mm", "px": "px", "1": ""}
"""What stands beside a number in a plot or the head of a table."""
_PANELS = 3
_PANEL_HEIGHT_MM = 36.0


def pictures(entry: MeasurementAgreement) -> Iterator[Picture]:
    """Yield the plots of one measurement, some to a row."""
    plots = [
        (pair, limits)
        for comparison in entry.comparisons
        for pair, limits in comparison.limits
        if isinstance(limits, Limits)
    ]
    if not plots:
        return
    reach = _reach([limits for _, limits in plots])
    for start in range(0, len(plots), _PANELS):
        row = plots[start : start + _PANELS]
        pairs = "; ".join(pair for pair, _ in row)
        yield Picture(
            _PANEL_HEIGHT_MM + 7.5,
            partial(_draw_row, entry, row, reach),
            f"{entry.title}: differences over means of {pairs}, with limits of agreement.",
        )


def _draw_row(
    entry: MeasurementAgreement, row: Sequence[tuple[str, Limits]], reach: float, make: MakeAxes
) -> None:
    quantity = QUANTITIES[entry.name]
    for column, (pair, limits) in enumerate(row):
        left = 9.0 + column * TEXT_MM / _PANELS
        axes = make(left, 8.0, TEXT_MM / _PANELS - 18.0, _PANEL_HEIGHT_MM - 8.5)
        if column == 0:
            axes.text(-0.2, 1.17, entry.title, transform=axes.transAxes, fontsize=8, weight="bold")
        draw_bland_altman(
            axes,
            limits,
            UNITS[quantity.unit],
            quantity.decimals,
            reach,
            title=f"{pair}   n = {limits.n}",
            title_pt=6.6,
            # The numbers beside the panel to the left stand there.
            named=not column,
        )


def draw_bland_altman(
    axes: Axes,
    limits: Limits,
    unit: str,
    decimals: int = 1,
    reach: float | None = None,
    *,
    title: str = "",
    title_pt: float = 7.2,
    named: bool = True,
) -> None:
    """Draw differences over means, the mean difference, the limits, and the interval of each.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Its limits and labels are set.
    limits : Limits
        What is drawn.
    unit : str
        For the labels; may be empty.
    decimals : int
        Of the numbers beside the lines.
    reach : float, optional
        How far the axis of the differences goes to either side; as far as needed by default.
    title : str
        Above the plot, in letters of `title_pt`.
    named : bool
        Whether it is said that differences go upward.
    """
    reach = reach or _reach([limits])
    # Where the limits lie close together their numbers would lie over one another.
    apart = limits.upper.value - limits.lower.value > 0.24 * reach
    for estimate, dash in ((limits.bias, "-"), (limits.lower, "--"), (limits.upper, "--")):
        axes.axhspan(estimate.low, estimate.high, color=style.BAND, linewidth=0, zorder=0)
        axes.axhline(estimate.value, color=style.INK, linewidth=0.8, linestyle=dash, zorder=2)
        if estimate is not limits.bias and not apart:
            continue
        told = wording.number(estimate.value, decimals, signed=True)
        write_beside(axes, estimate.value, told, gap_pt=2, letters_pt=6, colour=style.INK)
    axes.axhline(0.0, color=style.FAINT, linewidth=0.6, linestyle=":", zorder=1)
    axes.plot(
        limits.means,
        limits.differences,
        "o",
        markersize=2.6,
        markerfacecolor="none",
        markeredgecolor=style.MEASURED,
        markeredgewidth=0.8,
        zorder=3,
    )
    axes.set_ylim(-reach, reach)
    axes.margins(x=0.08)
    suffix = f" ({unit})" if unit else ""
    frame(
        axes,
        title=title,
        along=f"mean{suffix}",
        up=f"difference{suffix}" if named else "",
        letters_pt=6.0,
        title_pt=title_pt,
    )


def _reach(several: Sequence[Limits]) -> float:
    """Return how far an axis must go to show all limits, their intervals and all differences."""
    ends = (
        abs(end)
        for limits in several
        for end in (limits.lower.low, limits.upper.high, *limits.differences)
    )
    return 1.08 * max(*ends, 1e-9)
