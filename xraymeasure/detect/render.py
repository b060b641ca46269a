"""What head and shell let pass: lengths of metal along rays from the tube, in closed form.

The shell is modelled as two concentric balls, the smaller taken out of the larger, cut by a plane,
with a flat ring about the opening.
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


def lip_length(
    beam: Beam,
    centre: np.ndarray,
    axis: np.ndarray,
    outer: float,
    inner: float,
    face: float,
    lip_deg: float,
) -> np.ndarray:
    """Return what each ray has more in a shell whose wall is raised on the cranial half.

    The raised half ends at a plane that is turned about the diameter of the opening.

    Parameters
    ----------
    beam, centre, axis, outer, inner, face
        As of `shell_length`.
    lip_deg : float
        How far that plane is turned outward; a negative lip is on the caudal half.
    """
    cranial = np.array([0.0, -1.0, 0.0]) + axis[1] * axis
    turned = axis - np.tan(np.radians(lip_deg)) * cranial / np.linalg.norm(cranial)
    turned = turned / np.linalg.norm(turned)
    off = face * float(axis @ turned)
    along, gap = beam.depth_and_gap(centre)
    enter, leave = np.full_like(along, -np.inf), np.full_like(along, np.inf)
    for normal, level in ((axis, face), (turned, off)):
        speed = beam.x * normal[0] + beam.y * normal[1] + beam.z * normal[2]
        speed = np.where(np.abs(speed) < 1e-9, 1e-9, speed)
        cut = (centre @ normal - beam.source_detector_mm * normal[2] + level) / speed - along
        leave = np.where(speed > 0, np.minimum(leave, cut), leave)
        enter = np.where(speed < 0, np.maximum(enter, cut), enter)

    def part(radius: float) -> np.ndarray:
        half = half_chord(gap, radius)
        inside: np.ndarray = np.maximum(np.minimum(leave, half) - np.maximum(enter, -half), 0.0)
        return inside

    behind_both = part(outer) - part(inner)
    found: np.ndarray = shell_length(beam, centre, turned, outer, inner, off) - behind_both
    return found


FLANGE_THICKNESS_MM = 2.2
"""Of the ring about the opening; what is seen of it depends little on this. No source."""


def flange_length(
    beam: Beam, centre: np.ndarray, axis: np.ndarray, radius: float, width: float, face: float
) -> np.ndarray:
    """Return the length of each ray in a flat ring behind the opening, from the ball outward.

    A negative width is metal that is missing there: a bevelled rim.

    Parameters
    ----------
    beam, centre, axis, face
        As of `shell_length`.
    radius, width : float
        Inner radius of the ring, mm, and by how much the outer one is larger.
    """
    along, gap = beam.depth_and_gap(centre)
    speed = beam.x * axis[0] + beam.y * axis[1] + beam.z * axis[2]
    speed = np.where(np.abs(speed) < 1e-6, 1e-6, speed)
    # Height over the centre at the ray's nearest point; depths below are from there.
    height = along * speed - (centre @ axis - beam.source_detector_mm * axis[2])
    # Few rays come near the ring: in its middle plane, or while they cross its thickness.
    square = 1.0 - speed**2
    middle = (face - 0.5 * FLANGE_THICKNESS_MM - height) / speed
    slack = 0.5 * FLANGE_THICKNESS_MM / np.abs(speed)
    aside = np.sqrt(np.maximum(gap + middle**2 - (face - 0.5 * FLANGE_THICKNESS_MM) ** 2, 0.0))
    ends = sorted((radius, radius + width))
    near = (aside > ends[0] - slack) & (aside < ends[1] + slack)
    speed, height, gap, square = speed[near], height[near], gap[near], square[near]
    first, last = (face - FLANGE_THICKNESS_MM - height) / speed, (face - height) / speed
    enter, leave = np.minimum(first, last), np.maximum(first, last)
    # Squared distance from the axis: square * depth^2 + 2 * half * depth + rest.
    half, rest = -height * speed, gap - height**2

    def part(outer: float) -> np.ndarray:
        root = half**2 - square * (rest - outer**2)
        reach = np.sqrt(np.maximum(root, 0.0)) / np.maximum(square, 1e-9)
        centred = -half / np.maximum(square, 1e-9)
        length = np.minimum(centred + reach, leave) - np.maximum(centred - reach, enter)
        inside: np.ndarray = np.where(root > 0, np.maximum(length, 0.0), 0.0)
        return inside

    found = np.zeros(near.shape)
    found[near] = part(radius + width) - part(radius)
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
