"""What is true of a film: its landmarks and the numbers that a perfect reader would find."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from xraymeasure.phantom import bones
from xraymeasure.phantom.outlines import landmark_points, sphere_diameter_px
from xraymeasure.phantom.scene import NATIVE_NECK_SHAFT_DEG, SIDES, Scenario, Side, place_hip

FORMAT = "xraymeasure-phantom-truth"
VERSION = 1


def cup_angles(axis: np.ndarray, side: Side, lean_deg: float = 0.0) -> dict[str, float]:
    """Radiographic, operative and anatomical angles of an axis out of the opening, in degrees.

    Read off as angles between vectors rather than by conversion. Murray DW, J Bone Joint Surg Br
    1993;75-B:228-232. `lean_deg` turns the coronal axes with a pelvis whose left side sinks.
    """
    lean = np.radians(lean_deg)
    left = np.array([np.cos(lean), np.sin(lean), 0.0])
    down = np.array([-np.sin(lean), np.cos(lean), 0.0])
    lateral = left if side == "left" else -left
    out, caudal, front = axis @ lateral, axis @ down, axis[2]
    return {
        "radiographic_inclination": float(np.degrees(np.arctan2(out, caudal))),
        "radiographic_anteversion": float(np.degrees(np.arctan2(front, np.hypot(out, caudal)))),
        "operative_inclination": float(np.degrees(np.arctan2(out, np.hypot(caudal, front)))),
        "operative_anteversion": float(np.degrees(np.arctan2(front, caudal))),
        "anatomical_inclination": float(np.degrees(np.arctan2(np.hypot(out, front), caudal))),
        "anatomical_anteversion": float(np.degrees(np.arctan2(front, out))),
    }


def _between(first: np.ndarray, second: np.ndarray) -> float:
    """Signed angle in degrees from `first` to `second` in a plane."""
    cross = first[0] * second[1] - first[1] * second[0]
    return float(np.degrees(np.arctan2(cross, first @ second)))


def flat_measurements(
    flat: dict[str, np.ndarray], centres: dict[Side, np.ndarray], scenario: Scenario
) -> dict[str, dict[str, float]]:
    """Lengths and angles among points of one plane, in mm: x to the left, y caudal.

    Parameters
    ----------
    flat : dict of str to numpy.ndarray, shape (n, 2)
        The landmarks.
    centres : dict of side to numpy.ndarray, shape (2,)
        The centres of the heads.

    Returns
    -------
    dict
        Name to side (or ``film``) to value. Abduction, varus and a sunk left side are positive.
    """
    right, left = flat["teardrop_right"][0], flat["teardrop_left"][0]
    along = (left - right) / np.linalg.norm(left - right)
    down = np.array([-along[1], along[0]])
    middle = 0.5 * (left + right)
    result: dict[str, dict[str, float]] = {}

    def put(name: str, side: str, value: float) -> None:
        result.setdefault(name, {})[side] = float(value)

    put("pelvic_obliquity", "film", np.degrees(np.arctan2(along[1], along[0])))
    straight, neutral = {}, {}
    for side in SIDES:
        lateral = along if side == "left" else -along
        sense = 1.0 if side == "left" else -1.0
        centre, trochanter = centres[side], flat[f"lesser_trochanter_{side}"][0]
        shaft = flat[f"femoral_shaft_{side}"]
        way = (shaft[-1] - shaft[0]) / np.linalg.norm(shaft[-1] - shaft[0])
        beside = sense * np.array([way[1], -way[0]])
        femoral = (shaft[0] - centre) @ beside
        acetabular = (centre - middle) @ lateral
        put("femoral_offset", side, femoral)
        put("acetabular_offset", side, acetabular)
        put("global_offset", side, femoral + acetabular)
        put("hip_centre_height", side, -(centre - flat[f"teardrop_{side}"][0]) @ down)
        put("hip_centre_lateral", side, (centre - flat[f"teardrop_{side}"][0]) @ lateral)
        put("femoral_abduction", side, np.degrees(np.arctan2(way @ lateral, way @ down)))
        straight[side] = trochanter @ down
        neutral[side] = centre @ down + (trochanter - centre) @ way
        if f"stem_axis_{side}" in flat:
            stem = flat[f"stem_axis_{side}"]
            neck = flat[f"neck_axis_{side}"]
            stem_way = stem[1] - stem[0]
            put("neck_shaft_angle", side, abs(_between(stem_way, neck[0] - neck[1])))
            put("stem_alignment", side, -sense * _between(way, stem_way))
    index = scenario.operated_side
    other: Side = "right" if index == "left" else "left"
    put("leg_length_difference", index, straight[index] - straight[other])
    put("leg_length_difference_femur_neutral", index, neutral[index] - neutral[other])
    return result


def truth(scenario: Scenario, *, head: int = 72, rim: int = 72, shell: int = 37) -> dict[str, Any]:
    """Return everything that is true of a film, ready for JSON, without rendering it.

    Lengths stand twice: ``projected``, what a perfect reader measures on the film (pixels times
    pitch over the magnification of the operated hip's centre), and ``coronal``, the same among the
    points in space looked at straight from the front. The cup's angles are those in the film's own
    coronal plane and long axis; ``inter_teardrop`` has the long axis square to the line between
    the teardrops in space.
    """
    geometry = scenario.geometry
    space = landmark_points(scenario, head=head, rim=rim, shell=shell)
    seen = {name: geometry.project(points) for name, points in space.items()}
    hips = {side: place_hip(scenario, side) for side in SIDES}
    index = scenario.operated_side

    def magnification(side: Side) -> float:
        height = hips[side].hip_centre[2]
        return float(geometry.source_detector_mm / (geometry.source_detector_mm - height))

    scale = geometry.pitch_mm / magnification(index)
    foot = np.array(geometry.foot)
    projected = flat_measurements(
        {name: (points - foot)[:, ::-1] * scale for name, points in seen.items()},
        {side: (geometry.project(hips[side].hip_centre) - foot)[::-1] * scale for side in SIDES},
        scenario,
    )
    coronal = flat_measurements(
        {name: points[:, :2] for name, points in space.items()},
        {side: hips[side].hip_centre[:2] for side in SIDES},
        scenario,
    )
    measurements: dict[str, dict[str, Any]] = {
        name: {
            side: {"projected": value, "coronal": coronal[name][side]}
            for side, value in sides.items()
        }
        for name, sides in projected.items()
    }
    longer = (
        scenario.hips[index].leg_length_change_mm
        - scenario.hips["right" if index == "left" else "left"].leg_length_change_mm
    )
    settled = [
        stem.subsidence_mm if (stem := scenario.hips[side].stem) else 0.0
        for side in (index, "right" if index == "left" else "left")
    ]
    measurements["leg_length_difference"][index]["anatomical"] = longer - settled[0] + settled[1]
    lean = coronal["pelvic_obliquity"]["film"]
    for side, placed in hips.items():
        hip = placed.hip
        radius = (
            0.5 * hip.head.diameter_mm if hip.head else bones.HEAD_RADIUS_MM * scenario.pelvis.scale
        )
        measurements.setdefault("magnification", {})[side] = magnification(side)
        measurements.setdefault("head_diameter_px", {})[side] = sphere_diameter_px(
            geometry, placed.hip_centre, radius
        )
        if placed.axis is None or hip.stem is None:
            continue
        measurements["femoral_offset"][side]["unrotated"] = hip.stem.offset_mm
        measurements["neck_shaft_angle"][side]["unrotated"] = hip.stem.neck_shaft_angle_deg
        leaning = cup_angles(placed.axis, side, lean)
        for name, value in cup_angles(placed.axis, side).items():
            measurements.setdefault(name, {})[side] = value
            measurements.setdefault(f"{name}_inter_teardrop", {})[side] = leaning[name]
    inside = {
        name: points.tolist()
        for name, points in seen.items()
        if np.all(points >= 0) and np.all(points <= [geometry.rows - 1, geometry.columns - 1])
    }
    return {
        "format": FORMAT,
        "version": VERSION,
        "synthetic": True,
        "film": scenario.name,
        "operated_side": index,
        "geometry": {
            "source_detector_mm": geometry.source_detector_mm,
            "beam_centre": list(geometry.foot),
            "pitch_mm": geometry.pitch_mm,
            "rows": geometry.rows,
            "columns": geometry.columns,
        },
        "landmarks": inside,
        "landmarks_mm": {name: space[name].tolist() for name in inside if len(space[name]) <= 4},
        "measurements": measurements,
        "cup_centre_mm": {
            side: placed.cup_centre.tolist() for side, placed in hips.items() if placed.hip.cup
        },
        "hip_centre_mm": {side: placed.hip_centre.tolist() for side, placed in hips.items()},
        "parameters": {
            "native_neck_shaft_deg": NATIVE_NECK_SHAFT_DEG,
            **asdict(scenario),
        },
    }
