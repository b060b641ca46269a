"""What no body and no prosthesis has: landmarks out of their place, outlines of something else.

A slip of this kind leaves numbers that look like numbers. What makes all of them worthless is
refused; what touches some is a strong finding, under which no verdict is given.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.errors import ReadingError
from xraymeasure.measuring.needs import touched_by
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.measuring.uncertainty import Key
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, landmark_name, other_side

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

ABOVE: tuple[tuple[str, str], ...] = (
    ("femoral_head", "lesser_trochanter"),
    ("femoral_head", "femoral_shaft"),
    ("femoral_head", "stem_axis"),
    ("greater_trochanter", "lesser_trochanter"),
    ("greater_trochanter", "femoral_shaft"),
    ("teardrop", "ischium"),
    ("teardrop", "femoral_shaft"),
    ("lesser_trochanter", "femoral_shaft"),
)
"""Landmarks of one side of which the first lies cranial of the second in every posture in which
an AP film of the pelvis is taken (gross anatomy; common practice, no source). Of a line the middle
is taken."""

CLEAR_MM = 8.0
"""How far a landmark must lie on the wrong side before it is said: more than placing, tilt and
rotation of the pelvis explain. Working default, no source."""

ROUND = 0.92
"""A rim whose axes are more alike than this would be anteverted by 67 degrees or more; heads and
shells are round."""

RIM_OVER_HEAD = 1.08
"""Least diameter of a rim over that of the head inside it: a shell and a liner lie between."""

RIM_OVER_CUP = (0.75, 1.2)
"""Diameter of the rim over that of the shell, or of the cup as known."""

INCLINATION_DEG = (0.0, 90.0)
ANTEVERSION_DEG = 67.0
LEG_LENGTH_MM = 80.0

USUAL_SOURCE_DETECTOR_MM = (900.0, 1600.0)
"""Technique is 1000 to 1200 mm, standing films to 1500 (read); beyond, the reader is asked."""

BEAM_OFF_MIDDLE = 0.2
"""How far from the middle, as a part of the film's side, the central ray meets an AP pelvis film
without a question. Working default, no source."""


def refuse_upside_down(setting: Setting) -> None:
    """Refuse a film on which the body stands on its head.

    Raises
    ------
    ReadingError
        If of the landmarks that lie over one another at least three pairs, and three in four,
        lie the other way.
    """
    right, wrong = _vertical(setting)
    if len(wrong) >= 3 and len(wrong) >= 3 * len(right):
        said = "; ".join(f"{upper} lies below {lower}" for upper, lower in wrong[:3])
        raise ReadingError(
            f"landmarks: {said}. The film seems to stand on its head (turned by 180 degrees or "
            "flipped): export it as it was taken, or turn it, and place the landmarks again"
        )


def rims_that_are_none(setting: Setting) -> dict[Side, str]:
    """Return the sides whose rim cannot be one, and why: too round, or of another thing's size."""
    found = {}
    for side, hip in setting.hips.items():
        if hip.rim is None:
            continue
        _, _, long, short, _ = hip.rim.parameters
        if short / long > ROUND:
            found[side] = (
                f"its outline is round (axes {short / long:.2f} to 1); a rim seen so would be "
                "anteverted by 67 degrees or more. Points on the head or the shell?"
            )
        elif hip.head is not None and long < RIM_OVER_HEAD * hip.head.parameters[2]:
            found[side] = (
                f"it is {long / hip.head.parameters[2]:.2f} times as wide as the head; a rim lies "
                "outside shell and liner. Points on the head?"
            )
    return found


def implausible(
    film: Film, setting: Setting, values: Mapping[Key, float], rims: Mapping[Side, str]
) -> Iterator[Finding]:
    """Yield what cannot be, the gravest first.

    Parameters
    ----------
    film : Film
    setting : Setting
        Without the rims that are none.
    values : mapping
        Every number, by name, side and method.
    rims : mapping of side to str
        From `rims_that_are_none`.
    """
    yield from _sides(setting)
    yield from _out_of_place(setting)
    yield from _laterality(film, setting)
    for side, why in rims.items():
        name = landmark_name("cup_rim", side)
        yield Finding(
            "rim_is_none",
            f"{LANDMARKS[name].title} was left out: {why}",
            touched_by(name, setting),
            "strong",
        )
    yield from _sizes(setting)
    yield from _values(values)
    yield from _geometry(film, setting)
    if not (setting.reading.film.sop_instance_uid or setting.reading.film.pixel_sha256):
        yield Finding(
            "reading_unbound",
            "Nothing binds the reading to this film: it names neither the film's identifier nor "
            "its pixels. That it was placed on this film is taken on trust.",
            (),
            "note",
        )


def _middles_mm(setting: Setting) -> dict[str, np.ndarray]:
    """Return the middle of each placed landmark, x (patient's left) and y (caudal), in mm."""
    scale = setting.mm_per_px_for_placing / setting.units_per_px
    return {
        name: setting.units(setting.reading.points(name)).mean(axis=0) * scale
        for name in setting.placed
    }


def _vertical(setting: Setting) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return the pairs of `ABOVE` that lie as in a body, and those that lie the other way."""
    middles = _middles_mm(setting)
    right, wrong = [], []
    for side in SIDES:
        for above, below in ABOVE:
            upper, lower = landmark_name(above, side), landmark_name(below, side)
            if upper in middles and lower in middles:
                lies = middles[lower][1] - middles[upper][1]
                if lies >= 0.0:
                    right.append((upper, lower))
                elif lies < -CLEAR_MM:
                    wrong.append((upper, lower))
    return right, wrong


def _out_of_place(setting: Setting) -> Iterator[Finding]:
    """Name the landmark that lies above what it should lie below, or below what it should top."""
    _, wrong = _vertical(setting)
    while wrong:
        names = [name for pair in wrong for name in pair]
        worst = max(dict.fromkeys(names), key=names.count)
        pairs = [pair for pair in wrong if worst in pair]
        upper, lower = pairs[0]
        yield Finding(
            "landmark_out_of_place",
            f"{LANDMARKS[upper].title} lies below {LANDMARKS[lower].title.lower()}, which no hip "
            f"has. {LANDMARKS[worst].title} may be another landmark, or on another hip.",
            touched_by(worst, setting),
            "strong",
        )
        wrong = [pair for pair in wrong if worst not in pair]


def _midline_mm(middles: Mapping[str, np.ndarray]) -> float | None:
    """Return x of the midline: a pair tells it whichever of the two is called left."""
    found = [middles[name][0] for name in ("symphysis", "sacrococcygeal_joint") if name in middles]
    for name in middles:
        other = name.replace("_left", "_right")
        if name.endswith("_left") and other in middles:
            found.append((middles[name][0] + middles[other][0]) / 2.0)
    return median(found) if found else None


def _sides(setting: Setting) -> Iterator[Finding]:
    """Notice landmarks that lie across the midline from the side in their name."""
    middles = _middles_mm(setting)
    midline = _midline_mm(middles)
    if midline is None:
        return
    sided = [name for name in middles if LANDMARKS[name].side]
    across = []
    for name in sided:
        outward = 1.0 if LANDMARKS[name].side == "left" else -1.0
        if (middles[name][0] - midline) * outward < -CLEAR_MM:
            across.append(name)
    if len(across) == len(sided) and len(across) > 2:
        yield Finding(
            "sides_swapped",
            "The landmarks named left lie on the patient's right side of this film. Check the "
            "side marker, the film's orientation and the side of the reading.",
            (),
            "strong",
        )
        return
    for name in across:
        side = LANDMARKS[name].side
        twin = landmark_name(LANDMARKS[name].kind.stem, other_side(side)) if side else name
        swapped = twin in across
        if swapped and side == "right":
            continue  # said with its twin
        what = LANDMARKS[name].kind.title.lower()
        yield Finding(
            "landmark_across_midline",
            f"Left and right {what} are exchanged: each lies on the other side of the midline."
            if swapped
            else f"{LANDMARKS[name].title} lies on the other side of the midline.",
            tuple(dict.fromkeys([*touched_by(name, setting), *touched_by(twin, setting)])),
            "strong",
        )


def _laterality(film: Film, setting: Setting) -> Iterator[Finding]:
    """Notice that the hip under review may be the other one."""
    operated = setting.operated
    if film.laterality is not None and film.laterality != operated:
        yield Finding(
            "laterality_contradicts",
            f"The film says that it shows the {film.laterality} side, and the reading is of the "
            f"{operated} hip. Check the side marker and the side of the reading.",
            (),
            "strong",
        )
    mine, other = setting.hips[operated], setting.hips[other_side(operated)]
    replaced = {hip.side: hip.rim or hip.shell or not hip.native for hip in (mine, other)}
    if replaced[other.side] and not replaced[operated]:
        yield Finding(
            "index_hip_without_metal",
            f"The {operated} hip is under review, but cup and head are placed on the "
            f"{other.side} one. Is it the {other.side} hip that was operated on?",
            (),
            "strong",
        )


def _sizes(setting: Setting) -> Iterator[Finding]:
    """Notice a rim of another size than the shell, or than the cup is known to have."""
    low, high = RIM_OVER_CUP
    for side, hip in setting.hips.items():
        if hip.rim is None:
            continue
        wide = 2.0 * hip.rim.parameters[2]
        known = []
        if hip.shell is not None:
            known.append(("the shell's outline", wide / (2.0 * hip.shell.parameters[2])))
        if hip.cup_mm and setting.mm_per_unit and setting.scale and setting.scale.method != "cup":
            known.append((f"the known {hip.cup_mm:g} mm", wide * setting.mm_per_unit / hip.cup_mm))
        for what, ratio in known:
            if not low <= ratio <= high:
                name = landmark_name("cup_rim", side)
                yield Finding(
                    "rim_size",
                    f"{LANDMARKS[name].title} is {ratio:.2f} times as wide as {what}. Points on "
                    "another outline, or a wrong diameter.",
                    touched_by(name, setting),
                    "strong",
                )
                break


def _values(values: Mapping[Key, float]) -> Iterator[Finding]:
    """Notice numbers that no hip has."""
    said = set()
    for (name, side, method), value in values.items():
        if method == "perspective_other" or (name, side) in said:
            continue
        low, high = INCLINATION_DEG
        why = ""
        if name == "radiographic_inclination" and not low <= value <= high:
            why = f"an inclination of {value:.1f} degrees: outside {low:g} to {high:g}"
        elif name == "radiographic_anteversion" and abs(value) > ANTEVERSION_DEG:
            why = f"an anteversion of {value:.1f} degrees"
        elif name == "femoral_offset" and value <= 0.0:
            why = f"a femoral offset of {value:.1f} mm: the head would lie lateral of the shaft"
        elif name == "leg_length_difference" and abs(value) > LEG_LENGTH_MM:
            why = f"a leg-length difference of {value:.1f} mm"
        if why:
            said.add((name, side))
            yield Finding(
                "value_impossible",
                f"The landmarks give {why}. No hip has that; a landmark is not what it is called.",
                (name,),
                "strong",
            )


def _geometry(film: Film, setting: Setting) -> Iterator[Finding]:
    """Ask about a tube that stands where none does."""
    angles = ("radiographic_inclination", "radiographic_anteversion")
    low, high = USUAL_SOURCE_DETECTOR_MM
    sid = setting.reading.source_detector_mm
    if sid is not None and not low <= sid <= high:
        yield Finding(
            "source_distance_unusual",
            f"The reading states that the tube stood {sid:g} mm above the detector; {low:g} to "
            f"{high:g} is usual. Check the number and its unit (mm).",
            angles,
            "strong",
        )
    beam = setting.reading.beam_centre
    if beam is None:
        return
    size = np.array(film.shape, dtype=float)
    middle = (size - 1.0) / 2.0
    off = np.abs(np.array(beam) - middle) / size
    if off.max() > BEAM_OFF_MIDDLE:
        exchanged = np.abs(np.array(beam[::-1]) - middle) / size
        hint = " As column and row it would lie nearer: row comes first." * bool(
            exchanged.max() < off.max() / 2.0
        )
        yield Finding(
            "beam_centre_unusual",
            f"The reading states that the central ray meets the film at row {beam[0]:g}, column "
            f"{beam[1]:g}, far from its middle.{hint} Check it.",
            angles,
            "strong" if off.max() > 0.45 else "warning",
        )
