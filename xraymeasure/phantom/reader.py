"""A simulated reader: true landmarks, moved by a hand that is not quite steady."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from xraymeasure.phantom.outlines import landmark_points
from xraymeasure.phantom.scene import SIDES, Scenario, Side, place_hip

# Spread of one placing, mm in the plane of the hip, row and column each: ours, no source.
READER_SD_MM = {
    "teardrop": 0.5,
    "ischium": 0.7,
    "femoral_head": 0.2,
    "cup_rim": 0.2,
    "cup_shell": 0.2,
    "lesser_trochanter": 0.6,
    "greater_trochanter": 0.7,
    "femoral_shaft": 0.4,
    "stem_axis": 0.3,
    "neck_axis": 0.3,
    "stem_shoulder": 0.3,
    "symphysis": 0.8,
    "sacrococcygeal_joint": 1.5,
    "obturator_foramen": 0.9,
    "marker_sphere": 0.2,
}
HEAD_POINTS, RIM_POINTS, SHELL_POINTS = 8, 10, 6
NECK_HIDES_DEG = 32.0


def _stem_of_name(name: str) -> str:
    for side in SIDES:
        if name.endswith(f"_{side}"):
            return name[: -len(side) - 1]
    return name


def _placed_points(
    scenario: Scenario, rng: np.random.Generator, head: int, rim: int, shell: int
) -> dict[str, np.ndarray]:
    """Exact points where a reader would click, in rows and columns."""
    geometry = scenario.geometry
    space = landmark_points(scenario, head=120, rim=120, shell=max(2 * shell, 3))
    points = {name: geometry.project(value) for name, value in space.items()}
    for side in SIDES:
        outline = points[f"femoral_head_{side}"]
        centre = outline.mean(axis=0)
        neck = _neck_way(scenario, side)
        offset = (outline - centre) / np.linalg.norm(outline - centre, axis=1, keepdims=True)
        hidden = np.cos(np.radians(NECK_HIDES_DEG))
        angle = np.arctan2(offset @ [-neck[1], neck[0]], offset @ neck)
        free = outline[offset @ neck < hidden]
        free = free[np.argsort(np.mod(angle[offset @ neck < hidden], 2 * np.pi))]
        pick = (np.arange(head) + rng.uniform(0.2, 0.8)) / head * len(free)
        points[f"femoral_head_{side}"] = free[pick.astype(int)]
        if f"cup_rim_{side}" in points:
            edge = points[f"cup_rim_{side}"]
            ball = scenario.hips[side].head
            if ball is not None and ball.material == "metal":
                edge = edge[_outside(edge, outline)]
            pick = (np.arange(rim) + rng.uniform()) / rim * len(edge)
            points[f"cup_rim_{side}"] = edge[pick.astype(int) % len(edge)]
            points[f"cup_shell_{side}"] = points[f"cup_shell_{side}"][1::2][:shell]
    if "marker_sphere" in points:
        points["marker_sphere"] = points["marker_sphere"][:: 120 // head][:head]
    return points


def _outside(points: np.ndarray, outline: np.ndarray) -> np.ndarray:
    """Which points lie outside a round outline."""
    centre = outline.mean(axis=0)
    radius = np.linalg.norm(outline - centre, axis=1).min()
    return np.asarray(np.linalg.norm(points - centre, axis=1) > radius)


def _neck_way(scenario: Scenario, side: Side) -> np.ndarray:
    """Return the unit vector on the film from the head along the neck."""
    placed = place_hip(scenario, side)
    along = np.array([30.0, 26.0, 0.0])
    first, second = scenario.geometry.project(placed.stem(np.array([[0, 0, 0], along])))
    return np.asarray((second - first) / np.linalg.norm(second - first))


def simulate_reading(
    scenario: Scenario,
    rng: np.random.Generator,
    placing_sd_px: float | Mapping[str, float] | None = None,
    *,
    reader: str = "S",
    read_at: str = "2024-01-01T00:00:00Z",
    sop_instance_uid: str | None = None,
    pixel_sha256: str | None = None,
    head: int = HEAD_POINTS,
    rim: int = RIM_POINTS,
    shell: int = SHELL_POINTS,
    state_spread: bool = True,
) -> dict[str, Any]:
    """Return a reading of a film that need not be rendered, ready for JSON.

    Parameters
    ----------
    scenario : Scenario
        The film.
    rng : numpy.random.Generator
        Draws the placing.
    placing_sd_px : float, mapping of landmark name to float, or None
        Standard deviation of row and column each; names without a side serve both sides; None is
        `READER_SD_MM` at the film's scale; 0 places exactly.
    head, rim, shell : int
        How many points on each outline.
    state_spread : bool
        Whether the spread is written into the reading as the reader's own, `placing_sd_px`.
    """
    geometry = scenario.geometry
    placed = place_hip(scenario, scenario.operated_side)
    px_per_mm = geometry.source_detector_mm / (
        (geometry.source_detector_mm - placed.hip_centre[2]) * geometry.pitch_mm
    )

    def spread(name: str) -> float:
        kind = _stem_of_name(name)
        if placing_sd_px is None:
            return float(READER_SD_MM[kind] * px_per_mm)
        if isinstance(placing_sd_px, Mapping):
            return float(placing_sd_px.get(name, placing_sd_px.get(kind, 0.0)))
        return float(placing_sd_px)

    landmarks: dict[str, list[list[float]]] = {}
    spreads: dict[str, float] = {}
    limit = np.array([geometry.rows - 1, geometry.columns - 1])
    for name, points in _placed_points(scenario, rng, head, rim, shell).items():
        moved = points + rng.normal(0.0, 1.0, points.shape) * spread(name)
        if np.all(moved >= 0) and np.all(moved <= limit):
            landmarks[name] = np.round(moved, 3).tolist()
            spreads[name] = round(spread(name), 4)
    record: dict[str, Any] = {
        "format": "xraymeasure-reading",
        "version": 1,
        "film": {"sop_instance_uid": sop_instance_uid, "pixel_sha256": pixel_sha256},
        "reader": reader,
        "read_at": read_at,
        "operated_side": scenario.operated_side,
    }
    _add_known_sizes(record, scenario)
    if geometry.beam_centre is not None:
        record["beam_centre"] = [round(value, 3) for value in geometry.beam_centre]
        record["source_detector_mm"] = geometry.source_detector_mm
    stated = {name: value for name, value in spreads.items() if value > 0}
    if state_spread and stated:
        record["placing_sd_px"] = stated
    record["comment"] = (
        "synthetic: placed by a simulated reader, each point the true one moved in row and column "
        "by a normal deviate; its standard deviation is stated in placing_sd_px"
        if state_spread
        else "synthetic: placed by a simulated reader"
    )
    record["landmarks"] = landmarks
    return record


def _add_known_sizes(record: dict[str, Any], scenario: Scenario) -> None:
    replaced = {
        side: hip.prosthesis for side, hip in scenario.hips.items() if hip.prosthesis is not None
    }
    sizes = {
        "head_diameter_mm": {side: head.diameter_mm for side, (_, head, _) in replaced.items()},
        "cup_diameter_mm": {side: cup.outer_diameter_mm for side, (cup, _, _) in replaced.items()},
        "neck_shaft_angle_deg": {
            side: stem.neck_shaft_angle_deg for side, (_, _, stem) in replaced.items()
        },
    }
    for key, values in sizes.items():
        if set(values) == {scenario.operated_side}:
            record[key] = values[scenario.operated_side]
        elif values:
            record[key] = values
    if scenario.marker is not None:
        record["marker_diameter_mm"] = scenario.marker.diameter_mm
