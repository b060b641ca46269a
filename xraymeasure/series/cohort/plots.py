"""The plots of a cohort: its cups over their plans, differences, the theatre's record."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from xraymeasure.report.layout import style
from xraymeasure.report.layout.blocks import MakeAxes
from xraymeasure.report.layout.plain_axes import frame
from xraymeasure.series.agreement.plots import draw_bland_altman
from xraymeasure.series.agreement.statistics import Limits
from xraymeasure.series.cohort.cases import is_within
from xraymeasure.series.cohort.cohort import Cohort, Outcome
from xraymeasure.vocabulary.quantities import CUP_ANGLES

if TYPE_CHECKING:
    import numpy as np

_SIGN = {"deg": "°", "mm": "mm"}


def _plan_zones(cohort: Cohort) -> list[tuple[float, ...]]:
    """Return the planned angles and tolerances that occur."""
    zones: dict[tuple[float, ...], None] = {}
    for case in cohort.cases:
        zone = tuple(
            round(value, 2)
            for name in CUP_ANGLES
            if (row := case.comparison.row(name))
            for value in (row.planned, row.tolerance)
            if value is not None
        )
        if len(zone) == 4:
            zones[zone] = None
    return list(zones)


def draw_scatter(cohort: Cohort, make: MakeAxes) -> None:
    """Draw the achieved angles over the planned zones, and their distance from plan."""
    from matplotlib.patches import Rectangle

    absolute, relative = make(10.0, 5.0, 78.0, 58.0), make(106.0, 5.0, 78.0, 58.0)
    zones = _plan_zones(cohort)
    look_of_zone: dict[str, Any] = {
        "facecolor": style.BAND,
        "edgecolor": style.FAINT,
        "linewidth": 0.8,
        "zorder": 0,
    }
    # Where plans differ from hip to hip their zones lie over one another.
    alpha = max(1.0 / len(zones), 0.15) if len(zones) > 3 else 1.0
    for inclination, wide, anteversion, high in zones:
        low = inclination - wide, anteversion - high
        absolute.add_patch(Rectangle(low, 2 * wide, 2 * high, alpha=alpha, **look_of_zone))
        absolute.plot(inclination, anteversion, "+", color=style.PLANNED, markersize=6, zorder=1)
    tolerances = {zone[1::2] for zone in zones}
    if len(tolerances) == 1:
        ((wide, high),) = tolerances
        relative.add_patch(Rectangle((-wide, -high), 2 * wide, 2 * high, **look_of_zone))
    relative.plot(0, 0, "+", color=style.PLANNED, markersize=9, mew=1.4, zorder=1)
    for case in cohort.cases:
        rows = [row for name in CUP_ANGLES if (row := case.comparison.row(name))]
        achieved = [row.achieved for row in rows if row.achieved is not None]
        if len(achieved) < len(CUP_ANGLES):
            continue
        differences = [row.difference for row in rows if row.difference is not None]
        within = all(is_within(row) is True for row in rows)
        colour, marker = (
            (style.VERDICTS["within"][2], "o") if within else (style.VERDICTS["outside"][2], "^")
        )
        look: dict[str, Any] = {
            "color": colour,
            "marker": marker,
            "markersize": 3.6,
            "linestyle": "none",
        }
        absolute.plot(*achieved, **look)
        if len(differences) == len(CUP_ANGLES):
            relative.plot(*differences, **look)
    for axes, title, label in (
        (absolute, "Achieved, over the plan's zone", "radiographic {}, degrees"),
        (relative, "Achieved minus planned", "{}, degrees from plan"),
    ):
        # A degree is as long either way.
        axes.autoscale_view()
        axes.margins(0.08)
        axes.set_aspect("equal", adjustable="datalim")
        frame(
            axes,
            title=title,
            along=label.format("inclination"),
            up=label.format("anteversion"),
            label_pt=7.0,
            title_pt=7.4,
            grid=True,
        )
    absolute.text(
        0.0,
        -0.2,
        "+ planned   grey: tolerance   ● both angles within tolerance   ▲ not",
        transform=absolute.transAxes,
        fontsize=6.8,
        color=style.GREY,
    )


def draw_histograms(
    cohort: Cohort, shown: Sequence[tuple[Outcome, Limits]], make: MakeAxes
) -> None:
    """Draw a histogram of achieved minus planned for each outcome, with bias and spread."""
    import numpy as np
    from matplotlib.ticker import MaxNLocator

    for position, (outcome, limits) in enumerate(shown):
        row, column = divmod(position, 3)
        axes = make(6.0 + 62.5 * column, 4.5 + 38.0 * row, 53.0, 24.0)
        differences = np.array(limits.differences)
        reach = max(abs(differences).max(), abs(limits.lower.value), abs(limits.upper.value))
        tolerances = cohort.settings.tolerances.get(outcome.name, ())
        if len(tolerances) == 1:
            axes.axvspan(-tolerances[0], tolerances[0], color=style.BAND, linewidth=0, zorder=0)
            reach = max(reach, tolerances[0])
        width = _bin_width(differences)
        half = np.ceil(reach / width) + 0.5
        axes.hist(
            differences,
            bins=(np.arange(-half, half + 0.5) * width).tolist(),
            color=style.MEASURED,
            edgecolor="white",
            linewidth=0.4,
            zorder=2,
        )
        axes.axvline(0.0, color=style.GREY, linewidth=0.8, linestyle=":", zorder=3)
        for value, dash in (
            (limits.bias.value, "-"),
            (limits.lower.value, "--"),
            (limits.upper.value, "--"),
        ):
            axes.axvline(value, color=style.INK, linewidth=0.9, linestyle=dash, zorder=3)
        axes.set_xlim(-half * width, half * width)
        axes.yaxis.set_major_locator(MaxNLocator("auto", steps=[1, 2, 2.5, 5, 10], integer=True))
        frame(axes, title=f"{outcome.label}   n = {limits.n}", along=_SIGN[outcome.unit])


def _bin_width(differences: np.ndarray) -> float:
    """Return a round width of bins (Freedman and Diaconis 1981, to the next of 0.5, 1, 2 or 5)."""
    import numpy as np

    low, high = np.percentile(differences, [25, 75])
    wanted = 2.0 * (high - low) / len(differences) ** (1 / 3)
    return next((width for width in (0.5, 1.0, 2.0) if width >= wanted), 5.0)


def draw_record(plotted: Sequence[tuple[Outcome, Limits]], make: MakeAxes) -> None:
    """Draw recorded minus measured over their mean for each outcome."""
    for position, (outcome, limits) in enumerate(plotted):
        row, column = divmod(position, 3)
        axes = make(9.0 + 62.5 * column, 4.5 + 42.0 * row, 45.0, 28.0)
        draw_bland_altman(axes, limits, _SIGN[outcome.unit], title=outcome.label)
