"""What head and shell let pass: lengths of metal along rays from the tube, in closed form.

The shell is modelled as two concentric balls, the smaller taken out of the larger, cut by a plane,
with a flat ring about the opening and the wall raised on half of it.
Frame: patient frame, mm; the tube stands at ``(0, 0, source_detector_mm)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xraymeasure.detect.field import Field

_WITHIN = ((-0.25, -0.25), (-0.25, 0.25), (0.25, -0.25), (0.25, 0.25))
"""Where in a pixel (row, column) several rays meet it."""


@dataclass(frozen=True, eq=False)
class Beam:
    """Rays from the tube to the points of a field.

    Attributes
    ----------
    ways : numpy.ndarray, shape (3, rows, columns) or (3, rays, rows, columns)
        Unit directions.
    source_detector_mm : float
    """

    ways: np.ndarray
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
        ways = np.stack([x, y, np.full_like(x, -source_detector_mm)])
        return cls(ways / np.linalg.norm(ways, axis=0), source_detector_mm)

    def past(self, centre: np.ndarray, axis: np.ndarray) -> Rays:
        """Return how the rays pass a cup with this centre and axis."""
        depth = centre - [0.0, 0.0, self.source_detector_mm]
        along, speed = np.tensordot(np.stack([depth, axis]), self.ways, 1)
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
    # Along the ray if it rises, against it if it falls.
    cut = (face - rays.height) / np.abs(rays.speed)
    wide, narrow = half_chord(rays.gap, outer), half_chord(rays.gap, inner)
    ends = np.clip(cut, -wide, wide) - np.clip(cut, -narrow, narrow)
    found: np.ndarray = wide - narrow + ends
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
    ends = sorted((radius, radius + width))
    found: np.ndarray = np.sign(width) * _ring_length(
        rays, ends[0], ends[1], face - FLANGE_THICKNESS_MM, face
    )
    return found


def lip_length(
    rays: Rays, cranial: Rays, outer: float, inner: float, face: float, height: float
) -> np.ndarray:
    """Return what each ray has more in a shell whose wall is raised on the cranial half.

    A negative height is wall that is missing there.

    Parameters
    ----------
    rays, outer, inner, face
        As of `shell_length`.
    cranial : Rays
        Past the same centre, and the direction in the opening's plane that is most cranial.
    height : float
        By how much the wall is raised, mm.
    """
    low, high = sorted((face, face + height))
    found: np.ndarray = np.sign(height) * _ring_length(rays, inner, outer, low, high, cranial)
    return found


def _ring_length(
    rays: Rays, inner: float, outer: float, low: float, high: float, half: Rays | None = None
) -> np.ndarray:
    """Return the length of each ray between two radii and two heights, or in half of that ring."""
    gap, speed, height = rays.gap, rays.speed, rays.height
    # Few rays come near the ring: in its middle plane, or while they cross its thickness.
    square = 1.0 - speed**2
    middle = (0.5 * (low + high) - height) / speed
    slack = 0.5 * (high - low) / np.abs(speed)
    aside = np.sqrt(np.maximum(gap + middle**2 - (0.5 * (low + high)) ** 2, 0.0))
    near = (aside > inner - slack) & (aside < outer + slack)
    speed, height, gap, square = speed[near], height[near], gap[near], square[near]
    first, last = (low - height) / speed, (high - height) / speed
    enter, leave = np.minimum(first, last), np.maximum(first, last)
    if half is not None:
        cut = -half.height[near] / half.speed[near]
        enter = np.where(half.speed[near] > 0, np.maximum(enter, cut), enter)
        leave = np.where(half.speed[near] < 0, np.minimum(leave, cut), leave)
    # Squared distance from the axis: square * depth^2 + 2 * lean * depth + rest.
    lean, rest = -height * speed, gap - height**2

    def part(radius: float) -> np.ndarray:
        root = lean**2 - square * (rest - radius**2)
        reach = np.sqrt(np.maximum(root, 0.0)) / np.maximum(square, 1e-9)
        centred = -lean / np.maximum(square, 1e-9)
        length = np.minimum(centred + reach, leave) - np.maximum(centred - reach, enter)
        inside: np.ndarray = np.where(root > 0, np.maximum(length, 0.0), 0.0)
        return inside

    found = np.zeros(near.shape, dtype=np.float32)
    found[near] = part(outer) - part(inner)
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
