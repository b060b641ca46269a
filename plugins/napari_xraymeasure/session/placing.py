"""Edits of a reading by clicks, drags and keys; no disk and no numbers here.

The `Reading` is the state. A click, a key or a drag becomes an edit, `Reading -> Reading`, that
can be undone. No click is ever thrown away: what seems wrong is placed and asked about.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from napari_xraymeasure.session.history import History
from napari_xraymeasure.session.placing_order import (
    Hips,
    PlacingStep,
    hips_of,
    is_done,
    is_full,
    next_step,
    off_film,
    steps,
    wrong_side,
)
from napari_xraymeasure.session.proposals import is_outline, moved_whole, without_proposal
from xraymeasure.film.film import Film
from xraymeasure.geometry.outline_doubt import rim_like_a_head
from xraymeasure.reading.reading import Point, Reading
from xraymeasure.vocabulary.landmarks import (
    LANDMARKS,
    MOST_PLACEMENTS,
    Side,
    landmark_name,
    other_side,
)

NUDGE_PX = 0.25
NUDGE_FAR_PX = 2.0


@dataclass(frozen=True)
class Question:
    """Something that was placed and is probably something else, or waits for the side.

    Attributes
    ----------
    about : {"operated", "side", "outline"}
        Which hip is under review; which side a landmark is of; what an outline is.
    name, meant : str
        What it was placed as, and what it probably is; empty where the side is asked for.
    point : (row, column)
        Where on the film the question arose.
    text : str
        Why it is asked.
    """

    about: Literal["operated", "side", "outline"]
    name: str
    meant: str
    point: Point
    text: str


class Placing:
    """A reading of one film while it is being placed.

    Parameters
    ----------
    film : Film
    reading : Reading
        What is placed already.
    side_known : bool
        Whether someone said which hip is under review; until then clicks wait.

    Attributes
    ----------
    armed : str or None
        The landmark that a click places.
    selected : (name, index) or None
        The point that keys act on.
    cursor : (row, column) or None
        Where the keys would place a point.
    waiting : tuple of (row, column)
        Clicks that wait for the side.
    on_change : list of callable
        Called with ``armed``, ``drag`` or ``edit``.
    """

    def __init__(self, film: Film, reading: Reading, *, side_known: bool = True) -> None:
        self.film = film
        self.history = History(reading)
        self.hips: Hips = hips_of(reading)
        self.side_known = side_known
        self.further = False
        self.selected: tuple[str, int] | None = None
        self.cursor: Point | None = None
        self.question: Question | None = None
        self.waiting: tuple[Point, ...] = ()
        self.on_change: list[Callable[[str], None]] = []
        self._settled: set[str] = set()
        self._middle_trusted = True
        self._dragged: Reading | None = None
        self._again: str | None = None
        self.armed: str | None = next_step(reading, self.steps) if side_known else None

    @property
    def reading(self) -> Reading:
        """The reading as it stands, an unfinished drag included."""
        return self._dragged or self.history.present

    @property
    def dragging(self) -> bool:
        """Whether a point is being dragged."""
        return self._dragged is not None

    @property
    def steps(self) -> tuple[PlacingStep, ...]:
        """The landmarks to place, in order."""
        return steps(self.reading, self.hips, self.further) if self.side_known else ()

    # What a click places

    def click(self, point: Point) -> None:
        """Place a point of the armed landmark; ask if it seems to be of another."""
        if off_film(self.film, point):
            self._tell("armed")
        elif not self.side_known:
            self.waiting = (*self.waiting, point)
            self.question = Question("operated", "", "", point, "")
            self._tell("armed")
        elif self.armed is None:
            self._tell("armed")
        else:
            self._place(self.armed, [point])

    def _place(self, name: str, added: Sequence[Point]) -> None:
        before = self.reading
        if name in before.unconfirmed:
            # A click elsewhere than on a proposal begins the landmark by hand.
            before = without_proposal(before, name)
        points = list(before.landmarks.get(name, ()))
        kind = LANDMARKS[name].kind
        if kind.maximum == 1:
            points = [*(points if self.placing_again else ()), added[-1]]
        else:
            room = None if kind.maximum is None else kind.maximum - len(points)
            points += added[:room]
        if points == list(before.landmarks.get(name, ())):
            self._tell("armed")
            return
        reading = before.with_points(name, points)
        self._again = None
        self._ask(name, points[-1], reading)
        self.selected, self.cursor = (name, len(points) - 1), None
        # An outline takes as many points as wanted; what is full or a single point hands on.
        if name == self.armed and (is_full(reading, name) or kind.shape == "point"):
            self.armed = next_step(reading, self.steps, name)
        self._commit(reading)

    def _ask(self, name: str, point: Point, reading: Reading) -> None:
        """Ask about what was just placed, unless it is known or was answered before."""
        landmark = LANDMARKS[name]
        if name in self._settled:
            return
        if landmark.side and self.hips.of(other_side(landmark.side)) != "not shown":
            meant = wrong_side(self.reading, self.film, name, point, self._middle_trusted)
            if meant:
                text = f"This point seems to lie on the patient's {other_side(landmark.side)}."
                self.question = Question("side", name, meant, point, text)
                return
        why = rim_like_a_head(reading, name)
        if why:
            head = landmark_name("femoral_head", landmark.side)
            self.question = Question("outline", name, head, point, why)

    def answer(self, choice: str) -> None:
        """Answer the question.

        Parameters
        ----------
        choice : str
            ``keep`` what was placed as it is; ``move`` its points to what was meant; ``swap`` the
            operated side and move them; ``drop`` them.
        """
        question, self.question = self.question, None
        if question is None or question.about == "operated":
            return
        name, meant = question.name, question.meant
        if choice == "keep":
            self._settled.add(name)
            if question.about == "side":
                self._middle_trusted = False
            self._tell("armed")
            return
        points = self.reading.landmarks.get(name, ())
        reading = self.reading.without(name)
        if choice == "drop" or not points:
            self.armed, self.selected = name, None
            self._commit(reading)
            return
        if choice == "swap":
            self.hips = Hips(self.hips.right, self.hips.left)
            reading = replace(reading, operated_side=other_side(reading.operated_side))
        if not reading.has(meant) or LANDMARKS[meant].kind.maximum == 1:
            reading = reading.with_points(meant, points)
        elif LANDMARKS[meant].kind.maximum is None:
            reading = reading.with_points(meant, (*reading.landmarks[meant], *points))
        self.selected = (meant, len(reading.landmarks[meant]) - 1)
        self._settled.add(meant)
        done = is_full(reading, meant) or LANDMARKS[meant].kind.shape == "point"
        # What was armed wrongly is armed again; an outline that has begun goes on.
        self.armed = name if done or question.about == "outline" else meant
        self._commit(reading)

    def release(self) -> None:
        """Keep what is asked about, or else let go of the cursor, or of the chosen point."""
        if self.question is not None and self.question.about != "operated":
            self.answer("keep")
            return
        if self.cursor is None:
            self.selected = None
        self.cursor = None
        self._tell("armed")

    # What a drag does

    def drag_to(self, name: str, index: int, point: Point) -> None:
        """Move a placed point for as long as the button is held."""
        present = self.history.present
        points = list(present.landmarks[name])
        limits = [size - 1.0 for size in self.film.shape]
        points[index] = tuple(float(v) for v in np.clip(point, 0.0, limits))
        if name in present.unconfirmed and is_outline(name):
            self._dragged, self.selected = moved_whole(present, name, index, points[index])
        else:
            self._dragged, self.selected = present.with_points(name, points), (name, index)
        self._tell("drag")

    def drop(self) -> None:
        """End a drag: where the point now lies is one edit."""
        dragged, self._dragged = self._dragged, None
        if dragged is not None:
            self._commit(dragged)

    # What keys do

    def select(self, name: str, index: int) -> None:
        """Make a placed point the one that keys act on."""
        self.selected, self.cursor = (name, index), None
        self._tell("armed")

    def aim(self, point: Point) -> None:
        """Put the cursor of the keys somewhere on the film."""
        limits = [size - 1.0 for size in self.film.shape]
        self.cursor = tuple(float(v) for v in np.clip(point, 0.0, limits))
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
        if self.question and self.question.name == name:
            self.question = None
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
        self.armed, self.selected, self.cursor, self._again = name, None, None, None
        self._tell("armed")

    @property
    def repeatable(self) -> str | None:
        """The point landmark that may be placed once more: the chosen one, or the armed one."""
        name = self.selected[0] if self.selected else self.armed
        if name is None or LANDMARKS[name].kind.shape != "point":
            return None
        return name if 0 < len(self.reading.landmarks.get(name, ())) < MOST_PLACEMENTS else None

    @property
    def placing_again(self) -> bool:
        """Whether the next click places a landmark once more, to be averaged."""
        return self._again is not None and self._again == self.armed

    def place_again(self) -> None:
        """Let the next click place a point landmark once more; its placements are averaged."""
        name = self.repeatable
        if name is not None:
            self.arm(name)
            self._again = name
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
        self._changed()

    # What is known of the hips

    def set_operated(self, side: Side) -> None:
        """Say which hip is the index; what the two hips are goes with it."""
        if not self.side_known or side != self.reading.operated_side:
            if side != self.reading.operated_side and not any(self.reading.landmarks.values()):
                self.hips = Hips(self.hips.right, self.hips.left)
            self.side_known, self.armed, self.question = True, None, None
            self._commit(replace(self.reading, operated_side=side))
        waiting, self.waiting = self.waiting, ()
        self._rearm()
        if waiting and self.armed:
            self._place(self.armed, waiting)

    def set_hips(self, hips: Hips) -> None:
        """Say which hips are replaced or not on the film."""
        self.hips = hips
        if self.question and self.question.about == "side" and "not shown" in vars(hips).values():
            self.question = None
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
            self._changed()
        else:
            self._tell("armed")

    def _changed(self) -> None:
        self._tell("edit")

    def _tell(self, what: str) -> None:
        for listener in list(self.on_change):
            listener(what)
