"""Leg length, offsets and the position of the femur, as they lie on the film.

Frame: millimetres in the plane of the index hip centre, turned so that the reference line lies
along x (patient's left); y is caudal, the origin is the middle of the reference line. Points have
shape ``(2, ...)``; `lateral_sign` is 1 for a left hip and -1 for a right one.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np

from xraymeasure.geometry.cup_angles import along_line
from xraymeasure.measuring.positions import ALONG_THE_FEMUR, Scene, caudal_end, distally
from xraymeasure.measuring.prepared import Line
from xraymeasure.measuring.uncertainty import Numbers
from xraymeasure.vocabulary.landmarks import SIDES, Side, landmark_name, other_side


def signed_distance(point: np.ndarray, on_line: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Return the distance of a point from a line.

    Positive to the right hand of its direction, as seen with x to the right and y down.
    """
    dx, dy = point - on_line
    return np.asarray(direction[0] * dy - direction[1] * dx)


def femoral_offset_mm(
    hip_centre: np.ndarray, on_shaft: np.ndarray, shaft: np.ndarray, lateral_sign: int
) -> np.ndarray:
    """Return the distance from the hip centre to the axis of the shaft.

    Parameters
    ----------
    hip_centre, on_shaft : numpy.ndarray, shape (2, ...)
    shaft : numpy.ndarray, shape (2, ...)
        Unit direction of the shaft, distally.
    lateral_sign : {1, -1}

    Returns
    -------
    numpy.ndarray
        Positive when the hip centre lies medial of the axis.

    Examples
    --------
    >>> femoral_offset_mm(np.array([80, 0]), np.array([120, 50]), np.array([0, 1]), 1)
    np.int64(40)
    """
    return lateral_sign * signed_distance(hip_centre, on_shaft, shaft)


def neutral_leg_length_mm(
    hip_centre: np.ndarray, trochanter: np.ndarray, shaft: np.ndarray
) -> np.ndarray:
    """Return how far caudal of the reference line the lesser trochanter of a neutral femur lies.

    Neutral: turned about the hip centre until its shaft stands perpendicular to the line.

    A femur abducted by alpha carries its trochanter up by about e sin(alpha), e being the
    trochanter's distance from the axis through the hip centre (references: 1.1 mm at 2 degrees).
    """
    return np.asarray(hip_centre[1] + ((trochanter - hip_centre) * shaft).sum(axis=0))


def abduction_deg(direction: np.ndarray, lateral_sign: int) -> np.ndarray:
    """Return the angle of a distal direction to the long axis, positive in abduction.

    Examples
    --------
    >>> print(abduction_deg(np.array([-1.0, 1.0]), -1))
    45.0
    """
    return np.asarray(np.degrees(np.arctan2(lateral_sign * direction[0], direction[1])))


def neck_shaft_angle_deg(neck: np.ndarray, stem: np.ndarray) -> np.ndarray:
    """Return the angle between the neck, towards the head, and the stem, distally.

    Examples
    --------
    >>> print(neck_shaft_angle_deg(np.array([-1.0, -1.0]), np.array([0.0, 1.0])).round(6))
    135.0
    """
    cross = neck[0] * stem[1] - neck[1] * stem[0]
    return np.asarray(np.degrees(np.arctan2(np.abs(cross), (neck * stem).sum(axis=0))))


def lengths(scene: Scene, tilt: np.ndarray, origin: np.ndarray | None, numbers: Numbers) -> None:
    """Everything in millimetres, in the plane of the index hip."""
    operated = scene.setting.operated
    middle = origin if origin is not None else np.zeros((2, 1))
    placed = scene.turned(middle, tilt)

    def point(stem: str, side: Side | None) -> np.ndarray | None:
        name = landmark_name(stem, side)
        return placed[name][0] if name in placed else None

    @cache
    def line(stem: str, side: Side) -> Line | None:
        name = landmark_name(stem, side)
        if name not in placed:
            return None
        return distally(placed[name])

    hips = {}
    for side, head in scene.heads_in_space.items():
        x, y = head[:2] - middle
        hips[side] = np.array(along_line(x, y, tilt))
    shafts = {side: line("femoral_shaft", side) or line("stem_axis", side) for side in SIDES}
    lessers = {side: point("lesser_trochanter", side) for side in SIDES}
    teardrops = {side: point("teardrop", side) for side in SIDES}
    left, right = teardrops["left"], teardrops["right"]
    middle_x = None if left is None or right is None else (left + right)[0] / 2.0
    for side, hip in hips.items():
        sign = scene.setting.hips[side].lateral_sign
        femoral = None
        if (shaft := shafts[side]) is not None:
            femoral = femoral_offset_mm(hip, *shaft, sign)
            numbers["femoral_offset", side, "projected"] = femoral
        if origin is None:
            continue
        numbers["hip_centre_height", side, "landmarks"] = -hip[1]
        if (teardrop := teardrops[side]) is not None:
            numbers["hip_centre_lateral", side, "landmarks"] = sign * (hip - teardrop)[0]
        if middle_x is not None:
            acetabular = sign * (hip[0] - middle_x)
            numbers["acetabular_offset", side, "landmarks"] = acetabular
            if femoral is not None:
                numbers["global_offset", side, "projected"] = femoral + acetabular
    if origin is not None:
        _leg_length(operated, hips, shafts, lessers, numbers)
    for side in SIDES:
        greater, shoulder = point("greater_trochanter", side), point("stem_shoulder", side)
        if greater is None or shoulder is None:
            continue
        if (axis := line("stem_axis", side) or line("femoral_shaft", side)) is not None:
            numbers["stem_to_trochanter", side, "landmarks"] = ((shoulder - greater) * axis[1]).sum(
                axis=0
            )
    symphysis, joint = point("symphysis", None), point("sacrococcygeal_joint", None)
    if symphysis is not None and joint is not None:
        numbers["pelvic_tilt_indicator", None, "landmarks"] = (symphysis - joint)[1]
        numbers["pelvic_rotation_indicator", None, "landmarks"] = (joint - symphysis)[0]


def _leg_length(
    operated: Side,
    hips: Mapping[Side, np.ndarray],
    shafts: Mapping[Side, Line | None],
    lessers: Mapping[Side, np.ndarray | None],
    numbers: Numbers,
) -> None:
    other = other_side(operated)
    ours, theirs = lessers[operated], lessers[other]
    if ours is None or theirs is None:
        return
    numbers["leg_length_difference", operated, "raw"] = (ours - theirs)[1]
    our_shaft, their_shaft = shafts[operated], shafts[other]
    if our_shaft is not None and their_shaft is not None and len(hips) == len(SIDES):
        numbers["leg_length_difference", operated, "femur_neutral"] = neutral_leg_length_mm(
            hips[operated], ours, our_shaft[1]
        ) - neutral_leg_length_mm(hips[other], theirs, their_shaft[1])


def neck_shaft(scene: Scene, side: Side) -> np.ndarray:
    """Return the neck-shaft angle as it stands on the film, in degrees."""
    neck, stem = scene.units[f"neck_axis_{side}"], scene.units[f"stem_axis_{side}"]
    return neck_shaft_angle_deg(-caudal_end(neck[1] - neck[0]), caudal_end(stem[1] - stem[0]))


def angles_of_femur(scene: Scene, tilt: np.ndarray, numbers: Numbers) -> None:
    """Add what is measured in degrees, or as a ratio, on the film itself."""
    for side in SIDES:
        sign = scene.setting.hips[side].lateral_sign
        leaning = {}
        for stem in ALONG_THE_FEMUR:
            if (line := scene.lines.get(landmark_name(stem, side))) is not None:
                leaning[stem] = abduction_deg(
                    np.array(along_line(line[1][0], line[1][1], tilt)), sign
                )
        if "femoral_shaft" in leaning and scene.setting.reference:
            numbers["femoral_abduction", side, "landmarks"] = leaning["femoral_shaft"]
        if len(leaning) == 2:
            numbers["stem_alignment", side, "landmarks"] = (
                leaning["stem_axis"] - leaning["femoral_shaft"]
            )
        if f"neck_axis_{side}" in scene.units and f"stem_axis_{side}" in scene.units:
            numbers["neck_shaft_angle", side, "projected"] = neck_shaft(scene, side)
    widths = []
    for side in SIDES:
        name = landmark_name("obturator_foramen", side)
        if name in scene.units:
            lateral, medial = scene.units[name][:2]
            widths.append(np.hypot(*(lateral - medial)))
    if len(widths) == 2:
        numbers["obturator_ratio", None, "landmarks"] = widths[0] / widths[1]
