"""The one model of the measurement: from inputs to numbers, for one reading or many draws of it.

Inputs are ``(k, draws)`` arrays by name (see `input_terms`); numbers are
``(draws,)`` arrays by name, side and method. The film as read (every landmark in the plane of the
hip, the ellipse method with parallel rays) is one of the draws; the others give the intervals.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from xraymeasure.geometry.anchored import Anchor, refit_anchored_ellipse
from xraymeasure.geometry.cup_angles import (
    along_line,
    radiographic_to_anatomical,
    radiographic_to_operative,
)
from xraymeasure.geometry.ellipses import refit_ellipse, refit_flat_ellipse
from xraymeasure.geometry.least_squares import Fit
from xraymeasure.geometry.projection import circle_poses, sphere_centre_mm
from xraymeasure.measuring.cup import FlatRim, ellipse_angles, landing, pose_angles
from xraymeasure.measuring.femur import angles_of_femur, lengths
from xraymeasure.measuring.inputs import MIDLINE_U_MM
from xraymeasure.measuring.positions import Inputs, Scene, build_scene
from xraymeasure.measuring.posture import femurs_in_space
from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS, Setting
from xraymeasure.measuring.uncertainty import Numbers, Term
from xraymeasure.vocabulary.landmarks import SIDES, Side, landmark_name


def evaluate(
    setting: Setting,
    inputs: Inputs,
    *,
    flat: Mapping[Side, FlatRim] | None = None,
    beside_rims: Hashable = None,
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
    beside_rims : hashable, optional
        As from `beside_rims`; what rests on no rim is then taken from a moment ago where it can be.
    """
    if beside_rims is None:
        scene, tilt, found = _beside_rims(setting, inputs)
    else:
        scene, tilt, found = _kept_beside_rims(_Asked(beside_rims, setting, inputs))
        scene = scene.with_outlines(setting, inputs, [f"cup_rim_{side}" for side in SIDES])
    numbers = dict(found)
    for side in SIDES:
        centre = None
        if (rim := setting.hips[side].rim) is not None:
            centre = _cup(scene, side, rim, tilt, flat or {}, numbers)
        if side in scene.shell:
            centre = scene.shell[side][:2]
        if centre is not None:
            _head_in_cup(scene, side, centre, tilt, numbers)
    return numbers


def _beside_rims(setting: Setting, inputs: Inputs) -> tuple[Scene, np.ndarray, Numbers]:
    """Return where everything lies, the reference line's angle, and what rests on no rim."""
    scene = build_scene(setting, inputs)
    numbers: Numbers = {}
    tilt, origin = _reference_line(scene, numbers)
    _heads(scene, numbers)
    if scene.mm_per_unit is not None:
        lengths(scene, tilt, origin, numbers)
        femurs_in_space(scene, tilt, origin, numbers)
        _pelvic_rotation(scene, tilt, numbers)
        _cup_diameters(scene, numbers)
    angles_of_femur(scene, tilt, numbers)
    return scene, tilt, numbers


@dataclass(frozen=True)
class _Asked:
    """Asked again where what it rests on is the same."""

    rests_on: Hashable
    setting: Setting = field(compare=False)
    inputs: Inputs = field(compare=False)


@lru_cache(maxsize=2)
def _kept_beside_rims(asked: _Asked) -> tuple[Scene, np.ndarray, Numbers]:
    """Return what was found a moment ago: while a rim is dragged, all but its cup stays."""
    return _beside_rims(asked.setting, asked.inputs)


def beside_rims(setting: Setting, terms: Sequence[Term]) -> Hashable:
    """Return all that numbers rest on which rest on no rim, to be compared; None where all do."""
    if setting.scale is not None and setting.scale.method == "cup":
        return None
    inputs = (
        (term.key, len(term.mean))
        if term.key.startswith(_OF_A_RIM)
        else (term.key, term.mean.tobytes(), term.u.tobytes())
        if term.source == "placing"
        else term
        for term in terms
    )
    hips = (
        (hip.head, hip.cone, hip.shell, hip.head_mm, hip.native, hip.cup_mm)
        for hip in setting.hips.values()
    )
    return (
        *inputs,
        *hips,
        setting.to_units.tobytes(),
        setting.units_per_px,
        setting.unit,
        setting.beam_px,
        setting.geometry_known,
        setting.cropped,
        setting.operated,
        setting.marker,
        setting.reference,
        setting.scale,
    )


_OF_A_RIM = ("cup_rim_", "flat_", "anchor_")
"""How inputs begin that bear on cups alone."""


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
    if scene.setting.reference is None:
        return np.zeros(1), None
    return found[scene.setting.reference]


def _pelvic_rotation(scene: Scene, tilt: np.ndarray, numbers: Numbers) -> None:
    """Note the rotation of the pelvis in degrees, by weighted least squares over depth.

    Where a pelvis is not turned, the symphysis, the middle of the teardrops and the
    sacrococcygeal joint stand on one line down the body; turning it moves each aside as far as it
    lies before or behind the others. Every point is first carried into the plane of the hips
    along its ray, so that a film centred on a hip does not look turned. Positive where the front
    of the pelvis is turned to the patient's left.
    """
    stems = [
        stem for stem in MIDLINE_U_MM if all(each in scene.units for each in _midline_names(stem))
    ]
    if "sacrococcygeal_joint" not in stems or "symphysis" not in stems:
        return
    aside, depth = [], []
    off = scene.inputs["midline"]
    for index, stem in enumerate(MIDLINE_U_MM):
        if stem not in stems:
            continue
        places = [scene.in_hip_plane(name)[0] for name in _midline_names(stem)]
        middle = sum(places) / len(places)
        aside.append(along_line(middle[0], middle[1], tilt)[0] + off[index])
        depth.append(scene.inputs[f"depth_{stem}"][0])
    x, z = (np.stack(np.broadcast_arrays(*each)) for each in (aside, depth))
    weight = np.array([MIDLINE_U_MM[stem] ** -2 for stem in stems])[:, None]
    mean_x, mean_z = ((weight * each).sum(axis=0) / weight.sum() for each in (x, z))
    slope = (weight * (x - mean_x) * (z - mean_z)).sum(axis=0)
    slope = slope / (weight * (z - mean_z) ** 2).sum(axis=0)
    numbers["pelvic_rotation", None, "landmarks"] = np.degrees(np.arctan(slope))


def _midline_names(stem: str) -> list[str]:
    if stem in ("symphysis", "sacrococcygeal_joint"):
        return [stem]
    return [landmark_name(stem, side) for side in SIDES]


def _cup(
    scene: Scene,
    side: Side,
    fitted: Fit,
    tilt: np.ndarray,
    flat: Mapping[Side, FlatRim],
    numbers: Numbers,
) -> np.ndarray:
    """Note the angles of a cup by its rim, and return where the rim's centre lands."""
    hip = scene.setting.hips[side]
    outline = scene.units[f"cup_rim_{side}"]
    bows_back = np.zeros(1, dtype=bool)
    if side not in flat and hip.anchor is not None:
        rim = _anchored(scene, side, hip.anchor, fitted)
        bows_back, rim[3] = rim[3] < 0, np.abs(rim[3])
    elif hip.flat is None:
        rim = refit_ellipse(outline, fitted.parameters)
    else:
        rim = refit_flat_ellipse(outline, fitted.parameters)
    if side in flat:
        rim[3] = flat[side].quantile(ndtr(scene.inputs[f"flat_{side}"][0]))
    first = 0 if hip.opens > 0 else 1
    # Where nobody states the tube, every plausible place of it counts.
    source = scene.source_units
    about_beam = np.array([*(rim[:2] - scene.beam), *rim[2:]])
    poses = circle_poses(about_beam, source, hip.lateral_sign)
    both = np.array(pose_angles(poses, [first, 1 - first], tilt, side))
    # Past edge on, a rim that is seen on one arc is the other circle's.
    perspective, other = np.moveaxis(np.where(bows_back, both[:, ::-1], both), 1, 0)
    numbers["radiographic_inclination", side, "perspective_other"] = other[0]
    numbers["radiographic_anteversion", side, "perspective_other"] = other[1]
    opens = np.where(bows_back, np.int8(-hip.opens), np.int8(hip.opens))
    ellipse = ellipse_angles(rim, tilt, hip.lateral_sign, opens)
    _angles({"perspective": perspective, "ellipse": np.array(ellipse)}, side, numbers)
    return np.asarray(scene.beam + landing(poses, first, source))


def _head_in_cup(
    scene: Scene, side: Side, centre: np.ndarray, tilt: np.ndarray, numbers: Numbers
) -> None:
    if scene.mm_per_unit is None or side not in scene.head_centre:
        return
    offset = (scene.head_centre[side] - centre) * scene.mm_per_unit
    across, caudal = along_line(offset[0], offset[1], tilt)
    lateral_sign = scene.setting.hips[side].lateral_sign
    numbers["head_to_cup_lateral", side, "landmarks"] = lateral_sign * across
    numbers["head_to_cup_cranial", side, "landmarks"] = -caudal


def _anchored(scene: Scene, side: Side, anchor: Anchor, fitted: Fit) -> np.ndarray:
    """Return the ellipse of a rim on one arc, drawn with what is known beside it."""
    off = scene.inputs[f"anchor_{side}"]
    hip, per_unit = scene.setting.hips[side], scene.mm_per_unit
    centre, half = fitted.parameters[:2, None], np.array([anchor.half])
    if anchor.centre is not None and hip.head is not None:
        centre = np.array(anchor.centre)[:, None] + anchor.centre_u * off[:2]
        centre = centre + scene.head_centre[side] - hip.head.parameters[:2, None]
    if side in scene.shell and hip.shell is not None:
        half = half + scene.shell[side][2] - hip.shell.parameters[2]
    elif hip.cup_mm and per_unit is not None:
        half = half * scene.inputs[f"cup_mm_{side}"][0] / hip.cup_mm
        half = half * scene.setting.mm_per_unit / per_unit
    outline = scene.units[f"cup_rim_{side}"]
    return refit_anchored_ellipse(
        outline, anchor, centre, half + anchor.half_u * off[2], fitted.parameters
    )


def _cup_diameters(scene: Scene, numbers: Numbers) -> None:
    """Note the outer diameter of each cup whose shell is placed, unless the scale rests on it.

    Head and shell are seen along one ray, so that their outlines are stretched alike.
    """
    setting = scene.setting
    for side, shell in scene.shell.items():
        hip = setting.hips[side]
        if setting.scale is None or (setting.scale.method, setting.scale.side) == ("cup", side):
            continue
        if hip.head is not None and hip.head_mm and not hip.native:
            diameter = scene.inputs[f"head_mm_{side}"][0] * shell[2] / scene.head_radius[side]
        else:
            diameter = 2.0 * shell[2] * scene.mm_per_unit
        numbers["cup_diameter", side, "landmarks"] = diameter


def _angles(radiographic: Mapping[str, np.ndarray], side: Side, numbers: Numbers) -> None:
    """Note both angles, (2, draws), by each method and definition."""
    pair = np.stack(list(radiographic.values()), axis=1)
    for definition, angles in (
        ("radiographic", pair),
        ("operative", radiographic_to_operative(*pair)),
        ("anatomical", radiographic_to_anatomical(*pair)),
    ):
        for angle, by_method in zip(("inclination", "anteversion"), angles, strict=True):
            for method, found in zip(radiographic, by_method, strict=True):
                numbers[f"{definition}_{angle}", side, method] = found


def _heads(scene: Scene, numbers: Numbers) -> None:
    setting = scene.setting
    per_px = setting.units_per_px
    for side, radius in scene.head_radius.items():
        if side not in scene.cone:
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
    if setting.unit == "detector" and setting.scale is not None and scene.mm_per_unit is not None:
        numbers["magnification", None, setting.scale.method] = 1.0 / scene.mm_per_unit
