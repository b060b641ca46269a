"""One reader's landmarks on one film, and edits that can be undone.

A `Reading` is immutable; an edit returns another one, so undo is keeping the old one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from annotated_types import Gt, Le, Lt, MinLen, Predicate

from xraymeasure.errors import ReadingError, meant
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Landmark, Side

Point = tuple[float, float]

Opens = Literal["anterior", "posterior"]
Posture = Literal["supine", "standing"]
Size = Literal["head_diameter_mm", "cup_diameter_mm", "neck_shaft_angle_deg"]


# Bounds stand beside each field; a file is held to them, an edit in the window need not be.
_STRICT = {"extra": "forbid", "strict": True, "allow_inf_nan": False}
_FARTHEST_PX = 100_000.0
# An outline drawn by hand has ten points, one followed along its edge some hundred.
_MOST_POINTS = 1000
_Text = Annotated[str, MinLen(1)]
# Nothing of a patient, and no tube, is as long in mm or px; further digits would overflow.
_Length = Annotated[float, Gt(0.0), Le(100_000.0)]
_Degrees = Annotated[float, Gt(90.0), Lt(180.0)]
_Digest = Annotated[str, Predicate(re.compile("[0-9a-f]{64}").fullmatch)]


@dataclass(frozen=True)
class FilmBinding:
    """What ties a reading to its film; either may be unknown."""

    __pydantic_config__: ClassVar = _STRICT

    sop_instance_uid: _Text | None = None
    pixel_sha256: _Digest | None = None


Standing = Literal["proposed", "confirmed", "placed"]
"""What became of a proposed landmark: as the program drew it, confirmed as it stood by the reader,
or put where the reader wants it."""


@dataclass(frozen=True)
class CarriedOver:
    """Which of the proposed landmarks a person had placed on an earlier film of the patient.

    Attributes
    ----------
    method : str
        Name and version of the method that found them again.
    days_before : int or None
        How many days before this one the earlier film was taken; a date would tell of a person.
    landmarks : tuple of str
    """

    __pydantic_config__: ClassVar = _STRICT

    method: _Text
    days_before: int | None
    landmarks: tuple[str, ...]

    def __str__(self) -> str:
        """Return the method and the film, in words."""
        days = self.days_before
        when = "an earlier film" if days is None else f"a film taken {days} days before"
        return f"{self.method} from {when}"


@dataclass(frozen=True)
class Provenance:
    """Which landmarks began as proposals of the program, by which method, and what became of them.

    Attributes
    ----------
    method : str
        Name and version of the method.
    landmarks : mapping of str to {"proposed", "confirmed", "placed"}
        Only those that were proposed.
    carried : CarriedOver or None
        Which of them another method carried over from an earlier film.
    """

    __pydantic_config__: ClassVar = _STRICT

    method: _Text
    landmarks: Mapping[str, Standing] = field(default_factory=dict)
    carried: CarriedOver | None = None

    def is_carried(self, name: str) -> bool:
        """Whether a landmark stands as it was carried over from an earlier film."""
        carried = self.carried is not None and name in self.carried.landmarks
        return carried and self.landmarks.get(name) in ("proposed", "confirmed")

    def told(self, names: Iterable[str]) -> str:
        """Return for a table how those of these landmarks that were proposed stand."""
        return "; ".join(
            f"{name}: {'carried, ' * self.is_carried(name)}{self.landmarks[name]}"
            for name in names
            if name in self.landmarks
        )

    def with_standing(self, name: str, standing: Standing) -> Provenance:
        """Return a provenance in which a proposed landmark stands otherwise; others stay out."""
        if name not in self.landmarks:
            return self
        return replace(self, landmarks={**self.landmarks, name: standing})


@dataclass(frozen=True)
class Reading:
    """The landmarks that one reader placed on one film on one occasion.

    Attributes
    ----------
    reader : str
        Who placed them (a code, not a name).
    read_at : str
        When, ISO 8601 with a zone.
    operated_side : {"left", "right"}
        The index hip.
    landmarks : mapping of str to tuple of (row, column)
        Points in pixels, zero-based, pixel centres at whole numbers. A landmark without points
        was looked for and is not visible on this film; one that is absent was not yet placed.
        The points of a point landmark are placements of the same one; see `place`.
    head_diameter_mm, cup_diameter_mm, neck_shaft_angle_deg : mapping of side to float
        Known sizes, for each hip that has one.
    native_head_mm : mapping of side to float
        Known diameters of native heads.
    beam_centre : (row, column) or None
        Where the central ray meets the detector, if the reader knows better than the film.
    source_detector_mm : float or None
        Likewise the distance from source to detector.
    placing_sd_px : float, mapping of landmark name to float, or None
        The reader's own placing spread, instead of the defaults.
    proposed : Provenance or None
        Which landmarks the program proposed; None where it proposed none.
    not_as_planned : tuple of str
        The known sizes of the index hip of which the reader confirmed that another was used than
        planned, by their keys.
    """

    __pydantic_config__: ClassVar = _STRICT

    reader: _Text
    read_at: _Text
    operated_side: Side
    film: FilmBinding = FilmBinding()
    landmarks: Mapping[str, tuple[Point, ...]] = field(default_factory=dict)
    head_diameter_mm: Mapping[Side, _Length] = field(default_factory=dict)
    beam_centre: Point | None = None
    source_detector_mm: _Length | None = None
    cup_opens: Mapping[Side, Opens] = field(default_factory=dict)
    cup_diameter_mm: Mapping[Side, _Length] = field(default_factory=dict)
    marker_diameter_mm: _Length | None = None
    neck_shaft_angle_deg: Mapping[Side, _Degrees] = field(default_factory=dict)
    native_head_mm: Mapping[Side, _Length] = field(default_factory=dict)
    posture: Posture | None = None
    placing_sd_px: _Length | Mapping[str, _Length] | None = None
    proposed: Provenance | None = None
    comment: str | None = None
    not_as_planned: tuple[Size, ...] = ()

    def __repr__(self) -> str:
        placed = sum(bool(points) for points in self.landmarks.values())
        return f"<Reading by {self.reader}, {self.operated_side} hip, {placed} landmarks placed>"

    def points(self, name: str) -> np.ndarray:
        """Return the points of a landmark, shape (n, 2), rows and columns; n is 0 if unplaced."""
        return np.array(self.landmarks.get(name, ()), dtype=float).reshape(-1, 2)

    def place(self, name: str) -> np.ndarray:
        """Return where a point landmark is, shape (2,): the middle of its placements.

        Examples
        --------
        >>> twice = {"symphysis": ((10.0, 20.0), (12.0, 20.0))}
        >>> Reading("A", "2026-01-31T10:15:00Z", "left", landmarks=twice).place("symphysis")
        array([11., 20.])
        """
        rows, columns = zip(*self.landmarks[name], strict=True)
        return np.array([sum(rows) / len(rows), sum(columns) / len(columns)])

    def has(self, *names: str) -> bool:
        """Whether every named landmark is placed with as many points as it needs."""
        return all(
            len(self.landmarks.get(name, ())) >= LANDMARKS[name].kind.minimum for name in names
        )

    def not_visible(self, name: str) -> bool:
        """Whether the reader looked for a landmark and found that it is not visible."""
        return name in self.landmarks and not self.landmarks[name]

    def with_points(self, name: str, points: Sequence[Sequence[float]]) -> Reading:
        """Return a reading in which `name` has these points; none says it is not visible.

        Raises
        ------
        ReadingError
            If the name is not in the vocabulary, a coordinate is not finite, or there are more
            points than the landmark takes. Fewer than it needs is a landmark still being placed.
        """
        placed = tuple((float(row), float(column)) for row, column in points)
        _check_points(known_landmark(name), placed)
        proposed = self.proposed
        if proposed is not None and placed != self.landmarks.get(name, placed):
            proposed = proposed.with_standing(name, "placed")
        return replace(self, landmarks={**self.landmarks, name: placed}, proposed=proposed)

    def confirmed(self, name: str) -> Reading:
        """Return a reading in which the reader confirmed a proposed landmark as it stands."""
        if self.proposed is None or self.proposed.landmarks.get(name) != "proposed":
            return self
        return replace(self, proposed=self.proposed.with_standing(name, "confirmed"))

    @property
    def unconfirmed(self) -> tuple[str, ...]:
        """The landmarks that stand as the program proposed them, unseen by the reader."""
        if self.proposed is None:
            return ()
        return tuple(
            name
            for name, standing in self.proposed.landmarks.items()
            if standing == "proposed" and self.landmarks.get(name)
        )

    def without(self, name: str) -> Reading:
        """Return a reading in which `name` was not yet placed."""
        left = {key: value for key, value in self.landmarks.items() if key != name}
        if self.proposed is None:
            return replace(self, landmarks=left)
        others = {key: each for key, each in self.proposed.landmarks.items() if key != name}
        proposed = replace(self.proposed, landmarks=others) if others else None
        return replace(self, landmarks=left, proposed=proposed)

    def complete_part(self) -> Reading:
        """Return a reading without the landmarks that still want points: what can be measured."""
        return replace(
            self,
            landmarks={
                name: points
                for name, points in self.landmarks.items()
                if not points or self.has(name)
            },
        )


def stated_openings(reading: Reading, of_study: Opens | None = None) -> dict[Side, str]:
    """Return for each hip who states how its cup opens, as the end of a sentence."""
    said: dict[Side, str] = {}
    for side in SIDES:
        if side in reading.cup_opens:
            said[side] = "the reader's answer"
        elif of_study:
            said[side] = "the study's own statement"
    return said


def known_landmark(name: str, key: str = "landmarks") -> Landmark:
    """Return the landmark of that name, or raise `ReadingError` naming the file's `key`."""
    try:
        return LANDMARKS[name]
    except KeyError:
        near = meant(name, LANDMARKS) or f"; the names are {', '.join(LANDMARKS)}"
        raise ReadingError(f"{key}.{name}: unknown landmark{near}") from None


def _check_points(landmark: Landmark, points: Sequence[Point]) -> None:
    where, kind = f"landmarks.{landmark.name}", landmark.kind
    for point in points:
        if not all(math.isfinite(value) for value in point):
            raise ReadingError(f"{where}: {point} is not a point; row and column must be numbers")
        if not all(abs(value) <= _FARTHEST_PX for value in point):
            raise ReadingError(f"{where}: {point} lies beyond any film; row and column are pixels")
    most = _MOST_POINTS if kind.most_points is None else kind.most_points
    if len(points) > most:
        again = " placements of one point" if kind.shape == "point" else ""
        raise ReadingError(
            f"{where}: too many points ({len(points)}); {kind.title.lower()} takes {most}{again}"
        )


def check_complete(reading: Reading) -> None:
    """Raise `ReadingError` if a landmark has some of the points it needs but not all."""
    for name, points in reading.landmarks.items():
        kind = known_landmark(name).kind
        if 0 < len(points) < kind.minimum:
            raise ReadingError(
                f"landmarks.{name}: too few points ({len(points)}); {kind.title.lower()} needs "
                f"{'at least ' if kind.maximum is None else ''}{kind.minimum}"
            )
