"""Changes over time in six panels: those of one hip, and those of all hips of a study."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from xraymeasure.change.kinds import KINDS
from xraymeasure.change.result import Change
from xraymeasure.change.verdicts import WEAR_RESOLVED_MM
from xraymeasure.report.layout import style
from xraymeasure.report.layout.blocks import MakeAxes
from xraymeasure.report.layout.plain_axes import frame
from xraymeasure.series.followup.followup import FollowUp
from xraymeasure.vocabulary import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PANELS = (
    "cup_migration_cranial",
    "cup_migration_lateral",
    "stem_subsidence",
    "inclination_change",
    "anteversion_change",
    "head_penetration",
)
"""What is drawn over time."""
PANELS_MM = 92.0
"""How high the panels are."""
MARKERS = {
    "changed": ("^", style.VERDICTS["outside"][2], True),
    "not resolved": ("^", style.VERDICTS["undecided"][2], False),
    "not shown": ("o", style.MEASURED, False),
    "not comparable": ("x", style.GREY, True),
}


def draw_trends(followup: FollowUp, make: MakeAxes) -> None:
    """Draw the changes of a hip since its first film."""
    _panels(make, lambda axes, name: _draw_trend(axes, followup, name))


def draw_hips(hips: Sequence[FollowUp], make: MakeAxes) -> None:
    """Draw the changes of all hips since the first film of each."""
    _panels(make, lambda axes, name: _draw_kind(axes, hips, name))


def _panels(make: MakeAxes, draw: Callable[[Axes, str], None]) -> None:
    for position, name in enumerate(PANELS):
        row, column = divmod(position, 3)
        axes = make(9.0 + 62.5 * column, 5.0 + 46.0 * row, 50.0, 31.0)
        draw(axes, name)
        kind = KINDS[name]
        frame(
            axes,
            title=f"{kind.label} ({wording.UNITS[kind.unit].strip()})",
            along="years since the first film" if row == 1 else "",
        )


def _points(hip: FollowUp, name: str) -> list[tuple[float, Change]]:
    """Return the years since the first film of every later one that tells a change, and that."""
    return [(hip.years_to(step), row) for step in hip.steps if (row := step.changes.row(name))]


def _least(name: str) -> float:
    """Return how far a panel goes at least: a tiny change must not look like a large one."""
    return 3.0 if KINDS[name].unit == "mm" else 5.0


def _draw_trend(axes: Axes, followup: FollowUp, name: str) -> None:
    axes.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
    points = _points(followup, name)
    times = [0.0, *(years for years, _ in points)]
    if points:
        values = [0.0, *(row.value for _, row in points)]
        axes.plot(times, values, color=style.RULE, linewidth=0.9, zorder=1)
    axes.plot([0.0], [0.0], "o", color=style.INK, markersize=3, zorder=3)
    for years, row in points:
        marker, colour, filled = MARKERS[row.verdict or "not comparable"]
        reach = [[row.value - row.low], [row.high - row.value]]
        axes.errorbar(
            [years],
            [row.value],
            yerr=reach,
            fmt=marker,
            color=colour,
            markerfacecolor=colour if filled else "white",
            markersize=5,
            elinewidth=1.1,
            capsize=2,
            zorder=2,
        )
    line = {"head_penetration": (WEAR_RESOLVED_MM, ":")}.get(name)
    if name == "stem_subsidence" and followup.subsidence_threshold_mm:
        line = (followup.subsidence_threshold_mm, "--")
    if line:
        axes.axhline(line[0], color=style.GREY, linewidth=0.8, linestyle=line[1], zorder=0)
    if not points:
        axes.text(0.5, 0.7, "not measured", transform=axes.transAxes, ha="center", fontsize=7)
        axes.set_yticks([])
    longest = followup.years_to(followup.last)
    axes.set_xlim(-0.06 * longest, 1.08 * longest)
    least = _least(name)
    low, high = axes.get_ylim()
    axes.set_ylim(min(low, 0.0 if name == "head_penetration" else -least), max(high, least))


def _draw_kind(axes: Axes, hips: Sequence[FollowUp], name: str) -> None:
    axes.axhline(0.0, color=style.FAINT, linewidth=0.7, zorder=0)
    reach, longest = _least(name), 0.1
    for hip in hips:
        points = _points(hip, name)
        if not points:
            continue
        times = [0.0, *(years for years, _ in points)]
        values = [0.0, *(row.value for _, row in points)]
        for years, row in points:
            if row.verdict in MARKERS:
                marker, colour, filled = MARKERS[row.verdict]
                axes.plot(
                    years,
                    row.value,
                    marker,
                    color=colour,
                    markerfacecolor=colour if filled else "white",
                    markersize=3.6,
                    zorder=2,
                )
        axes.plot(times, values, color=style.FAINT, linewidth=0.6, zorder=1)
        longest = max(longest, times[-1])
        reach = max(reach, *(1.1 * abs(value) for value in values))
    axes.set_xlim(-0.04 * longest, 1.06 * longest)
    axes.set_ylim(-0.1 * reach if name == "head_penetration" else -reach, reach)
