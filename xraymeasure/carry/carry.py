"""carry(before, film, reading) -> Carried: the bones of an earlier reading, to be confirmed here.

Nothing is recognised: what is about each point that a person placed on the earlier film is found
again on this one. What is not surely the same is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.carry.match import Match, Way, found, refined
from xraymeasure.carry.sight import Sight, placed_mm, replaced, sight
from xraymeasure.detect.field import working_pitch_mm
from xraymeasure.measuring.inputs import PLAUSIBLE_MAGNIFICATION
from xraymeasure.measuring.uncertainty import placing_sd_px
from xraymeasure.reading.reading import Point, Reading
from xraymeasure.vocabulary.landmarks import SIDES, Side, landmark_name, lateral_sign

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

METHOD = "carried-1"
"""Name and version of the method, kept with what it proposed."""

_TURNS_DEG, _SCALES = range(-6, 7, 2), (0.92, 0.96, 1.0, 1.04, 1.08)
_UNSTATED_SCALES = tuple(np.arange(0.76, 1.33, 0.04))
"""Where a film does not say how large its pixels are."""
_FEMUR_TURNS_DEG, _FEMUR_SCALES = range(-8, 9, 2), (0.97, 1.03)
_REACH_MM, _FEMUR_REACH_MM = 60.0, 24.0
_ABOUT_TEARDROPS_MM = np.array([[-40.0, -45.0], [40.0, 60.0]])
_ABOUT_FEMUR_MM, _FEMUR_FROM_MM = 12.0, -6.0
"""Beyond its landmarks; and from how far medial of the lesser trochanter, and above the greater
one, what is seen moves with the femur."""
_LEAST_PELVIS, _LEAST_FEMUR = 0.62, 0.5
"""Likeness of all that is about the teardrops, and about a femur: rendered pairs of one body, posed
anew, 0.66 and more, and 0.41 and more; pelves of others 0.61 and less, the same bones bent by 4 mm
at random among them."""
_LEAST_LEAD = 0.3
"""Of the pelvis over the next best place: of one body 0.37 and more, of others 0.26 and less."""
_LEAST_LIKENESS = 0.78
"""Of what is about a landmark: of other bodies 0.75 and less at teardrops and trochanters."""
_CARRIED_SD_MM = 0.55
"""Each direction, in the plane of the hips; rendered pairs, see tests/benchmarks/bench_carry.py."""


@dataclass(frozen=True)
class _Kind:
    """How a kind of landmark is found, and how sure it has to be.

    Attributes
    ----------
    radius_mm : float
        Of what is compared.
    lateral_mm : float
        How far lateral of the landmark its middle is.
    sd_mm, back_mm : float
        The greatest doubt that the picture leaves, and the farthest from where it was placed when
        it is carried back; both are wide along a shaft, where they do not matter.
    """

    radius_mm: float
    lateral_mm: float
    sd_mm: float
    back_mm: float


_KINDS = {
    "teardrop": _Kind(50.0, 0.0, 0.3, 1.0),
    "femoral_head": _Kind(28.0, 0.0, 0.3, 0.6),
    "lesser_trochanter": _Kind(45.0, 10.0, 0.38, 2.0),
    "femoral_shaft": _Kind(70.0, 0.0, 0.6, 6.0),
}
"""What is carried. On rendered pairs of real bones the ischium (1.9 mm in 95 %), the greater
trochanter (2.5) and the rim of the foramen (2 to 4) were not found again as well as a person places
them: what is seen of a round edge moves over the bone when it turns."""


@dataclass(frozen=True)
class Carried:
    """What an earlier reading says of the bones of a later film.

    Attributes
    ----------
    method : str
    days_before : int or None
        From the earlier film to this one, where both have a date.
    landmarks : mapping of str to tuple of (row, column)
        As a reading stores them.
    placing_sd_px : mapping of str to float
        Their spread: that of their placing on the earlier film, and that of carrying them over.
    """

    method: str
    days_before: int | None
    landmarks: Mapping[str, tuple[Point, ...]]
    placing_sd_px: Mapping[str, float]


def carry(before: tuple[Film, Reading], film: Film, reading: Reading) -> Carried:
    """Find the bony landmarks of an earlier film of the same patient on a later one.

    Parameters
    ----------
    before : (Film, Reading)
        The earlier film, and what a person placed on it.
    film : Film
    reading : Reading
        What is known of the later film so far; the metal that it outlines, proposed or placed, is
        not compared.

    Returns
    -------
    Carried
        Without landmarks where the films are not surely of one body.
    """
    early_film, early_reading = before
    taken, taken_before = film.acquired_on, early_film.acquired_on
    days = (taken - taken_before).days if taken and taken_before else None
    persons = {each.person for each in (early_film, film)} - {None}
    if len(persons) > 1 or early_film.pixel_sha256 == film.pixel_sha256:
        return Carried(METHOD, days, {}, {})
    points = {
        name: placed_mm(early_film, early_reading, name) for name in _names(early_reading, reading)
    }
    greater = {
        side: placed_mm(early_film, early_reading, name)
        for side in SIDES
        if early_reading.has(name := landmark_name("greater_trochanter", side))
    }
    unstated = any(
        each.spacing.detector_mm is None and each.spacing.patient_mm is None
        for each in (early_film, film)
    )
    seen = sight(*before), sight(film, reading)
    landmarks, spreads = {}, {}
    pitch, early_mm = working_pitch_mm(film), _mm_per_px(early_film)
    scales = _UNSTATED_SCALES if unstated else _SCALES
    for name, way in _matches(*seen, points, greater, scales):
        at = film.to_pixels(way(points[name]), None, pitch)
        if np.all(at >= 0) and np.all(at <= np.array(film.shape) - 1):
            landmarks[name] = tuple((round(float(r), 3), round(float(c), 3)) for r, c in at)
            own = placing_sd_px(early_reading, name, early_mm) * early_mm
            spreads[name] = round(float(np.hypot(own, _CARRIED_SD_MM)) / _mm_per_px(film), 4)
    return Carried(METHOD, days, landmarks, spreads)


def _mm_per_px(film: Film) -> float:
    row, column = working_pitch_mm(film)
    return float((row * column) ** 0.5 / PLAUSIBLE_MAGNIFICATION[0])


def _names(early: Reading, late: Reading) -> Iterator[str]:
    """Yield what a person placed on the earlier film, and the later one may show."""
    for side in SIDES:
        for stem in _KINDS:
            name = landmark_name(stem, side)
            prosthetic = replaced(early, side) or replaced(late, side)
            if stem == "femoral_head" and prosthetic:
                continue
            # What was carried over itself is not carried further: errors would add up.
            again = early.proposed is not None and early.proposed.is_carried(name)
            if early.has(name) and not again and name not in early.unconfirmed:
                yield name


def _matches(
    early: Sight,
    late: Sight,
    points: Mapping[str, np.ndarray],
    greater: Mapping[Side, np.ndarray],
    scales: Sequence[float],
) -> Iterator[tuple[str, Way]]:
    """Yield where each landmark lies that is surely found."""
    coarse = early.thinned(), late.thinned()
    teardrops = [at for name, at in points.items() if name.startswith("teardrop")]
    if not teardrops:
        return
    ends = np.concatenate(teardrops)
    box = ends.min(axis=0) + _ABOUT_TEARDROPS_MM[0], ends.max(axis=0) + _ABOUT_TEARDROPS_MM[1]
    same = Way(np.eye(2), np.zeros(2), np.zeros(2))
    pelvis = found(*coarse, box, same, _REACH_MM, _TURNS_DEG, scales)
    if pelvis is None or pelvis.likeness < max(_LEAST_PELVIS, pelvis.second + _LEAST_LEAD):
        return
    for side in SIDES:
        for stem in ("teardrop", "femoral_head"):
            name = landmark_name(stem, side)
            if name in points:
                middle = points[name].mean(axis=0)
                yield from _settled(early, late, name, pelvis.way.about(middle))
        femur = {
            name: points[name]
            for stem in ("lesser_trochanter", "femoral_shaft")
            if (name := landmark_name(stem, side)) in points
        }
        if not femur:
            continue
        ends = np.concatenate([*femur.values(), *([greater[side]] if side in greater else [])])
        box = ends.min(axis=0) - _ABOUT_FEMUR_MM, ends.max(axis=0) + _ABOUT_FEMUR_MM
        where = found(*coarse, box, pelvis.way, _FEMUR_REACH_MM, _FEMUR_TURNS_DEG, _FEMUR_SCALES)
        if where is None or where.likeness < _LEAST_FEMUR:
            continue
        lateral, region = _femur(femur, greater.get(side), side)
        for name, at in femur.items():
            middle = at.mean(axis=0) + _KINDS[name.rpartition("_")[0]].lateral_mm * lateral
            yield from _settled(early, late, name, where.way.about(middle), region)


def _femur(
    femur: Mapping[str, np.ndarray], greater: np.ndarray | None, side: Side
) -> tuple[np.ndarray, Callable[[np.ndarray], np.ndarray]]:
    """Return which way is lateral of a femur, and which points are its own."""
    along = np.array([0.0, 1.0])
    shaft = femur.get(landmark_name("femoral_shaft", side))
    if shaft is not None:
        along = (shaft[-1] - shaft[0]) / np.linalg.norm(shaft[-1] - shaft[0])
    lateral = lateral_sign(side) * np.array([along[1], -along[0]])
    lesser = femur.get(landmark_name("lesser_trochanter", side))

    def region(points: np.ndarray) -> np.ndarray:
        own = np.ones(len(points), dtype=bool)
        if lesser is not None:
            own &= (points - lesser.mean(axis=0)) @ lateral > _FEMUR_FROM_MM
        if greater is not None:
            own &= (points - greater.mean(axis=0)) @ along > _FEMUR_FROM_MM
        return own

    return lateral, region


def _settled(
    early: Sight,
    late: Sight,
    name: str,
    start: Way,
    region: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Iterator[tuple[str, Way]]:
    """Yield a landmark with its way, if it is surely found."""
    kind = _KINDS[name.rpartition("_")[0]]
    there = refined(early, late, start, kind.radius_mm, region)
    if there is None:
        return
    at = there.way.target
    # Back from where it was found, but expected to turn and stretch as the first search says.
    home = start.inverse()
    back = refined(late, early, Way(home.linear, at, home(at)), kind.radius_mm)
    if back is not None:
        off = float(np.linalg.norm(back.way.target - start.origin))
        if _sure(kind, there, off):
            yield name, there.way


def _sure(kind: _Kind, there: Match, back_mm: float) -> bool:
    """Whether a landmark was found well enough to be proposed."""
    return (
        there.likeness >= _LEAST_LIKENESS and there.sd_mm <= kind.sd_mm and back_mm <= kind.back_mm
    )
