"""One film on the screen and the reading that is being made of it; no window here.

The `Reading` is the state. A click, a key or a field becomes an edit, `Reading -> Reading`, that
can be undone and is saved before the next one. Whoever shows the session asks to be told when it
changed and draws what it holds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from napari_xraymeasure.session.autosave import (
    Beside,
    Found,
    Keeper,
    Saved,
    find_readings,
    free_name,
    reading_path,
)
from napari_xraymeasure.session.history import History
from napari_xraymeasure.session.placing_order import (
    Hips,
    Step,
    hips_of,
    is_done,
    is_full,
    next_step,
    off_film,
    steps,
    wrong_side,
)
from napari_xraymeasure.session.userdata import user_folder
from xraymeasure.film.film import Film
from xraymeasure.reading.reading import FilmBinding, Point, Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side

NUDGE_PX = 0.25
NUDGE_FAR_PX = 2.0


@dataclass(frozen=True)
class Question:
    """A click that probably meant another landmark, waiting for an answer.

    Attributes
    ----------
    name : str
        The landmark that was armed.
    meant : str
        The one of the other side.
    point : (row, column)
        Where the click fell; nothing is placed there yet.
    """

    name: str
    meant: str
    point: Point


class Session:
    """A film, the reading of it, and what the next click does.

    Parameters
    ----------
    film, film_path
        The film, and where it came from.
    reading : Reading
        What is already placed.
    keeper : Keeper
        Saves every edit.
    found : Found
        What else lay on disk for the film.
    blinded : bool
        Whether the plan and other readings stay hidden.

    Attributes
    ----------
    armed : str or None
        The landmark that a click places.
    selected : (name, index) or None
        The placed point that keys act on.
    question : Question or None
        A click that waits for an answer.
    saved : Saved or None
        How the last save went; None before the first edit.
    on_change : list of callables
        Called with ``"edit"`` after an edit, ``"drag"`` during one, ``"armed"`` when only the
        next click or the selection changed.
    """

    def __init__(
        self,
        film: Film,
        film_path: Path,
        reading: Reading,
        keeper: Keeper,
        found: Found = Found(None, (), ()),  # noqa: B008 - immutable
        *,
        blinded: bool = False,
    ) -> None:
        self.film = film
        self.film_path = film_path
        self.history = History(reading)
        self.keeper = keeper
        self.found = found
        self.blinded = blinded
        self.hips: Hips = hips_of(reading)
        self.further = False
        self.selected: tuple[str, int] | None = None
        self.question: Question | None = None
        self.saved: Saved | None = None
        self.on_change: list[Callable[[str], None]] = []
        self._dragged: Reading | None = None
        self.armed: str | None = next_step(reading, self.steps)

    @property
    def reading(self) -> Reading:
        """The reading as it stands, an unfinished drag included."""
        return self._dragged or self.history.present

    @property
    def dragging(self) -> bool:
        """Whether a point is being dragged."""
        return self._dragged is not None

    @property
    def steps(self) -> tuple[Step, ...]:
        """The landmarks to place, in order."""
        return steps(self.reading, self.hips, self.further)

    @property
    def others(self) -> tuple[Beside, ...]:
        """The other readings of this film, as far as this reader may see them."""
        return () if self.blinded else self.found.others

    # What a click, a drag and a key do

    def click(self, point: Point) -> None:
        """Place a point of the armed landmark, or ask if the side seems wrong."""
        self.question = None
        if self.armed is None or off_film(self.film, point):
            self._tell("armed")
            return
        meant = wrong_side(self.reading, self.film, self.armed, point)
        if meant:
            self.question = Question(self.armed, meant, point)
            self._tell("armed")
            return
        self._place(self.armed, point)

    def answer(self, name: str | None) -> None:
        """Place the questioned point as `name`, or drop it if `name` is None."""
        question, self.question = self.question, None
        if question is None:
            return
        if name is None:
            self._tell("armed")
        else:
            self._place(name, question.point)

    def _place(self, name: str, point: Point) -> None:
        points = list(self.reading.landmarks.get(name, ()))
        if LANDMARKS[name].kind.maximum == 1:
            points = [point]
        elif is_full(self.reading, name):
            self._tell("armed")
            return
        else:
            points.append(point)
        reading = self.reading.with_points(name, points)
        self.selected = (name, len(points) - 1)
        # An outline takes as many points as wanted, so only a full landmark hands on.
        if name == self.armed and is_full(reading, name):
            self.armed = next_step(reading, self.steps, name)
        self._commit(reading)

    def drag_to(self, name: str, index: int, point: Point) -> None:
        """Move a placed point for as long as the button is held."""
        points = list(self.history.present.landmarks[name])
        limits = [size - 1.0 for size in self.film.shape]
        points[index] = tuple(float(v) for v in np.clip(point, 0.0, limits))
        self.selected = (name, index)
        self._dragged = self.history.present.with_points(name, points)
        self._tell("drag")

    def drop(self) -> None:
        """End a drag: where the point now lies is one edit."""
        dragged, self._dragged = self._dragged, None
        if dragged is not None:
            self._commit(dragged)

    def select(self, name: str, index: int) -> None:
        """Make a placed point the one that keys act on."""
        self.selected = (name, index)
        self._tell("armed")

    def nudge(self, rows: float, columns: float) -> None:
        """Move the selected point by a few pixels or a part of one."""
        if self.selected is None:
            return
        name, index = self.selected
        points = [list(point) for point in self.reading.landmarks.get(name, ())]
        if index < len(points):
            points[index][0] += rows
            points[index][1] += columns
            self._commit(self.reading.with_points(name, points))

    def delete(self) -> None:
        """Delete the selected point, or the last one of the armed landmark."""
        name, index = self.selected or (self.armed, -1)
        points = list(self.reading.landmarks.get(name, ())) if name else []
        if not points:
            return
        del points[index if index < len(points) else -1]
        self.armed = name
        self.selected = (name, len(points) - 1) if points else None
        reading = self.reading
        self._commit(reading.with_points(name, points) if points else reading.without(name))

    def skip(self) -> None:
        """Record that the armed landmark is not visible on this film, and go on."""
        if self.armed is None:
            return
        reading = self.reading.with_points(self.armed, ())
        self.selected = None
        self.armed = next_step(reading, self.steps, self.armed)
        self._commit(reading)

    def arm(self, name: str | None) -> None:
        """Choose what a click places."""
        self.armed, self.selected, self.question = name, None, None
        self._tell("armed")

    def step(self, by: int) -> None:
        """Arm the landmark `by` places on in the list; forward, one that is not done."""
        names = [step.name for step in self.steps]
        if not names:
            return
        if by > 0:
            self.arm(next_step(self.reading, self.steps, self.armed))
            return
        here = names.index(self.armed) if self.armed in names else len(names)
        self.arm(names[max(here + by, 0)])

    def undo(self) -> None:
        """Take the last edit back, and make what it touched the next to be placed."""
        self._travel(self.history.undo)

    def redo(self) -> None:
        """Make the edit again that was taken back last."""
        self._travel(self.history.redo)

    def _travel(self, move: Callable[[], Reading]) -> None:
        before = self.reading
        self._dragged = None
        reading = move()
        if reading == before:
            return
        self.question = self.selected = None
        touched = [
            name for name in LANDMARKS if reading.landmarks.get(name) != before.landmarks.get(name)
        ]
        if touched:
            self.armed = touched[0]
            if is_done(reading, touched[0]) and is_full(reading, touched[0]):
                self.armed = next_step(reading, self.steps, touched[0])
        self._keep()

    # What is known of the hip

    def record(self, **facts: Any) -> None:
        """Set attributes of the reading other than its landmarks, as one edit."""
        self._commit(replace(self.reading, **facts))

    def set_operated(self, side: Side) -> None:
        """Say which hip is the index; what the two hips are goes with it."""
        if side != self.reading.operated_side:
            if not any(self.reading.landmarks.values()):
                self.hips = Hips(self.hips.right, self.hips.left)
            self.armed = self.question = None
            self._commit(replace(self.reading, operated_side=side))
        self._rearm()

    def set_hips(self, hips: Hips) -> None:
        """Say which hips are replaced or not on the film."""
        self.hips = hips
        self._rearm()

    def show_further(self, further: bool) -> None:
        """List the landmarks that only sharpen or check the main numbers, or not."""
        self.further = further
        self._rearm()

    def _rearm(self) -> None:
        names = [step.name for step in self.steps]
        if self.armed not in names:
            self.armed = next_step(self.reading, self.steps)
        self._tell("armed")

    def _commit(self, reading: Reading) -> None:
        if self.history.push(reading):
            self._keep()
        else:
            self._tell("armed")

    def release(self) -> None:
        """Drop a questioned click, or else let go of the selected point."""
        self.question, self.selected = None, None if self.question is None else self.selected
        self._tell("armed")

    def save_again(self) -> None:
        """Try once more to save what could not be saved."""
        self._keep()

    def _keep(self) -> None:
        self.saved = self.keeper.save(self.history.present)
        self._tell("edit")

    def _tell(self, what: str) -> None:
        for listener in list(self.on_change):
            listener(what)


def new_reading(film: Film, reader: str, operated_side: Side = "left") -> Reading:
    """Return an empty reading bound to a film, by a reader, made now."""
    return Reading(
        reader=reader,
        read_at=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
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
    if found.own:
        reading = found.own.reading
        keeper = Keeper(found.own.path, fallback, found.own)
    else:
        earlier = [] if blinded else [other.reading.operated_side for other in found.others]
        reading = new_reading(film, reader, earlier[0] if earlier else "left")
        path = home / reading_path(film_path, reader).name
        keeper = Keeper(free_name(path) if afresh else path, fallback)
    return Session(film, film_path, reading, keeper, found, blinded=blinded)
