"""Ellipse through points, by least squares of the distance to the curve.

Frames, shapes and why as in `xraymeasure.geometry.curves`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import checked
from xraymeasure.geometry.least_squares import Fit, Model, converge, descend, refit


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


def refit_ellipse(points: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Refit many noisy copies of an ellipse's points, shape (n, 2, draws), from a near start.

    See Also
    --------
    fit_ellipse : The start.
    """
    return ordered_axes(refit(_ellipse_model, points, start, follows=True))


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


def ordered_axes(ellipse: np.ndarray) -> np.ndarray:
    """Return an ellipse's parameters with a >= b >= 0 and the angle in (-pi/2, pi/2]."""
    x, y, a, b, angle = ellipse
    a, b = np.abs(a), np.abs(b)
    swapped = b > a
    angle = np.where(swapped, angle + np.pi / 2, angle)
    angle = np.pi / 2 - np.mod(np.pi / 2 - angle, np.pi)
    return np.array([x, y, np.where(swapped, b, a), np.where(swapped, a, b), angle])


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
    jacobian = np.empty((5, *residual.shape), residual.dtype)
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
    over_a, over_b = 1.0 / a, 1.0 / b
    tx = np.minimum(u * over_a, 1.0)
    ty = np.sqrt(1.0 - tx * tx)
    focal = a * a - b * b
    along, across = focal * over_a, -focal * over_b
    # In place and with few divisions: for thousands of draws, room for arrays costs as much as
    # filling them.
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
        scale += np.multiply(ty, ty, out=ty)
        length = np.multiply(qx, qx, out=tx)
        length += qy * qy
        length += 1e-30
        scale /= length
        np.sqrt(scale, out=scale)
        for q, centre, over_half in ((qx, ex, over_a), (qy, ey, over_b)):
            q *= scale
            q += centre
            q *= over_half
            np.maximum(q, 0.0, out=q)
        length = qx * qx
        length += np.multiply(qy, qy, out=ty)
        np.sqrt(length, out=length)
        np.maximum(length, 1e-30, out=length)
        over_length = np.divide(1.0, length, out=length)
        tx, ty = np.multiply(qx, over_length, out=qx), np.multiply(qy, over_length, out=qy)
    return tx, ty
