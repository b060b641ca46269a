"""What would narrow a number most: one more thing on the same film, tried on the model itself.

Each thing that a reading lacks is put into it where such a thing would lie, and the model's own
covariance says how wide the interval would then be. To first order the width does not depend on
where exactly the reader would click, nor on what number would come out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.errors import MeasureError, XrayMeasureError
from xraymeasure.measuring.fits.settle import settle
from xraymeasure.measuring.inputs import is_solvable
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS, Reference, Setting
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import (
    LANDMARKS,
    MOST_PLACEMENTS,
    SIDES,
    Side,
    landmark_name,
)

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

WORTH_WHILE = 0.05
"""The least share of a half-width by which a thing narrows it to be named. Working default."""

_PLACES_MM = {"greater_trochanter": (8.0, -5.0), "lesser_trochanter": (-23.0, 55.0)}
"""Where a trochanter lies, about: laterally of the shaft's axis, distally of the head's centre."""

_NECK_MM = 32.0
_NECK_SHAFT_DEG = 132.0
_SOURCE_DETECTOR_MM = 1150.0


@dataclass(frozen=True)
class Help:
    """One thing that would narrow a number.

    Attributes
    ----------
    thing : str
        What to place, to enter or to say, as it follows "with".
    half_width : float
        Half of the 95 % interval that the number would then have, in its unit.
    """

    thing: str
    half_width: float


def what_helps(
    film: Film,
    reading: Reading,
    name: str,
    side: Side | None = None,
    *,
    reference: Reference | None = None,
) -> tuple[Help, ...]:
    """Return what would narrow a number, the most helpful thing first.

    Parameters
    ----------
    film : Film
    reading : Reading
        What was placed and entered so far.
    name : str
        A key of `QUANTITIES`; its primary method is taken.
    side : {"left", "right"}, optional
        The hip; the index hip, or the film, if not given.
    reference : {"inter_teardrop", "bi_ischial"}, optional
        The reference line, as in `measure`.

    Returns
    -------
    tuple of Help
        Empty where the number is not measured, or nothing would narrow it by a twentieth.

    See Also
    --------
    measure : What the number is now.
    """
    now = _half_width(film, reading, name, side, reference)
    if now is None:
        return ()
    found = []
    for thing, more in _candidates(settle(film, reading, reference), name):
        then = _half_width(film, more, name, side, reference)
        if then is not None and then < (1.0 - WORTH_WHILE) * now:
            found.append(Help(thing, then))
    return tuple(sorted(found, key=lambda help_: help_.half_width))


def _half_width(
    film: Film, reading: Reading, name: str, side: Side | None, reference: Reference | None
) -> float | None:
    try:
        row = measure(film, reading, draws=0, reference=reference).primary(name, side)
    except XrayMeasureError:
        return None
    return None if row is None else COVERAGE * row.standard_uncertainty


def _candidates(setting: Setting, name: str) -> Iterator[tuple[str, Reading]]:
    """Yield each thing that the reading lacks, and the reading with it."""
    reading = setting.reading
    femoral = name in ("leg_length_difference", "femoral_offset", "global_offset")
    line = REFERENCE_LANDMARKS.get(setting.reference) if setting.reference else None
    if line and name != "femoral_offset":
        title = LANDMARKS[f"{line}_left"].kind.title.lower()
        yield f"a second click on each {title}", _placed_again(reading, line)
    if name == "leg_length_difference":
        for stem in _PLACES_MM:
            yield from _with_trochanters(setting, stem)
    if femoral:
        yield from _with_neck(setting)
        if reading.posture is None:
            yield "the word that the film was taken lying", replace(reading, posture="supine")
    if reading.source_detector_mm is None and setting.source_detector_mm is None:
        stated = replace(reading, source_detector_mm=_SOURCE_DETECTOR_MM)
        yield "the distance from source to detector", stated
    if reading.placing_sd_px is None:
        yield (
            "your own placing spread from practice, were it half the default",
            replace(reading, placing_sd_px=_half_of_default(setting)),
        )


def _placed_again(reading: Reading, stem: str) -> Reading:
    for side in SIDES:
        name = landmark_name(stem, side)
        points = reading.landmarks[name]
        if 0 < len(points) < MOST_PLACEMENTS:
            again = tuple(reading.place(name).tolist())
            reading = reading.with_points(name, [*points, again])
    return reading


def _with_trochanters(setting: Setting, stem: str) -> Iterator[tuple[str, Reading]]:
    reading = setting.reading
    lacking = [side for side in SIDES if landmark_name(stem, side) not in setting.placed]
    if not lacking or any(reading.not_visible(landmark_name(stem, side)) for side in lacking):
        return
    if not all(is_solvable(setting, side) for side in SIDES):
        return
    for side in lacking:
        point = _on_femur(setting, side, *_PLACES_MM[stem])
        reading = reading.with_points(landmark_name(stem, side), [point])
    yield f"the {LANDMARKS[landmark_name(stem, 'left')].kind.title.lower()}s", reading


def _with_neck(setting: Setting) -> Iterator[tuple[str, Reading]]:
    reading = setting.reading
    lacking = [
        side
        for side in reading.head_diameter_mm
        if is_solvable(setting, side) and f"neck_shaft_{side}" not in _known_necks(setting)
    ]
    for side in lacking:
        angle = {**reading.neck_shaft_angle_deg}
        angle.setdefault(side, _NECK_SHAFT_DEG)
        reading = replace(reading, neck_shaft_angle_deg=angle)
        lean = np.radians(180.0 - angle[side])
        offset = _offset_mm(setting, side)
        neck = [(-offset, 0.0), (_NECK_MM * np.sin(lean) - offset, _NECK_MM * np.cos(lean))]
        for stem, ends in (("stem_axis", [(0.0, 50.0), (0.0, 140.0)]), ("neck_axis", neck)):
            name = landmark_name(stem, side)
            if name not in setting.placed:
                points = [_on_femur(setting, side, *end) for end in ends]
                reading = reading.with_points(name, points)
    if lacking:
        yield "the axes of neck and stem with the stem's neck-shaft angle", reading


def _known_necks(setting: Setting) -> set[str]:
    return {
        f"neck_shaft_{side}"
        for side in SIDES
        if setting.hips[side].neck_shaft_angle_deg
        and {f"neck_axis_{side}", f"stem_axis_{side}"} <= setting.placed
    }


def _on_femur(setting: Setting, side: Side, across: float, along: float) -> tuple[float, float]:
    """Return the pixel so many mm lateral of the shaft's axis and distal of the head's centre."""
    head, mm_per_unit = _head_and_scale(setting, side)
    distal, lateral = _directions(setting, side)
    aside = _offset_mm(setting, side) + across
    place = head + (aside * lateral + along * distal) / mm_per_unit
    row, column = setting.pixels(place[None])[0]
    return float(row), float(column)


def _offset_mm(setting: Setting, side: Side) -> float:
    """Return the projected distance from the head's centre to the shaft's axis."""
    head, mm_per_unit = _head_and_scale(setting, side)
    away = setting.hips[side].axis_of_the_shaft[0] - head
    return float(away @ _directions(setting, side)[1] * mm_per_unit)


def _directions(setting: Setting, side: Side) -> tuple[np.ndarray, np.ndarray]:
    """Return the directions distally along a shaft and laterally across it, on the film."""
    hip = setting.hips[side]
    along = hip.axis_of_the_shaft[1]
    distal = along if along[1] > 0 else -along
    return distal, hip.lateral_sign * np.array([distal[1], -distal[0]])


def _head_and_scale(setting: Setting, side: Side) -> tuple[np.ndarray, float]:
    """Return a head's centre in film units, and millimetres for one; see `is_solvable`."""
    head, mm_per_unit = setting.hips[side].head, setting.mm_per_unit
    if head is None or mm_per_unit is None:
        raise MeasureError(f"the {side} femur has no head or no scale; place and size its head")
    return head.parameters[:2], mm_per_unit


def _half_of_default(setting: Setting) -> dict[str, float]:
    return {
        name: 0.5 * LANDMARKS[name].kind.placing_sd_mm / setting.mm_per_px_for_placing
        for name in setting.placed
    }
