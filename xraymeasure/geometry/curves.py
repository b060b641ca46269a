"""Circle, ellipse and line through points, by least squares of the distance to the curve.

Fits that minimise an algebraic residual shrink on short arcs; these minimise the distance itself.
They are started from scikit-image's estimators and refined here, for one set of points or for
many noisy copies of it at once: that is what makes a Monte Carlo of ten thousand readings quick.

Frames and shapes: points are ``(x, y)`` in any unit with equal scale on both axes. A set of
points has shape ``(n, 2)``; many copies of it have shape ``(n, 2, draws)``. Parameters have shape
``(k,)`` or ``(k, draws)``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import TypeVar

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.least_squares import Fit, Model, converge, descend, refit

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


class NoEllipseError(MeasureError):
    """Points apart from one another and not on a line, near which no ellipse passes."""


_CLOSE = 0.02
"""A fit that leaves no point further off than this, relative to the extent, is the right one; a
worse one may be stuck, and other starts are tried."""


def fit_ellipse(points: np.ndarray) -> Fit:
    """Return the ellipse nearest to the points; through them where there are five.

    Parameters
    ----------
    points : array_like, shape (n, 2)
        At least five, anywhere on the outline; one arc is enough, at the price of a larger
        uncertainty.

    Raises
    ------
    MeasureError
        If there are too few points or they lie on a line; `NoEllipseError` if no ellipse passes
        near them.

    See Also
    --------
    fit_flat_ellipse : Of an outline that is seen nearly edge on.
    xraymeasure.geometry.anchored.fit_anchored_ellipse : Of one arc, with what is known beside it.
    xraymeasure.geometry.projection.circle_poses : The circles that cast it.

    Examples
    --------
    >>> turn = np.arange(8) * np.pi / 4
    >>> points = np.column_stack([5 + 3 * np.cos(turn), 2 + np.sin(turn)])
    >>> fit_ellipse(points).parameters.round(6) + 0.0
    array([5., 2., 3., 1., 0.])
    """
    points = checked(points, 5, "an ellipse")
    extent = np.ptp(points, axis=0).max()
    best, reason = None, "the points do not lie on an ellipse; check them one by one"
    for start in _ellipse_starts(points):
        try:
            fit = converge(_ellipse_model, points, start, ordered_axes)
        except MeasureError as error:
            reason = str(error)
            continue
        if best is None or fit.residuals @ fit.residuals < best.residuals @ best.residuals:
            best = fit
        if np.abs(best.residuals).max() < _CLOSE * extent:
            break
    if best is None or best.parameters[2] > 20.0 * extent:
        raise NoEllipseError(reason)
    return best


def fit_flat_ellipse(points: np.ndarray) -> Fit:
    """Return the ellipse of a nearly flat outline, no longer than its points.

    Where placing scatters the points as much as the rim opens, an ellipse of any length fits
    about as well, or the fit runs to a line. Where `fit_ellipse` finds one that is not much
    longer than the points it is returned, else the one that is as long as they are.

    See Also
    --------
    fit_ellipse : Of an outline that opens.
    refit_flat_ellipse : Many noisy copies at once.
    """
    points = checked(points, 5, "an ellipse")
    x, y, half, flat, angle = next(_flat_starts(points))
    try:
        free = fit_ellipse(points)
    except MeasureError:
        free = None
    if free is not None and free.parameters[2] < 1.25 * half:
        return free
    start = np.array([x, y, flat, angle])[:, None]
    x, y, b, angle = descend(
        _held_model(half), points[:, :, None], start, steps=200, tolerance=1e-8
    )[:, 0]
    parameters = ordered_axes(np.array([x, y, half, max(abs(b), 1e-3 * half), angle]))
    residual, jacobian = (
        one[..., 0] for one in _ellipse_model(points[:, :, None], parameters[:, None])
    )
    return Fit(parameters, residual, np.linalg.pinv(jacobian @ jacobian.T))


def _ellipse_starts(points: np.ndarray) -> Iterator[np.ndarray]:
    """Yield starting ellipses: the direct estimate, then flat ones along the points' long axis.

    The direct estimate fails on nearly flat outlines and on some noisy short arcs.
    """
    yield from _direct_estimate(points)
    yield from _flat_starts(points)


def _flat_starts(points: np.ndarray) -> Iterator[np.ndarray]:
    """Yield ellipses along the points' long axis: about them all, then with them on either arc."""
    centre = points.mean(axis=0)
    _, widths, axes = np.linalg.svd(points - centre, full_matrices=False)
    along = (points - centre) @ axes[0]
    half = max(np.ptp(along) / 2.0, 1e-9)
    middle = centre + axes[0] * (along.max() + along.min()) / 2.0
    angle = np.arctan2(axes[0, 1], axes[0, 0])
    flat = max(np.sqrt(2.0 / len(points)) * widths[1], 0.02 * half)
    yield np.array([*middle, half, flat, angle])
    # An arc of one side only: the same ellipse pushed to either side by its half-width.
    across = axes[1] * np.ptp((points - centre) @ axes[1])
    for sign in (1.0, -1.0):
        yield np.array([*(middle + sign * across), half, np.hypot(*across) + 0.02 * half, angle])


def _direct_estimate(points: np.ndarray) -> list[np.ndarray]:
    """Return the algebraic fit of an ellipse, or nothing where that fails.

    Halir R, Flusser J, Numerically stable direct least squares fitting of ellipses, WSCG 1998
    (from memory).
    """
    centre, size = points.mean(axis=0), points.std()
    x, y = ((points - centre) / size).T
    square, linear = np.stack([x * x, x * y, y * y]), np.stack([x, y, np.ones_like(x)])
    try:
        of_square = -np.linalg.solve(linear @ linear.T, linear @ square.T)
        scatter = square @ (square.T + linear.T @ of_square)
        found = np.linalg.eig(scatter[::-1] / np.array([2.0, -1.0, 2.0])[:, None])[1].real
        (conic,) = found.T[4.0 * found[0] * found[2] > found[1] ** 2]
        form = np.array([[conic[0], conic[1] / 2.0], [conic[1] / 2.0, conic[2]]])
        *slope, level = of_square @ conic
        middle = -np.linalg.solve(2.0 * form, slope)
        widths, axes = np.linalg.eigh(form)
    except (np.linalg.LinAlgError, ValueError):
        return []
    squares = -(level + middle @ slope / 2.0) / widths
    if not (np.isfinite(squares) & (squares > 0.0)).all():
        return []
    angle = np.arctan2(axes[1, 0], axes[0, 0])
    return [ordered_axes(np.array([*(centre + size * middle), *(size * np.sqrt(squares)), angle]))]


def refit_circle(points: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Refit many noisy copies of a circle's points, shape (n, 2, draws), from a near start.

    See Also
    --------
    fit_circle : The start.
    """
    return refit(_circle_model, points, start)


def refit_ellipse(points: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Refit many noisy copies of an ellipse's points, shape (n, 2, draws), from a near start.

    See Also
    --------
    fit_ellipse : The start.
    """
    return ordered_axes(refit(_ellipse_model, points, start))


def refit_flat_ellipse(points: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Refit like `refit_ellipse` with the long half-axis held, which near flat may run away.

    See Also
    --------
    fit_flat_ellipse : The start.
    """
    x, y, b, angle = refit(_held_model(start[2]), points, np.delete(start, 2))
    return np.stack([x, y, np.full_like(b, start[2]), np.abs(b), angle])


def _held_model(half: float) -> Model:
    """Return the ellipse model with the long half-axis held: x, y, short half-axis, angle."""

    def model(points: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        x, y, b, angle = p
        residual, jacobian = _ellipse_model(
            points, np.stack([x, y, np.full_like(b, half), b, angle])
        )
        return residual, jacobian[[0, 1, 3, 4]]

    return model


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
    points = np.asarray(points, dtype=float)
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
    forward = np.where(dx * along_x + dy * along_y < 0, -1.0, 1.0)
    return centre, np.array([forward * along_x, forward * along_y])


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


def ordered_axes(ellipse: np.ndarray) -> np.ndarray:
    """Return an ellipse's parameters with a >= b >= 0 and the angle in (-pi/2, pi/2]."""
    x, y, a, b, angle = ellipse
    a, b = np.abs(a), np.abs(b)
    swapped = b > a
    angle = np.where(swapped, angle + np.pi / 2, angle)
    angle = np.pi / 2 - np.mod(np.pi / 2 - angle, np.pi)
    return np.array([x, y, np.where(swapped, b, a), np.where(swapped, a, b), angle])


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


def squares_about_ellipses(sets: np.ndarray, longest: float = np.inf) -> np.ndarray:
    """Return for each set of points (n, 2, m) the sum of squares about its ellipse, (m,).

    The least from several starts, quick and without a refusal: for many sets of which some hold
    a point that no ellipse passes. No half-axis is longer than `longest`: the sides of an endless
    ellipse are two lines, which pass a row of points and any other one.
    """
    starts = [list(_ellipse_starts(sets[..., each])) for each in range(sets.shape[2])]
    columns = [each for each, some in enumerate(starts) for _ in some]
    first = np.stack([start for some in starts for start in some], axis=1)
    points = sets[..., columns]
    with np.errstate(all="ignore"):
        fitted = refit(_ellipse_model, points, first)
        squares = (_ellipse_model(points, fitted)[0] ** 2).sum(axis=0)
        if (long := np.abs(fitted[2:4]).max(axis=0) > longest).any():
            held, points = _held_model(longest), points[..., long]
            fitted = refit(held, points, np.delete(first[:, long], 2, axis=0))
            squares[long] = (held(points, fitted)[0] ** 2).sum(axis=0)
    least = np.full(sets.shape[2], np.inf)
    np.fmin.at(least, columns, squares)
    return least


# --- the models: residual (n, draws) and derivative (k, n, draws) ---------------------------------


def _circle_model(points: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    dx, dy = points[:, 0] - p[0], points[:, 1] - p[1]
    distance = np.sqrt(dx * dx + dy * dy)
    jacobian = np.full((3, *dx.shape), -1.0)
    np.divide(-dx, distance, out=jacobian[0])
    np.divide(-dy, distance, out=jacobian[1])
    return distance - p[2], jacobian


def _ellipse_model(points: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    cx, cy, a, b, angle = p
    cos, sin = np.cos(angle), np.sin(angle)
    dx, dy = points[:, 0] - cx, points[:, 1] - cy
    u, v = cos * dx + sin * dy, cos * dy - sin * dx
    a, b = np.maximum(np.abs(a), 1e-9), np.maximum(np.abs(b), 1e-9)
    tx, ty = foot_of(np.abs(u), np.abs(v), a, b)
    np.copysign(tx, u, out=tx)
    np.copysign(ty, v, out=ty)
    nx, ny = b * tx, a * ty
    length = np.sqrt(nx * nx + ny * ny)
    nx /= length
    ny /= length
    residual = nx * (u - a * tx) + ny * (v - b * ty)
    jacobian = np.empty((5, *residual.shape))
    np.subtract(sin * ny, cos * nx, out=jacobian[0])
    np.subtract(-sin * nx, cos * ny, out=jacobian[1])
    np.multiply(-nx, tx, out=jacobian[2])
    np.multiply(-ny, ty, out=jacobian[3])
    np.subtract(nx * v, ny * u, out=jacobian[4])
    return residual, jacobian


def foot_of(
    u: np.ndarray, v: np.ndarray, a: np.ndarray, b: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return cosine and sine of the parameter of the nearest point of an ellipse, first quadrant.

    Each step replaces the ellipse by its circle of curvature at the present foot. The distance is
    stationary in the foot, so few steps are plenty, if the start is near: straight across the
    long axis, which is right for a flat ellipse and near enough for any other.
    """
    tx = np.minimum(u / a, 1.0)
    ty = np.sqrt(1.0 - tx * tx)
    focal = a * a - b * b
    along, across = focal / a, -focal / b
    # In place: for thousands of draws, making room for arrays costs as much as filling them.
    for _ in range(3):
        ex, ey = along * tx, across * ty  # the centre of curvature
        for centre, cosine in ((ex, tx), (ey, ty)):
            centre *= cosine
            centre *= cosine
        qx, qy = u - ex, v - ey
        tx *= a
        ty *= b
        tx -= ex
        ty -= ey
        scale = tx * tx
        scale += ty * ty
        scale /= qx * qx + qy * qy + 1e-300
        np.sqrt(scale, out=scale)
        for q, centre, half in ((qx, ex, a), (qy, ey, b)):
            q *= scale
            q += centre
            q /= half
            np.maximum(q, 0.0, out=q)
        norm = np.sqrt(qx * qx + qy * qy)
        np.maximum(norm, 1e-300, out=norm)
        tx, ty = np.divide(qx, norm, out=qx), np.divide(qy, norm, out=qy)
    return tx, ty
