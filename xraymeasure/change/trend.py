"""How fast a hip changes over three films and more: a slope with the films' own uncertainty.

All changes are counted from one first film, whose error is therefore in all of them. The slope is
that of generalised least squares through the first film, with this shared error in the covariance;
it equals a weighted regression of the films' own values on time with a free level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xraymeasure.change.difference import Interval
from xraymeasure.measuring.uncertainty import COVERAGE


@dataclass(frozen=True)
class Trend:
    """The slope of one change.

    Attributes
    ----------
    name : str
        A key of `KINDS`.
    per_year : (value, low, high)
        Per year, with its 95 % interval.
    films : int
        How many it rests on, the first included.
    """

    name: str
    per_year: Interval
    films: int


def slope(years: Sequence[float], changes: Sequence[float], u: Sequence[float]) -> Interval:
    """Return the slope of changes since a first film, with its 95 % interval.

    Parameters
    ----------
    years, changes : sequence of float
        Since the first film, which is not among them.
    u : sequence of float
        Standard uncertainty of each change; half of the smallest variance is the first film's.

    Examples
    --------
    Films of equal quality at 0, 1 and 2 years: ordinary regression, (2 - 0) / 2, with variance
    0.5 / 2 where each film's is 0.5.

    >>> value, low, high = slope([1.0, 2.0], [0.8, 2.0], [1.0, 1.0])
    >>> round(value, 3), round((high - low) / 2 / 1.959964, 3)
    (1.0, 0.5)
    """
    t, d, spread = (np.asarray(values, dtype=float) for values in (years, changes, u))
    shared = float(spread.min()) ** 2 / 2.0
    covariance = np.full((len(t), len(t)), shared) + np.diag(spread**2 - shared)
    weighted = np.linalg.solve(covariance, t)
    information = float(t @ weighted)
    value, half = float(d @ weighted) / information, COVERAGE / float(np.sqrt(information))
    return value, value - half, value + half
