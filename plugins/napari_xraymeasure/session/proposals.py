"""What the program proposes, as a part of a reading until the reader has looked at it.

A proposed landmark stands in the reading with its provenance. The reader confirms it, moves it, or
refuses it; a click where it is armed begins it anew by hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from xraymeasure.carry.carry import Carried
from xraymeasure.detect.propose import Proposals
from xraymeasure.detect.text import nothing_text
from xraymeasure.reading.reading import CarriedOver, Point, Provenance, Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side

HANDLES = 8
"""So many points stay of a proposed outline that the reader moves: as many as a reader clicks."""


def with_proposals(reading: Reading, proposals: Proposals) -> Reading:
    """Return a reading that holds what is proposed wherever the reader has placed nothing."""
    found = {name: points for hip in proposals.hips for name, points in hip.landmarks.items()}
    spreads = {name: sd for hip in proposals.hips for name, sd in hip.placing_sd_px.items()}
    return _offered(reading, found, spreads, Provenance(proposals.method))


def with_carried(reading: Reading, carried: Carried) -> Reading:
    """Return a reading that holds the bones of an earlier one wherever nothing is placed."""
    names = tuple(name for name in carried.landmarks if name not in reading.landmarks)
    over = CarriedOver(carried.method, carried.days_before, names)
    known = reading.proposed or Provenance(carried.method)
    return _offered(reading, carried.landmarks, carried.placing_sd_px, replace(known, carried=over))


def _offered(
    reading: Reading,
    landmarks: Mapping[str, tuple[Point, ...]],
    spreads: Mapping[str, float],
    provenance: Provenance,
) -> Reading:
    """Return a reading with the landmarks that it lacks, as proposals with their own spread."""
    found = {name: each for name, each in landmarks.items() if name not in reading.landmarks}
    if not found:
        return reading
    spread = reading.placing_sd_px
    if spread is None or isinstance(spread, Mapping):
        spread = {**(spread or {}), **{name: sd for name, sd in spreads.items() if name in found}}
    standing = {**provenance.landmarks, **dict.fromkeys(found, "proposed")}
    return replace(
        reading,
        landmarks={**reading.landmarks, **found},
        placing_sd_px=spread,
        proposed=replace(provenance, landmarks=standing),
    )


def same_bone(reading: Reading, name: str) -> tuple[str, ...]:
    """Return what was carried over together with a landmark, itself too, and is not confirmed."""
    unconfirmed = reading.unconfirmed
    carried = [each for each in unconfirmed if how_proposed(reading, each) == "carried over"]
    return tuple(each for each in carried if name in carried and _bone(each) == _bone(name))


def how_proposed(reading: Reading, name: str) -> str:
    """Return how a proposal came to be, in two words at most."""
    known = reading.proposed
    return "carried over" if known is not None and known.is_carried(name) else "proposed"


def _bone(name: str) -> Side | None:
    """Return the side of a femur; None is the pelvis."""
    landmark = LANDMARKS[name]
    return None if landmark.kind.region == "pelvis" else landmark.side


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


def in_words(proposals: Proposals | None, carried: Carried | None, reading: Reading) -> str:
    """Return what was proposed, what is doubtful about it, and what to do with it."""
    said = []
    names, known = reading.unconfirmed, reading.proposed
    over = [name for name in names if how_proposed(reading, name) == "carried over"]
    metal = [name for name in names if name not in over]
    if proposals is not None and metal:
        said.append(f"Proposed, to be looked at: {_titles(metal)}.")
        said += [
            f"Doubtful, {hip.side} hip: {doubt.rstrip('.')}."
            for hip in proposals.hips
            for doubt in hip.doubts
        ]
    elif proposals is not None and not proposals.hips and not any(reading.landmarks.values()):
        if proposals.of_another_size:
            text = nothing_text(proposals)
            said.append(f"{text[0].upper()}{text[1:]}.")
        else:
            said.append("No metal to propose was found on this film: place what there is by hand.")
    if over and known is not None:
        many = f"{len(over)} landmarks that the list calls so" if len(over) > 1 else _titles(over)
        said.append(f"Carried over ({known.carried}), to be looked at: {many}.")
    elif carried is not None and not carried.landmarks:
        said.append("No bone of the earlier film was surely found on this one.")
    return " ".join(said)


def _titles(names: Sequence[str]) -> str:
    return "; ".join(LANDMARKS[name].title.lower() for name in names)
