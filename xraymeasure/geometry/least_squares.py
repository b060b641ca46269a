"""Least squares of the distance to a curve, for one set of points or many copies of it at once.

Shapes: points ``(n, 2, draws)``, parameters ``(k, draws)``; the draws come last. The third
parameter of every curve here is a length, and a fourth or fifth an angle.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xraymeasure.errors import MeasureError

Model = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
"""From points (n, 2, draws) and parameters (k, draws): residuals (n, draws) and their
derivatives (k, n, draws)."""

GivenUp = Callable[[int, np.ndarray, np.ndarray], np.ndarray]
"""From the steps taken, the parameters and the sums of squares: which columns, (draws,), are left
as they stand."""


@dataclass(frozen=True, eq=False)
class Fit:
    """A curve through points.

    Attributes
    ----------
    parameters : numpy.ndarray, shape (k,)
        Circle: x, y, radius. Ellipse: x, y, half-axes a >= b, angle of a to x (radians).
    residuals : numpy.ndarray, shape (n,)
        Signed distance of each point from the curve, positive outside.
    unit_covariance : numpy.ndarray, shape (k, k)
        Covariance of the parameters for a spread of 1 of each coordinate (first order); multiply
        with the variance of the points.
    """

    parameters: np.ndarray
    residuals: np.ndarray
    unit_covariance: np.ndarray

    @property
    def spread(self) -> float | None:
        """Estimated spread of the points about the curve; None where the fit is exact."""
        freedom = len(self.residuals) - len(self.parameters)
        return float(np.sqrt(self.residuals @ self.residuals / freedom)) if freedom > 0 else None


def refit(
    model: Model, points: np.ndarray, start: np.ndarray, *, follows: bool = False
) -> np.ndarray:
    """Refit many noisy copies of a curve's points from a near start.

    Parameters
    ----------
    model : callable
        See `Model`.
    points : numpy.ndarray, shape (n, 2, draws)
    start : array_like, shape (k,) or (k, draws)
    follows : bool
        Whether the curve moves as its points do and the starts differ in their place only. The
        copies then start where their points put them to first order, which saves most a step, and
        points in single precision are refitted in it: half as much to move about.

    Returns
    -------
    numpy.ndarray, shape (k, draws)
        To a ten-thousandth of the curve's size, which is far below what the noise does to it.

    See Also
    --------
    converge : One set of points, with residuals and covariance.
    """
    points, start = np.asarray(points), np.asarray(start, dtype=float)
    start = np.broadcast_to(start.reshape(len(start), -1), (len(start), points.shape[2]))
    # To first order most copies are the first one: only one in ten steps moves this curve.
    if not (new := unlike_first(points, start)).all():
        points, start = points[:, :, new].astype(float), start[:, new]
        found = _descended(model, points.tobytes(), start.tobytes(), points.shape)
        return found[:, place_among(new)]
    if not follows:
        return descend(model, points.astype(float), start.copy(), steps=40, tolerance=1e-4)
    start = _to_first_order(model, points, start.astype(points.dtype))
    # A step so wild that its squares have no room is refused like any that leads away.
    with np.errstate(over="ignore", invalid="ignore"):
        return descend(model, points, start, steps=40, tolerance=1e-4)


def unlike_first(*draws: np.ndarray) -> np.ndarray:
    """Return which draws, the first among them, are not the first one again, (draws,)."""
    tables = [each.reshape(-1, each.shape[-1]) for each in draws]
    new = tables[0][0] != tables[0][0, 0]
    new[:1] = True
    for table in tables if not new.all() else []:
        new |= (table != table[:, :1]).any(axis=0)
    return np.asarray(new)


def place_among(new: np.ndarray) -> np.ndarray:
    """Return for each draw which of the `new` ones it is; the first for all that are it again."""
    return np.where(new, np.cumsum(new) - 1, 0)


def _to_first_order(model: Model, points: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return where the curve of each copy lies to first order in its points, (k, draws).

    One step from the middle of the copies, in the same directions for all: a product of two
    matrices. A copy that would go far starts where it was.
    """
    near = start.mean(axis=1)
    beside = points - (start[:2] - near[:2, None])
    middle = beside.sum(axis=2, keepdims=True) / points.shape[2]
    with np.errstate(divide="ignore", invalid="ignore"):
        residual, jacobian = (one[..., 0] for one in model(middle, near[:, None]))
    if not np.isfinite(jacobian).all():
        return start.copy()  # a point in the centre of its circle has no direction
    beside -= middle
    # A point that moves is a curve that moves the other way.
    residual = residual[:, None] - (
        jacobian[0, :, None] * beside[:, 0] + jacobian[1, :, None] * beside[:, 1]
    )
    step = np.linalg.pinv(jacobian.T) @ residual
    reach = np.full_like(near[:, None], 0.25 * np.abs(near[2 : max(3, len(near) - 1)]).min())
    if len(near) > 3:
        reach[-1] = 0.25  # the angle of an ellipse
    step *= (np.abs(step) < reach).all(axis=0)
    return np.asarray(start - step)


@lru_cache(maxsize=32)
def _descended(
    model: Model, points: bytes, start: bytes, shape: tuple[int, int, int]
) -> np.ndarray:
    """Return what `refit` finds; while one outline is dragged, the others stay as they were."""
    places, first = np.frombuffer(points).reshape(shape), np.frombuffer(start)
    return descend(model, places, first.reshape(-1, shape[2]).copy(), steps=40, tolerance=1e-4)


def converge(
    model: Model,
    points: np.ndarray,
    start: np.ndarray,
    tidy: Callable[[np.ndarray], np.ndarray] | None = None,
    given_up: GivenUp | None = None,
) -> Fit:
    """Descend from `start` on one set of points until nothing moves, and sum it up.

    `tidy` puts the parameters that were found into their usual form; what is `given_up` is summed
    up where it stands.

    Raises
    ------
    MeasureError
        If the points leave the curve undetermined.

    See Also
    --------
    refit : Many noisy copies at once.
    """
    copies = points[:, :, None]
    first = start.astype(float)[:, None]
    p = descend(model, copies, first, steps=200, tolerance=1e-7, given_up=given_up)
    if tidy is not None:
        p = tidy(p)
    residual, jacobian = model(copies, p)
    jacobian = jacobian[:, :, 0]
    normal = jacobian @ jacobian.T
    curvature = np.linalg.eigvalsh(normal)
    if not np.isfinite(p).all() or not curvature[0] > 1e-18 * curvature[-1]:
        raise MeasureError("the points do not determine the curve; spread them along the outline")
    try:
        return Fit(p[:, 0], residual[:, 0], np.linalg.inv(normal))
    except np.linalg.LinAlgError:
        raise MeasureError("the points do not determine the curve; they lie on a line") from None


def descend(
    model: Model,
    points: np.ndarray,
    p: np.ndarray,
    steps: int,
    tolerance: float,
    given_up: GivenUp | None = None,
) -> np.ndarray:
    """Levenberg-Marquardt on every column of `p` at once.

    Marquardt DW, SIAM J 1963;11:431-441 (from memory). A column whose step would not reduce its
    residual keeps its place and is damped more. Columns that have arrived are left out of further
    steps: a noisy short arc may need thirty, most readings two. So are those that are
    `given_up`.
    """
    arrived, size = p.copy(), len(p)
    active = np.arange(p.shape[1])
    residual, jacobian = model(points, p)
    cost = (residual * residual).sum(axis=0)
    damping = np.full(p.shape[1], 1e-6, p.dtype)
    scale = np.ptp(points, axis=0).max(axis=0) / 2.0 + 1e-12
    before = scale
    for taken in range(steps):
        normal = np.einsum("ind,jnd->ijd", jacobian, jacobian)
        gradient = np.einsum("ind,nd->id", jacobian, residual)
        diagonal = normal.reshape(size * size, -1)[:: size + 1]
        diagonal *= 1.0 + damping
        diagonal += 1e-14
        step = solve_positive(normal.astype(float, copy=False), gradient.astype(float, copy=False))
        step = step.astype(p.dtype, copy=False)
        trial = p - step
        moved = np.abs(step)
        if size > 3:
            moved[-1] *= scale  # an ellipse's angle, as the way that it moves the axis's end
        moved = moved.max(axis=0)
        # Steps shrink at a steady rate: what is left after this one is about moved^2 / before.
        done = moved * np.minimum(moved / before, 1.0) <= tolerance * scale
        lost = damping > 1e12
        if given_up is not None:
            lost |= given_up(taken, p, cost)
        done |= lost
        some = bool(done.any())
        if some:
            there = np.flatnonzero(done)
            ends = np.where(lost, p, trial) if lost.any() else trial
            arrived[:, active[there]] = ends[:, there]
            if done.all():
                return arrived
            going = np.flatnonzero(~done)
            active, p, trial, points = (
                active[going],
                p[:, going],
                trial[:, going],
                points[:, :, going],
            )
            cost, damping, scale = cost[going], damping[going], scale[going]
            moved, before = moved[going], before[going]
        trial_residual, trial_jacobian = model(points, trial)
        trial_cost = (trial_residual * trial_residual).sum(axis=0)
        better = trial_cost <= cost
        if better.all():
            p, residual, jacobian, cost = trial, trial_residual, trial_jacobian, trial_cost
            before, damping = moved, np.maximum(damping * 0.1, 1e-12)
            continue
        if some:
            residual, jacobian = residual[:, going], jacobian[:, :, going]
        p = np.where(better, trial, p)
        residual = np.where(better, trial_residual, residual)
        jacobian = np.where(better, trial_jacobian, jacobian)
        cost = np.where(better, trial_cost, cost)
        before = np.where(better, moved, before)
        damping = np.where(better, np.maximum(damping * 0.1, 1e-12), damping * 10.0)
    arrived[:, active] = p
    return arrived


def solve_positive(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Solve many small symmetric positive systems, ``(k, k, draws)`` and ``(k, draws)``.

    Cholesky with the draws as the vector axis: for 5 by 5 and ten thousand draws this is an
    order of magnitude faster than a stack of separate solves.
    """
    size = len(right)
    if right.shape[1] < 64:
        with suppress(np.linalg.LinAlgError):  # one is singular: side by side none is refused
            return np.linalg.solve(matrix.transpose(2, 0, 1), right.T[:, :, None])[:, :, 0].T
    lower = np.zeros_like(matrix)
    for i in range(size):
        for j in range(i + 1):
            rest = matrix[i, j] - (lower[i, :j] * lower[j, :j]).sum(axis=0)
            lower[i, j] = np.sqrt(np.maximum(rest, 1e-30)) if i == j else rest / lower[j, j]
    y = np.empty_like(right)
    for i in range(size):
        y[i] = (right[i] - (lower[i, :i] * y[:i]).sum(axis=0)) / lower[i, i]
    x = np.empty_like(right)
    for i in reversed(range(size)):
        x[i] = (y[i] - (lower[i + 1 :, i] * x[i + 1 :]).sum(axis=0)) / lower[i, i]
    return x
