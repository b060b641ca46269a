"""What the program proposes, as a part of a reading until the reader has looked at it.

A proposed landmark stands in the reading with its provenance. The reader confirms it, moves it, or
refuses it; a click where it is armed begins it anew by hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from xraymeasure.detect.propose import Proposals
from xraymeasure.detect.text import nothing_text
from xraymeasure.reading.reading import Point, Provenance, Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS

HANDLES = 8
"""So many points stay of a proposed outline that the reader moves: as many as a reader clicks."""


def with_proposals(reading: Reading, proposals: Proposals) -> Reading:
    """Return a reading that holds what is proposed wherever the reader has placed nothing."""
    found = {
        name: points
        for hip in proposals.hips
        for name, points in hip.landmarks.items()
        if name not in reading.landmarks
    }
    if not found:
        return reading
    spread = reading.placing_sd_px
    if spread is None or isinstance(spread, Mapping):
        proposed = {
            name: value
            for hip in proposals.hips
            for name, value in hip.placing_sd_px.items()
            if name in found
        }
        spread = {**(spread or {}), **proposed}
    return replace(
        reading,
        landmarks={**reading.landmarks, **found},
        placing_sd_px=spread,
        proposed=Provenance(proposals.method, dict.fromkeys(found, "proposed")),
    )


def without_proposal(reading: Reading, name: str) -> Reading:
    """Return a reading in which a proposed landmark was not yet placed."""
    return _own_spread(reading.without(name), name)


def moved_whole(
    reading: Reading, name: str, index: int, point: Point
) -> tuple[Reading, tuple[str, int]]:
    """Return a reading in which a proposed outline lies elsewhere, and the handle that is held.

    The outline is moved as it is, and thinned to `HANDLES` points that are the reader's own.
    """
    points = reading.landmarks[name]
    down, along = point[0] - points[index][0], point[1] - points[index][1]
    step = max(len(points) // HANDLES, 1)
    kept = range(index % step, len(points), step)
    moved = [(points[each][0] + down, points[each][1] + along) for each in kept]
    reading = _own_spread(reading.with_points(name, moved), name)
    return reading, (name, kept.index(index))


def is_outline(name: str) -> bool:
    """Whether a landmark is moved as a whole."""
    return LANDMARKS[name].kind.shape in ("circle", "ellipse")


def _own_spread(reading: Reading, name: str) -> Reading:
    """Return a reading in which a landmark has the spread of a reader's clicks."""
    spread = reading.placing_sd_px
    if not isinstance(spread, Mapping) or name not in spread:
        return reading
    left = {each: value for each, value in spread.items() if each != name}
    return replace(reading, placing_sd_px=left or None)


def in_words(proposals: Proposals, reading: Reading) -> str:
    """Return what was proposed, what is doubtful about it, and what to do with it."""
    if not proposals.hips and not any(reading.landmarks.values()):
        if proposals.of_another_size:
            said = nothing_text(proposals)
            return f"{said[0].upper()}{said[1:]}."
        return "No metal to propose was found on this film: place what there is by hand."
    names = [LANDMARKS[name].title.lower() for name in reading.unconfirmed]
    if not names:
        return ""
    doubts = [f"{hip.side} hip: {doubt}" for hip in proposals.hips for doubt in hip.doubts]
    return " ".join(
        [
            f"Proposed, to be looked at: {'; '.join(names)}.",
            *(f"Doubtful, {doubt.rstrip('.')}." for doubt in doubts),
        ]
    )
