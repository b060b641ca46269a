"""Where each landmark is seen: outlines in closed form, bony points from the drawn surfaces."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xraymeasure.phantom import bones
from xraymeasure.phantom.implants import shoulder_point
from xraymeasure.phantom.scene import (
    NATIVE_OFFSET_MM,
    SIDES,
    Geometry,
    PlacedHip,
    Pose,
    Scenario,
    mirror,
    neck_crossing,
    place_hip,
)


def _across(axis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Two unit vectors square to `axis` and to each other."""
    unit = axis / np.linalg.norm(axis)
    x, y, z = unit
    if abs(z) < 0.9:
        first = np.array([y, -x, 0.0]) / np.hypot(x, y)
    else:
        first = np.array([0.0, z, -y]) / np.hypot(y, z)
    a, b, c = first
    return first, np.array([y * c - z * b, z * a - x * c, x * b - y * a])


def rim_points(centre: np.ndarray, axis: np.ndarray, radius: float, count: int) -> np.ndarray:
    """Points in space evenly round the rim of a cup, shape (count, 3)."""
    first, second = _across(axis)
    angle = 2 * np.pi * np.arange(count)[:, None] / count
    return np.asarray(centre + radius * (np.cos(angle) * first + np.sin(angle) * second))


def horizon(source: np.ndarray, centre: np.ndarray, radius: float, count: int) -> np.ndarray:
    """Points in space where rays from `source` graze a sphere, shape (count, 3)."""
    toward = source - centre
    distance = np.linalg.norm(toward)
    middle = centre + toward * (radius / distance) ** 2
    return rim_points(middle, toward, radius * np.sqrt(1.0 - (radius / distance) ** 2), count)


def sphere_diameter_px(geometry: Geometry, centre: np.ndarray, radius: float) -> float:
    """Short axis of a sphere's outline; the long one points to the foot of the central ray."""
    toward = centre - geometry.source
    sine = radius / np.linalg.norm(toward)
    cosine = abs(toward[2]) / np.linalg.norm(toward)
    short = geometry.source_detector_mm * sine / np.sqrt(cosine**2 - sine**2)
    return float(2.0 * short / geometry.pitch_mm)


# --- bone ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Patch:
    """The piece of bone where a landmark may lie, and which way its surface then faces."""

    shapes: tuple[Callable[..., np.ndarray], ...]
    box: bones.Box
    step: float
    facing: tuple[float, float, float] | None
    """Unit vector in the bone's own frame; None is toward the middle of the obturator foramen."""


_LEAST_FACING = 0.55
_PATCHES = {
    "teardrop": _Patch(
        (bones.TEARDROP.shape,), ((52, 68), (4, 15), (-2, 26)), 0.6, (0.0, 1.0, 0.0)
    ),
    "ischium": _Patch(
        (bones.HIP_BONE.shape,), ((36, 82), (48, 66), (-64, 6)), 1.0, (0.0, 1.0, 0.0)
    ),
    "foramen": _Patch(
        (bones.HIP_BONE.shape, bones.TEARDROP.shape), ((6, 86), (-4, 60), (-64, 58)), 1.8, None
    ),
    "lesser_trochanter": _Patch(
        (bones.FEMUR.shape,), ((10, 36), (44, 76), (-30, 4)), 0.8, (-1.0, 0.0, 0.0)
    ),
    "greater_trochanter": _Patch(
        (bones.FEMUR.shape,), ((42, 74), (-16, 16), (-34, 14)), 0.8, (0.0, -1.0, 0.0)
    ),
}


@lru_cache(maxsize=len(_PATCHES))
def surface(name: str) -> np.ndarray:
    """Points on the surface of a left bone near a landmark, in the bone's own frame, (n, 3)."""
    from skimage.measure import marching_cubes

    patch = _PATCHES[name]
    axes = [np.arange(low, high + patch.step, patch.step) for low, high in patch.box]
    grid = np.meshgrid(*axes, indexing="ij", sparse=True)
    origin = np.array([low for low, _ in patch.box], dtype=float)
    found = []
    for shape in patch.shapes:
        field = np.asarray(shape(grid), dtype=np.float32)
        with warnings.catch_warnings():
            # It sets the shape of an array of its own, which numpy 2.5 advises against.
            warnings.simplefilter("ignore", DeprecationWarning)
            points, _, normals, _ = marching_cubes(field, 0.0, spacing=(patch.step,) * 3)
        points, outward = points + origin, -normals
        if patch.facing is None:
            toward = (np.array(bones.FORAMEN_MM) - points)[:, :2]
            toward /= np.linalg.norm(toward, axis=1, keepdims=True)
            faces = np.sum(toward * outward[:, :2], axis=1)
        else:
            faces = outward @ np.array(patch.facing)
        found.append(points[faces > _LEAST_FACING])
    return np.concatenate(found)


def _foremost(points: np.ndarray, seen: np.ndarray, way: Sequence[float]) -> np.ndarray:
    """Return the point that lies farthest along `way` (rows, columns) on the film."""
    return np.asarray(points[np.argmax(seen @ np.asarray(way, dtype=float))])


def foramen_points(
    geometry: Geometry, points: np.ndarray, middle: np.ndarray, lateral: float
) -> np.ndarray:
    """Most lateral, medial, highest and lowest point of the gap in the bone about `middle`."""
    seen, eye = geometry.project(points), geometry.project(middle)
    offset = seen - eye
    distance = np.hypot(offset[:, 0], offset[:, 1])
    sector = ((np.arctan2(offset[:, 0], offset[:, 1]) / (2 * np.pi) + 0.5) * 90).astype(int) % 90
    order = np.argsort(distance)[::-1]
    nearest = np.full(90, -1)
    nearest[sector[order]] = order
    edge = points[nearest[nearest >= 0]]
    where = geometry.project(edge)
    ways = ((0, lateral), (0, -lateral), (-1, 0), (1, 0))
    return np.array([_foremost(edge, where, way) for way in ways])


def shaft_points(scenario: Scenario, placed: PlacedHip) -> np.ndarray:
    """Three points on the axis of the femoral shaft, the last as low as the film shows."""
    down = np.arange(86.0, 201.0, 1.0)
    axis = np.stack([np.full_like(down, NATIVE_OFFSET_MM), down, np.zeros_like(down)], axis=-1)
    points = placed.bone(axis)
    row = scenario.geometry.project(points)[:, 0]
    last = max(int(np.searchsorted(row, scenario.geometry.rows - 15.0)) - 1, 2)
    return points[[0, last // 2, last]]


def landmark_points(
    scenario: Scenario, *, head: int = 72, rim: int = 72, shell: int = 37
) -> dict[str, np.ndarray]:
    """Every landmark of a film as points in the patient frame, name to shape (n, 3).

    Outlines have as many points as asked for; they are exact. A bony point is the one that is
    seen farthest out, to within the spacing of the surface points (a few hundredths of a mm).
    """
    geometry, pelvis = scenario.geometry, scenario.pelvis
    source = geometry.source
    found: dict[str, np.ndarray] = {}
    for side in SIDES:
        placed = place_hip(scenario, side)
        hip = placed.hip
        lateral = 1.0 if side == "left" else -1.0
        hip_bone = Pose(mirror(side), np.zeros(3)).then(pelvis.pose)

        def lowest(name: str, hip_bone: Pose = hip_bone) -> np.ndarray:
            points = hip_bone(surface(name))
            return _foremost(points, geometry.project(points), (1, 0))[None]

        found[f"teardrop_{side}"] = lowest("teardrop")
        found[f"ischium_{side}"] = lowest("ischium")
        found[f"obturator_foramen_{side}"] = foramen_points(
            geometry, hip_bone(surface("foramen")), hip_bone(np.array(bones.FORAMEN_MM)), lateral
        )
        shaft = shaft_points(scenario, placed)
        found[f"femoral_shaft_{side}"] = shaft
        seen = geometry.project(shaft)
        down = (seen[-1] - seen[0]) / np.linalg.norm(seen[-1] - seen[0])
        medial = np.array([down[1], -down[0]]) * lateral
        for name, way in (("lesser_trochanter", medial), ("greater_trochanter", -down)):
            points = placed.bone(surface(name))
            foremost = _foremost(points, geometry.project(points), way.tolist())
            found[f"{name}_{side}"] = foremost[None]
        radius = 0.5 * hip.head.diameter_mm if hip.head else bones.HEAD_RADIUS_MM * pelvis.scale
        found[f"femoral_head_{side}"] = horizon(source, placed.hip_centre, radius, head)
        if hip.prosthesis and placed.cup_centre is not None and placed.axis is not None:
            cup, _, stem = hip.prosthesis
            outer = 0.5 * cup.outer_diameter_mm
            found[f"cup_rim_{side}"] = rim_points(placed.cup_centre, placed.axis, outer, rim)
            found[f"cup_shell_{side}"] = dome_outline(
                source, placed.cup_centre, placed.axis, outer, shell
            )
            crossing = neck_crossing(stem)
            on_axis = crossing + np.array([[0.0, 8.0, 0.0], [0.0, stem.length_mm - 25.0, 0.0]])
            found[f"stem_axis_{side}"] = placed.stem(on_axis)
            on_neck = crossing * np.array([[0.45], [0.95]])
            found[f"neck_axis_{side}"] = placed.stem(on_neck)
            found[f"stem_shoulder_{side}"] = placed.stem(shoulder_point(stem))[None]
    found["symphysis"] = pelvis.pose(np.array([bones.SYMPHYSIS_MM]))
    found["sacrococcygeal_joint"] = pelvis.pose(np.array([bones.SACROCOCCYGEAL_MM]))
    if scenario.marker is not None:
        sphere = scenario.marker
        centre = np.array(sphere.centre_mm)
        found["marker_sphere"] = horizon(source, centre, 0.5 * sphere.diameter_mm, head)
    return found


def dome_outline(
    source: np.ndarray, centre: np.ndarray, axis: np.ndarray, radius: float, count: int
) -> np.ndarray:
    """Points in space evenly along the part of the shell's outline that lies on its dome."""
    full = horizon(source, centre, radius, 720)
    on_dome = (full - centre) @ axis <= 0.0
    # Start after the last point off the dome, so that the arc is one piece.
    start = np.flatnonzero(on_dome & ~np.roll(on_dome, 1))
    arc = np.roll(full, -start[0], axis=0) if start.size else full
    arc = arc[: int(on_dome.sum())]
    return np.asarray(arc[np.round(np.linspace(0, len(arc) - 1, count)).astype(int)])
