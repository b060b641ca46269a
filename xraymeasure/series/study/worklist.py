"""What one reader has before them on one occasion: which film is next, and how far they are.

The order is drawn at random for each reader and occasion, from the study's seed, and is the same
on every machine. Nothing about progress is stored: it follows from the readings and remarks that
lie in the folder, so a list resumes where it stopped whatever happened.
"""

from __future__ import annotations

import hashlib
import itertools
import statistics
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from xraymeasure.errors import ReadingError, StudyError
from xraymeasure.reading.file import read_reading
from xraymeasure.reading.moment import moment_from, now
from xraymeasure.reading.reading import FilmBinding, Reading
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.readings import HandedOut, StudyReading, draft_path, study_readings
from xraymeasure.series.study.remarks import Kind, Remark, add_remark, excluded_films, study_remarks
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.landmarks import Side

PAUSE_MINUTES = 20.0
"""A longer gap between two readings is a pause and does not count as time spent on a film."""


@dataclass(frozen=True)
class Worklist:
    """One reader's films on one occasion.

    Attributes
    ----------
    study : Study
        The study.
    reader : str
        Code of the reader.
    occasion : int
        From 1.
    films : tuple of StudyFilm
        All films in the order in which this reader is to see them.
    done : frozenset of str
        Labels of the films that this reader has read on this occasion.
    excluded : mapping of str to str
        Labels of the films this reader excluded, and why.
    minutes_per_film : float or None
        Median time between one reading and the next, pauses left out; None until two are done.
    """

    study: Study
    reader: str
    occasion: int
    films: tuple[StudyFilm, ...]
    done: frozenset[str]
    excluded: Mapping[str, str]
    minutes_per_film: float | None

    @property
    def handed_out(self) -> HandedOut:
        """How a film of this list is shown, which the name of its reading records."""
        return "blinded" if self.study.blinded else "open"

    @property
    def left(self) -> tuple[StudyFilm, ...]:
        """The films still to be read, in order."""
        return tuple(
            film
            for film in self.films
            if film.label not in self.done and film.label not in self.excluded
        )

    @property
    def next_film(self) -> StudyFilm | None:
        """The film to be read now, or None when the list is finished."""
        return next(iter(self.left), None)

    @property
    def progress(self) -> str:
        """How far the reader is, in words.

        ``12 of 40 read, 1 excluded, 27 left, 2.3 min a film``
        """
        parts = [f"{len(self.done)} of {len(self.films)} read"]
        if self.excluded:
            parts.append(f"{len(self.excluded)} excluded")
        parts.append(f"{len(self.left)} left")
        if self.minutes_per_film is not None:
            parts.append(f"{self.minutes_per_film:.1f} min a film")
        return ", ".join(parts)


def worklist(study: Study, reader: str, occasion: int) -> Worklist:
    """Return the list of a reader on an occasion, as the study folder stands now.

    Raises
    ------
    StudyError
        If the study has no such reader or occasion, or a remark is broken.
    """
    study.check_reader(reader, occasion)
    own = [
        entry
        for entry in study_readings(study)
        if (entry.reader, entry.occasion) == (reader, occasion) and entry.reading is not None
    ]
    excluded = {
        film: reason
        for (film, who), reason in excluded_films(study_remarks(study)).items()
        if who == reader
    }
    return Worklist(
        study=study,
        reader=reader,
        occasion=occasion,
        films=shown_order(study, reader, occasion),
        done=frozenset(entry.film for entry in own) - set(excluded),
        excluded=excluded,
        minutes_per_film=_minutes_per_film(own),
    )


def shown_order(study: Study, reader: str, occasion: int) -> tuple[StudyFilm, ...]:
    """Return the films in the order in which a reader sees them on an occasion.

    The order follows a hash of seed, reader, occasion and film: it is reproducible everywhere,
    and a film that is added later does not change the order of the others.
    """

    def draw(film: StudyFilm) -> str:
        drawn = f"{study.seed}|{reader}|{occasion}|{film.label}"
        return hashlib.sha256(drawn.encode()).hexdigest()

    return tuple(sorted(study.films, key=draw))


def start_reading(
    work: Worklist, film: StudyFilm, binding: FilmBinding, side: Side | None = None
) -> Reading:
    """Return the reading to go on with: the reader's draft if there is one, else an empty one.

    An empty one carries what the study knows: the index side and the known sizes. The reader's own
    placing spread is no part of it, for it is one of the reader and not of this film's pixels.

    Parameters
    ----------
    work : Worklist
        Whose list it is.
    film : StudyFilm
        The film.
    binding : FilmBinding
        The film's identifiers.
    side : {"left", "right"}, optional
        The index hip, where the study does not say.

    Raises
    ------
    StudyError
        If neither the study nor `side` says which hip is the index, or the two contradict.
    """
    draft = draft_path(work.study, film.label, work.reader, work.occasion)
    if draft.exists():
        try:
            return read_reading(draft)
        except ReadingError as error:
            raise StudyError(
                f"the draft of film {film.label} cannot be used; move it away to start again "
                f"({error})"
            ) from None
    if side and film.side and side != film.side:
        raise StudyError(
            f"film {film.label}: the study says the index hip is the {film.side} one, not the "
            f"{side}"
        )
    index = film.side or side
    if index is None:
        raise StudyError(f"film {film.label}: say which hip is the index, left or right")
    return Reading(
        reader=work.reader,
        read_at=now("milliseconds"),
        operated_side=index,
        film=binding,
        head_diameter_mm={index: film.head_diameter_mm} if film.head_diameter_mm else {},
        cup_diameter_mm={index: film.cup_diameter_mm} if film.cup_diameter_mm else {},
    )


def finished(reading: Reading) -> Reading:
    """Return the reading with the moment of now, at which it is handed in."""
    return replace(reading, read_at=now("milliseconds"))


def visible_plan(work: Worklist, film: StudyFilm) -> Path | None:
    """Return the film's plan, or None where there is none or the study is blinded."""
    return None if work.study.blinded else film.plan


def visible_readings(work: Worklist, film: StudyFilm) -> tuple[StudyReading, ...]:
    """Return the readings of a film that this reader may see: none while the study is blinded."""
    if work.study.blinded:
        return ()
    return tuple(entry for entry in study_readings(work.study) if entry.film == film.label)


def remark(work: Worklist, film: StudyFilm, kind: Kind, text: str) -> Path:
    """Write down what the reader says of a film: a comment, or to take it out of the list or in.

    An exclusion is one on all occasions, until the film is taken in again.
    """
    return add_remark(
        work.study,
        Remark(film.label, work.reader, work.occasion, now("milliseconds"), kind, text.strip()),
    )


def _minutes_per_film(readings: list[StudyReading]) -> float | None:
    moments = sorted(moment_from(entry.reading.read_at) for entry in readings if entry.reading)
    gaps = [
        minutes
        for before, after in itertools.pairwise(moments)
        if 0 < (minutes := (after - before).total_seconds() / 60) <= PAUSE_MINUTES
    ]
    return statistics.median(gaps) if gaps else None
