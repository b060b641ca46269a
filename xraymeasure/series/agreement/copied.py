"""Readings that are no second look: the same to the last digit as those of another reader.

Two people, or one on two days, do not place outlines alike to a hundredth of a pixel. Where more
than half of what two readings of one film placed is the same, one is a copy of the other. What both
confirmed as the program had proposed it is the same too; it tells how well the program agrees with
itself.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from xraymeasure.reading.reading import Reading
from xraymeasure.series.agreement.compared import Column
from xraymeasure.series.study.readings import StudyReading
from xraymeasure.vocabulary.wording import counted


@dataclass(frozen=True)
class Same:
    """Two columns of readings that are the same on some films.

    Attributes
    ----------
    first, second : (str, int)
        Reader and occasion.
    films : tuple of str
        On which more than half of the landmarks are the same to the last digit.
    of : int
        Films that both read.
    proposed : bool
        Whether these were proposed by the program and confirmed as they stood by both.
    """

    first: Column
    second: Column
    films: tuple[str, ...]
    of: int
    proposed: bool

    def __str__(self) -> str:
        """Return what a person should know."""
        names = [f"{who}, occasion {when}" for who, when in (self.first, self.second)]
        if self.first[0] != self.second[0] and self.first[1] == self.second[1]:
            names = [self.first[0], self.second[0]]
        which = f"{len(self.films)} of {counted(self.of, 'film')} that both read"
        if self.proposed:
            return (
                f"{names[0]} and {names[1]} kept what the program proposed on {which}: their "
                "agreement there is that of the program with itself."
            )
        return (
            f"The readings of {names[0]} and {names[1]} are the same to the last digit on {which} "
            f"({', '.join(self.films[:6])}{', …' * (len(self.films) > 6)}). Nobody places points "
            "so: one is a copy of the other, and no agreement follows from it."
        )


def same_readings(entries: Iterable[StudyReading]) -> tuple[Same, ...]:
    """Return which readers' and occasions' readings are the same, in the order of the study."""
    read: dict[Column, dict[str, Reading]] = defaultdict(dict)
    for entry in entries:
        if entry.reading is not None:
            read[entry.reader, entry.occasion][entry.film] = entry.reading
    found = []
    for first, second in combinations(sorted(read), 2):
        both = [film for film in read[first] if film in read[second]]
        alike = {film: _alike(read[first][film], read[second][film]) for film in both}
        for proposed in (False, True):
            films = tuple(film for film, how in alike.items() if how is proposed)
            if films:
                found.append(Same(first, second, films, len(both), proposed))
    return tuple(found)


def _alike(one: Reading, other: Reading) -> bool | None:
    """Return whether two readings are the same by confirming proposals; None if they are not."""
    shared = [name for name in one.landmarks if one.has(name) and other.has(name)]
    same = [name for name in shared if one.landmarks[name] == other.landmarks[name]]
    if 2 * len(same) <= len(shared):
        return None
    kept = [name for name in same if _confirmed(one, name) and _confirmed(other, name)]
    return 2 * len(kept) > len(same)


def _confirmed(reading: Reading, name: str) -> bool:
    return reading.proposed is not None and reading.proposed.landmarks.get(name) == "confirmed"
