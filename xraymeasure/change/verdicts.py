"""Which changes of a hip are shown: all of them judged together, each by its own uncertainty.

A hip is asked for several changes at once, and on several films. At most one unmoved hip in twenty
may carry a flag of any kind, so the numbers are tested in the order of their evidence, the first
against the whole family and each next against those that are left: Holm S, Scand J Stat
1979;6:65-70 (from memory), which holds whatever their correlation.

The smallest change that a pair could have shown is the one that it would have found in nine of ten
cases, were it the only one: the critical value of the whole family and 1.28, in standard
uncertainties.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from xraymeasure.change.difference import Interval
from xraymeasure.change.positioning import Comparability
from xraymeasure.change.result import Change
from xraymeasure.measuring.uncertainty import COVERAGE

ERROR = 0.05
"""Share of unmoved hips that may carry any flag."""

WEAR_RESOLVED_MM = 1.1
"""A pair of plain films does not resolve wear below this (Wan Z et al., Clin Orthop Relat Res
2006;449:267-274; abstract read)."""

POWER_Z = 1.2815515655446004
"""Quantile of the normal distribution at 0.9."""


def p_value(change: Interval) -> float:
    """Return the two-sided probability of a change at least as far from zero, were there none.

    Normal, with the half of the interval that leads to zero as its spread.

    Examples
    --------
    >>> round(p_value((1.96, 0.0, 3.92)), 3)
    0.05
    """
    value, low, high = change
    u = ((value - low) if value >= 0.0 else (high - value)) / COVERAGE
    if u <= 0.0:
        return 0.0 if value else 1.0
    return math.erfc(abs(value) / u / math.sqrt(2.0))


def holm(p_values: Sequence[float], error: float = ERROR) -> list[bool]:
    """Return which of several tests reject, with at most `error` chance of any false rejection.

    Examples
    --------
    At 0.05: the smallest is held against 0.05 / 4, the next against 0.05 / 3, the third fails
    against 0.05 / 2 and ends it.

    >>> holm([0.01, 0.04, 0.03, 0.005])
    [True, False, False, True]
    """
    rejected = [False] * len(p_values)
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    for rank, i in enumerate(order):
        if p_values[i] > error / (len(p_values) - rank):
            break
        rejected[i] = True
    return rejected


def detectable(u: float, tests: int, error: float = ERROR) -> float:
    """Return the change that is found in nine of ten cases among so many tests.

    Examples
    --------
    One test, spread 1: 1.96 + 1.28.

    >>> round(detectable(1.0, 1), 2)
    3.24
    """
    from scipy.stats import norm

    return float(norm.isf(error / (2.0 * tests)) + POWER_Z) * u


def judged(
    rows: Sequence[Change], comparability: Comparability, error: float
) -> tuple[Change, ...]:
    """Judge all changes of a pair together; those with a reason of their own are not asked.

    Parameters
    ----------
    rows : sequence of Change
    comparability : Comparability
        Of the two films.
    error : float
        Chance of any flag where nothing changed.
    """
    asked = [row for row in rows if not row.reason]
    components = [row for row in rows if row.name.startswith("head_penetration_")]
    tests = len(asked)

    def p_of(row: Change) -> float:
        if row.name != "head_penetration":
            return p_value((row.value, row.low, row.high))
        # Two numbers make a vector: the box of Bonferroni, as for its interval.
        return min(1.0, 2.0 * min(p_value((c.value, c.low, c.high)) for c in components))

    def least(row: Change) -> float:
        if row.name != "head_penetration":
            return detectable((row.high - row.low) / (2.0 * COVERAGE), tests, error)
        u = max((c.high - c.low) / (2.0 * COVERAGE) for c in components)
        return max(detectable(u, 2 * tests, error), WEAR_RESOLVED_MM + POWER_Z * u)

    shown = dict(
        zip((row.name for row in asked), holm([p_of(row) for row in asked], error), strict=True)
    )
    found = {row.name: row for row in rows}
    return tuple(
        row
        if row.reason
        else _doubted(
            replace(_verdict(row, shown[row.name], comparability), detectable=least(row)), found
        )
        for row in rows
    )


def _verdict(row: Change, shown: bool, comparability: Comparability) -> Change:
    if comparability.other_view:
        return replace(row, verdict="not comparable", reason=comparability.other_view)
    if not shown:
        why = _AMONG_MANY if row.low > 0.0 or row.high < 0.0 else _EXPLAINED
        return replace(row, verdict="not shown", reason=why)
    if row.name == "head_penetration" and row.value < WEAR_RESOLVED_MM:
        why = f"below {WEAR_RESOLVED_MM:g} mm, which a pair of plain films does not resolve"
        return replace(row, verdict="not resolved", reason=why)
    return replace(row, verdict="changed")


def _doubted(row: Change, found: Mapping[str, Change]) -> Change:
    """Say of a head that left the dome of its cup that wear does not do that."""
    if row.name != "head_penetration" or row.verdict not in ("changed", "not resolved"):
        return row
    if found["head_penetration_cranial"].value >= 0.0:
        return row
    why = "the head moved caudally, which wear does not do: check the outlines of head and cup"
    return replace(row, reason=f"{row.reason}; {why}" if row.reason else why)


_EXPLAINED = "no more than the uncertainty of the two films explains"
_AMONG_MANY = (
    "its own interval leaves out zero, but judged with the other numbers of this hip it is no more "
    "than chance may bring"
)
