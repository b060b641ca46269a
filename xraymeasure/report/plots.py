"""The cup on a plot of inclination against anteversion."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from xraymeasure.measurements import Measurement, Measurements
from xraymeasure.plan import Comparison
from xraymeasure.report import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# What is shown at least, degrees: where most cups lie.
_LEAST_INCLINATION = (25.0, 60.0)
_LEAST_ANTEVERSION = (-5.0, 35.0)
_MARGIN_DEG = 3.0

_INCLINATION, _ANTEVERSION = "radiographic_inclination", "radiographic_anteversion"


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
        outline faintly.
    comparison : Comparison, optional
        The planned point, the tolerance about it and the recorded point, all in radiographic
        angles to the film's coronal plane: only there is the tolerance a box.
    """
    from matplotlib.patches import Rectangle

    seen: list[tuple[float, float]] = []
    rows = [comparison.row(name) if comparison else None for name in (_INCLINATION, _ANTEVERSION)]
    if all(rows):
        planned = [row.planned for row in rows]
        tolerance = [row.tolerance for row in rows]
        recorded = [row.recorded for row in rows]
        if None not in planned:
            if None not in tolerance:
                low = [plan - limit for plan, limit in zip(planned, tolerance, strict=True)]
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
                seen += [tuple(low), (low[0] + 2 * tolerance[0], low[1] + 2 * tolerance[1])]
            axes.plot(
                *planned, "+", color=style.PLANNED, markersize=11, mew=1.6, ls="", label="planned"
            )
            seen.append(tuple(planned))
        if None not in recorded:
            axes.plot(
                *recorded,
                "D",
                color=style.RECORDED,
                markerfacecolor="none",
                markersize=6,
                mew=1.4,
                ls="",
                label="recorded in theatre",
            )
            seen.append(tuple(recorded))
    seen += _draw_cup(
        axes,
        measurements.by_method(_INCLINATION, "perspective_other"),
        measurements.by_method(_ANTEVERSION, "perspective_other"),
        marker="s",
        colour=style.FAINT,
        width=0.8,
        label="other pose, same outline",
    )
    seen += _draw_cup(
        axes,
        measurements.primary(_INCLINATION),
        measurements.primary(_ANTEVERSION),
        marker="o",
        colour=style.MEASURED,
        width=1.6,
        label="measured, 95 % interval",
    )
    _frame(axes, seen)


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
    reach = [
        [[max(row.value - row.low, 0.0)], [max(row.high - row.value, 0.0)]]
        for row in (inclination, anteversion)
    ]
    axes.errorbar(
        inclination.value,
        anteversion.value,
        xerr=reach[0],
        yerr=reach[1],
        fmt=marker,
        color=colour,
        markerfacecolor=colour if marker == "o" else "none",
        markersize=5,
        elinewidth=width,
        capsize=2.5,
        label=label,
    )
    return [(inclination.low, anteversion.low), (inclination.high, anteversion.high)]


def _frame(axes: Axes, seen: list[tuple[float, float]]) -> None:
    limits = []
    for index, (least_low, least_high) in enumerate((_LEAST_INCLINATION, _LEAST_ANTEVERSION)):
        values = [point[index] for point in seen]
        low = min([least_low, *(value - _MARGIN_DEG for value in values)])
        high = max([least_high, *(value + _MARGIN_DEG for value in values)])
        limits.append((5 * math.floor(low / 5), 5 * math.ceil(high / 5)))
    axes.set_xlim(limits[0])
    axes.set_ylim(limits[1])
    if limits[1][0] < 0 < limits[1][1]:
        axes.axhline(0, color=style.FAINT, linewidth=0.7, zorder=0)
    axes.set_aspect("equal", adjustable="box")
    axes.set_xticks(range(10 * math.ceil(limits[0][0] / 10), int(limits[0][1]) + 1, 10))
    axes.set_yticks(range(10 * math.ceil(limits[1][0] / 10), int(limits[1][1]) + 1, 10))
    axes.grid(color=style.RULE, linewidth=0.4)
    axes.set_axisbelow(True)
    axes.set_xlabel("radiographic inclination, degrees")
    axes.set_ylabel("radiographic anteversion, degrees")
    for spine in ("top", "right"):
        axes.spines[spine].set_visible(False)
