"""How likely a difference from plan lies inside its tolerance."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri

from xraymeasure.change.difference import Interval
from xraymeasure.measuring.draws import Distribution
from xraymeasure.measuring.uncertainty import COVERAGE


def probability_within(difference: Interval, tolerance: float) -> float:
    """Return how likely a difference lies inside its tolerance, by its 95 % interval.

    Each side of the interval is taken as one half of a normal distribution of its own width.

    Examples
    --------
    >>> round(probability_within((0.0, -5.0, 5.0), 5.0), 3)
    0.95
    >>> round(probability_within((5.0, 2.0, 9.0), 5.0), 2)
    0.5
    """
    value, low, high = difference

    def below(end: float) -> float:
        half = high - value if end > value else value - low
        if half <= 0.0:
            return float(end >= value)
        return float(ndtr(COVERAGE * (end - value) / half))

    return below(tolerance) - below(-tolerance)


def probability_drawn(achieved: Distribution, planned: Interval, tolerance: float) -> float:
    """Return how likely a difference lies inside its tolerance, by the draws of what was achieved.

    Parameters
    ----------
    achieved : Distribution
        Of the measured number.
    planned : (value, low, high)
        With its 95 % interval, each side one half of a normal distribution.
    tolerance : float
    """
    value, low, high = planned
    if low == high:
        return achieved.below(value + tolerance) - achieved.below(value - tolerance)
    off = ndtri((np.arange(_PLANNED) + 0.5) / _PLANNED) / COVERAGE
    targets = value + np.where(off < 0.0, value - low, high - value) * off
    inside = [
        achieved.below(each + tolerance) - achieved.below(each - tolerance) for each in targets
    ]
    return float(np.mean(inside))


_PLANNED = 41
"""At so many quantiles an uncertain plan is looked at."""
