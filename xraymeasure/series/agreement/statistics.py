"""How well repeated readings agree: reliability, limits of agreement, measurement error.

Every function takes a table of films (rows) by readings (columns) in which a missing reading is
NaN. Only complete rows count, and how many that are is part of every result.

Formulas
--------
* Intraclass correlation: Shrout PE, Fleiss JL, Psychol Bull 1979;86:420-428, with the intervals of
  McGraw KO, Wong SP, Psychol Methods 1996;1:30-46 (the same where both give one). That of ICC(2,1)
  is an approximation: in simulation it covers 94 to 95 % for three readers, and for two whose
  means differ by half the error of a reading; 89 % for two whose means differ by as much as that
  error. Two readers are few to speak of all readers.
* Limits of agreement: Bland JM, Altman DG, Lancet 1986;1:307-310, mean difference and 1.96 standard
  deviations. The interval of each limit is exact for normal differences, from the noncentral t
  distribution: Carkeet A, Optom Vis Sci 2015;92:e71-80 (limits taken one by one). The approximate
  interval of Bland and Altman 1999 is too short for small series on the outer side.
* Standard error of measurement: the root of the residual mean square (consistency), and of the
  residual and the between-readings variance together (agreement); minimal detectable change
  1.96 * sqrt(2) times it: de Vet HC et al., J Clin Epidemiol 2006;59:1033-1039. Intervals:
  chi-square for a single mean square; for the sum of two that of Graybill FA, Wang CM, J Am Stat
  Assoc 1980;75:869-873 (from memory), which is exact where one of them vanishes. With two
  readers it reaches far up: two say little of how readers differ.
* Repeatability coefficient 1.96 * sqrt(2) times the within-film standard deviation of a one-way
  analysis of variance: Bland JM, Altman DG, Stat Methods Med Res 1999;8:135-160.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Without the machinery of scipy.stats about them, which takes a hundred times as long.
from scipy.special import chdtri, fdtri, nctdtrit, stdtrit

from xraymeasure.change.difference import Interval
from xraymeasure.errors import StudyError
from xraymeasure.measuring.uncertainty import COVERAGE

Z95 = COVERAGE
_CONFIDENCE = 0.95
# What lies to one side of either end of an interval.
_TAILS = (0.5 - _CONFIDENCE / 2.0, 0.5 + _CONFIDENCE / 2.0)


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Coefficient:
    """An intraclass correlation coefficient, named in full.

    Attributes
    ----------
    name : str
        Shrout and Fleiss's name, such as ``ICC(2,1)``.
    model : str
        What is taken as random, such as ``two-way random effects``.
    type : str
        ``absolute agreement`` or ``consistency``.
    unit : str
        What the coefficient is the reliability of: ``single reading`` or ``mean of k readings``.
    value, low, high : float
        The coefficient and its 95 % interval. It may be negative: the films then differ less than
        the readings of one film do.
    """

    name: str
    model: str
    type: str
    unit: str
    value: float
    low: float
    high: float

    @property
    def full_name(self) -> str:
        """The name as a paper has to give it.

        ``ICC(2,1): two-way random effects, absolute agreement, single reading``
        """
        return f"{self.name}: {self.model}, {self.type}, {self.unit}"


@dataclass(frozen=True)
class Limits:
    """Bland and Altman's limits of agreement between two columns of readings.

    Attributes
    ----------
    n : int
        Films with both readings.
    bias, lower, upper : Estimate
        Mean difference (first minus second) with its interval (t), and the limits with theirs
        (noncentral t).
    sd : float
        Standard deviation of the differences.
    means, differences : tuple of float
        What is plotted.
    """

    n: int
    bias: Estimate
    lower: Estimate
    upper: Estimate
    sd: float
    means: tuple[float, ...]
    differences: tuple[float, ...]


@dataclass(frozen=True)
class Reliability:
    """What repeated readings of the same films say about one measurement.

    Attributes
    ----------
    n : int
        Films with all readings; `left_out` are those with only some of them.
    coefficients : tuple of Coefficient
        ICC(1,1), (2,1), (3,1), (1,k), (2,k), (3,k).
    sem_consistency, sem_agreement : Estimate
        Standard error of measurement of a single reading, without and with the differences
        between the columns' means.
    mdc95_consistency, mdc95_agreement : Estimate
        Minimal detectable change: what two single readings must differ by.
    within_sd : Estimate
        Within-film standard deviation (one-way), with its interval (chi-square).
    repeatability : Estimate
        Repeatability coefficient: two readings of a film differ by less in 95 % of cases.
    """

    n: int
    left_out: int
    coefficients: tuple[Coefficient, ...]
    sem_consistency: Estimate
    sem_agreement: Estimate
    mdc95_consistency: Estimate
    mdc95_agreement: Estimate
    within_sd: Estimate
    repeatability: Estimate

    def icc(self, name: str) -> Coefficient:
        """Return a coefficient by its short name, ``ICC(2,1)`` for example."""
        for coefficient in self.coefficients:
            if coefficient.name == name:
                return coefficient
        raise KeyError(name)


def complete_rows(table: np.ndarray | Sequence[Sequence[float]]) -> np.ndarray:
    """Return the rows of a table, shape (films, readings), in which no reading is missing (NaN)."""
    values = np.asarray(table, dtype=float)
    return np.asarray(values[np.isfinite(values).all(axis=1)])


def reliability(table: np.ndarray | Sequence[Sequence[float]]) -> Reliability:
    """Return reliability and measurement error of a table of films by readings.

    Parameters
    ----------
    table : array_like, shape (n, k)
        Values; NaN where a reading is missing. Rows that are not complete are left out and
        counted.

    Raises
    ------
    StudyError
        If fewer than two films have all readings, there are fewer than two readings, or all
        values are equal: nothing can then be said.

    Examples
    --------
    Shrout and Fleiss 1979, table 2:

    >>> ratings = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9],
    ...            [6, 2, 4, 7]]
    >>> result = reliability(ratings)
    >>> [round(result.icc(name).value, 2) for name in ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)")]
    [0.17, 0.29, 0.71]
    """
    rows = complete_rows(table)
    n, k = rows.shape
    if k < 2:
        raise StudyError("agreement needs at least two readings of each film")
    if n < 2:
        raise StudyError(f"agreement needs at least two films with all {k} readings; there are {n}")
    grand = float(rows.mean())
    between = k * float(((rows.mean(axis=1) - grand) ** 2).sum())
    columns = n * float(((rows.mean(axis=0) - grand) ** 2).sum())
    total = float(((rows - grand) ** 2).sum())
    # Rounding leaves a trace where readings are equal; relative to what the table holds it is 0.
    error = max(total - between - columns, 0.0)
    if error <= 1e-12 * total:
        error = 0.0
    if total <= 1e-24 * (1.0 + grand**2) * rows.size:
        raise StudyError("all readings are equal; agreement cannot be told")
    msr, msc = between / (n - 1), columns / (k - 1)
    mse, msw = error / ((n - 1) * (k - 1)), (error + columns) / (n * (k - 1))
    within = _spread_estimate(msw, n * (k - 1))
    consistency = _spread_estimate(mse, (n - 1) * (k - 1))
    agreement = _sum_estimate(((msc / n, k - 1), (mse * (n - 1) / n, (n - 1) * (k - 1))), mse)
    return Reliability(
        n=n,
        left_out=len(np.asarray(table)) - n,
        coefficients=_coefficients(n, k, msr, msc, mse, msw),
        sem_consistency=consistency,
        sem_agreement=agreement,
        mdc95_consistency=_of_two(consistency),
        mdc95_agreement=_of_two(agreement),
        within_sd=within,
        repeatability=_of_two(within),
    )


def _of_two(spread: Estimate) -> Estimate:
    """Return what two readings with a spread differ by in 95 % of cases at most."""
    factor = Z95 * math.sqrt(2.0)
    return Estimate(factor * spread.value, factor * spread.low, factor * spread.high)


def _coefficients(
    n: int, k: int, msr: float, msc: float, mse: float, msw: float
) -> tuple[Coefficient, ...]:
    single = {
        "1": _icc_of_two(n, k, msr, msw, n * (k - 1)),
        "2": _icc_agreement(n, k, msr, msc, mse),
        "3": _icc_of_two(n, k, msr, mse, (n - 1) * (k - 1)),
    }
    models = {
        "1": ("one-way random effects", "absolute agreement"),
        "2": ("two-way random effects", "absolute agreement"),
        "3": ("two-way mixed effects", "consistency"),
    }
    coefficients = [
        Coefficient(f"ICC({case},1)", *models[case], "single reading", *values)
        for case, values in single.items()
    ]
    # The reliability of a mean follows from that of its parts (Spearman and Brown), ends included.
    coefficients += [
        Coefficient(
            f"ICC({case},{k})",
            *models[case],
            f"mean of {k} readings",
            *(
                k * value / (1.0 + (k - 1) * value) if value > -1 / (k - 1) else -math.inf
                for value in values
            ),
        )
        for case, values in single.items()
    ]
    return tuple(coefficients)


def _f_quantile(d1: float, d2: float) -> float:
    return float(fdtri(d1, d2, 0.5 + _CONFIDENCE / 2.0))


def _icc_of_two(n: int, k: int, msr: float, error: float, freedom: int) -> Interval:
    """Return a coefficient that two mean squares tell, with its interval from F."""
    if error == 0.0:
        return 1.0, 1.0, 1.0
    ratio = msr / error
    low, high = ratio / _f_quantile(n - 1, freedom), ratio * _f_quantile(freedom, n - 1)
    first, lower, upper = ((r - 1.0) / (r + k - 1.0) for r in (ratio, low, high))
    return first, lower, upper


def _icc_agreement(n: int, k: int, msr: float, msc: float, mse: float) -> Interval:
    value = (msr - mse) / (msr + (k - 1) * mse + k * (msc - mse) / n)
    if value == 1.0:  # Readings that are the same, or differ in their last digits only.
        return value, value, value
    # Satterthwaite's degrees of freedom of the denominator (Shrout and Fleiss, p. 424).
    a = k * value / (n * (1.0 - value))
    b = 1.0 + k * value * (n - 1) / (n * (1.0 - value))
    freedom = (a * msc + b * mse) ** 2 / (
        (a * msc) ** 2 / (k - 1) + (b * mse) ** 2 / ((n - 1) * (k - 1))
    )
    f_low, f_high = _f_quantile(n - 1, freedom), _f_quantile(freedom, n - 1)
    others = k * msc + (k * n - k - n) * mse
    low = n * (msr - f_low * mse) / (f_low * others + n * msr)
    high = n * (f_high * msr - mse) / (others + n * f_high * msr)
    return value, low, high


def _spread_estimate(variance: float, freedom: int) -> Estimate:
    """Return the root of a mean square with its 95 % interval (chi-square)."""
    low, high = (math.sqrt(variance * freedom / chdtri(freedom, tail)) for tail in _TAILS)
    return Estimate(math.sqrt(variance), low, high)


def _sum_estimate(parts: Sequence[tuple[float, int]], least: float) -> Estimate:
    """Return the root of a sum of mean squares with its 95 % interval (Graybill and Wang).

    Parameters
    ----------
    parts : sequence of (float, int)
        Mean squares, each times its weight, and their degrees of freedom.
    least : float
        What the sum is known not to be below.
    """
    total = sum(part for part, _ in parts)
    down, up = (
        math.sqrt(
            sum((part * (1.0 - freedom / chdtri(freedom, tail))) ** 2 for part, freedom in parts)
        )
        for tail in _TAILS
    )
    value = max(total, least)
    low = min(max(total - down, 0.0), value)
    return Estimate(math.sqrt(value), math.sqrt(low), math.sqrt(max(total + up, value)))


def limits_of_agreement(first: Sequence[float], second: Sequence[float]) -> Limits:
    """Return the limits of agreement of two readings of the same films.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Values of the same films in the same order; NaN where one is missing.

    Raises
    ------
    StudyError
        If fewer than three films have both readings.

    Examples
    --------
    Bland and Altman 1986, peak flow by two meters, first readings:

    >>> large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423,
    ...          427]
    >>> mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350,
    ...         451]
    >>> found = limits_of_agreement(large, mini)
    >>> round(found.bias.value, 1), round(found.sd, 1)
    (-2.1, 38.8)
    """
    rows = complete_rows(np.column_stack([first, second]))
    n = len(rows)
    if n < 3:
        raise StudyError(f"limits of agreement need at least three films; {n} have both readings")
    differences = rows[:, 0] - rows[:, 1]
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    half = float(stdtrit(n - 1, 1.0 - _TAILS[0])) * sd / math.sqrt(n)
    inner, outer = (float(nctdtrit(n - 1, Z95 * math.sqrt(n), p)) / math.sqrt(n) for p in _TAILS)
    return Limits(
        n=n,
        bias=Estimate(bias, bias - half, bias + half),
        lower=Estimate(bias - Z95 * sd, bias - outer * sd, bias - inner * sd),
        upper=Estimate(bias + Z95 * sd, bias + inner * sd, bias + outer * sd),
        sd=sd,
        means=tuple(float(value) for value in rows.mean(axis=1)),
        differences=tuple(float(value) for value in differences),
    )
