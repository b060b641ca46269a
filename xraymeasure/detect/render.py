"""What head and shell let pass: lengths of metal along rays from the tube, in closed form.

The shell is modelled as two concentric balls, the smaller taken out of the larger, cut by a plane,
with a flat ring about the opening.
Frame: patient frame, mm; the tube stands at ``(0, 0, source_detector_mm)``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xraymeasure.detect.field import Field

_WITHIN = ((-0.25, -0.25), (-0.25, 0.25), (0.25, -0.25), (0.25, 0.25))
"""Where in a pixel (row, column) several rays meet it."""


@dataclass(frozen=True, eq=False)
class Beam:
    """Rays from the tube to the points of a field.

    Attributes
    ----------
    x, y, z : numpy.ndarray, shape (rows, columns) or (rays, rows, columns)
        Unit directions.
    source_detector_mm : float
    """

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    source_detector_mm: float

    @classmethod
    def to(cls, field: Field, source_detector_mm: float, several: bool = False) -> Beam:
        """Return the rays to the points of a field, or `several` to each, spread over its area.

        Edges of metal move smoothly only over pixels that are looked at in more than one place.
        """
        x, y = np.meshgrid(field.x_mm, field.y_mm)
        if several:
            off = np.array(_WITHIN)[..., None, None] * np.reshape(field.pitch_mm, (1, 2, 1, 1))
            y, x = y + off[:, 0], x + off[:, 1]
        reach = np.sqrt(x**2 + y**2 + source_detector_mm**2)
        return cls(x / reach, y / reach, -source_detector_mm / reach, source_detector_mm)

    def past(self, centre: np.ndarray, axis: np.ndarray) -> Rays:
        """Return how the rays pass a cup with this centre and axis."""
        depth = centre - [0.0, 0.0, self.source_detector_mm]
        along, speed = (
            self.x * float(way[0]) + self.y * float(way[1]) + self.z * float(way[2])
            for way in (depth, axis)
        )
        # Clipped against rounding where a ray passes right through the centre.
        gap = np.maximum(float(depth @ depth) - along**2, 0.0)
        # Rays along the plane never meet it; the floor sends the meeting point far away.
        speed = np.where(np.abs(speed) < 1e-6, 1e-6, speed)
        height = along * speed - float(depth @ axis)
        return Rays(*(each.astype(np.float32) for each in (gap, speed, height)))


@dataclass(frozen=True, eq=False)
class Rays:
    """How rays pass a cup, in single precision, which is a ten-thousandth of a millimetre here.

    Attributes
    ----------
    gap : numpy.ndarray
        Squared distance to the centre where they are nearest to it.
    speed : numpy.ndarray
        How fast they rise along the axis.
    height : numpy.ndarray
        Over the centre, along the axis, where they are nearest to it.
    """

    gap: np.ndarray
    speed: np.ndarray
    height: np.ndarray


def half_chord(gap: np.ndarray, radius: float) -> np.ndarray:
    """Return half the length of each ray inside a ball, from its squared distance to the centre."""
    found: np.ndarray = np.sqrt(np.maximum(radius * radius - gap, 0.0))
    return found


def shell_length(rays: Rays, outer: float, inner: float, face: float) -> np.ndarray:
    """Return the length of each ray in a shell, mm, shape of the rays.

    Parameters
    ----------
    rays : Rays
        Past the centre of the balls, and the normal of the opening, out of it.
    outer, inner : float
        Radii of the balls.
    face : float
        How far the opening's plane lies from the centre, along the axis.
    """
    cut = (face - rays.height) / rays.speed
    wide, narrow = half_chord(rays.gap, outer), half_chord(rays.gap, inner)
    ends = np.clip(cut, -wide, wide) - np.clip(cut, -narrow, narrow)
    found: np.ndarray = wide - narrow + np.sign(rays.speed) * ends
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
    beam : Beam
    centre, axis : numpy.ndarray, shape (3,)
        Of the balls; unit normal of the opening, out of it.
    outer, inner, face : float
        As of `shell_length`.
    lip_deg : float
        How far that plane is turned outward; a negative lip is on the caudal half.
    """
    cranial = np.array([0.0, -1.0, 0.0]) + axis[1] * axis
    steep = float(np.tan(np.radians(lip_deg)))
    way = axis - steep * cranial / np.linalg.norm(cranial)
    way = way / np.linalg.norm(way)
    off = face * float(axis @ way)
    rays = beam.past(centre, axis)
    # Few rays come near the wedge between the two planes.
    reach = np.abs(rays.speed) * half_chord(rays.gap, outer) + abs(steep) * (outer + abs(face))
    near = (rays.gap < outer**2) & (np.abs(rays.height - face) < reach)
    rays = Rays(rays.gap[near], rays.speed[near], rays.height[near])
    turned = replace(beam, x=beam.x[near], y=beam.y[near], z=beam.z[near]).past(centre, way)
    enter, leave = np.full_like(rays.gap, -np.inf), np.full_like(rays.gap, np.inf)
    for each, level in ((rays, face), (turned, off)):
        cut = (level - each.height) / each.speed
        leave = np.where(each.speed > 0, np.minimum(leave, cut), leave)
        enter = np.where(each.speed < 0, np.maximum(enter, cut), enter)

    def part(radius: float) -> np.ndarray:
        half = half_chord(rays.gap, radius)
        inside: np.ndarray = np.maximum(np.minimum(leave, half) - np.maximum(enter, -half), 0.0)
        return inside

    found = np.zeros(near.shape, dtype=np.float32)
    found[near] = shell_length(turned, outer, inner, off) - (part(outer) - part(inner))
    return found


FLANGE_THICKNESS_MM = 2.2
"""Of the ring about the opening; what is seen of it depends little on this. No source."""


def flange_length(rays: Rays, radius: float, width: float, face: float) -> np.ndarray:
    """Return the length of each ray in a flat ring behind the opening, from the ball outward.

    A negative width is metal that is missing there: a bevelled rim.

    Parameters
    ----------
    rays, face
        As of `shell_length`.
    radius, width : float
        Inner radius of the ring, mm, and by how much the outer one is larger.
    """
    gap, speed, height = rays.gap, rays.speed, rays.height
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

    found = np.zeros(near.shape, dtype=np.float32)
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
