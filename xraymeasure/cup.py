"""Cup inclination and anteversion, from the outline of the rim.

Two methods. ``ellipse``: rays taken as parallel, anteversion is the arcsine of the axis ratio.
``perspective``: the circle in space whose outline, seen from the tube, is the ellipse. Angles are
radiographic (Murray DW, J Bone Joint Surg Br 1993;75-B:228-232).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xraymeasure.fitting import refit_ellipse
from xraymeasure.landmarks import Side
from xraymeasure.orientation import angles_of_axis
from xraymeasure.projection import Poses

FLAT_BELOW = 6.0
"""A rim is flat when its short half-axis is less than this many times the placing spread."""


def ellipse_angles(
    ellipse: np.ndarray, tilt_rad: np.ndarray, lateral_sign: int, opens: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return inclination and anteversion of the ellipse method, in degrees.

    sin RA = b / a (Lewinnek GE et al., J Bone Joint Surg Am 1978;60-A:217-220).

    Parameters
    ----------
    ellipse : numpy.ndarray, shape (5,) or (5, draws)
        x, y, half-axes a >= b, angle in radians; patient frame.
    tilt_rad : float or numpy.ndarray
        Angle of the reference line to x.
    lateral_sign : {1, -1}
        1 for a left hip.
    opens : {1, -1}
        1 when the cup opens anteriorly, which one film does not show.

    Examples
    --------
    >>> inclination, anteversion = ellipse_angles(np.array([0, 0, 2, 1, -np.pi / 4]), 0.0, 1, 1)
    >>> print(f"{inclination:.0f} {anteversion:.0f}")
    45 30
    """
    _, _, a, b, angle = ellipse
    # The axis of the cup projects on the short axis of the ellipse, laterally and caudally.
    x, y = -np.sin(angle - tilt_rad), np.cos(angle - tilt_rad)
    outward = np.where(lateral_sign * x + y < 0, -1.0, 1.0)
    inclination = np.degrees(np.arctan2(lateral_sign * x * outward, y * outward))
    return inclination, opens * np.degrees(np.arcsin(np.clip(b / a, 0.0, 1.0)))


def pose_angles(
    poses: Poses, which: int, tilt_rad: np.ndarray, side: Side
) -> tuple[np.ndarray, np.ndarray]:
    """Return inclination and anteversion of one of the two poses, in degrees.

    Parameters
    ----------
    poses : Poses
        Of the rim's outline.
    which : {0, 1}
        0 takes the circle whose opening faces the tube.
    tilt_rad : float or numpy.ndarray
        Angle of the reference line to x; the patient's long axis is perpendicular to it.
    side : {"left", "right"}
        The hip.
    """
    x, y, z = poses.axis[which]
    cos, sin = np.cos(tilt_rad), np.sin(tilt_rad)
    return angles_of_axis(np.stack([cos * x + sin * y, cos * y - sin * x, z], axis=-1), side)


@dataclass(frozen=True, eq=False)
class FlatRim:
    """What is known of the short half-axis of a nearly flat ellipse.

    A noisy ellipse is never flat: near zero the fitted half-axis is about the placing spread
    whatever the true one is. The confidence that the true half-axis is below a value follows from
    asking, for a row of true values, how often a larger fit than the present one would come out
    (Neyman J, Phil Trans R Soc A 1937;236:333-380; the construction is from memory).

    Attributes
    ----------
    half_axis : numpy.ndarray, shape (m,)
        Possible true half-axes, rising from 0.
    confidence : numpy.ndarray, shape (m,)
        That the true one is not larger; at 0 it is the confidence of a flat rim.
    """

    half_axis: np.ndarray
    confidence: np.ndarray

    def quantile(self, probability: np.ndarray) -> np.ndarray:
        """Return the half-axis below which the true one lies with this confidence."""
        return np.interp(probability, self.confidence, self.half_axis)


def flat_rim(
    ellipse: np.ndarray, points: np.ndarray, spread: float, seed: int, trials: int = 1000
) -> FlatRim | None:
    """Return the confidence of the short half-axis if the rim is flat, None if it is not.

    Parameters
    ----------
    ellipse : numpy.ndarray, shape (5,)
        The fitted ellipse.
    points : numpy.ndarray, shape (n, 2)
        The points it was fitted to.
    spread : float
        Placing spread of a point (each coordinate), in the same unit.
    seed : int
        Of the simulation.
    trials : int
        Simulated readings for each possible half-axis.
    """
    x, y, a, b, angle = ellipse
    if b >= FLAT_BELOW * spread:
        return None
    cos, sin = np.cos(angle), np.sin(angle)
    dx, dy = points[:, 0] - x, points[:, 1] - y
    u, v = cos * dx + sin * dy, cos * dy - sin * dx
    # Where along the outline each point was put stays; which arc it is on shows the sign of v.
    along = np.clip(u / a, -1.0, 1.0)
    across = np.copysign(np.sqrt(1.0 - along**2), v)
    possible = spread * np.linspace(0.0, FLAT_BELOW + 4.0, 21)
    rng = np.random.default_rng(seed)
    noise = spread * rng.standard_normal((len(points), 2, trials))
    exceed = []
    for half_axis in possible:
        true = np.stack([a * along, half_axis * across], axis=1)
        fitted = refit_ellipse(
            true[:, :, None] + noise, np.array([0.0, 0.0, a, max(half_axis, b), 0.0])
        )[3]
        exceed.append(np.mean(fitted >= b))
    confidence = np.maximum.accumulate(exceed)
    # Strictly rising, as interpolation wants; below the first value all of it sits at zero.
    confidence = confidence + np.arange(len(confidence)) * 1e-12
    return FlatRim(possible, confidence)
