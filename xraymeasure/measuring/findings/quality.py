"""Is this film fit to measure: findings, each from a number with a changeable threshold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import hypot
from typing import TYPE_CHECKING

from xraymeasure.measuring.calibration import (
    height_findings,
    is_possible,
    magnification_findings,
    scale_disagreements,
)
from xraymeasure.measuring.cup import FlatRim
from xraymeasure.measuring.findings.femora import femora
from xraymeasure.measuring.findings.outlines import outlines
from xraymeasure.measuring.findings.thresholds import Thresholds
from xraymeasure.measuring.needs import ALL, touched_by
from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS, Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.measuring.uncertainty import COVERAGE, Key, Linear, Uncertain
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side
from xraymeasure.vocabulary.quantities import CUP_ANGLES

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

LENGTHS = (
    "leg_length_difference",
    "femoral_offset",
    "acetabular_offset",
    "global_offset",
    "hip_centre_height",
    "hip_centre_lateral",
)


def find(
    film: Film,
    setting: Setting,
    values: Mapping[Key, float],
    intervals: Mapping[Key, Uncertain],
    flat: Mapping[Side, FlatRim],
    linear: Linear,
    thresholds: Thresholds,
) -> Iterator[Finding]:
    """Yield what there is to say of film and reading, the gravest subjects first."""
    yield from _view(film)
    yield from _unconfirmed(setting)
    yield from _scale(film, setting, values)
    yield from outlines(setting, thresholds)
    yield from _geometry(setting)
    yield from _anteversion(setting, values, flat)
    yield from _reference(setting, values, thresholds)
    yield from _pelvis(values, intervals, thresholds)
    yield from femora(setting, values, linear, thresholds)
    yield from _concentric(setting, values, intervals, thresholds)
    yield from _edges(film, setting, thresholds)


def _view(film: Film) -> Iterator[Finding]:
    if film.view not in (None, "", "AP"):
        yield Finding(
            "view_not_ap",
            f"The film says that its view is {film.view}. Everything here is for an AP film: on "
            "another one the sign of anteversion and the place of the tube are wrong.",
            (),
            "strong",
        )


def _unconfirmed(setting: Setting) -> Iterator[Finding]:
    """Tell what the program proposed and nobody looked at."""
    names, proposed = setting.reading.unconfirmed, setting.reading.proposed
    if not names or proposed is None:
        return
    titles = "; ".join(LANDMARKS[name].title.lower() for name in names)
    methods = {str(proposed.carried if proposed.is_carried(n) else proposed.method) for n in names}
    touched = {touches for name in names for touches in touched_by(name, setting)}
    yield Finding(
        "proposed_unconfirmed",
        f"Proposed by the program ({'; '.join(sorted(methods))}) and confirmed by nobody: "
        f"{titles}. The numbers that rest on them, and the verdicts on these, are proposals as "
        "well. The method was tested on rendered films only.",
        tuple(name for name in ALL if name in touched),
        "strong",
    )


def _scale(film: Film, setting: Setting, values: Mapping[Key, float]) -> Iterator[Finding]:
    if film.spacing.contradiction:
        text = film.spacing.contradiction.rstrip(".") + "."
        yield Finding("spacing_contradiction", text, ("magnification", *LENGTHS))
    scale = setting.scale
    if scale is None:
        yield Finding(
            "no_scale",
            "Nothing of known size is on the film: angles are measured, lengths are not. Give the "
            "head's diameter.",
            LENGTHS,
        )
        return
    yield from scale_disagreements(scale, setting.scales)
    magnification = values.get(("magnification", None, scale.method))
    if magnification is not None:
        of_head = scale.side if scale.method == "head" else None
        diameter = setting.hips[of_head].head_mm if of_head else None
        sid = setting.source_detector_mm
        height = values.get(("hip_centre_above_detector", scale.side, "sphere"))
        if diameter and sid and height is not None and is_possible(magnification):
            yield from height_findings(height, diameter, sid)
        else:
            yield from magnification_findings(magnification, diameter)
    if scale.side not in (setting.operated, None):
        yield Finding(
            "scale_from_other_hip",
            f"The scale comes from {scale.text}; the index hip may lie higher or lower.",
            LENGTHS,
            "note",
        )


def _geometry(setting: Setting) -> Iterator[Finding]:
    """Say what is assumed of tube and beam."""
    if setting.geometry_known:
        if not setting.beam_from_reading:
            yield Finding(
                "beam_assumed",
                "Where the central ray met the detector is not on the film; the middle of the "
                "field is assumed, with 10 mm of uncertainty. A cropped film needs it stated.",
                CUP_ANGLES,
                "note",
            )
        return
    place = (
        "The picture is cropped, so that the tube is taken to stand anywhere above the line from "
        "the hip to the symphysis"
        if setting.cropped
        else "The tube is taken to stand above the middle of the picture, give or take 20 mm"
    )
    yield Finding(
        "geometry_unknown",
        "The distance from source to detector, the detector's pitch or both are not known. "
        f"{place}, at 1000 to 1270 mm; the interval of the cup's angles holds all of it. Stating "
        "the place and the distance would narrow it.",
        CUP_ANGLES,
    )


def _anteversion(
    setting: Setting, values: Mapping[Key, float], flat: Mapping[Side, FlatRim]
) -> Iterator[Finding]:
    name = "radiographic_anteversion"
    for side, hip in setting.hips.items():
        if side in flat:
            yield Finding(
                "rim_nearly_flat",
                f"The {side} cup's rim is seen nearly edge on. A noisy outline is never flat: the "
                "axis ratio is read too large, and the interval is asymmetric.",
                (name,),
            )
        other = values.get((name, side, "perspective_other"))
        if other is None:
            continue
        chosen = values[name, side, "perspective"]
        if hip.opens < 0:
            yield Finding(
                "opens_backward",
                f"The {side} cup is said to open backward, which gives an anteversion of "
                f"{_degrees(chosen)}. Few cups do; unless a lateral film shows it, leave that "
                f"out, and the one that casts the same outline with {_degrees(other)} is taken.",
                (name,),
            )
        opens = "faces the tube" if hip.opens > 0 else "faces away from the tube"
        if chosen * other > 0:
            yield Finding(
                "pose_ambiguous",
                f"Two positions of the {side} cup cast this outline, with an anteversion of "
                f"{_degrees(chosen)} and of {_degrees(other)}; both are to the same side, so not "
                f"even a lateral film tells them apart. The one that {opens} is taken.",
                (name,),
            )
        elif hip.opens > 0:
            yield Finding(
                "pose_assumed",
                f"The {side} cup is taken to be the one that {opens} ({_degrees(chosen)}). The "
                f"other position that casts this outline has {_degrees(other)}; a cross-table "
                "lateral film tells them apart.",
                (name,),
                "note",
            )


def _degrees(angle: float) -> str:
    return f"{angle:.1f} degrees".replace("-", "\N{MINUS SIGN}")


def _reference(
    setting: Setting, values: Mapping[Key, float], thresholds: Thresholds
) -> Iterator[Finding]:
    if setting.reference is None:
        yield Finding(
            "no_reference_line",
            "Neither both teardrops nor both ischial tuberosities are placed: there is no "
            "reference line, inclination is to the film's horizontal and leg length is not "
            "measured.",
            ("radiographic_inclination", *LENGTHS),
        )
        return
    first, second = (values.get(("pelvic_obliquity", None, name)) for name in REFERENCE_LANDMARKS)
    if first is None or second is None:
        return
    difference = second - first
    if abs(difference) > thresholds.reference_lines_deg:
        yield Finding(
            "reference_lines_disagree",
            f"The bi-ischial line is turned by {difference:+.1f} degrees to the inter-teardrop "
            f"line (more than {thresholds.reference_lines_deg:g}): inclination and leg length "
            "depend on which one is used.",
            ("radiographic_inclination", "leg_length_difference"),
        )


def _pelvis(
    values: Mapping[Key, float], intervals: Mapping[Key, Uncertain], thresholds: Thresholds
) -> Iterator[Finding]:
    turned = intervals.get(("pelvic_rotation", None, "landmarks"))
    touches = (*CUP_ANGLES, "acetabular_offset", "hip_centre_lateral")
    if turned is not None:
        placing = COVERAGE * turned.standard_uncertainty
        if abs(turned.value) > max(placing, thresholds.pelvis_rotation_deg):
            yield Finding(
                "pelvis_rotated",
                "The front of the pelvis is turned to the "
                f"{'left' if turned.value > 0 else 'right'} by {abs(turned.value):.0f} degrees "
                f"(give or take {placing:.0f}).",
                touches,
            )
    ratio = values.get(("obturator_ratio", None, "landmarks"))
    if ratio is not None and max(ratio, 1.0 / ratio) > thresholds.obturator_ratio:
        yield Finding(
            "obturator_unequal",
            f"The obturator foramina differ in width, left over right {ratio:.2f} (beyond "
            f"{thresholds.obturator_ratio:g}): the pelvis may be turned.",
            touches,
        )
    height = values.get(("pelvic_tilt_indicator", None, "landmarks"))
    low, high = thresholds.pelvis_tilt_mm
    if height is not None and not low <= height <= high:
        yield Finding(
            "pelvis_tilted",
            f"The sacrococcygeal joint stands {height:.0f} mm above the symphysis (usual: "
            f"{low:g} to {high:g}): the pelvis may be tilted, which changes anteversion by about "
            "0.75 degrees for a degree.",
            ("radiographic_anteversion", "hip_centre_height"),
        )


def _concentric(
    setting: Setting,
    values: Mapping[Key, float],
    intervals: Mapping[Key, Uncertain],
    thresholds: Thresholds,
) -> Iterator[Finding]:
    for side in SIDES:
        keys = [
            (name, side, "landmarks") for name in ("head_to_cup_lateral", "head_to_cup_cranial")
        ]
        if keys[0] not in values:
            continue
        distance = hypot(*(values[key] for key in keys))
        placing = COVERAGE * hypot(*(intervals[key].standard_uncertainty for key in keys))
        if distance > thresholds.head_off_cup_mm + placing:
            yield Finding(
                "head_off_cup",
                f"The centre of the {side} head lies {distance:.1f} mm from the centre of the cup "
                f"(more than {thresholds.head_off_cup_mm:g} mm and placing explain). Wear, an "
                "offset liner, or points on another circle than the rim.",
                (*CUP_ANGLES, "head_to_cup_lateral", "head_to_cup_cranial"),
            )


def _edges(film: Film, setting: Setting, thresholds: Thresholds) -> Iterator[Finding]:
    rows, columns = film.shape
    margin = thresholds.cut_off_mm / setting.mm_per_px_for_placing
    for name, points in setting.as_placed.landmarks.items():
        if not points:
            continue
        room = min(min(row, rows - 1 - row, column, columns - 1 - column) for row, column in points)
        if room < 0:
            yield Finding(
                "outside_film",
                f"{LANDMARKS[name].title} has a point outside the film ({rows} x {columns} "
                "pixels). Does the reading belong to this film?",
                touched_by(name, setting),
                "strong",
            )
        elif room < margin and LANDMARKS[name].kind.shape != "line":
            yield Finding(
                "cut_off",
                f"{LANDMARKS[name].title} lies {room * setting.mm_per_px_for_placing:.0f} mm from "
                "the edge of the film; it may be cut off.",
                touched_by(name, setting),
            )
