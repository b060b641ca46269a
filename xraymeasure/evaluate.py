"""The one model of the measurement: from inputs to numbers, for one reading or many draws of it.

Inputs are ``(k, draws)`` arrays by name (see `input_terms`); numbers are ``(draws,)`` arrays by
name, side and method. The film as read (one draw, every landmark in the plane of the hip, the
ellipse method with parallel rays) and the draws that give the intervals go through the same code.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from xraymeasure import calibration, femur
from xraymeasure.cup import FlatRim, ellipse_angles, pose_angles
from xraymeasure.fitting import fit_line, refit_circle, refit_ellipse
from xraymeasure.landmarks import LANDMARKS, SIDES, Side, landmark_name, other_side
from xraymeasure.orientation import radiographic_to_anatomical, radiographic_to_operative
from xraymeasure.projection import circle_poses, refit_sphere_outline, sphere_centre_mm
from xraymeasure.setting import REFERENCE_LANDMARKS, Setting
from xraymeasure.uncertainty import Key, Term, placing_sd_px

Inputs = Mapping[str, np.ndarray]
Numbers = dict[Key, np.ndarray]

# --- what is assumed of inputs that the film does not show ----------------------------------------

BEAM_U_MM = {"reading": 1.0, "film": 10.0}
"""Standard uncertainty of the beam's foot, each direction, on the detector: stated by the reader,
or taken to be the middle of the field. Working defaults, no source."""

SOURCE_DETECTOR_U_MM = {"reading": 2.0, "film": 10.0}
"""Standard uncertainty of the distance from source to detector. Working defaults, no source."""

PLAUSIBLE_SOURCE_DETECTOR_MM = (1100.0, 50.0)
"""Mean and spread where nobody states it: technique is 1000 to 1200 mm (read)."""

PLAUSIBLE_BEAM = (0.5, 0.29, 20.0)
"""Mean and spread of where the beam is centred, as a fraction of the way from the hip to the
symphysis (the spread of a uniform one), and its scatter about that line in mm."""

PLAUSIBLE_MAGNIFICATION = (1.18, 0.04)
"""Mean and spread where the detector's pitch is unknown (14.1 +- 4.1 % and a mean of 119.8 % are
published)."""

DEPTH_MM: dict[str, tuple[float, float]] = {
    "teardrop": (0.0, 8.0),
    "ischium": (-28.0, 10.0),
    "lesser_trochanter": (-22.0, 8.0),
    "greater_trochanter": (-5.0, 10.0),
    "femoral_shaft": (0.0, 8.0),
    "symphysis": (35.0, 10.0),
    "sacrococcygeal_joint": (-85.0, 15.0),
    "obturator_foramen": (15.0, 10.0),
    "stem_axis": (0.0, 8.0),
    "stem_shoulder": (0.0, 8.0),
    "neck_axis": (0.0, 5.0),
}
"""How far anterior of the hip centre a landmark lies, and the spread between people, in mm. It is
the same on both sides; see also `SIDE_DEPTH_U_MM`. Working defaults from anatomy, no source."""

SIDE_DEPTH_U_MM = 3.0
"""Spread of a landmark's height between the sides of one person. Working default, no source."""

ROTATION_U_DEG = 3.0
"""Spread of the rotation of pelvis and legs about the long axis on a film that was accepted.
Working default, no source."""


def input_terms(setting: Setting) -> list[Term]:
    """Return everything that the numbers of this film rest on, with its uncertainty."""
    reading = setting.reading
    terms = []
    for name, points in reading.landmarks.items():
        if not points:
            continue
        spread = placing_sd_px(reading, name, setting.mm_per_px_for_placing)
        mean = reading.points(name).ravel()
        terms.append(Term(name, "placing", mean, np.full(len(mean), spread)))

    def add(key, source, mean, u):
        mean = np.atleast_1d(np.asarray(mean, dtype=float))
        terms.append(Term(key, source, mean, np.broadcast_to(np.asarray(u, float), mean.shape)))

    for side, hip in setting.hips.items():
        if hip.head is not None and hip.head_mm:
            u = (
                calibration.NATIVE_HEAD_TOLERANCE_MM
                if hip.native
                else calibration.HEAD_TOLERANCE_MM
            )
            add(f"head_mm_{side}", "diameter", hip.head_mm, u)
        if hip.cup_mm:
            add(f"cup_mm_{side}", "diameter", hip.cup_mm, calibration.CUP_TOLERANCE_MM)
        if hip.rim is not None:
            add(f"flat_{side}", "placing", 0.0, 1.0)
    if setting.marker is not None and reading.marker_diameter_mm:
        add("marker_mm", "diameter", reading.marker_diameter_mm, calibration.MARKER_TOLERANCE_MM)
    scale = setting.scale
    if scale is not None:
        plane = {"marker": calibration.MARKER_PLANE, "film": calibration.FILM_PLANE}.get(
            scale.method, calibration.OTHER_HIP_PLANE if scale.side != setting.operated else 0.0
        )
        add("scale_plane", "depth", 1.0, plane)
    if setting.geometry_known:
        origin = "reading" if setting.beam_from_reading else "film"
        add("beam", "geometry", setting.beam_px, BEAM_U_MM[origin] / setting.units_per_px)
        origin = "reading" if setting.source_from_reading else "film"
        add("source_detector", "geometry", setting.source_detector_mm, SOURCE_DETECTOR_U_MM[origin])
    fraction, fraction_u, scatter = PLAUSIBLE_BEAM
    add("plausible_beam", "geometry", [fraction, 0.0, 0.0], [fraction_u, scatter, scatter])
    add("plausible_source_detector", "geometry", *PLAUSIBLE_SOURCE_DETECTOR_MM)
    if setting.unit != "detector":
        add("plausible_magnification", "geometry", *PLAUSIBLE_MAGNIFICATION)
    for stem, (mean, u) in DEPTH_MM.items():
        placed = [name for name in reading.landmarks if LANDMARKS[name].kind.stem == stem]
        if any(reading.landmarks[name] for name in placed):
            add(f"depth_{stem}", "depth", mean, u)
            for name in placed:
                add(f"side_depth_{name}", "depth", 0.0, SIDE_DEPTH_U_MM)
    add("rotation", "rotation", 0.0, ROTATION_U_DEG)
    return terms


@dataclass(frozen=True, eq=False)
class _Scene:
    """One evaluation: landmarks in film units, heads, scale and geometry, for every draw."""

    setting: Setting
    inputs: Inputs
    as_read: bool
    units: Mapping[str, np.ndarray]
    beam: np.ndarray
    source_detector_mm: np.ndarray
    plausible_beam: np.ndarray
    head_centre: Mapping[Side, np.ndarray]
    cone: Mapping[Side, np.ndarray]
    head_radius: Mapping[Side, np.ndarray]
    mm_per_unit: np.ndarray | None
    magnification: np.ndarray

    def in_hip_plane(self, name: str) -> np.ndarray:
        """Return a landmark's points in mm, as if read in the plane of the index hip.

        Shape (n, 2, draws), about the beam's foot. As read, every landmark is taken to lie in
        that plane; for the intervals it is carried there from the height it may have.
        """
        points = self.units[name] - self.beam
        return points * self.mm_per_unit * (1.0 - self._depth(name, points))

    def head_in_hip_plane(self, side: Side) -> np.ndarray:
        """Return a head's centre likewise, shape (2, draws)."""
        centre = (self.head_centre[side] - self.beam)[None]
        lift = 0.0 if side == self.setting.operated else self._rotated(centre)
        return (centre * self.mm_per_unit * (1.0 - self._relative(lift)))[0]

    def _depth(self, name: str, points: np.ndarray) -> np.ndarray:
        key = f"depth_{LANDMARKS[name].kind.stem}"
        if self.as_read or key not in self.inputs:
            return np.zeros(1)
        height = self.inputs[key] + self.inputs[f"side_depth_{name}"]
        return self._relative(height + self._rotated(points))

    def _rotated(self, points: np.ndarray) -> np.ndarray:
        """Return how much the rotation about the long axis lifts points above the index hip."""
        if self.as_read:
            return np.zeros(1)
        hip = self.head_centre.get(self.setting.operated)
        across = (points[:, :1] - (hip - self.beam)[0]) if hip is not None else points[:, :1]
        return across * self.mm_per_unit * np.tan(np.radians(self.inputs["rotation"]))

    def _relative(self, height_mm: np.ndarray) -> np.ndarray:
        """Return a height above the hip relative to the hip's distance from the tube."""
        return height_mm * self.magnification / self.source_detector_mm


def evaluate(
    setting: Setting,
    inputs: Inputs,
    *,
    as_read: bool = False,
    flat: Mapping[Side, FlatRim] | None = None,
) -> Numbers:
    """Return every number that the reading determines.

    Parameters
    ----------
    setting : Setting
        What is fixed.
    inputs : mapping of str to numpy.ndarray, shape (k, draws)
        As named by `input_terms`.
    as_read : bool
        Whether landmarks are taken to lie in the plane of the hip and the ellipse method to see
        parallel rays: this gives the values. Otherwise what the film does not show is taken from
        `inputs`: this gives the intervals.
    flat : mapping of side to FlatRim, optional
        For rims so flat that the fit is biased, the half-axis is drawn from this confidence.
    """
    scene = _scene(setting, inputs, as_read)
    numbers: Numbers = {}
    tilt, origin = _reference_line(scene, numbers)
    for side in SIDES:
        if setting.hips[side].rim is not None:
            _cup(scene, side, tilt, flat or {}, numbers)
    _heads(scene, numbers)
    if scene.mm_per_unit is not None:
        _lengths(scene, tilt, origin, numbers)
    _angles_of_femur(scene, tilt, numbers)
    return numbers


def _scene(setting: Setting, inputs: Inputs, as_read: bool) -> _Scene:
    draws = next(iter(inputs.values())).shape[1]
    units = {
        name: setting.units(inputs[name].reshape(-1, 2, draws))
        for name, points in setting.reading.landmarks.items()
        if points
    }
    beam_px = inputs.get("beam", np.array(setting.beam_px)[:, None])
    beam = setting.to_units @ beam_px
    known = setting.geometry_known
    source = inputs["source_detector" if known else "plausible_source_detector"][0]
    centre, cone, radius = {}, {}, {}
    for side, hip in setting.hips.items():
        if hip.head is None:
            continue
        outline = units[landmark_name("femoral_head", side)]
        if hip.cone is not None:
            nominal = setting.to_units @ np.array(setting.beam_px)
            start = np.repeat(hip.cone.parameters[:, None], draws, axis=1)
            start[:2] += nominal[:, None] - beam
            cone[side] = refit_sphere_outline(outline - beam, start, source)
            centre[side] = cone[side][:2] + beam
        circle = refit_circle(outline, hip.head.parameters)
        centre.setdefault(side, circle[:2])
        radius[side] = circle[2]
    mm_per_unit = _mm_per_unit(setting, inputs, units, cone, radius, source)
    magnification = (
        1.0 / mm_per_unit
        if setting.unit == "detector" and mm_per_unit is not None
        else inputs.get("plausible_magnification", np.full((1, 1), PLAUSIBLE_MAGNIFICATION[0]))[0]
    )
    plausible = _plausible_beam(setting, inputs, units, centre, mm_per_unit, magnification)
    return _Scene(
        setting,
        inputs,
        as_read,
        units,
        beam if known else plausible,
        source,
        plausible,
        centre,
        cone,
        radius,
        mm_per_unit,
        magnification,
    )


def _mm_per_unit(setting, inputs, units, cone, radius, source) -> np.ndarray | None:
    scale = setting.scale
    if scale is None:
        return None
    if scale.method in ("head", "native_head"):
        diameter = inputs[f"head_mm_{scale.side}"][0]
        if scale.side in cone:
            height = sphere_centre_mm(cone[scale.side], diameter, source)[2]
            per_unit = (source - height) / source
        else:
            per_unit = diameter / (2.0 * radius[scale.side])
    elif scale.method == "cup":
        hip = setting.hips[scale.side]
        if hip.shell is not None:
            size = refit_circle(units[f"cup_shell_{scale.side}"], hip.shell.parameters)[2]
        else:
            size = refit_ellipse(units[f"cup_rim_{scale.side}"], hip.rim.parameters)[2]
        per_unit = inputs[f"cup_mm_{scale.side}"][0] / (2.0 * size)
    elif scale.method == "marker":
        size = refit_circle(units["marker_sphere"], setting.marker.parameters)[2]
        per_unit = inputs["marker_mm"][0] / (2.0 * size)
    else:
        per_unit = np.full(1, scale.mm_per_px / setting.units_per_px)
    return per_unit * inputs["scale_plane"][0]


def _plausible_beam(setting, inputs, units, centre, mm_per_unit, magnification) -> np.ndarray:
    """Return where the beam may have been centred: between the hip and the symphysis."""
    middle = None
    if "symphysis" in units:
        middle = units["symphysis"][0]
    elif setting.reference:
        stem = REFERENCE_LANDMARKS[setting.reference]
        middle = sum(units[landmark_name(stem, side)][0] for side in SIDES) / 2.0
    hip = centre.get(setting.operated)
    if hip is None or middle is None:
        hip = middle = setting.to_units @ np.array(setting.beam_px)[:, None]
    fraction, *scatter_mm = inputs["plausible_beam"]
    per_unit = mm_per_unit if mm_per_unit is not None else 1.0 / magnification
    scatter = np.stack(scatter_mm) / (per_unit * magnification)
    return hip + fraction * (middle - hip) + scatter


def _reference_line(scene: _Scene, numbers: Numbers) -> tuple[np.ndarray, np.ndarray | None]:
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


def _cup(scene: _Scene, side: Side, tilt, flat: Mapping[Side, FlatRim], numbers: Numbers) -> None:
    setting, hip = scene.setting, scene.setting.hips[side]
    rim = refit_ellipse(scene.units[f"cup_rim_{side}"], hip.rim.parameters)
    if side in flat:
        rim[3] = flat[side].quantile(ndtr(scene.inputs[f"flat_{side}"][0]))
    if setting.geometry_known:
        poses = _poses(rim, scene.beam, scene.source_detector_mm, hip)
        first = 0 if hip.opens > 0 else 1
        for method, which in (("perspective", first), ("perspective_other", 1 - first)):
            _angles(pose_angles(poses, which, tilt, side), side, method, numbers)
    if scene.as_read:
        pair = ellipse_angles(rim, tilt, hip.lateral_sign, hip.opens)
    else:
        pair = _true_angles_behind_ellipse(scene, rim, hip, tilt, side)
    _angles(pair, side, "ellipse", numbers)
    if scene.mm_per_unit is not None and side in scene.head_centre:
        centre = rim[:2]
        if hip.shell is not None:
            shell = refit_circle(scene.units[f"cup_shell_{side}"], hip.shell.parameters)
            centre = shell[:2]
        elif setting.geometry_known:
            towards = poses.centre_over_radius[first]
            centre = scene.beam - towards[:2] / towards[2] * scene.source_detector_mm
        x, y = (scene.head_centre[side] - centre) * scene.mm_per_unit
        cos, sin = np.cos(tilt), np.sin(tilt)
        numbers["head_to_cup_lateral", side, "landmarks"] = hip.lateral_sign * (cos * x + sin * y)
        numbers["head_to_cup_cranial", side, "landmarks"] = sin * x - cos * y


def _poses(rim, beam, source_detector, hip):
    shifted = rim.copy()
    shifted[:2] -= beam
    return circle_poses(shifted, source_detector, hip.lateral_sign)


def _true_angles_behind_ellipse(scene: _Scene, rim, hip, tilt, side):
    """Return what the angles may be where the ellipse method is used: it does not know where the
    tube stood, so every plausible place of it counts.
    """
    source = scene.inputs["plausible_source_detector"][0]
    if scene.setting.unit != "detector":
        # Without a detector pitch, the tube's distance in film units follows from the scale.
        per_unit = scene.mm_per_unit if scene.mm_per_unit is not None else np.full(1, 0.2)
        source = source / (per_unit * scene.magnification)
    poses = _poses(rim, scene.plausible_beam, source, hip)
    return pose_angles(poses, 0 if hip.opens > 0 else 1, tilt, side)


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


def _heads(scene: _Scene, numbers: Numbers) -> None:
    setting = scene.setting
    per_px = setting.units_per_px
    for side, radius in scene.head_radius.items():
        numbers["head_diameter_px", side, "circle"] = 2.0 * radius / per_px
        if side in scene.cone:
            x, y, scaled = scene.cone[side]
            source = scene.source_detector_mm
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


def _lengths(scene: _Scene, tilt, origin, numbers: Numbers) -> None:
    """Everything in millimetres, in the plane of the index hip."""
    operated, placed = scene.setting.operated, scene.units
    cos, sin = np.cos(tilt), np.sin(tilt)
    middle = origin if origin is not None else np.zeros((2, 1))

    def turned(points: np.ndarray) -> np.ndarray:
        x, y = points - middle
        return np.stack([cos * x + sin * y, cos * y - sin * x])

    def point(stem: str, side: Side | None) -> np.ndarray | None:
        name = landmark_name(stem, side)
        return turned(scene.in_hip_plane(name)[0]) if name in placed else None

    def line(stem: str, side: Side) -> tuple[np.ndarray, np.ndarray] | None:
        name = landmark_name(stem, side)
        if name not in placed:
            return None
        on_line, along = fit_line(np.stack([turned(one) for one in scene.in_hip_plane(name)]))
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
    _femoral_rotation(scene, numbers)
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


def _femoral_rotation(scene: _Scene, numbers: Numbers) -> None:
    for side, hip in scene.setting.hips.items():
        neck, stem = f"neck_axis_{side}", f"stem_axis_{side}"
        if hip.neck_shaft_angle_deg is None or neck not in scene.units or stem not in scene.units:
            continue
        projected = _neck_shaft(scene, side)
        rotation = femur.neck_rotation_deg(projected, hip.neck_shaft_angle_deg)
        numbers["femoral_rotation", side, "landmarks"] = rotation
        offset = numbers.get(("femoral_offset", side, "projected"))
        if offset is not None:
            numbers["femoral_offset", side, "rotation_corrected"] = offset / np.cos(
                np.radians(rotation)
            )


def _neck_shaft(scene: _Scene, side: Side) -> np.ndarray:
    neck, stem = scene.units[f"neck_axis_{side}"], scene.units[f"stem_axis_{side}"]
    return femur.neck_shaft_angle_deg(-_caudal(neck[1] - neck[0]), _caudal(stem[1] - stem[0]))


def _caudal(direction: np.ndarray) -> np.ndarray:
    """Return a direction turned so that it points caudally, whichever end was placed first."""
    return np.where(direction[1] < 0, -direction, direction)


def _angles_of_femur(scene: _Scene, tilt, numbers: Numbers) -> None:
    cos, sin = np.cos(tilt), np.sin(tilt)
    for side in SIDES:
        sign = scene.setting.hips[side].lateral_sign
        leaning = {}
        for stem in ("femoral_shaft", "stem_axis"):
            name = landmark_name(stem, side)
            if name in scene.units:
                x, y = _caudal(fit_line(scene.units[name])[1])
                turned = np.stack([cos * x + sin * y, cos * y - sin * x])
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
