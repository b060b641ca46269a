"""The one model of the measurement: from inputs to numbers, for one reading or many draws of it.

Inputs are ``(k, draws)`` arrays by name (see `input_terms`); numbers are
``(draws,)`` arrays by name, side and method. The film as read (every landmark in the plane of the
hip, the ellipse method with parallel rays) is one of the draws; the others give the intervals.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
from scipy.special import ndtr

from xraymeasure.geometry.cup_angles import (
    along_line,
    radiographic_to_anatomical,
    radiographic_to_operative,
)
from xraymeasure.geometry.curves import fit_line, refit_circle, refit_ellipse, refit_flat_ellipse
from xraymeasure.geometry.projection import Poses, circle_poses, sphere_centre_mm
from xraymeasure.measuring import femur
from xraymeasure.measuring.cup import FlatRim, ellipse_angles, pose_angles
from xraymeasure.measuring.positions import Inputs, Scene, build_scene
from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS, Hip, Setting
from xraymeasure.measuring.uncertainty import Key
from xraymeasure.vocabulary.landmarks import SIDES, Side, landmark_name, other_side

Numbers = dict[Key, np.ndarray]


def evaluate(
    setting: Setting,
    inputs: Inputs,
    *,
    flat: Mapping[Side, FlatRim] | None = None,
) -> Numbers:
    """Return every number that the reading determines.

    Parameters
    ----------
    setting : Setting
        What is fixed.
    inputs : mapping of str to numpy.ndarray, shape (k, draws)
        As named by `input_terms`.
    flat : mapping of side to FlatRim, optional
        For rims so flat that the fit is biased, the half-axis is drawn from this confidence.
    """
    scene = build_scene(setting, inputs)
    numbers: Numbers = {}
    tilt, origin = _reference_line(scene, numbers)
    for side in SIDES:
        if setting.hips[side].rim is not None:
            _cup(scene, side, tilt, flat or {}, numbers)
    _heads(scene, numbers)
    if scene.mm_per_unit is not None:
        _lengths(scene, tilt, origin, numbers)
    _angles_of_femur(scene, tilt, numbers)
    _femoral_rotation(scene, numbers)
    return numbers


def _reference_line(scene: Scene, numbers: Numbers) -> tuple[np.ndarray, np.ndarray | None]:
    """Return the angle of the reference line to x and its middle; note both lines' obliquity."""
    found = {}
    for name, stem in REFERENCE_LANDMARKS.items():
        left, right = (landmark_name(stem, side) for side in SIDES)
        if left not in scene.units or right not in scene.units:
            continue
        if scene.mm_per_unit is not None:
            left, right = scene.in_hip_plane(left)[0], scene.in_hip_plane(right)[0]
        else:
            left, right = scene.units[left][0], scene.units[right][0]
        across, down = left - right
        found[name] = np.arctan2(down, across), (left + right) / 2.0
        numbers["pelvic_obliquity", None, name] = np.degrees(found[name][0])
    return found.get(scene.setting.reference, (np.zeros(1), None))


def _cup(scene: Scene, side: Side, tilt, flat: Mapping[Side, FlatRim], numbers: Numbers) -> None:
    setting, hip = scene.setting, scene.setting.hips[side]
    outline = scene.units[f"cup_rim_{side}"]
    if side not in flat:
        rim = refit_ellipse(outline, hip.rim.parameters)
    else:
        rim = refit_flat_ellipse(outline, hip.rim.parameters)
        rim[3] = flat[side].quantile(ndtr(scene.inputs[f"flat_{side}"][0]))
    first = 0 if hip.opens > 0 else 1
    # The ellipse method does not know where the tube stood: every plausible place counts.
    source = scene.plausible_source_units
    poses = _poses(rim, scene.plausible_beam, source, hip)
    pair = pose_angles(poses, first, tilt, side)
    centre = _landing(poses, first, scene.plausible_beam, source)
    if scene.as_read is not None:
        # As it reads the film, the rays are parallel.
        parallel = ellipse_angles(rim, tilt, hip.lateral_sign, hip.opens)
        pair = [np.where(scene.as_read, *both) for both in zip(parallel, pair, strict=True)]
        centre = np.where(scene.as_read, rim[:2], centre)
    _angles(pair, side, "ellipse", numbers)
    if setting.geometry_known:
        poses = _poses(rim, scene.beam, scene.source_detector_mm, hip)
        for method, which in (("perspective", first), ("perspective_other", 1 - first)):
            _angles(pose_angles(poses, which, tilt, side), side, method, numbers)
        centre = _landing(poses, first, scene.beam, scene.source_detector_mm)
    if hip.shell is not None:
        centre = refit_circle(scene.units[f"cup_shell_{side}"], hip.shell.parameters)[:2]
    if scene.mm_per_unit is not None and side in scene.head_centre:
        offset = (scene.head_centre[side] - centre) * scene.mm_per_unit
        across, caudal = along_line(*offset, tilt)
        numbers["head_to_cup_lateral", side, "landmarks"] = hip.lateral_sign * across
        numbers["head_to_cup_cranial", side, "landmarks"] = -caudal


def _poses(rim: np.ndarray, beam: np.ndarray, source_detector: np.ndarray, hip: Hip) -> Poses:
    shifted = rim.copy()
    shifted[:2] -= beam
    return circle_poses(shifted, source_detector, hip.lateral_sign)


def _landing(poses: Poses, which: int, beam: np.ndarray, source_detector: np.ndarray) -> np.ndarray:
    """Return where a circle's centre lands; it is not the centre of its outline."""
    towards = poses.centre_over_radius[which]
    return beam - towards[:2] / towards[2] * source_detector


def _angles(pair, side: Side, method: str, numbers: Numbers) -> None:
    numbers["radiographic_inclination", side, method] = pair[0]
    numbers["radiographic_anteversion", side, method] = pair[1]
    if method == "perspective_other":
        return
    for definition, convert in (
        ("operative", radiographic_to_operative),
        ("anatomical", radiographic_to_anatomical),
    ):
        inclination, anteversion = convert(*pair)
        numbers[f"{definition}_inclination", side, method] = inclination
        numbers[f"{definition}_anteversion", side, method] = anteversion


def _heads(scene: Scene, numbers: Numbers) -> None:
    setting = scene.setting
    per_px = setting.units_per_px
    for side, radius in scene.head_radius.items():
        numbers["head_diameter_px", side, "circle"] = 2.0 * radius / per_px
    source = scene.source_detector_mm
    for side, (x, y, scaled) in scene.cone.items():
        slant = np.sqrt(1.0 + (x * x + y * y) / source**2)
        # A sphere of diameter D whose centre is magnified by m: m D.
        sine = scaled / np.sqrt(source**2 + scaled**2)
        numbers["head_diameter_px", side, "sphere"] = 2.0 * source * sine * slant / per_px
        if setting.hips[side].head_mm:
            diameter = scene.inputs[f"head_mm_{side}"][0]
            x, y, z = sphere_centre_mm(scene.cone[side], diameter, source)
            numbers["hip_centre_above_detector", side, "sphere"] = z
            numbers["hip_centre_left_of_beam", side, "sphere"] = x
            numbers["hip_centre_caudal_of_beam", side, "sphere"] = y
    if setting.unit == "detector" and scene.mm_per_unit is not None:
        numbers["magnification", None, setting.scale.method] = 1.0 / scene.mm_per_unit


def _lengths(scene: Scene, tilt, origin, numbers: Numbers) -> None:
    """Everything in millimetres, in the plane of the index hip."""
    operated, placed = scene.setting.operated, scene.units
    middle = origin if origin is not None else np.zeros((2, 1))

    def turned(points: np.ndarray) -> np.ndarray:
        shifted = points - middle
        return np.stack(along_line(shifted[..., 0, :], shifted[..., 1, :], tilt), axis=-2)

    def point(stem: str, side: Side | None) -> np.ndarray | None:
        name = landmark_name(stem, side)
        return turned(scene.in_hip_plane(name)[0]) if name in placed else None

    @cache
    def line(stem: str, side: Side) -> tuple[np.ndarray, np.ndarray] | None:
        name = landmark_name(stem, side)
        if name not in placed:
            return None
        on_line, along = fit_line(turned(scene.in_hip_plane(name)))
        return on_line, _caudal(along)

    hips = {side: turned(scene.head_in_hip_plane(side)) for side in scene.head_centre}
    shafts = {side: line("femoral_shaft", side) or line("stem_axis", side) for side in SIDES}
    lessers = {side: point("lesser_trochanter", side) for side in SIDES}
    teardrops = {side: point("teardrop", side) for side in SIDES}
    both_teardrops = all(value is not None for value in teardrops.values())
    for side, hip in hips.items():
        sign = scene.setting.hips[side].lateral_sign
        femoral = None
        if shafts[side] is not None:
            femoral = femur.femoral_offset_mm(hip, *shafts[side], sign)
            numbers["femoral_offset", side, "projected"] = femoral
        if origin is None:
            continue
        numbers["hip_centre_height", side, "landmarks"] = -hip[1]
        if teardrops[side] is not None:
            numbers["hip_centre_lateral", side, "landmarks"] = sign * (hip - teardrops[side])[0]
        if both_teardrops:
            middle_x = (teardrops["left"] + teardrops["right"])[0] / 2.0
            acetabular = sign * (hip[0] - middle_x)
            numbers["acetabular_offset", side, "landmarks"] = acetabular
            if femoral is not None:
                numbers["global_offset", side, "projected"] = femoral + acetabular
    _leg_length(operated, origin, hips, shafts, lessers, numbers)
    for side in SIDES:
        axis = line("stem_axis", side) or line("femoral_shaft", side)
        greater, shoulder = point("greater_trochanter", side), point("stem_shoulder", side)
        if axis is not None and greater is not None and shoulder is not None:
            numbers["stem_to_trochanter", side, "landmarks"] = ((shoulder - greater) * axis[1]).sum(
                axis=0
            )
    symphysis, joint = point("symphysis", None), point("sacrococcygeal_joint", None)
    if symphysis is not None and joint is not None:
        numbers["pelvic_tilt_indicator", None, "landmarks"] = (symphysis - joint)[1]
        numbers["pelvic_rotation_indicator", None, "landmarks"] = (joint - symphysis)[0]


def _leg_length(operated, origin, hips, shafts, lessers, numbers: Numbers) -> None:
    other = other_side(operated)
    if origin is None or any(lessers[side] is None for side in SIDES):
        return
    numbers["leg_length_difference", operated, "raw"] = (lessers[operated] - lessers[other])[1]
    if all(side in hips and shafts[side] is not None for side in SIDES):
        length = {
            side: femur.neutral_leg_length_mm(hips[side], lessers[side], shafts[side][1])
            for side in SIDES
        }
        numbers["leg_length_difference", operated, "femur_neutral"] = (
            length[operated] - length[other]
        )


def _femoral_rotation(scene: Scene, numbers: Numbers) -> None:
    for side, hip in scene.setting.hips.items():
        neck, stem = f"neck_axis_{side}", f"stem_axis_{side}"
        if hip.neck_shaft_angle_deg is None or neck not in scene.units or stem not in scene.units:
            continue
        projected = _neck_shaft(scene, side)
        rotation = femur.neck_rotation_deg(projected, hip.neck_shaft_angle_deg)
        # The neck is turned against the ray that passes the hip, which leans against the film's
        # plane; without the sign of the turn it adds or takes away.
        rotation = rotation + scene.ray_lean_deg(side) * scene.inputs["neck_turn"][0]
        numbers["femoral_rotation", side, "landmarks"] = rotation
        offset = numbers.get(("femoral_offset", side, "projected"))
        if offset is not None:
            numbers["femoral_offset", side, "rotation_corrected"] = offset / np.cos(
                np.radians(rotation)
            )


def _neck_shaft(scene: Scene, side: Side) -> np.ndarray:
    neck, stem = scene.units[f"neck_axis_{side}"], scene.units[f"stem_axis_{side}"]
    return femur.neck_shaft_angle_deg(-_caudal(neck[1] - neck[0]), _caudal(stem[1] - stem[0]))


def _caudal(direction: np.ndarray) -> np.ndarray:
    """Return a direction turned so that it points caudally, whichever end was placed first."""
    return np.where(direction[1] < 0, -direction, direction)


def _angles_of_femur(scene: Scene, tilt, numbers: Numbers) -> None:
    for side in SIDES:
        sign = scene.setting.hips[side].lateral_sign
        leaning = {}
        for stem in ("femoral_shaft", "stem_axis"):
            name = landmark_name(stem, side)
            if name in scene.units:
                turned = np.stack(along_line(*_caudal(fit_line(scene.units[name])[1]), tilt))
                leaning[stem] = femur.abduction_deg(turned, sign)
        if "femoral_shaft" in leaning and scene.setting.reference:
            numbers["femoral_abduction", side, "landmarks"] = leaning["femoral_shaft"]
        if len(leaning) == 2:
            numbers["stem_alignment", side, "landmarks"] = (
                leaning["stem_axis"] - leaning["femoral_shaft"]
            )
        if f"neck_axis_{side}" in scene.units and f"stem_axis_{side}" in scene.units:
            numbers["neck_shaft_angle", side, "projected"] = _neck_shaft(scene, side)
    widths = []
    for side in SIDES:
        name = landmark_name("obturator_foramen", side)
        if name in scene.units:
            lateral, medial = scene.units[name][:2]
            widths.append(np.hypot(*(lateral - medial)))
    if len(widths) == 2:
        numbers["obturator_ratio", None, "landmarks"] = widths[0] / widths[1]
