"""Reading a study in the window: from film to film of a reader's list."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from napari_xraymeasure.canvas.film_layer import Opened
from napari_xraymeasure.session.placing_order import is_done
from napari_xraymeasure.session.study_place import StudyPlace, hand_in
from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.read import read_film
from xraymeasure.series.study.study import Study, read_study
from xraymeasure.series.study.worklist import comment, exclude, worklist

if TYPE_CHECKING:
    from napari_xraymeasure.dock import Dock
    from napari_xraymeasure.session.session import Session


class StudyDesk:
    """What the bar of a study does to the dock.

    Nothing about progress is remembered here: the list follows from the study's folder, so that
    it resumes where it stopped.
    """

    def __init__(self, dock: Dock) -> None:
        self._dock = dock
        self._study: Study | None = None
        self._place: StudyPlace | None = None
        self._warned: Session | None = None
        dock.bar.started.connect(self.go_on)
        dock.bar.handed_in.connect(self.hand_in)
        dock.bar.remarked.connect(self.remark)
        dock.bar.closed.connect(self.leave)

    def open(self, path: Path) -> None:
        """Open a study; its reader then chooses whose list to go on with."""
        self._study = read_study(path)
        self._dock.bar.show_study(self._study, self._dock.reader)

    def go_on(self, reader: str, occasion: int) -> None:
        """Open the next film of a list."""
        dock, study = self._dock, self._study
        dock.reader = reader
        try:
            work = worklist(study, reader, occasion)
            film = work.next_film
            if film is None:
                self._place = None
                dock.bar.show_finished(work.progress)
                dock.close_film()
                return
            self._place = StudyPlace(work, film)
            dock.bar.show_place(self._place)
            opened = Opened(
                read_film(film.file), film.file, blinded=study.blinded, place=self._place
            )
            dock.add(opened)
        except (XrayMeasureError, OSError) as error:
            dock.notices.say("message", str(error), "strong")

    def hand_in(self) -> None:
        """Add the reading to the study and open the next film; warn once if it is not complete."""
        session, place = self._dock.session, self._place
        if session is None or place is None:
            return
        left = [step for step in session.steps if not is_done(session.reading, step.name)]
        if left and session is not self._warned:
            self._warned = session
            self._dock.notices.say(
                "message",
                f"{len(left)} landmarks are neither placed nor marked as not visible. Hand in "
                "once more to hand the reading in as it is.",
            )
            return
        try:
            hand_in(session, place)
        except XrayMeasureError as error:
            self._dock.notices.say("message", str(error), "strong")
            return
        self.go_on(place.work.reader, place.work.occasion)

    def remark(self, kind: str, text: str) -> None:
        """Write a comment down, or exclude the film for a reason and go on."""
        place = self._place
        if place is None:
            return
        try:
            (exclude if kind == "exclude" else comment)(place.work, place.film, text)
        except (XrayMeasureError, OSError) as error:
            self._dock.notices.say("message", str(error), "strong")
            return
        if kind == "exclude":
            self.go_on(place.work.reader, place.work.occasion)
        else:
            self._dock.notices.say("message", "The comment was written down.", "note")

    def leave(self) -> None:
        """Close the study and its film; the draft stays in the study."""
        self._study = self._place = None
        self._dock.bar.setVisible(False)
        self._dock.close_film()
