"""Ellipse through points, by least squares of the distance to the curve.

Frames, shapes and why as in `xraymeasure.geometry.curves`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from itertools import islice

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import as_key, checked, fitted
from xraymeasure.geometry.least_squares import Fit, Model, converge, descend, refit


class NoEllipseError(MeasureError):
    """Points apart from one another and not on a line, near which no ellipse passes."""


_CLOSE = 0.02
"""A fit that leaves no point further off than this, relative to the extent, is the right one; a
worse one may be stuck, and other starts are tried."""

_GRACE = 5
"""So many steps are taken before a fit that is far off is given up."""

_FAR_BEYOND = 4.0
"""What leaves so many times what is enough is far off."""


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
    best = first_ellipse(points)
    reason = "the points do not lie on an ellipse; check them one by one"
    if best is None or not passes_close(best, points):
        sets = points[:, :, None]
        for start in _starts(sets):
            if not np.isfinite(start).all():
                continue
            try:
                fit = converge(_ellipse_model, points, start[:, 0], ordered_axes)
            except MeasureError as error:
                reason = str(error)
                continue
            if best is None or fit.residuals @ fit.residuals < best.residuals @ best.residuals:
                best = fit
            if passes_close(best, points):
                break
    if best is None or best.parameters[2] > 20.0 * np.ptp(points, axis=0).max():
        raise NoEllipseError(reason)
    return best


def first_ellipse(points: np.ndarray) -> Fit | None:
    """Return the ellipse that is found from one of the likeliest starts, None where none is soon.

    None, too, where it leaves the points so far off that it cannot be the right one.
    """
    found: Fit | None = fitted(_found_soon, as_key(points))
    return found


def _found_soon(points: np.ndarray) -> Fit | None:
    most = len(points) * (_CLOSE * np.ptp(points, axis=0).max()) ** 2

    def given_up(taken: int, _: np.ndarray, squares: np.ndarray) -> np.ndarray:
        return np.asarray((squares > most) & (taken >= _GRACE))

    for start in islice(_starts(points[:, :, None]), 2):
        if np.isfinite(start).all():
            with suppress(MeasureError):
                fit = converge(_ellipse_model, points, start[:, 0], ordered_axes, given_up)
                if fit.residuals @ fit.residuals <= most:
                    return fit
    return None


def passes_close(fit: Fit, points: np.ndarray) -> bool:
    """Whether no point lies further off than the right ellipse would leave it."""
    return bool(np.abs(fit.residuals).max() < _CLOSE * np.ptp(points, axis=0).max())


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
    x, y, half, flat, angle = _flat_starts(points[:, :, None])[0][:, 0]
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


def _starts(sets: np.ndarray) -> Iterator[np.ndarray]:
    """Yield starting ellipses for sets of points (n, 2, m), each (5, m), the likeliest first."""
    yield _direct_estimates(sets)
    yield from _flat_starts(sets)


def _flat_starts(sets: np.ndarray) -> list[np.ndarray]:
    """Return ellipses along the long axis of sets of points (n, 2, m), each (5, m).

    About all points, then with them on either arc. The direct estimate fails on nearly flat
    outlines and on some noisy short arcs.
    """
    middle = sets.mean(axis=0)
    centred = sets - middle
    _, widths, axes = np.linalg.svd(centred.transpose(2, 0, 1), full_matrices=False)
    axis, normal = axes.transpose(1, 2, 0)
    along, across = (centred * axis).sum(axis=1), (centred * normal).sum(axis=1)
    half = np.maximum(np.ptp(along, axis=0) / 2.0, 1e-9)
    middle += axis * (along.max(axis=0) + along.min(axis=0)) / 2.0
    angle = np.arctan2(axis[1], axis[0])
    flat = np.maximum(np.sqrt(2.0 / len(sets)) * widths[:, 1], 0.02 * half)
    # An arc of one side only: the same ellipse pushed to either side by its half-width.
    reach = np.ptp(across, axis=0)
    return [
        np.array([*(middle + off * normal), half, short, angle])
        for off, short in ((0.0, flat), (reach, reach + 0.02 * half), (-reach, reach + 0.02 * half))
    ]


def _direct_estimates(sets: np.ndarray) -> np.ndarray:
    """Return the algebraic fits of ellipses to sets of points (n, 2, m), (5, m); NaN where none is.

    Halir R, Flusser J, Numerically stable direct least squares fitting of ellipses, WSCG 1998
    (from memory).
    """
    centre, size = sets.mean(axis=0), sets.std(axis=(0, 1))
    x, y = ((sets - centre) / size).transpose(1, 2, 0)
    square = np.stack([x * x, x * y, y * y], axis=2)
    linear = np.stack([x, y, np.ones_like(x)], axis=2)
    turned = linear.transpose(0, 2, 1)
    try:
        of_square = -np.linalg.solve(turned @ linear, turned @ square)
        scatter = square.transpose(0, 2, 1) @ (square + linear @ of_square)
        found = np.linalg.eig(scatter[:, ::-1] / np.array([2.0, -1.0, 2.0])[:, None])[1].real
        closed = 4.0 * found[:, 0] * found[:, 2] > found[:, 1] ** 2
        conic = found[np.arange(len(found)), :, closed.argmax(axis=1)]
        form = conic[:, [0, 1, 1, 2]].reshape(-1, 2, 2) * [[1.0, 0.5], [0.5, 1.0]]
        *slope, level = (of_square @ conic[:, :, None])[:, :, 0].T
        slope = np.stack(slope, axis=1)
        middle = -np.linalg.solve(2.0 * form, slope[:, :, None])[:, :, 0]
        widths, axes = np.linalg.eigh(form)
    except np.linalg.LinAlgError:
        return np.full((5, sets.shape[2]), np.nan)
    with np.errstate(all="ignore"):
        squares = -(level + (middle * slope).sum(axis=1) / 2.0)[:, None] / widths
        halves = size * np.sqrt(squares.T)
    angle = np.arctan2(axes[:, 1, 0], axes[:, 0, 0])
    ellipses = ordered_axes(np.array([*(centre + size * middle.T), *halves, angle]))
    return np.where((closed.sum(axis=1) == 1) & (halves > 0.0).all(axis=0), ellipses, np.nan)


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


def squares_about_ellipses(
    sets: np.ndarray, longest: float = np.inf, enough: float = np.inf
) -> np.ndarray:
    """Return for each set of points (n, 2, m) the sum of squares about its ellipse, (m,).

    The least from several starts, quick and without a refusal: for many sets of which some hold
    a point that no ellipse passes. No half-axis is longer than `longest`: the sides of an endless
    ellipse are two lines, which pass a row of points and any other one. What is far beyond
    `enough` is given up, and told as it stands: of one set at once, of many as soon as one of
    them leaves no more than that.
    """
    direct = _direct_estimates(sets)
    if sets.shape[2] > 1 and enough < np.inf:
        nearest = _squares_from(direct, sets, longest, enough)
        if nearest.min() <= enough:
            return nearest
    starts = np.concatenate([direct, *_flat_starts(sets)], axis=1)
    return _squares_from(starts, sets, longest, enough)


def _squares_from(
    starts: np.ndarray, sets: np.ndarray, longest: float, enough: float
) -> np.ndarray:
    """Return the sums of squares from these starts, (5, k m), so many for each of m sets."""
    known = np.isfinite(starts).all(axis=0)
    columns = np.tile(np.arange(sets.shape[2]), starts.shape[1] // sets.shape[2])[known]
    first = starts[:, known]
    points, single, beyond = sets[..., columns], sets.shape[2] == 1, _FAR_BEYOND * enough

    def short(p: np.ndarray) -> np.ndarray:
        return np.asarray(np.abs(p[2:4]).max(axis=0) <= longest)

    least = np.inf

    def given_up(taken: int, p: np.ndarray, squares: np.ndarray) -> np.ndarray:
        nonlocal least
        least = np.fmin.reduce(squares[short(p)], initial=least)
        return (squares > beyond) & (taken >= _GRACE and (single or least <= enough))

    with np.errstate(all="ignore"):
        found = descend(_ellipse_model, points, first, 40, 1e-4, given_up)
        squares = (_ellipse_model(points, found)[0] ** 2).sum(axis=0)
        long = ~short(found)
        # Held to its length, an ellipse lies no nearer.
        least = np.fmin.reduce(squares[~long], initial=np.inf)
        squares[long & (squares >= least)] = np.inf
        long &= squares < least
        if long.any():
            held, points = _held_model(longest), points[..., long]
            start = np.delete(first[:, long], 2, axis=0)
            found = descend(held, points, start, 40, 1e-4)
            squares[long] = (held(points, found)[0] ** 2).sum(axis=0)
    nearest = np.full(sets.shape[2], np.inf)
    np.fmin.at(nearest, columns, squares)
    return nearest


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
