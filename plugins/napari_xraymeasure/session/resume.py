"""How a film is taken up: the reader's reading, its plan, and where both are kept."""

from __future__ import annotations

from pathlib import Path

from napari_xraymeasure.session.autosave import (
    Found,
    Keeper,
    find_readings,
    free_name,
    reading_path,
)
from napari_xraymeasure.session.plan_keeping import SUFFIX, PlanShelf
from napari_xraymeasure.session.session import Session
from napari_xraymeasure.session.userdata import user_folder
from xraymeasure.film.film import Film
from xraymeasure.reading.moment import now
from xraymeasure.reading.reading import FilmBinding, Reading
from xraymeasure.vocabulary.landmarks import Side


def new_reading(film: Film, reader: str, operated_side: Side) -> Reading:
    """Return an empty reading bound to a film, by a reader, made now."""
    return Reading(
        reader=reader,
        read_at=now(),
        operated_side=operated_side,
        film=FilmBinding(film.sop_instance_uid, film.pixel_sha256),
    )


def open_session(
    film: Film,
    film_path: Path,
    reader: str,
    *,
    keep_in: Path | None = None,
    blinded: bool = False,
    afresh: bool = False,
) -> Session:
    """Start, or take up again, a reader's reading of a film.

    Parameters
    ----------
    film, film_path
        The film, and the file it came from.
    reader : str
        The reader's code.
    keep_in : pathlib.Path, optional
        A folder for the reading, other than the film's own.
    blinded : bool
        Whether plan and other readings stay hidden.
    afresh : bool
        Whether to start an empty reading beside those that there are.
    """
    fallback = user_folder() / "readings"
    home = keep_in or film_path.parent
    found = find_readings(film, film_path, reader, (home, film_path.parent, fallback))
    if afresh:
        earlier = (found.own,) if found.own else ()
        found = Found(None, earlier + found.others, ())
    elsewhere = reading_path(fallback / film.safe_name, reader)
    plans = PlanShelf(
        home / f"{film_path.stem}.{reader}{SUFFIX}",
        film_path.with_suffix(SUFFIX),
        fallback / f"{film.safe_name}.{reader}{SUFFIX}",
    )
    if found.own:
        reading = found.own.reading
        keeper = Keeper(found.own.path, elsewhere, known=True)
        side_known = bool(reading.landmarks)
    else:
        said = [] if blinded else [other.reading.operated_side for other in found.others]
        plan = None if blinded else plans.find()[0]
        said += [plan.operated_side] if plan else []
        side_known = bool(said)
        reading = new_reading(film, reader, said[0] if said else "left")
        path = home / reading_path(film_path, reader).name
        keeper = Keeper(free_name(path) if afresh else path, elsewhere)
    return Session(
        film, film_path, reading, keeper, found, plans, blinded=blinded, side_known=side_known
    )
