"""Where the spread of readings comes from: a mixed model with its components of variance.

Patients, hips within patients, films within hips, readers and their occasions are random and
crossed as they were; readings may be missing. Restricted maximum likelihood; for a balanced table
without negative components it equals the analysis of variance.

Formulas
--------
* Restricted maximum likelihood: Patterson HD, Thompson R, Biometrika 1971;58:545-554.
* The interval of a component is Satterthwaite's: that of a variance with ``2 v^2 / var(v)`` degrees
  of freedom, where ``var(v)`` is from the expected information of the restricted likelihood
  (Satterthwaite FE, Biometrics Bull 1946;2:110-114; Searle SR, Casella G, McCulloch CE, Variance
  Components, 1992, both from memory). Under one degree of freedom, two readers for example, a
  component cannot be told from nothing, and there is none.
* The mean is that of generalised least squares under the components found; its interval has as
  many degrees of freedom as there are patients, less one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, stdtrit

from xraymeasure.errors import StudyError
from xraymeasure.series.agreement.statistics import Estimate


@dataclass(frozen=True)
class Components:
    """A mean, and the variance of everything that varied about it.

    Attributes
    ----------
    mean : Estimate
        With its 95 % interval.
    variances : mapping of str to float
        Of each factor that could be told, in the order given.
    residual : float
        Variance of a reading that no factor holds.
    levels : mapping of str to int
        How many of each factor there were.
    n : int
        Readings.
    intervals : mapping of str to (float, float)
        The 95 % interval of each variance, that of what no factor holds as ``residual``; a
        component that cannot be told from nothing has none.
    """

    mean: Estimate
    variances: Mapping[str, float]
    residual: float
    levels: Mapping[str, int]
    n: int
    intervals: Mapping[str, tuple[float, float]]


def variance_components(
    values: Sequence[float], factors: Mapping[str, Sequence[str]]
) -> Components:
    """Return the components of variance of readings.

    Parameters
    ----------
    values : sequence of float
        One a reading.
    factors : mapping of str to sequence of str
        For each factor the level of every reading, the one whose levels are independent of one
        another (patients) first. A factor with one level, with a level for every reading, or with
        the levels of one before it cannot be told and is left out.

    Raises
    ------
    StudyError
        If there are fewer than three readings, nothing varies, no factor can be told, or the model
        cannot be fitted.
    """
    y = np.asarray(values, dtype=float)
    if len(y) < 3:
        raise StudyError(f"components of variance need three readings; there are {len(y)}")
    told = _told(factors)
    if not told:
        raise StudyError("components of variance need patients, hips or readers that differ")
    spread = float(y.std())
    if spread == 0.0:
        raise StudyError("all readings are equal; components of variance cannot be told")
    found, residual = _fitted((y - y.mean()) / spread, told)
    variances = {name: share * spread**2 for name, share in found.items()}
    within = residual * spread**2
    first = next(iter(factors.values()))
    return Components(
        _mean(y, told, variances, within, len(set(first))),
        variances,
        within,
        {name: len(set(levels)) for name, levels in told.items()},
        len(y),
        _intervals(told, variances, within),
    )


def _told(factors: Mapping[str, Sequence[str]]) -> dict[str, Sequence[str]]:
    told: dict[str, Sequence[str]] = {}
    seen: set[tuple[int, ...]] = set()
    for name, levels in factors.items():
        order: dict[str, int] = {}
        pattern = tuple(order.setdefault(level, len(order)) for level in levels)
        if 1 < len(order) < len(pattern) and pattern not in seen:
            told[name] = levels
            seen.add(pattern)
    return told


def _fitted(y: np.ndarray, told: Mapping[str, Sequence[str]]) -> tuple[dict[str, float], float]:
    """Return the components of standardised values, and what is left."""
    from scipy.optimize import minimize

    shared = list(_shared(told).values())
    count = len(shared) + 1
    found = minimize(
        _restricted_likelihood,
        np.full(count, 1.0 / count),
        args=(y, shared),
        jac=True,
        method="L-BFGS-B",
        # A component of nothing is on the edge of what is possible, and often the answer.
        bounds=[(0.0, None)] * len(shared) + [(1e-8, None)],
        options={"ftol": 1e-13, "gtol": 1e-7, "maxiter": 500},
    )
    if not np.isfinite(found.fun):
        raise StudyError("the mixed model cannot be fitted to these readings")
    *components, residual = (float(value) for value in found.x)
    return dict(zip(told, components, strict=True)), residual


def _restricted_likelihood(
    variances: np.ndarray, y: np.ndarray, shared: Sequence[np.ndarray]
) -> tuple[float, np.ndarray]:
    """Return minus the logarithm of the restricted likelihood, and its derivatives."""
    covariance = _covariance(shared, variances[:-1], variances[-1])
    inverse = np.linalg.inv(covariance)
    weights = inverse.sum(axis=0)
    information = float(weights.sum())
    # What is left of the inverse once the mean is free.
    free = inverse - np.outer(weights, weights) / information
    explained = free @ y
    value = np.linalg.slogdet(covariance)[1] + math.log(information) + float(y @ explained)
    slopes = [float(np.vdot(free, alike) - explained @ alike @ explained) for alike in shared]
    slopes.append(float(np.trace(free) - explained @ explained))
    return 0.5 * value, 0.5 * np.array(slopes)


def _intervals(
    told: Mapping[str, Sequence[str]], variances: Mapping[str, float], residual: float
) -> dict[str, tuple[float, float]]:
    """Return Satterthwaite's interval of every component that can be told from nothing."""
    shared = _shared(told)
    total = sum(variances.values()) + residual
    # A component of nothing is on the edge of what is possible, where there is no information.
    found = {name: value for name, value in variances.items() if value > 1e-6 * total}
    found["residual"] = residual
    covariance = _covariance(list(shared.values()), list(variances.values()), residual)
    inverse = np.linalg.inv(covariance)
    weights = inverse.sum(axis=0)
    free = inverse - np.outer(weights, weights) / weights.sum()
    parts = [free @ shared[name] if name in shared else free for name in found]
    information = np.array([[0.5 * np.vdot(one.T, other) for other in parts] for one in parts])
    spread = np.diag(np.linalg.inv(information))
    intervals = {}
    for (name, value), variance in zip(found.items(), spread, strict=True):
        freedom = 2.0 * value**2 / variance
        if freedom < 1.0:
            continue
        low, high = (freedom * value / chdtri(freedom, tail) for tail in (0.025, 0.975))
        intervals[name] = (float(low), float(high))
    return intervals


def _shared(told: Mapping[str, Sequence[str]]) -> dict[str, np.ndarray]:
    """Return for each factor which readings share a level, shape (readings, readings)."""
    levels = {name: np.asarray(each) for name, each in told.items()}
    return {name: (each[:, None] == each).astype(float) for name, each in levels.items()}


def _covariance(
    shared: Sequence[np.ndarray], variances: Sequence[float] | np.ndarray, residual: float
) -> np.ndarray:
    """Return the covariance of readings under their components."""
    parts = (variance * alike for variance, alike in zip(variances, shared, strict=True))
    return sum(parts, residual * np.eye(len(shared[0])))


def _mean(
    y: np.ndarray,
    told: Mapping[str, Sequence[str]],
    variances: Mapping[str, float],
    residual: float,
    independent: int,
) -> Estimate:
    covariance = _covariance(
        list(_shared(told).values()),
        list(variances.values()),
        max(residual, 1e-12 * float(y.var())),
    )
    weights = np.linalg.solve(covariance, np.ones(len(y)))
    information = float(weights.sum())
    return _with_t(float(weights @ y) / information, 1.0 / math.sqrt(information), independent - 1)


def _with_t(value: float, error: float, freedom: int) -> Estimate:
    half = float(stdtrit(freedom, 0.975)) * error if freedom > 0 else math.inf
    return Estimate(value, value - half, value + half)


def mean_over_hips(values: Sequence[float], patients: Sequence[str]) -> Estimate:
    """Return the mean of one number a hip, hips within patients, with its 95 % interval.

    Where no patient has two hips it is the plain mean with the interval of t; else that of the
    mixed model.

    Raises
    ------
    StudyError
        If there are fewer than three hips; and see `variance_components`.

    Examples
    --------
    >>> told = mean_over_hips([1.0, 2.0, 3.0, 4.0], ["a", "b", "c", "d"])
    >>> round(told.value, 2), round(told.high, 2)
    (2.5, 4.55)
    """
    if len(values) < 3:
        raise StudyError(f"a mean over hips needs three of them; there are {len(values)}")
    if len(set(patients)) < len(values):
        return variance_components(values, {"patient": patients}).mean
    y = np.asarray(values, dtype=float)
    return _with_t(float(y.mean()), float(y.std(ddof=1)) / math.sqrt(len(y)), len(y) - 1)
