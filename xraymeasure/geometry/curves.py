"""Circle and line through points, by least squares of the distance to the curve.

Fits that minimise an algebraic residual shrink on short arcs; these minimise the distance itself.
They are started from algebraic estimates and refined here, for one set of points or for
many noisy copies of it at once: that is what makes a Monte Carlo of ten thousand readings quick.

Frames and shapes: points are ``(x, y)`` in any unit with equal scale on both axes. A set of
points has shape ``(n, 2)``; many copies of it have shape ``(n, 2, draws)``. Parameters have shape
``(k,)`` or ``(k, draws)``.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import TypeVar

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.least_squares import Fit, converge, refit

_Curve = TypeVar("_Curve")


@lru_cache(maxsize=96)
def fitted(fit: Callable[[np.ndarray], _Curve], placed: tuple[tuple[float, ...], ...]) -> _Curve:
    """Return the curve that `fit` finds through points.

    The last few are kept: while one outline is dragged, the others stay as they were fitted.
    """
    return fit(np.array(placed))


def as_key(points: np.ndarray) -> tuple[tuple[float, ...], ...]:
    """Return points, shape (n, 2), as `fitted` wants them."""
    return tuple(map(tuple, points.tolist()))


def fit_circle(points: np.ndarray) -> Fit:
    """Return the circle nearest to the points; through them where there are three.

    Parameters
    ----------
    points : array_like, shape (n, 2)
        At least three.

    Raises
    ------
    MeasureError
        If there are too few points, or they lie on a line.

    See Also
    --------
    refit_circle : Many noisy copies at once.
    xraymeasure.geometry.projection.fit_sphere_outline : Of a sphere seen from the tube.

    Examples
    --------
    >>> fit_circle([(3, 0), (0, 3), (-3, 0)]).parameters.round(6) + 0.0
    array([0., 0., 3.])
    """
    points = checked(points, 3, "a circle")
    centre, extent = points.mean(axis=0), np.ptp(points, axis=0).max()
    # Least squares of x^2 + y^2 - 2 ax - 2 by - c (Kasa I, IEEE Trans Instrum Meas 1976;25:8-14;
    # from memory) as a start.
    about = (points - centre) / extent
    known = np.column_stack([2.0 * about, np.ones(len(about))])
    (a, b, c), _, rank, _ = np.linalg.lstsq(known, (about**2).sum(axis=1), rcond=None)
    if rank < 3:
        raise MeasureError("the points lie on a line; a circle needs points around an arc")
    start = np.array([*(centre + extent * np.array([a, b])), extent * np.sqrt(c + a**2 + b**2)])
    fit = converge(_circle_model, points, start)
    x, y, radius = fit.parameters
    if radius > 100.0 * extent or np.hypot(x - centre[0], y - centre[1]) > 100.0 * extent:
        raise MeasureError("the points lie on a line; a circle needs points around an arc")
    return fit


def refit_circle(points: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Refit many noisy copies of a circle's points, shape (n, 2, draws), from a near start.

    See Also
    --------
    fit_circle : The start.
    """
    return refit(_circle_model, points, start, follows=True)


def fit_line(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a point on the line nearest to the points, and its unit direction.

    Parameters
    ----------
    points : array_like, shape (n, 2) or (n, 2, draws)
        At least two that differ; the direction runs from the first towards the last.

    Returns
    -------
    centre, direction : numpy.ndarray, shape (2,) or (2, draws)

    Raises
    ------
    MeasureError
        If the points coincide.

    Examples
    --------
    >>> fit_line([(0, 0), (3, 4)])[1]
    array([0.6, 0.8])
    """
    points = np.asarray(points)
    centre = points.sum(axis=0) / len(points)
    if len(points) == 2:
        along = points[1] - points[0]
        length = np.sqrt((along * along).sum(axis=0))
        if np.any(length < 1e-6):
            raise MeasureError("the points coincide; a line needs two that differ")
        return centre, along / length
    shifted = points - centre
    # Principal axis of the scatter (total least squares; Pearson K, Phil Mag 1901;2:559-572, from
    # memory).
    sxx, syy = (shifted * shifted).sum(axis=0)
    sxy = (shifted[:, 0] * shifted[:, 1]).sum(axis=0)
    if np.any(sxx + syy < 1e-12):
        raise MeasureError("the points coincide; a line needs two that differ")
    angle = 0.5 * np.arctan2(2.0 * sxy, sxx - syy)
    along_x, along_y = np.cos(angle), np.sin(angle)
    dx, dy = points[-1] - points[0]
    along = np.array([along_x, along_y])
    return centre, np.where(dx * along_x + dy * along_y < 0, -along, along)


def arc_covered_deg(points: np.ndarray, centre: np.ndarray) -> float:
    """Return how much of a circle the points span about its centre, in degrees (0 to 360).

    Examples
    --------
    >>> round(arc_covered_deg([(1, 0), (0, 1), (-1, 0)], (0, 0)))
    180
    """
    x, y = (np.asarray(points, dtype=float) - np.asarray(centre, dtype=float)).T
    angles = np.sort(np.degrees(np.arctan2(y, x)))
    gaps = np.diff(angles, append=angles[0] + 360.0)
    return float(360.0 - gaps.max())


def checked(points: np.ndarray, minimum: int, what: str) -> np.ndarray:
    """Return points as an array; raise `MeasureError` where too few or on a line for a curve."""
    points = np.asarray(points, dtype=float)
    if len(points) < minimum:
        raise MeasureError(f"too few points ({len(points)}); {what} needs at least {minimum}")
    if not np.isfinite(points).all():
        raise MeasureError("a point is not a number")
    widths = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    if len(set(map(tuple, points.tolist()))) < minimum:
        raise MeasureError(f"points coincide; {what} needs at least {minimum} different ones")
    if widths[1] < 1e-6 * widths[0]:
        raise MeasureError(f"the points lie on a line; {what} needs points around an arc")
    return points


def squares_about_circles(sets: np.ndarray) -> np.ndarray:
    """Return for each set of points (n, 2, m) the sum of squares about its circle, (m,)."""
    middle = sets.mean(axis=0)
    radius = np.sqrt(((sets - middle) ** 2).sum(axis=1)).mean(axis=0)
    with np.errstate(all="ignore"):  # points on a line, which the fit refuses
        fitted = refit(_circle_model, sets, np.stack([*middle, radius]))
        squares = (_circle_model(sets, fitted)[0] ** 2).sum(axis=0)
    return np.where(np.isfinite(squares), squares, np.inf)


def _circle_model(points: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    dx, dy = points[:, 0] - p[0], points[:, 1] - p[1]
    distance = np.sqrt(dx * dx + dy * dy)
    jacobian = np.full((3, *dx.shape), -1.0, dx.dtype)
    np.divide(-dx, distance, out=jacobian[0])
    np.divide(-dy, distance, out=jacobian[1])
    return distance - p[2], jacobian
