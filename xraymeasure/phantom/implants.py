"""Metal in closed form: how long each ray runs inside a prosthesis.

A convex solid meets a ray in one interval; a shell is one interval less another inside it; a stem is
the union of the intervals of its convex pieces.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xraymeasure.phantom.scene import Cup, Pose, Stem, neck_crossing

Interval = tuple[np.ndarray, np.ndarray]


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


def _roots(a: np.ndarray, half_b: np.ndarray, c: np.ndarray) -> Interval:
    """Where ``a t^2 + 2 half_b t + c <= 0`` for positive `a`."""
    root = half_b**2 - a * c
    missed = root < 0
    root = np.sqrt(np.where(missed, 0.0, root))
    enter = np.where(missed, np.inf, (-half_b - root) / a)
    leave = np.where(missed, -np.inf, (-half_b + root) / a)
    return enter, leave


def through_ball(rays: Rays, centre: np.ndarray, radius: float) -> Interval:
    """Interval inside a ball."""
    to_source = rays.source - centre
    return _roots(
        np.ones(rays.along.shape[:-1]),
        rays.along @ to_source,
        np.full(rays.along.shape[:-1], to_source @ to_source - radius**2),
    )


def behind_plane(rays: Rays, point: np.ndarray, normal: np.ndarray) -> Interval:
    """Interval in the half space that `normal` points out of."""
    speed = rays.along @ normal
    start = float((rays.source - point) @ normal)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = -start / speed
    enter = np.where(speed < 0, at, np.where((speed > 0) | (start <= 0), -np.inf, np.inf))
    leave = np.where(speed > 0, at, np.where((speed < 0) | (start <= 0), np.inf, -np.inf))
    return enter, leave


def within(*intervals: Interval) -> Interval:
    """Intersection of intervals."""
    return (
        np.maximum.reduce([interval[0] for interval in intervals]),
        np.minimum.reduce([interval[1] for interval in intervals]),
    )


def length(interval: Interval) -> np.ndarray:
    """Length of an interval, 0 where the ray misses."""
    return np.maximum(interval[1] - interval[0], 0.0)


def union_length(intervals: Sequence[Interval]) -> np.ndarray:
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
) -> Interval:
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


def shell_length(rays: Rays, cup: Cup, centre: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Metal of the cup: the half ball less the smaller half ball inside it."""
    radius = 0.5 * cup.outer_diameter_mm
    dome = behind_plane(rays, centre, axis)
    outer = length(within(through_ball(rays, centre, radius), dome))
    inner = length(within(through_ball(rays, centre, radius - cup.thickness_mm), dome))
    return outer - inner


def liner_length(
    rays: Rays, cup: Cup, centre: np.ndarray, axis: np.ndarray, head: np.ndarray, radius: float
) -> np.ndarray:
    """Polyethylene between shell and head."""
    dome = behind_plane(rays, centre, axis)
    hollow = length(
        within(through_ball(rays, centre, 0.5 * cup.outer_diameter_mm - cup.thickness_mm), dome)
    )
    return np.maximum(hollow - length(within(through_ball(rays, head, radius), dome)), 0.0)


def screw_length(
    rays: Rays, cup: Cup, centre: np.ndarray, axis: np.ndarray, side: float
) -> np.ndarray:
    """One screw through the dome, upward and back into the ilium."""
    way = np.array([-0.25 * side, -0.85, -0.46])
    way = way / np.linalg.norm(way)
    way = way if way @ axis < 0 else -axis
    begin = centre + (0.5 * cup.outer_diameter_mm - cup.thickness_mm - 1.0) * way
    return length(through_cone(rays, begin, begin + 27.0 * way, 2.9, 2.3))


# Each piece of the stem: its outline in the coronal plane about the crossing of neck and stem axis
# (lateral, distal), clockwise as seen on the film, and half its depth at its top and bottom.
_SHOULDER = (9.5, -12.5)


def _stem_pieces(stem: Stem) -> list[tuple[list[tuple[float, float]], tuple[float, float]]]:
    end = stem.length_mm - 12.5
    return [
        ([(-4.0, -16.6), _SHOULDER, (8.6, 34.0), (-9.2, 34.0), (-16.8, -2.4)], (7.5, 6.6)),
        ([(-11.4, 24.0), (8.9, 24.0), (7.4, 68.0), (-6.6, 68.0)], (6.9, 5.6)),
        ([(-7.3, 60.0), (7.7, 60.0), (5.0, end), (-4.6, end)], (5.8, 4.4)),
    ]


def through_stem(rays: Rays, stem: Stem) -> list[Interval]:
    """Intervals inside stem body, tip and neck; rays in the stem's frame."""
    crossing = neck_crossing(stem)
    intervals = []
    for corners, (top, bottom) in _stem_pieces(stem):
        flat = np.array(corners)
        faces = []
        for a, b in zip(flat, np.roll(flat, -1, axis=0), strict=True):
            edge = b - a
            normal = np.array([edge[1], -edge[0], 0.0]) / np.hypot(*edge)
            point = crossing + [a[0], a[1], 0.0]
            faces.append(behind_plane(rays, point, normal))
            for way in (-1.0, 1.0):
                # A bevel along the edge: no prosthesis has sharp ones.
                bevel = np.array([normal[0], normal[1], way * 0.8])
                at = point + [0.0, 0.0, way * 0.35 * bottom]
                faces.append(behind_plane(rays, at, bevel))
        high, low = flat[:, 1].min(), flat[:, 1].max()
        fall = (bottom - top) / (low - high)
        for way in (-1.0, 1.0):
            normal = np.array([0.0, -fall, way])
            faces.append(behind_plane(rays, crossing + [0.0, high, way * top], normal))
        intervals.append(within(*faces))
    end = crossing + [0.2, stem.length_mm - 12.5, 0.0]
    intervals.append(through_cone(rays, end - [0, 2, 0], end + [0, 8.0, 0], 4.6, 4.2))
    intervals.append(through_ball(rays, end + [0, 8.0, 0], 4.2))
    intervals.append(through_cone(rays, np.zeros(3), crossing, 5.6, 7.6))
    return intervals


def shoulder_point(stem: Stem) -> np.ndarray:
    """Lateral shoulder, in the stem's frame."""
    return neck_crossing(stem) + [*_SHOULDER, 0.0]
