"""From a fitted head and cup to the points that a reading stores, and their placing spread."""

from __future__ import annotations

import numpy as np

from xraymeasure.detect import picture
from xraymeasure.detect.head import Head
from xraymeasure.detect.render import rim
from xraymeasure.geometry.cup_angles import cup_axis
from xraymeasure.geometry.ellipses import fit_ellipse
from xraymeasure.geometry.projection import project

HEAD_POINTS = 12
_SMALL_SPREAD = 3.0
"""How much one interval may exceed what is wanted for a smaller spread: 3 % for one of 1 %."""


def head_outline_mm(head: Head, source_detector_mm: float) -> np.ndarray:
    """Return points where the head's cone meets the detector, shape (n, 2), x and y in mm."""
    ray = np.array([head.x_mm, head.y_mm, -source_detector_mm])
    ray = ray / np.linalg.norm(ray)
    first = np.cross(ray, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(ray, first)
    turns = np.linspace(0.0, 2.0 * np.pi, HEAD_POINTS, endpoint=False)[:, None]
    tangent = head.radius_mm / source_detector_mm
    rays = ray + tangent * (np.cos(turns) * first + np.sin(turns) * second)
    found: np.ndarray = rays[:, :2] * (-source_detector_mm / rays[:, 2:])
    return found


def head_spread_mm(head: Head) -> float:
    """Return the placing spread of the outline's points that gives the head its own spread."""
    return float(
        max(head.radius_sd_mm * HEAD_POINTS**0.5, head.centre_sd_mm * (HEAD_POINTS / 2) ** 0.5)
    )


def rim_outline_mm(
    scene: picture.CupScene, parameters: np.ndarray, angle_sd_deg: tuple[float, float]
) -> tuple[np.ndarray, float]:
    """Return points of the rim on the detector, and the placing spread that says how sure it is.

    Eight points lie on the ellipse, two in each quarter, where one placing spread gives both
    inclination and anteversion the uncertainty that they have. Few points need a small spread each:
    a rim that is flat beside its spread would be read as one that may be flat.

    Parameters
    ----------
    scene : CupScene
    parameters : numpy.ndarray
        Of the cup.
    angle_sd_deg : (inclination, anteversion)
        Standard uncertainties.

    Returns
    -------
    points : numpy.ndarray, shape (n, 2)
    spread_mm : float
    """
    p = parameters
    axis = cup_axis(p[picture.INCLINATION], p[picture.ANTEVERSION], scene.side)
    turns = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    circle = rim(
        scene.centre(p[picture.U], p[picture.V]), axis, p[picture.RADIUS], p[picture.FACE], turns
    )
    outline = project(circle.T, scene.beam.source_detector_mm).T
    x, y, a, b, angle = fit_ellipse(outline).parameters
    wanted = np.radians(angle_sd_deg)
    best: tuple[float, float, np.ndarray] | None = None
    for first in np.radians(np.arange(8.0, 41.0, 4.0)):
        for second in np.arange(first + np.radians(12.0), np.radians(90.0), np.radians(4.0)):
            quarter = np.array([first, second])
            at = np.concatenate([quarter, np.pi - quarter, np.pi + quarter, -quarter])
            unit = np.array(_angle_spread(at, a, b))
            # The larger of the two, so that neither interval is too narrow.
            spread = float((wanted / unit).max())
            excess = float((spread * unit / wanted).max())
            score = excess + _SMALL_SPREAD * spread / a
            if best is None or score < best[0]:
                best = score, spread, at
    assert best is not None
    _, spread, at = best
    along, across = a * np.cos(at), b * np.sin(at)
    points = np.stack(
        [
            x + along * np.cos(angle) - across * np.sin(angle),
            y + along * np.sin(angle) + across * np.cos(angle),
        ],
        axis=1,
    )
    return points, spread


def _angle_spread(at: np.ndarray, a: float, b: float) -> tuple[float, float]:
    """Return the spread of inclination and anteversion, rad, for a placing spread of 1 mm.

    First order: the outline's normal distance against a shift, both half-axes and a turn.
    """
    cosine, sine = np.cos(at), np.sin(at)
    length = np.hypot(b * cosine, a * sine)
    normal_x, normal_y = b * cosine / length, a * sine / length
    design = np.stack(
        [
            normal_x,
            normal_y,
            normal_x * cosine,
            normal_y * sine,
            normal_y * a * cosine - normal_x * b * sine,
        ],
        axis=1,
    )
    covariance = np.linalg.inv(design.T @ design)
    ratio = min(b / a, 0.999)
    # sin RA = b / a
    of_halves = np.array([-ratio, 1.0]) / (a * (1.0 - ratio**2) ** 0.5)
    u = (of_halves @ covariance[2:4, 2:4] @ of_halves) ** 0.5
    return float(covariance[4, 4] ** 0.5), float(u)
