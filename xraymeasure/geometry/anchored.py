"""One arc of an ellipse, held by what is known beside its points: its centre, its length.

An ellipse follows points on one arc however it likes beyond them, and near flat it takes them for
points on both arcs. Here they are points on one, and the short half-axis has a sign: it is less
than zero where the arc bows to the other side of the long axis, so that a rim seen edge on is a
value like any other.

Frames and shapes as in `xraymeasure.geometry.curves`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import checked
from xraymeasure.geometry.ellipses import foot_of
from xraymeasure.geometry.least_squares import Fit, Model, converge, refit

AGREES_WITHIN = 4.0
"""How many of its spreads a fit may lie off each thing that is known."""


@dataclass(frozen=True)
class Anchor:
    """What is known of an ellipse beside its points.

    Attributes
    ----------
    centre : tuple of float or None
        Where its centre should lie.
    half : float
        How long its long half-axis should be.
    centre_u, half_u : float
        Spread of each coordinate of the centre, and of the half-axis.
    spread : float
        Of each coordinate of a point, in the same unit.
    """

    centre: tuple[float, float] | None
    half: float
    centre_u: float
    half_u: float
    spread: float

    def agrees_with(self, ellipse: np.ndarray) -> bool:
        """Whether an ellipse lies as near to what is known as `AGREES_WITHIN` says."""
        off = [0.0, 0.0] if self.centre is None else (ellipse[:2] - self.centre) / self.centre_u
        return bool(np.abs([*off, (ellipse[2] - self.half) / self.half_u]).max() < AGREES_WITHIN)

    def beside(self, points: np.ndarray, centre: np.ndarray, half: np.ndarray) -> np.ndarray:
        """Return the points with the known centre and the end of the half-axis as two more rows.

        Shapes: (n, 2, draws), (2, draws), (draws,); the result is (n + 2, 2, draws).
        """
        middle = np.broadcast_to(centre, (2, points.shape[2]))
        end = np.stack([middle[0] + half, middle[1]])
        return np.concatenate([points, middle[None], end[None]])

    def model(self) -> Model:
        """Return the arc's model with three residuals more, for centre and half-axis."""
        to_centre = self.spread / self.centre_u if self.centre is not None else 0.0
        to_half = self.spread / self.half_u

        def anchored(points: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            residual, jacobian = _arc_model(points[:-2], p)
            middle, half = points[-2], points[-1, 0] - points[-2, 0]
            off = np.stack(
                [
                    to_centre * (p[0] - middle[0]),
                    to_centre * (p[1] - middle[1]),
                    to_half * (np.abs(p[2]) - half),
                ]
            )
            slope = np.zeros((5, 3, points.shape[2]))
            slope[0, 0] = slope[1, 1] = to_centre
            slope[2, 2] = to_half * np.sign(p[2])
            return np.concatenate([residual, off]), np.concatenate([jacobian, slope], axis=1)

        return anchored


def fit_anchored_ellipse(points: np.ndarray, anchor: Anchor) -> Fit:
    """Return the ellipse of which one arc is nearest to the points and to what is known.

    Parameters
    ----------
    points : array_like, shape (n, 2)
        At least five, all on one arc.
    anchor : Anchor

    Returns
    -------
    Fit
        Parameters as of an ellipse; the arc lies where the angle, turned by a right angle to the
        positive, points. Residuals are those of the points.

    Raises
    ------
    MeasureError
        If there are too few points, or no such ellipse passes near them.

    See Also
    --------
    xraymeasure.geometry.ellipses.fit_ellipse : Of points all around.
    refit_anchored_ellipse : Many noisy copies at once.
    """
    points = checked(points, 5, "an ellipse")
    return _fitted(tuple(map(tuple, points.tolist())), anchor)


@lru_cache(maxsize=32)
def _fitted(placed: tuple[tuple[float, ...], ...], anchor: Anchor) -> Fit:
    points = np.array(placed)
    middle = np.array(anchor.centre if anchor.centre is not None else points.mean(axis=0))
    beside = anchor.beside(points[:, :, None], middle[:, None], np.array([anchor.half]))
    first = _starts(points, anchor)
    copies = np.repeat(beside, first.shape[1], axis=2)
    with np.errstate(all="ignore"):
        fitted = refit(anchor.model(), copies, first)
        squares = (anchor.model()(copies, fitted)[0] ** 2).sum(axis=0)
    if not np.isfinite(squares).any():
        raise MeasureError("the points do not lie on an arc of an ellipse; check them one by one")
    best = fitted[:, int(np.nanargmin(squares))]
    fit = converge(anchor.model(), beside[:, :, 0], best, _with_the_arc_ahead)
    if fit.parameters[3] > fit.parameters[2]:
        raise MeasureError("the points do not lie on an arc of an ellipse; check them one by one")
    return Fit(fit.parameters, fit.residuals[: len(points)], fit.unit_covariance)


def _starts(points: np.ndarray, anchor: Anchor) -> np.ndarray:
    """Return starting ellipses about the chord of the points, bowed to either side, (5, m)."""
    centre = points.mean(axis=0)
    along = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    starts = []
    for angle in np.arctan2(along[1], along[0]) + np.radians([-20.0, 0.0, 20.0]):
        for ratio in (-0.5, -0.25, -0.08, 0.08, 0.25, 0.5):
            short = anchor.half * ratio
            middle = centre - 0.75 * short * np.array([-np.sin(angle), np.cos(angle)])
            x, y = middle if anchor.centre is None else anchor.centre
            starts.append([x, y, anchor.half, short, angle])
    return np.array(starts).T


def _with_the_arc_ahead(ellipse: np.ndarray) -> np.ndarray:
    """Return an ellipse's parameters turned so that its short half-axis is positive."""
    x, y, a, b, angle = ellipse
    angle = np.where(b < 0, angle + np.pi, angle)
    angle = np.pi - np.mod(np.pi - angle, 2.0 * np.pi)
    return np.stack([x, y, np.abs(a), np.abs(b), angle])


def refit_anchored_ellipse(
    points: np.ndarray, anchor: Anchor, centre: np.ndarray, half: np.ndarray, start: np.ndarray
) -> np.ndarray:
    """Refit many noisy copies of an arc's points, shape (n, 2, draws), from a near start.

    Parameters
    ----------
    points : numpy.ndarray, shape (n, 2, draws)
    anchor : Anchor
    centre, half : numpy.ndarray, shape (2, draws) and (draws,)
        Draws of what is known.
    start : numpy.ndarray, shape (5,)
        As from `fit_anchored_ellipse`.

    Returns
    -------
    numpy.ndarray, shape (5, draws)
        The short half-axis is negative where the arc bows to the other side than in `start`.

    See Also
    --------
    fit_anchored_ellipse : The start.
    """
    return refit(anchor.model(), anchor.beside(points, centre, half), start)


FLATTEST = 1e-4
"""Below this axis ratio the feet of the points are those of this one."""


def _arc_model(points: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how far points lie beyond one arc of an ellipse, and the derivatives.

    Positive away from the long axis where the arc bows that way; smooth where it bows to neither.
    """
    cx, cy, a, b, angle = p
    cos, sin = np.cos(angle), np.sin(angle)
    dx, dy = points[:, 0] - cx, points[:, 1] - cy
    u, v = cos * dx + sin * dy, cos * dy - sin * dx
    a, side = np.maximum(np.abs(a), 1e-9), np.where(b < 0, -1.0, 1.0)
    half = np.maximum(np.abs(b), FLATTEST * a)
    # A point on the wrong side of the long axis has the foot of the one on it.
    tx, ty = foot_of(np.abs(u), np.maximum(side * v, 0.0), a, half)
    tx = np.copysign(tx, u)
    nx, ny = half * tx, a * ty
    length = np.sqrt(nx * nx + ny * ny)
    nx, ny = side * nx / length, ny / length
    residual = nx * (u - a * tx) + ny * (v - b * ty)
    jacobian = np.stack(
        [sin * ny - cos * nx, -sin * nx - cos * ny, -nx * tx, -ny * ty, nx * v - ny * u]
    )
    return residual, jacobian
