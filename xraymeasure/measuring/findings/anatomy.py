"""Where landmarks lie in every body: over, beside and apart from one another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product
from math import atan2, degrees, dist
from statistics import median

from xraymeasure.errors import ReadingError
from xraymeasure.measuring.needs import touched_by
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.vocabulary.landmarks import (
    LANDMARKS,
    SIDES,
    landmark_name,
    lateral_sign,
    other_side,
)

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

ACROSS_DEG = 60.0
"""A femur that leans further than this from upright lies as on no AP film. Working default, no
source."""

CLEAR_MM = 8.0
"""How far a landmark must lie on the wrong side before it is said: more than placing, tilt and
rotation of the pelvis explain. Working default, no source."""
APART: tuple[tuple[str, str], ...] = (
    ("greater_trochanter", "lesser_trochanter"),
    ("teardrop", "ischium"),
    ("teardrop", "lesser_trochanter"),
    ("ischium", "greater_trochanter"),
    ("teardrop", "greater_trochanter"),
    ("teardrop", "femoral_head"),
    ("ischium", "femoral_head"),
)
"""Places of one side that lie far apart on every AP film: some 30 mm at least (gross anatomy;
common practice, no source)."""

TOGETHER_MM = 15.0
"""Nearer than this, one of them was placed on the other."""


def refuse_upside_down(setting: Setting) -> None:
    """Refuse a film on which the body stands on its head or lies on its side.

    Raises
    ------
    ReadingError
        If of the landmarks that lie over one another at least three pairs, and three in four,
        lie the other way; or if the line across the pelvis leans by more than `SIDEWAYS_DEG`, or
        a femur by more than `ACROSS_DEG`.
    """
    leans = {}
    for stem in ("teardrop", "ischium", "femoral_head"):
        ends = [landmark_name(stem, side) for side in SIDES]
        if setting.placed.issuperset(ends):
            (x, y), (other_x, other_y) = (setting.middles_mm[end] for end in ends)
            leans[" and ".join(ends)] = degrees(atan2(abs(y - other_y), abs(x - other_x)))
    if leans and min(leans.values()) > SIDEWAYS_DEG:
        ends_of, lean = next(iter(leans.items()))
        raise ReadingError(
            f"landmarks: the line through {ends_of} leans by {lean:.0f} degrees. The film seems to "
            "lie on its side (turned by a quarter): export it as it was taken, or turn it, and "
            "place the landmarks again"
        )
    for stem, side in product(("femoral_shaft", "stem_axis"), SIDES):
        if (axis := setting.hips[side].axes[stem]) is not None:
            x, y = axis[1].tolist()
            lean = degrees(atan2(abs(x), abs(y)))
            if lean > ACROSS_DEG:
                raise ReadingError(
                    f"landmarks: {landmark_name(stem, side)} lies across the body, {lean:.0f} "
                    "degrees from upright; place its points along the bone"
                )
    right, wrong = _vertical(setting)
    if len(wrong) >= 3 and len(wrong) >= 3 * len(right):
        said = "; ".join(f"{upper} lies below {lower}" for upper, lower in wrong[:3])
        raise ReadingError(
            f"landmarks: {said}. The film seems to stand on its head (turned by 180 degrees or "
            "flipped): export it as it was taken, or turn it, and place the landmarks again"
        )


def misplaced(setting: Setting) -> Iterator[Finding]:
    """Yield the landmarks that lie where no body has them, the gravest first."""
    yield from _sides(setting)
    yield from _out_of_place(setting)
    yield from _together(setting)


def _vertical(setting: Setting) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return the pairs of `ABOVE` that lie as in a body, and those that lie the other way."""
    middles = setting.middles_mm
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
    middles = setting.middles_mm
    midline = _midline_mm(middles)
    wrong: list[tuple[str, str]] = []
    if midline is None:
        return wrong
    for side in SIDES:
        for medial, lateral in MEDIAL:
            inner, outer = landmark_name(medial, side), landmark_name(lateral, side)
            if inner not in middles or outer not in middles:
                continue
            near, far = (
                lateral_sign(side) * (middles[name][0] - midline) for name in (inner, outer)
            )
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


def _together(setting: Setting) -> Iterator[Finding]:
    """Name two landmarks that were placed on one spot."""
    middles = setting.middles_mm
    for side in SIDES:
        for pair in APART:
            one, other = (landmark_name(stem, side) for stem in pair)
            if one not in middles or other not in middles:
                continue
            apart = dist(middles[one], middles[other])
            if apart < TOGETHER_MM:
                yield Finding(
                    "landmarks_together",
                    f"{LANDMARKS[one].title} and {LANDMARKS[other].title.lower()} lie "
                    f"{apart:.0f} mm apart, which no hip has. One of them may be placed on the "
                    "other.",
                    tuple(dict.fromkeys([*touched_by(one, setting), *touched_by(other, setting)])),
                    "strong",
                )


def _midline_mm(middles: Mapping[str, tuple[float, float]]) -> float | None:
    """Return x of the midline: a pair tells it whichever of the two is called left."""
    found = [middles[name][0] for name in ("symphysis", "sacrococcygeal_joint") if name in middles]
    for name in middles:
        other = name.replace("_left", "_right")
        if name.endswith("_left") and other in middles:
            found.append((middles[name][0] + middles[other][0]) / 2.0)
    return median(found) if found else None


def _sides(setting: Setting) -> Iterator[Finding]:
    """Notice landmarks that lie across the midline from the side in their name."""
    middles = setting.middles_mm
    midline = _midline_mm(middles)
    if midline is None:
        return
    sided = {name: side for name in middles if (side := LANDMARKS[name].side)}
    across = {
        name: side
        for name, side in sided.items()
        if (middles[name][0] - midline) * lateral_sign(side) < -CLEAR_MM
    }
    if len(across) == len(sided) and len(across) > 2:
        yield Finding(
            "sides_swapped",
            "The landmarks named left lie on the patient's right side of this film. Check the "
            "side marker, the film's orientation and the side of the reading.",
            (),
            "strong",
        )
        return
    for name, side in across.items():
        twin = landmark_name(LANDMARKS[name].kind.stem, other_side(side))
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
