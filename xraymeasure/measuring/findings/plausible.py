"""What no body and no prosthesis has: landmarks out of their place, outlines of something else.

A slip of this kind leaves numbers that look like numbers. What makes all of them worthless is
refused; what touches some is a strong finding, under which no verdict is given.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.errors import MeasureError, ReadingError
from xraymeasure.geometry.curves import fit_circle
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

MEDIAL: tuple[tuple[str, str], ...] = (
    ("teardrop", "femoral_head"),
    ("teardrop", "greater_trochanter"),
    ("teardrop", "lesser_trochanter"),
    ("femoral_head", "greater_trochanter"),
    ("lesser_trochanter", "greater_trochanter"),
    ("obturator_foramen", "femoral_head"),
    ("ischium", "greater_trochanter"),
)
"""Likewise those of which the first lies nearer to the midline."""

SIDEWAYS_DEG = 30.0
"""A line across the pelvis that leans further than this is that of a film turned by a quarter: the
lean of a fixed scoliosis stays below 20 degrees (from memory)."""

CLEAR_MM = 8.0
"""How far a landmark must lie on the wrong side before it is said: more than placing, tilt and
rotation of the pelvis explain. Working default, no source."""

ROUND = 0.92
"""A rim whose axes are more alike than this would be anteverted by 67 degrees or more; heads and
shells are round."""

ON_CIRCLE = 0.01
"""Points that lie on a circle, as wide as the ellipse through them, to this part of its radius
are on a round outline: a few points on part of a shell fit many an ellipse. The arc of a rim lies
near a circle too, but near a much wider one (derived)."""

RIM_OFF_HEAD = (0.8, 4.0)
"""Distance of a rim's centre from the head's, in the rim's radii, from which they are not of one
joint: a worn or dislocated liner keeps them nearer (derived). Further away it is on the other hip,
which is said by its name."""

RIM_OVER_HEAD = 1.08
"""Least diameter of a rim over that of the head inside it: a shell and a liner lie between."""

RIM_OVER_CUP = (0.75, 1.2)
"""Diameter of the rim over that of the shell, or of the cup as known."""

INCLINATION_DEG = (0.0, 90.0)
ANTEVERSION_DEG = 67.0
LEG_LENGTH_MM = 80.0

USUAL_SOURCE_DETECTOR_MM = (900.0, 1600.0)
"""Technique is 1000 to 1200 mm, standing films to 1500 (read); beyond, the reader is asked."""

SOURCES_APART = 0.15
"""By how much the reading's distance from the source may differ from the film's own."""

DENSER = 0.15
"""By how much, of black to white, a native head must outshine one that is called prosthetic.
Working default, no source."""

BEAM_OFF_MIDDLE = 0.3
"""How far from the middle, as a part of the film's side, the central ray meets an AP pelvis film
without a question. Working default, no source."""


def refuse_upside_down(setting: Setting) -> None:
    """Refuse a film on which the body stands on its head or lies on its side.

    Raises
    ------
    ReadingError
        If of the landmarks that lie over one another at least three pairs, and three in four,
        lie the other way; or if the line across the pelvis leans by more than `SIDEWAYS_DEG`.
    """
    leans = {}
    for stem in ("teardrop", "ischium", "femoral_head"):
        ends = [landmark_name(stem, side) for side in SIDES]
        if setting.placed.issuperset(ends):
            left, right_end = (setting.units(setting.reading.points(end)).mean(0) for end in ends)
            across = np.abs(left - right_end)
            leans[" and ".join(ends)] = float(np.degrees(np.arctan2(across[1], across[0])))
    if leans and min(leans.values()) > SIDEWAYS_DEG:
        ends_of, lean = next(iter(leans.items()))
        raise ReadingError(
            f"landmarks: the line through {ends_of} leans by {lean:.0f} degrees. The film seems to "
            "lie on its side (turned by a quarter): export it as it was taken, or turn it, and "
            "place the landmarks again"
        )
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
        x, y, long, short, _ = hip.rim.parameters
        points = setting.units(setting.reading.points(landmark_name("cup_rim", side)))
        if short / long > ROUND or _on_circle(points, long):
            found[side] = (
                f"its outline is round (axes {short / long:.2f} to 1); a rim seen so would be "
                "anteverted by 67 degrees or more. Points on the head or the shell?"
            )
        elif (
            hip.head is not None
            and RIM_OFF_HEAD[0]
            < (np.hypot(*(hip.head.parameters[:2] - [x, y])) / long)
            < RIM_OFF_HEAD[1]
        ):
            found[side] = "it does not lie about the head, as the rim of the same joint would"
        elif hip.head is not None and long < RIM_OVER_HEAD * hip.head.parameters[2]:
            found[side] = (
                f"it is {long / hip.head.parameters[2]:.2f} times as wide as the head; a rim lies "
                "outside shell and liner. Points on the head?"
            )
    return found


def _on_circle(points: np.ndarray, half_long: float) -> bool:
    """Return whether points lie on a circle about as wide as the ellipse through them."""
    try:
        circle = fit_circle(points)
    except MeasureError:
        return False
    radius = float(circle.parameters[2])
    off = float(np.sqrt(np.mean(circle.residuals**2)))
    return 0.8 < radius / half_long < 1.1 and off < ON_CIRCLE * radius


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
    yield from _laterality(film, setting, rims)
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


def _lateral(setting: Setting) -> list[tuple[str, str]]:
    """Return the pairs of `MEDIAL` that lie the other way, both on the side in their names."""
    middles = _middles_mm(setting)
    midline = _midline_mm(middles)
    wrong: list[tuple[str, str]] = []
    if midline is None:
        return wrong
    for side, outward in zip(SIDES, (1.0, -1.0), strict=True):
        for medial, lateral in MEDIAL:
            inner, outer = landmark_name(medial, side), landmark_name(lateral, side)
            if inner not in middles or outer not in middles:
                continue
            near, far = (outward * (middles[name][0] - midline) for name in (inner, outer))
            if far - near < -CLEAR_MM and min(near, far) > -CLEAR_MM:
                wrong.append((inner, outer))
    return wrong


def _out_of_place(setting: Setting) -> Iterator[Finding]:
    """Name the landmark that lies above what it should lie below, or beside where it should."""
    _, wrong = _vertical(setting)
    across = _lateral(setting)
    wrong = [*wrong, *across]
    while wrong:
        names = [name for pair in wrong for name in pair]
        worst = max(dict.fromkeys(names), key=names.count)
        pairs = [pair for pair in wrong if worst in pair]
        upper, lower = pairs[0]
        yield Finding(
            "landmark_out_of_place",
            f"{LANDMARKS[upper].title} lies {'lateral of' if pairs[0] in across else 'below'} "
            f"{LANDMARKS[lower].title.lower()}, which no hip "
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


def _laterality(film: Film, setting: Setting, rims: Mapping[Side, str]) -> Iterator[Finding]:
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
    side = operated
    head_mm = setting.reading.head_diameter_mm.get(side)
    asked = any(
        setting.reading.not_visible(name)
        for name in (landmark_name(stem, side) for stem in ("cup_rim", "cup_shell"))
    )
    if head_mm and not (mine.rim or mine.shell) and side not in rims and not asked:
        elsewhere = bool(other.rim or other.shell)
        yield Finding(
            "replaced_without_cup",
            f"The {side} hip has a prosthetic head of {head_mm:g} mm and neither rim nor shell of "
            "a cup"
            + (f", and the {other.side} one has a cup" if elsewhere else "")
            + f". Is it the {side} hip that was replaced? If so, place its rim.",
            (),
            "strong" if elsewhere and other.native else "warning",
        )
    yield from _bone_outshines(film, setting)


def _bone_outshines(film: Film, setting: Setting) -> Iterator[Finding]:
    """Notice a head that is called prosthetic and is less dense than the native one."""
    reading = setting.reading
    called = [side for side in SIDES if side in reading.head_diameter_mm]
    heads = {landmark_name("femoral_head", side) for side in SIDES}
    if len(called) != 1 or not heads <= setting.placed:
        return
    side, other = called[0], other_side(called[0])
    inside = [
        _middle_of(film, reading.points(landmark_name("femoral_head", each)))
        for each in (side, other)
    ]
    if min(each.size for each in inside) < 30:
        return
    # Both in one call: greys without a window are those of all that is shown at once.
    ends = np.array([film.pixels.min(), film.pixels.max()], film.pixels.dtype)
    greys = film.greys.shown(np.concatenate([*inside, ends]))
    called_grey = float(np.median(greys[: inside[0].size]))
    native_grey = float(np.median(greys[inside[0].size : -2]))
    if native_grey - called_grey > DENSER:
        yield Finding(
            "bone_outshines_metal",
            f"The {side} head is said to be prosthetic, and the {other} one is denser on this "
            f"film. Is {other} the side that was replaced?",
            (),
            "strong",
        )


def _middle_of(film: Film, outline: np.ndarray) -> np.ndarray:
    """Return the stored values in the middle of a head, at most a few thousand."""
    middle, reach = outline.mean(axis=0), 0.35 * float(np.ptp(outline, axis=0).min())
    low = np.clip(np.round(middle - reach).astype(int), 0, film.shape)
    high = np.clip(np.round(middle + reach).astype(int), 0, film.shape)
    step = max(1, int(reach / 20.0))
    return np.asarray(film.pixels[low[0] : high[0] : step, low[1] : high[1] : step]).ravel()


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
    elif (
        sid is not None
        and film.source_detector_mm
        and abs(sid / film.source_detector_mm - 1.0) > SOURCES_APART
    ):
        yield Finding(
            "source_distance_contradicts",
            f"The reading states that the tube stood {sid:g} mm above the detector, and the film "
            f"{film.source_detector_mm:g} mm. Correct the one that is wrong.",
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
