"""Whether tube and beam stand where the reading states them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.errors import ReadingError
from xraymeasure.film.film import PLAUSIBLE_SOURCE_DETECTOR_MM
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.vocabulary.landmarks import SIDES, landmark_name

if TYPE_CHECKING:
    from xraymeasure.film.film import Film
    from xraymeasure.reading.reading import Reading

USUAL_SOURCE_DETECTOR_MM = (900.0, 1600.0)
"""Technique is 1000 to 1200 mm, standing films to 1500 (read); beyond, the reader is asked."""

SOURCES_APART = 0.15
"""By how much the reading's distance from the source may differ from the film's own."""

BEAM_OFF_MIDDLE = 0.3
"""How far from the middle, as a part of the film's side, the central ray meets an AP pelvis film
without a question. Working default, no source."""

EXCHANGED, NEAR_MIDDLE = 0.7, 0.04
"""A beam that lies this far from the middle of the film, as a part of its side, and would lie so
much nearer with row and column exchanged, is asked about. Working defaults, no source."""


AT_HIP = (0.05, 0.12)
"""A beam that lies so near to the middle of a head and so far from that of the film, in parts of
the film's side, is asked about: 20 and 50 mm. Working defaults, no source."""


def refuse_impossible_tube(reading: Reading) -> None:
    """Refuse a distance from the source that no film is taken at, as of a film's own attribute.

    Raises
    ------
    ReadingError
        If it lies outside `PLAUSIBLE_SOURCE_DETECTOR_MM`.
    """
    sid, (low, high) = reading.source_detector_mm, PLAUSIBLE_SOURCE_DETECTOR_MM
    if sid is not None and not low <= sid <= high:
        raise ReadingError(
            f"source_detector_mm: {sid:g} mm is outside {low:g} to {high:g}, at which films are "
            "taken; state it in mm, or leave it out"
        )


def tube_and_beam(film: Film, setting: Setting) -> Iterator[Finding]:
    """Yield what to ask of a tube or a beam that stands where few do."""
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
    exchanged = np.abs(np.array(beam[::-1]) - middle) / size
    hint = ""
    if exchanged.max() < EXCHANGED * off.max() and off.max() > NEAR_MIDDLE:
        hint = " As column and row it would lie nearer: row comes first."
    for side in SIDES:
        head = setting.as_placed.points(landmark_name("femoral_head", side))
        near = len(head) and np.abs((head.mean(axis=0) - beam) / size).max() < AT_HIP[0]
        if near and off.max() > AT_HIP[1]:
            hint = f" It is the middle of the {side} head, as on a film centred on that hip."
    if hint or off.max() > BEAM_OFF_MIDDLE:
        yield Finding(
            "beam_centre_unusual",
            f"The reading states that the central ray meets the film at row {beam[0]:g}, column "
            f"{beam[1]:g}, far from its middle.{hint} Check it.",
            angles,
            "strong" if off.max() > 0.45 else "warning",
        )
