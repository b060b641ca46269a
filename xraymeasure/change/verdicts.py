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
from collections.abc import Sequence

from xraymeasure.change.difference import Interval
from xraymeasure.measuring.uncertainty import COVERAGE

ERROR = 0.05
"""Share of unmoved hips that may carry any flag."""

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
