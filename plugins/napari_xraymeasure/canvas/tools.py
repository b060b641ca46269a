"""What a person can do at one film beside clicking: the actions of keys and buttons."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from napari_xraymeasure.canvas.film_before import FilmBefore
from napari_xraymeasure.canvas.film_view import FilmView
from napari_xraymeasure.session.opening import film_before
from napari_xraymeasure.session.placing import NUDGE_FAR_PX, NUDGE_PX
from napari_xraymeasure.session.ruler import Ruler
from napari_xraymeasure.session.session import Session
from xraymeasure.change.alignment import pelvis_on_pelvis
from xraymeasure.errors import XrayMeasureError

Say = Callable[[str, str, str], None]

_NONE_CHOSEN = "Choose the film before the operation under Plan."


class FilmTools:
    """Free measurement, central ray, placing by keys, and the film before the operation.

    Parameters
    ----------
    session, view
        The film's.
    say : callable
        Tells a person something: key, text, severity.
    redraw : callable
        Draws the film anew.
    copy : callable
        Copies the numbers.
    answer : callable
        Gives the answer of a number, counted from 1, to what is asked.
    follows : bool
        Whether the view goes to the next landmark by itself.
    """

    def __init__(
        self,
        session: Session,
        view: FilmView,
        say: Say,
        redraw: Callable[[], None],
        copy: Callable[[], None],
        answer: Callable[[int], None],
        *,
        follows: bool,
    ) -> None:
        self._session, self._view = session, view
        self._say, self._redraw = say, redraw
        self.follows = follows
        self.ruler = Ruler()
        self._beam_wanted = False
        self._before: FilmBefore | None = None
        self._no_before = _NONE_CHOSEN
        self._went_to = session.armed
        self._acts: dict[str, Callable[[], None]] = {
            "next": lambda: session.step(1),
            "previous": lambda: session.step(-1),
            "skip": session.skip,
            "confirm": session.confirm,
            "confirm_bone": lambda: session.confirm_bone(view.shows),
            "refuse": session.refuse,
            "again": session.place_again,
            "delete": session.delete,
            "undo": session.undo,
            "redo": session.redo,
            "release": self._release,
            "zoom_region": lambda: view.zoom_to_landmark(session),
            "zoom_film": view.zoom_to_film,
            "zoom_in": view.zoom_in,
            "zoom_out": view.zoom_out,
            "labels": view.toggle_labels,
            "loupe": view.toggle_loupe,
            "metal": view.toggle_metal,
            "follow": self._toggle_follow,
            "free": self._toggle_ruler,
            "before": lambda: self.show_before("over"),
            "copy": copy,
            "place": self._place_by_keys,
        }
        for number in range(1, 10):
            self._acts[f"answer_{number}"] = lambda number=number: answer(number)
        for way, step in {"up": (-1, 0), "down": (1, 0), "left": (0, -1), "right": (0, 1)}.items():
            self._acts[f"nudge_{way}"] = lambda step=step: self._nudge(*step, NUDGE_PX)
            self._acts[f"far_{way}"] = lambda step=step: self._nudge(*step, NUDGE_FAR_PX)

    def act(self, action: str) -> None:
        """Do what a key or a button of the shortcuts' table stands for."""
        if action == "before" or not self._view.deaf:
            self._acts[action]()

    def take_click(self, point: tuple[float, float]) -> bool:
        """Take a click that is not meant for a landmark; return whether it was one."""
        if self._beam_wanted:
            self._beam_wanted = False
            self._say("beam", "", "note")
            self._session.record(beam_centre=point)
            return True
        taken = self.ruler.click(point)
        if taken:
            self._redraw()
        return taken

    def follow(self) -> None:
        """Go to the landmark that is armed now, if it is another than before."""
        session = self._session
        if session.armed != self._went_to:
            self._went_to = session.armed
            if self.follows:
                if session.armed is None:
                    self._view.zoom_to_film()
                else:
                    self._view.zoom_to_landmark(session)

    def want_beam(self) -> None:
        """Let the next click say where the central ray falls."""
        self._beam_wanted = True
        self._say("beam", "Click where the central ray falls; Esc leaves it.", "note")

    def _release(self) -> None:
        if self._beam_wanted:
            self._beam_wanted = False
            self._say("beam", "", "note")
        elif self.ruler.active:
            self._toggle_ruler()
        else:
            self._session.release()

    def _toggle_ruler(self) -> None:
        self.ruler.toggle()
        words = "Two clicks give a distance, a third the angle at the second; D or Esc ends it."
        self._say("free", words if self.ruler.active else "", "note")
        self._redraw()

    def _toggle_follow(self) -> None:
        self.follows = not self.follows
        words = "goes to the next landmark by itself" if self.follows else "stays where it is"
        self._say("follow", f"The view {words}; A changes that.", "note")

    # Placing by keys

    def _nudge(self, down: float, along: float, by: float) -> None:
        """Move the chosen point, or the cursor, as the screen sees it, however the film lies."""
        session = self._session
        if session.cursor is not None:
            self._view.move_cursor(down, along, far=by > NUDGE_PX)
            return
        (x_row, x_column), (y_row, y_column) = session.film.patient_axes
        rows, columns = down * y_row + along * x_row, down * y_column + along * x_column
        session.nudge(by * rows, by * columns)

    def _place_by_keys(self) -> None:
        session = self._session
        if session.cursor is None:
            session.aim(self._view.middle())
            return
        point, session.cursor = session.cursor, None
        if not self.take_click(point):
            session.click(point)

    # The film before the operation

    def compare_with(self, path: Path | None, reader: str) -> None:
        """Hold the film against an earlier one, or against none."""
        session = self._session
        self.take_before_away()
        self._no_before = _NONE_CHOSEN
        if path is None or session.blinded:
            session.compare_with_before(None)
            return
        try:
            session.compare_with_before(film_before(path, reader), path.name)
        except (XrayMeasureError, OSError) as error:
            self._no_before = str(error)
        # Where nothing is placed yet it is no news that the two cannot be laid on one another.
        if session.before is None or (session.reading.landmarks and not self._lay_before()):
            self._say("before", self._no_before, "warning")

    def _lay_before(self) -> bool:
        """Lay the film before on this one, if the landmarks of both allow it."""
        found, session, view = self._session.before, self._session, self._view
        if found is None:
            return False
        try:
            onto, _names = pelvis_on_pelvis(
                (found.film, found.reading), (session.film, session.reading)
            )
        except XrayMeasureError as error:
            self._no_before = str(error)
            return False
        self._before = FilmBefore(view.viewer, view.layer, found.film, onto)
        return True

    def show_before(self, place: str) -> None:
        """Show the film before ``over`` or ``beside`` this one, or take it away again."""
        if self._before is None and not self._lay_before():
            self._say("before", self._no_before, "warning")
            return
        was = self._before.shown
        self._before.show("" if was == place else place)
        if "beside" in (was, self._before.shown):
            self._view.zoom_to_film()

    def take_before_away(self) -> None:
        """Take the film before off the canvas."""
        if self._before is not None:
            before, self._before = self._before, None
            before.remove()
