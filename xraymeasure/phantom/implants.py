"""Metal in closed form: how long each ray runs inside a prosthesis.

A convex solid meets a ray in one interval; a shell is one interval less another inside it; a stem
is the union of the intervals of its convex pieces.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from xraymeasure.phantom.scene import Cup, Pose, Stem, neck_crossing

Span = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Rays:
    """Rays from one point.

    Attributes
    ----------
    source : numpy.ndarray, shape (3,)
    along : numpy.ndarray, shape (..., 3)
        Unit vectors.
    """

    source: np.ndarray
    along: np.ndarray

    @classmethod
    def to(cls, source: np.ndarray, targets: np.ndarray) -> Rays:
        """Return the rays from `source` to `targets`, shape (..., 3)."""
        ray = targets - source
        return cls(source, ray / np.linalg.norm(ray, axis=-1, keepdims=True))

    def seen_from(self, pose: Pose) -> Rays:
        """Return the same rays in the frame that `pose` (a rotation, a mirror) carries here."""
        back = pose.linear.T
        return Rays(back @ (self.source - pose.shift), self.along @ pose.linear)


def _roots(a: np.ndarray, half_b: np.ndarray, c: np.ndarray) -> Span:
    """Where ``a t^2 + 2 half_b t + c <= 0`` for positive `a`."""
    root = half_b**2 - a * c
    missed = root < 0
    root = np.sqrt(np.where(missed, 0.0, root))
    enter = np.where(missed, np.inf, (-half_b - root) / a)
    leave = np.where(missed, -np.inf, (-half_b + root) / a)
    return enter, leave


def through_ball(rays: Rays, centre: np.ndarray, radius: float) -> Span:
    """Interval inside a ball."""
    to_source = rays.source - centre
    return _roots(
        np.ones(rays.along.shape[:-1]),
        rays.along @ to_source,
        np.full(rays.along.shape[:-1], to_source @ to_source - radius**2),
    )


def behind_plane(rays: Rays, point: np.ndarray, normal: np.ndarray) -> Span:
    """Interval in the half space that `normal` points out of."""
    speed = rays.along @ normal
    start = float((rays.source - point) @ normal)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = -start / speed
    enter = np.where(speed < 0, at, np.where((speed > 0) | (start <= 0), -np.inf, np.inf))
    leave = np.where(speed > 0, at, np.where((speed < 0) | (start <= 0), np.inf, -np.inf))
    return enter, leave


def within(*intervals: Span) -> Span:
    """Intersection of intervals."""
    return (
        np.maximum.reduce([interval[0] for interval in intervals]),
        np.minimum.reduce([interval[1] for interval in intervals]),
    )


def length(interval: Span) -> np.ndarray:
    """Length of an interval, 0 where the ray misses."""
    return np.asarray(np.maximum(interval[1] - interval[0], 0.0))


def union_length(intervals: Sequence[Span]) -> np.ndarray:
    """Length of the union of intervals on each ray."""
    enter = np.stack([np.where(a < b, a, np.inf) for a, b in intervals])
    leave = np.stack([np.where(a < b, b, -np.inf) for a, b in intervals])
    order = np.argsort(enter, axis=0)
    enter = np.take_along_axis(enter, order, axis=0)
    leave = np.take_along_axis(leave, order, axis=0)
    reached = np.full(enter.shape[1:], -np.inf)
    total = np.zeros(enter.shape[1:])
    for a, b in zip(enter, leave, strict=True):
        begin = np.maximum(a, reached)
        covered = b > begin
        total[covered] += b[covered] - begin[covered]
        reached = np.maximum(reached, b)
    return total


def through_cone(
    rays: Rays, apex_end: np.ndarray, base_end: np.ndarray, first: float, last: float
) -> Span:
    """Interval inside a truncated cone whose radius runs from `first` to `last`.

    The rays must be steeper to its axis than its flank is, as on a frontal film of a neck.
    """
    axis = base_end - apex_end
    height = np.linalg.norm(axis)
    axis = axis / height
    taper = (last - first) / height
    start = rays.source - apex_end
    along, begin = rays.along @ axis, float(start @ axis)
    radius = first + taper * begin
    grow = taper * along
    flank = _roots(
        1.0 - along**2 - grow**2,
        rays.along @ start - along * begin - grow * radius,
        np.full(along.shape, start @ start - begin**2 - radius**2),
    )
    return within(flank, behind_plane(rays, apex_end, -axis), behind_plane(rays, base_end, axis))


_FLANGE_THICKNESS = 2.2
_HOLE_RADIUS = 3.2
_CYLINDER_MM = 3.0
_WIRE_RADIUS = 0.6
_CABLE_RADIUS = 0.9


def shell_length(rays: Rays, cup: Cup, centre: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Metal of the cup: the half ball less the smaller half ball inside it, and what is added."""
    radius = 0.5 * cup.outer_diameter_mm
    if cup.kind == "cemented":
        return ring_length(rays, centre, axis, radius - 1.0, _WIRE_RADIUS)
    dome = behind_plane(rays, centre, axis)
    hollow = through_ball(
        rays,
        centre + 0.5 * cup.thicker_dome_mm * axis,
        radius - cup.thickness_mm - 0.5 * cup.thicker_dome_mm,
    )
    ball = through_ball(rays, centre, radius)
    solid = [within(ball, dome)]
    cavity = [within(hollow, dome)]
    if cup.flange_mm:
        wide = radius + cup.flange_mm
        below = centre - _FLANGE_THICKNESS * axis
        solid.append(through_cone(rays, below, centre, wide, wide))
    if cup.lip_mm or cup.kind == "dual_mobility":
        beyond = centre + (cup.lip_mm or _CYLINDER_MM) * axis
        part = within(behind_plane(rays, beyond, axis), behind_plane(rays, centre, -axis))
        if cup.lip_mm:
            cranial = np.array([0.0, -1.0, 0.0]) + axis[1] * axis
            part = within(part, behind_plane(rays, centre, -cranial))
        narrow = radius - cup.thickness_mm
        solid.append(within(part, through_cone(rays, centre, beyond, radius, radius)))
        cavity.append(within(part, through_cone(rays, centre, beyond, narrow, narrow)))
    total = union_length(solid) - union_length(cavity)
    for number in range(cup.holes):
        total -= _hole_length(rays, centre, axis, ball, hollow, dome, number)
    return np.asarray(np.maximum(total, 0.0))


def _hole_length(
    rays: Rays,
    centre: np.ndarray,
    axis: np.ndarray,
    ball: Span,
    hollow: Span,
    dome: Span,
    number: int,
) -> np.ndarray:
    """Wall that a screw hole takes away; the holes stand round the dome."""
    aside = np.cross(axis, [0.0, 0.0, 1.0])
    aside /= np.linalg.norm(aside)
    turn = np.radians(60.0 + 75.0 * number)
    way = -axis + 0.8 * (np.cos(turn) * aside + np.sin(turn) * np.cross(axis, aside))
    way /= np.linalg.norm(way)
    drill = through_cone(rays, centre, centre + 60.0 * way, _HOLE_RADIUS, _HOLE_RADIUS)
    removed = length(within(ball, dome, drill)) - length(within(hollow, dome, drill))
    return np.asarray(removed)


def ring_length(
    rays: Rays, centre: np.ndarray, axis: np.ndarray, radius: float, wire: float
) -> np.ndarray:
    """Wire bent to a ring, in forty straight pieces."""
    helper = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.8 else np.array([1.0, 0.0, 0.0])
    first = np.cross(axis, helper)
    first /= np.linalg.norm(first)
    second = np.cross(axis, first)
    turns = np.linspace(0.0, 2.0 * np.pi, 41)[:, None]
    knots = centre + radius * (np.cos(turns) * first + np.sin(turns) * second)
    total = np.zeros(rays.along.shape[:-1])
    reach = 0.5 * float(np.linalg.norm(knots[1] - knots[0])) + 2.0 * wire
    for a, b in pairwise(knots):
        near = np.isfinite(through_ball(rays, 0.5 * (a + b), reach)[0])
        part = Rays(rays.source, rays.along[near])
        total[near] += length(through_cone(part, a, b, wire, wire))
    return total


def cable_length(rays: Rays, stem: Stem) -> np.ndarray:
    """Wires about the shaft of the femur; rays in the stem's frame."""
    crossing = neck_crossing(stem)
    total = np.zeros(rays.along.shape[:-1])
    for number in range(stem.cables):
        at = crossing + np.array([0.0, 25.0 + 30.0 * number, 0.0])
        tilted = np.array([0.05, 1.0, 0.12]) / np.linalg.norm([0.05, 1.0, 0.12])
        total += ring_length(rays, at, tilted, 16.0, _CABLE_RADIUS)
    return total


def liner_length(
    rays: Rays, cup: Cup, centre: np.ndarray, axis: np.ndarray, head: np.ndarray, radius: float
) -> np.ndarray:
    """Polyethylene between shell and head."""
    dome = behind_plane(rays, centre, axis)
    hollow = length(
        within(through_ball(rays, centre, 0.5 * cup.outer_diameter_mm - cup.thickness_mm), dome)
    )
    return np.asarray(
        np.maximum(hollow - length(within(through_ball(rays, head, radius), dome)), 0.0)
    )


def screw_length(
    rays: Rays, cup: Cup, centre: np.ndarray, axis: np.ndarray, side: float
) -> np.ndarray:
    """One screw through the dome, upward and back into the ilium."""
    way = np.array([-0.25 * side, -0.85, -0.46])
    way = way / np.linalg.norm(way)
    way = way if way @ axis < 0 else -axis
    begin = centre + (0.5 * cup.outer_diameter_mm - cup.thickness_mm - 1.0) * way
    return length(through_cone(rays, begin, begin + 27.0 * way, 2.9, 2.3))


# The stem's body about the crossing of neck and stem axis, in its coronal plane (lateral, distal):
# one straight lateral flank, a medial flank in three steps, an upper edge square to the neck.
_SHOULDER = (9.5, -12.5)
_UPPER_EDGE = ((-4.0, -16.6), (-16.8, -2.4))
_MEDIAL = ((-16.8, -2.4), (-9.4, 33.0))
_TIP_RADIUS = 4.2
_HALF_DEPTH_AT_TOP, _DEPTH_FALL = 7.4, 0.026
_EDGE_HALF_DEPTH = 1.4
"""Half the depth that a flank keeps between its two bevels."""


def through_stem(rays: Rays, stem: Stem) -> list[Span]:
    """Intervals inside the convex pieces of stem body and neck; rays in the stem's frame."""
    crossing = neck_crossing(stem)
    end = stem.length_mm - 12.5 - _TIP_RADIUS
    knee = _MEDIAL[-1]
    halfway = (
        -_TIP_RADIUS + 0.4 * (knee[0] + _TIP_RADIUS),
        knee[1] + 0.45 * (end - knee[1]),
    )
    medial = [*_MEDIAL, halfway, (-_TIP_RADIUS, end)]
    lateral = [_SHOULDER, (_TIP_RADIUS, end)]

    def flank(upper: tuple[float, float], lower: tuple[float, float], sense: float) -> Span:
        edge = np.subtract(lower, upper)
        normal = sense * np.array([edge[1], -edge[0]]) / np.hypot(*edge)
        point = crossing + np.array([*upper, 0.0])
        bevels = [
            behind_plane(
                rays,
                point + np.array([0.0, 0.0, way * _EDGE_HALF_DEPTH]),
                np.array([*normal, 0.7 * way]),
            )
            for way in (-1.0, 1.0)
        ]
        return within(behind_plane(rays, point, np.array([*normal, 0.0])), *bevels)

    top = crossing + np.array([0.0, _UPPER_EDGE[0][1], 0.0])
    shared = [flank(lateral[0], lateral[1], 1.0)]
    for way in (-1.0, 1.0):
        normal = np.array([0.0, _DEPTH_FALL, way])
        shared.append(
            behind_plane(rays, top + np.array([0.0, 0.0, way * _HALF_DEPTH_AT_TOP]), normal)
        )
    bottom = crossing + np.array([0.0, end, 0.0])
    for angle in np.radians([0.0, 20.0, 40.0, 60.0]):
        for way in (-1.0, 1.0):
            for sideways in ((way, 0.0), (0.0, way)):
                normal = np.array(
                    [sideways[0] * np.sin(angle), np.cos(angle), sideways[1] * np.sin(angle)]
                )
                shared.append(behind_plane(rays, bottom + _TIP_RADIUS * normal, normal))
    shared.append(flank(_UPPER_EDGE[0], _UPPER_EDGE[1], -1.0))
    shared.append(flank(_SHOULDER, _UPPER_EDGE[0], -1.0))
    body = within(*shared)
    # The medial flank is hollow: each of its steps ends where the next begins.
    pieces = []
    for upper, lower in pairwise(medial):
        low = behind_plane(
            rays, crossing + np.array([0.0, lower[1], 0.0]), np.array([0.0, 1.0, 0.0])
        )
        high = behind_plane(
            rays, crossing + np.array([0.0, upper[1] - 14.0, 0.0]), np.array([0.0, -1.0, 0.0])
        )
        last = lower == medial[-1]
        step = flank(upper, lower, -1.0)
        pieces.append(within(body, step, high) if last else within(body, step, high, low))
    return [*pieces, through_cone(rays, np.zeros(3), crossing, 5.6, 7.6)]


def shoulder_point(stem: Stem) -> np.ndarray:
    """Lateral shoulder, in the stem's frame."""
    return np.asarray(neck_crossing(stem) + np.array([*_SHOULDER, 0.0]))
