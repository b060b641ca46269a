"""What head and shell let pass: lengths of metal along rays from the tube, in closed form.

The shell is modelled as two concentric balls, the smaller taken out of the larger, cut by a plane.
Frame: patient frame, mm; the tube stands at ``(0, 0, source_detector_mm)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xraymeasure.detect.field import Field


@dataclass(frozen=True, eq=False)
class Beam:
    """Rays from the tube to the points of a field.

    Attributes
    ----------
    x, y, z : numpy.ndarray, shape (rows, columns)
        Unit directions.
    source_detector_mm : float
    """

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    source_detector_mm: float

    @classmethod
    def to(cls, field: Field, source_detector_mm: float) -> Beam:
        """Return the rays to the points of a field."""
        x, y = np.meshgrid(field.x_mm, field.y_mm)
        reach = np.sqrt(x**2 + y**2 + source_detector_mm**2)
        return cls(x / reach, y / reach, -source_detector_mm / reach, source_detector_mm)

    def depth_and_gap(self, centre: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return how far along each ray it passes a point, and the squared distance there."""
        dx, dy, dz = centre[0], centre[1], centre[2] - self.source_detector_mm
        along = self.x * dx + self.y * dy + self.z * dz
        # Clipped against rounding where a ray passes right through the point.
        return along, np.maximum(dx * dx + dy * dy + dz * dz - along**2, 0.0)


def half_chord(gap: np.ndarray, radius: float) -> np.ndarray:
    """Return half the length of each ray inside a ball, from its squared distance to the centre."""
    found: np.ndarray = np.sqrt(np.maximum(radius * radius - gap, 0.0))
    return found


def shell_length(
    beam: Beam, centre: np.ndarray, axis: np.ndarray, outer: float, inner: float, face: float
) -> np.ndarray:
    """Return the length of each ray in a shell, mm, shape of the field.

    Parameters
    ----------
    beam : Beam
    centre : numpy.ndarray, shape (3,)
        Of the balls.
    axis : numpy.ndarray, shape (3,)
        Unit normal of the opening, out of it.
    outer, inner : float
        Radii of the balls.
    face : float
        How far the opening's plane lies from the centre, along `axis`.
    """
    along, gap = beam.depth_and_gap(centre)
    speed = beam.x * axis[0] + beam.y * axis[1] + beam.z * axis[2]
    from_tube = centre @ axis - beam.source_detector_mm * axis[2] + face
    # Rays along the plane never meet it; the floor sends the meeting point far away.
    speed = np.where(np.abs(speed) < 1e-9, 1e-9, speed)
    cut = from_tube / speed - along
    behind = speed > 0

    def part(radius: float) -> np.ndarray:
        half = half_chord(gap, radius)
        cut_here = np.clip(cut, -half, half)
        inside: np.ndarray = np.where(behind, cut_here + half, half - cut_here)
        return inside

    found: np.ndarray = part(outer) - part(inner)
    return found


def rim(
    centre: np.ndarray, axis: np.ndarray, radius: float, face: float, turns: np.ndarray
) -> np.ndarray:
    """Return points of the opening's edge in space, shape (n, 3), at angles `turns` round it."""
    helper = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    first = np.cross(axis, helper)
    first /= np.linalg.norm(first)
    second = np.cross(axis, first)
    across = float(np.sqrt(max(radius**2 - face**2, 0.0)))
    found: np.ndarray = (
        centre
        + face * axis
        + across * (np.cos(turns)[:, None] * first + np.sin(turns)[:, None] * second)
    )
    return found
