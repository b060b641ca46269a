"""How many films a study of agreement needs.

Formulas
--------
* Intraclass correlation: n films, each read k times, so that its 95 % interval is so wide: Bonett
  DG, Stat Med 2002;21:1331-1335 (from memory), ``n = 8 z^2 (1 - r)^2 (1 + (k - 1) r)^2 /
  (k (k - 1) w^2) + 1``, and 5 r more where k is two and r at least 0.7.
* Limits of agreement: standard error of each limit ``sqrt(3 / n) s``: Bland JM, Altman DG, Lancet
  1986;1:307-310; n so that the interval of a limit reaches so far to either side,
  ``n = 3 (z s / h)^2``.
"""

from __future__ import annotations

import math

from xraymeasure.errors import StudyError
from xraymeasure.series.agreement.statistics import Z95


def films_for_icc(expected: float, width: float, readings: int = 2) -> int:
    """Return how many films make the 95 % interval of an ICC as narrow as wanted.

    Parameters
    ----------
    expected : float
        The coefficient, 0 to 1.
    width : float
        Of its whole interval.
    readings : int
        Of each film.

    Raises
    ------
    StudyError
        If a value cannot be meant.

    Examples
    --------
    By hand: 8 * 1.96^2 * 0.2^2 * 2.6^2 / (6 * 0.2^2) + 1 = 35.6.

    >>> films_for_icc(0.8, 0.2, 3)
    36
    """
    if not 0.0 < expected < 1.0:
        raise StudyError(f"{expected:g} is not an ICC; it lies between 0 and 1")
    if not 0.0 < width < 1.0:
        raise StudyError(f"{width:g} is not the width of an ICC's interval; give 0.1 for example")
    if readings < 2:
        raise StudyError("agreement needs two readings of each film or more")
    k, r = readings, expected
    films = 8.0 * (Z95 * (1.0 - r) * (1.0 + (k - 1) * r)) ** 2 / (k * (k - 1) * width**2) + 1.0
    # Bonett's correction for two readings of a high coefficient.
    return math.ceil(films + 5.0 * r if k == 2 and r >= 0.7 else films)


def films_for_limits(sd: float, half_width: float) -> int:
    """Return how many films tell each limit of agreement to plus or minus so much.

    Parameters
    ----------
    sd : float
        Expected standard deviation of the differences.
    half_width : float
        Of the 95 % interval of a limit, in the same unit.

    Raises
    ------
    StudyError
        If one of them is not positive.

    Examples
    --------
    A hundred films give plus or minus 0.34 standard deviations (Bland JM, "How can I decide the
    sample size for a study of agreement between two methods of measurement?", from memory):

    >>> films_for_limits(1.0, 0.34)
    100
    """
    if sd <= 0.0 or half_width <= 0.0:
        raise StudyError("the standard deviation and the half-width must be positive")
    return math.ceil(3.0 * (Z95 * sd / half_width) ** 2)
