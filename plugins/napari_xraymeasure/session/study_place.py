"""A film as one of a study: its draft, what its reader may see, and how it is handed in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from napari_xraymeasure.session.autosave import SUFFIX, Beside, Found, Keeper
from napari_xraymeasure.session.plan_keeping import SUFFIX as PLAN
from napari_xraymeasure.session.plan_keeping import PlanShelf
from napari_xraymeasure.session.session import Session
from napari_xraymeasure.session.userdata import user_folder
from xraymeasure.film.film import Film
from xraymeasure.reading.reading import FilmBinding
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.readings import add_reading, draft_path
from xraymeasure.series.study.worklist import (
    Worklist,
    finished,
    start_reading,
    visible_plan,
    visible_readings,
)


@dataclass(frozen=True)
class StudyPlace:
    """A film on a reader's list."""

    work: Worklist
    film: StudyFilm

    @property
    def title(self) -> str:
        """What the film is called: its label, and where the study is blinded only its number.

        A label that comes back on another occasion would tell that the film was seen before.
        """
        work = self.work
        if not work.study.blinded:
            return self.film.label
        return f"film {len(work.films) - len(work.left) + 1} of {len(work.films)}"

    @property
    def plan(self) -> Path | None:
        """The film's plan, None where there is none or the study is blinded."""
        return visible_plan(self.work, self.film)


def study_session(film: Film, place: StudyPlace) -> Session:
    """Start, or take up again, a reader's draft of a film of a study.

    Raises
    ------
    StudyError
        If the draft is broken, or the study contradicts itself.
    """
    work = place.work
    binding = FilmBinding(film.sop_instance_uid, film.pixel_sha256)
    # Where the study does not say which hip is the index, the reader does, in the window.
    side = None if place.film.side else "left"
    reading = start_reading(work, place.film, binding, side)
    path = draft_path(work.study, place.film.label, work.reader, work.occasion)
    known = Beside(path, reading, path.stat().st_mtime_ns) if path.exists() else None
    others = tuple(
        Beside(entry.path, entry.reading, 0.0)
        for entry in visible_readings(work, place.film)
        if entry.reading is not None
    )
    fallback = user_folder() / "readings"
    keeper = Keeper(path, fallback / path.name, known=known is not None)
    own_plan = path.with_name(path.name.removesuffix(SUFFIX) + PLAN)
    plans = PlanShelf(own_plan, place.plan, fallback / own_plan.name)
    side_known = bool(place.film.side or reading.landmarks)
    found = Found(known, others, ())
    return Session(
        film,
        place.film.file,
        reading,
        keeper,
        found,
        plans,
        blinded=work.study.blinded,
        side_known=side_known,
    )


def hand_in(session: Session, place: StudyPlace) -> Path:
    """Add the reading to the study and take its draft away.

    Raises
    ------
    StudyError, ReadingError
        If the study does not take it.
    """
    reading = finished(session.reading)
    return add_reading(
        place.work.study, place.film.label, place.work.occasion, reading, place.work.handed_out
    )
