"""How well a cup's angles can be known at all from given rim points: the Cramer-Rao bound.

No unbiased way of reading the angles scatters less. The points lie anywhere along the outline;
where each was put is unknown and of no interest, so that only its distance from the outline tells
of the ellipse. Eliminating the places leaves the bound ``spread^2 (J J^T)^-1``, J being how the
outline moves along its normal at each point when a parameter changes (Kanatani K, Statistical
Optimization for Geometric Computation, Elsevier 1996; Chernov N, Lesort C, Comput Stat Data Anal
2004;47:713-728; both from memory). It is a bound to leading order in the spread: near a flat rim,
where the fit is biased, an estimate can fall below it.
"""

from __future__ import annotations

import numpy as np

from xraymeasure.geometry.projection import circle_poses
from xraymeasure.measuring.cup import ellipse_angles, pose_angles
from xraymeasure.vocabulary.landmarks import Side


def cramer_rao_deg(
    ellipse: np.ndarray,
    points: np.ndarray,
    spread: float,
    *,
    side: Side = "left",
    opens: int = 1,
    source_detector_mm: float | None = None,
) -> tuple[float, float]:
    """Return the least standard deviation of inclination and anteversion, in degrees.

    Parameters
    ----------
    ellipse : array_like, shape (5,)
        The true outline: x, y, half-axes a >= b > 0, angle of a to x in radians; patient frame
        on the detector, in mm about the beam's foot (any unit where rays are parallel).
    points : array_like, shape (n, 2)
        Where the rim was marked, on the outline or near it; at least five.
    spread : float
        Standard deviation of each coordinate of a point, in the same unit.
    side : {"left", "right"}
        The hip.
    opens : {1, -1}
        1 when the cup opens toward the tube.
    source_detector_mm : float, optional
        Height of the tube: the bound for the perspective method. Without it the rays are parallel:
        the bound for the ellipse method.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the points leave the ellipse undetermined.

    Examples
    --------
    Twelve points around a rim of 26 mm at 40/15, placed with a spread of 0.3 mm:

    >>> turn = np.arange(12) * np.pi / 6
    >>> b = 26 * np.sin(np.radians(15))
    >>> angle = np.radians(-40)
    >>> x, y = 26 * np.cos(turn), b * np.sin(turn)
    >>> rim = np.column_stack([np.cos(angle) * x - np.sin(angle) * y,
    ...                        np.sin(angle) * x + np.cos(angle) * y])
    >>> bound = cramer_rao_deg([0, 0, 26, b, angle], rim, 0.3)
    >>> print(f"{bound[0]:.2f} {bound[1]:.2f}")
    0.38 0.34
    """
    ellipse = np.asarray(ellipse, dtype=float)
    moves = _along_normal(ellipse, np.asarray(points, dtype=float))
    if np.linalg.matrix_rank(moves) < len(moves):
        raise np.linalg.LinAlgError("the points leave the ellipse open")
    covariance = spread**2 * np.linalg.inv(moves @ moves.T)
    gradient = _gradient_deg(ellipse, side, opens, source_detector_mm)
    inclination, anteversion = np.sqrt(np.diag(gradient @ covariance @ gradient.T))
    return float(inclination), float(anteversion)


def _along_normal(ellipse: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Return how far each parameter moves the outline along its normal at the points, (5, n)."""
    x, y, a, b, angle = ellipse
    cos, sin = np.cos(angle), np.sin(angle)
    dx, dy = points[:, 0] - x, points[:, 1] - y
    turn = np.arctan2((cos * dy - sin * dx) / b, (cos * dx + sin * dy) / a)
    u, v = np.cos(turn), np.sin(turn)
    normal = np.stack([b * u, a * v]) / np.hypot(b * u, a * v)
    return np.stack(
        [
            cos * normal[0] - sin * normal[1],
            sin * normal[0] + cos * normal[1],
            normal[0] * u,
            normal[1] * v,
            normal[1] * a * u - normal[0] * b * v,
        ]
    )


def _gradient_deg(
    ellipse: np.ndarray, side: Side, opens: int, source_detector_mm: float | None
) -> np.ndarray:
    """Return the derivatives of both angles by the parameters of the ellipse, shape (2, 5)."""
    step = 1e-6 * ellipse[2] * np.array([1.0, 1.0, 1.0, 1.0, 1.0 / ellipse[2]])
    around = ellipse[:, None] + np.hstack([np.diag(step), -np.diag(step)])
    sign = 1 if side == "left" else -1
    if source_detector_mm is None:
        angles = ellipse_angles(around, 0.0, sign, opens)
    else:
        poses = circle_poses(around, source_detector_mm, sign)
        angles = pose_angles(poses, 0 if opens > 0 else 1, 0.0, side)
    up, down = np.split(np.stack(angles), 2, axis=1)
    return (up - down) / (2.0 * step)
