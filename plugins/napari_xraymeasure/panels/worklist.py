"""The bar that leads through the films of a study, and what it does."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import QObject, Signal
from qtpy.QtWidgets import QComboBox, QFrame, QGridLayout, QHBoxLayout, QLabel, QLineEdit

from napari_xraymeasure.canvas.film_layer import Opened
from napari_xraymeasure.panels.widgets import (
    button,
    make_narrow,
    named,
    no_wider_than,
    paragraph,
)
from napari_xraymeasure.session.placing_order import is_done
from napari_xraymeasure.session.session import Session
from napari_xraymeasure.session.study_place import StudyPlace, hand_in
from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.read import read_film
from xraymeasure.reading.reading import Reading
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.study import Study, read_study
from xraymeasure.series.study.worklist import remark, worklist

UNDONE = "the exclusion was taken back at once"


class StudyBar(QFrame):
    """Who reads, on which occasion, how far they are, and what they do with this film.

    Signals
    -------
    started : str, int
        A reader wants to go on with their list of an occasion.
    handed_in : no arguments
        The reading of this film is finished.
    remarked : str, str
        ``comment`` or ``exclude``, and the reader's words.
    taken_back : no arguments
        The last exclusion was a mistake.
    left : no arguments
        The study is to be left.
    """

    started = Signal(str, int)
    handed_in = Signal()
    remarked = Signal(str, str)
    taken_back = Signal()
    left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.setFrameShape(QFrame.Shape.StyledPanel)
        grid = QGridLayout(self)
        grid.setContentsMargins(2, 4, 2, 4)
        grid.setVerticalSpacing(3)
        self.reader, self.occasion = QComboBox(), QComboBox()
        named(self.reader, "Reader of the study", "Whose list of films it is")
        named(self.occasion, "Occasion", "Which of the reader's repeats of the list this is")
        who = QHBoxLayout()
        who.setSpacing(2)
        who.addWidget(QLabel("Reader"))
        who.addWidget(self.reader, 1)
        who.addWidget(self.occasion)
        go_on = button(
            "Go on", "Open the next film of this reader's list", self._start, "Go on with the list"
        )
        leave = button("Leave", "Leave the study", self.left.emit, "Leave the study")
        # A bar that comes with a study must not make the film narrower.
        no_wider_than(self.reader, "AB")
        no_wider_than(self.occasion, "occasion 10")
        for narrow in (go_on, leave):
            make_narrow(narrow)
            who.addWidget(narrow)
        grid.addLayout(who, 0, 0)
        self.progress = paragraph(name="Progress of the study")
        grid.addWidget(self.progress, 1, 0)
        self.remark = QLineEdit()
        self.remark.setPlaceholderText("a comment, or the reason to exclude this film")
        named(self.remark, "Remark", "A comment on this film, or the reason to exclude it")
        grid.addWidget(self.remark, 2, 0)
        acts = QHBoxLayout()
        acts.setSpacing(2)
        self.hand_in = button(
            "Hand in, next",
            "This reading is finished: add it to the study and go on",
            self.handed_in.emit,
        )
        self.comment = button(
            "Comment", "Write the remark down as a comment", lambda: self._remark("comment")
        )
        self.exclude = button(
            "Exclude",
            "Take this film out of the list, for the reason in the remark",
            lambda: self._remark("exclude"),
        )
        self.take_back = button(
            "Take back",
            "Take the film that was excluded last into the list again, and open it",
            self.taken_back.emit,
            "Take the last exclusion back",
        )
        for act in (self.hand_in, self.comment, self.exclude, self.take_back):
            make_narrow(act)
            acts.addWidget(act)
        grid.addLayout(acts, 3, 0)
        self.setVisible(False)

    def _start(self) -> None:
        self.started.emit(self.reader.currentText(), self.occasion.currentData())

    def _remark(self, kind: str) -> None:
        text = self.remark.text().strip()
        if text:
            self.remarked.emit(kind, text)
            self.remark.clear()
        else:
            self.remark.setPlaceholderText("first write here why, or what there is to say")
            self.remark.setFocus()

    def show_study(self, study: Study, reader: str) -> None:
        """Show a study; no film of it is open yet."""
        self.reader.clear()
        self.reader.addItems(study.readers)
        self.reader.setCurrentIndex(max(self.reader.findText(reader), 0))
        self.occasion.clear()
        for occasion in range(1, study.occasions + 1):
            self.occasion.addItem(f"occasion {occasion}", occasion)
        title = study.title or study.folder.name
        self.progress.setText(f"<b>{title}</b>: choose who reads, then <b>Go on</b> to a film.")
        self._enable(False)
        self.take_back.setEnabled(False)
        self.setVisible(True)

    def show_place(self, place: StudyPlace) -> None:
        """Show the film that is being read and how far the reader is."""
        self.progress.setText(f"<b>{place.title}</b>: {place.work.progress}")
        self._enable(True)

    def show_finished(self, progress: str) -> None:
        """Show that there is no film left on the list."""
        self.progress.setText(f"Every film of this list is dealt with: {progress}")
        self._enable(False)

    def _enable(self, enabled: bool) -> None:
        for widget in (self.remark, self.hand_in, self.comment, self.exclude):
            widget.setEnabled(enabled)


class StudyDesk(QObject):
    """From film to film of a reader's list.

    Nothing about progress is remembered here: the list follows from the study's folder, so that
    it resumes where it stopped.

    Signals
    -------
    opened : object
        The film that is to be read now, as `Opened`.
    closed : no arguments
        No film of a study is to be read any longer.
    said : str, str, str
        The key, the text and the severity of a notice.
    """

    opened = Signal(object)
    closed = Signal()
    said = Signal(str, str, str)

    def __init__(self, bar: StudyBar) -> None:
        super().__init__()
        self._bar = bar
        self._study: Study | None = None
        self._place: StudyPlace | None = None
        self._excluded: tuple[StudyPlace, StudyFilm] | None = None
        self._warned: tuple[Reading, bool] | None = None
        bar.started.connect(self.go_on)
        bar.remarked.connect(self.remark)
        bar.taken_back.connect(self.take_back)
        bar.left.connect(self.leave)

    def open(self, path: Path, reader: str) -> None:
        """Open a study; its reader then chooses whose list to go on with."""
        self._study = read_study(path)
        self._excluded = None
        self._bar.show_study(self._study, reader)

    def go_on(self, reader: str, occasion: int) -> None:
        """Open the next film of a list."""
        study = self._study
        if study is None:
            return
        try:
            work = worklist(study, reader, occasion)
            film = work.next_film
            if film is None:
                self._place = None
                self._bar.show_finished(work.progress)
                self.closed.emit()
                return
            self._place = StudyPlace(work, film)
            self._bar.show_place(self._place)
            self.opened.emit(
                Opened(read_film(film.file), film.file, blinded=study.blinded, place=self._place)
            )
        except (XrayMeasureError, OSError) as error:
            self.said.emit("message", str(error), "strong")

    def hand_in(self, session: Session | None) -> None:
        """Add the reading to the study and open the next film; warn once if it is not complete."""
        place = self._place
        if session is None or place is None:
            return
        left = [step for step in session.steps if not is_done(session.reading, step.name)]
        standing = session.reading, session.side_known
        if (left or not session.side_known) and standing != self._warned:
            self._warned = standing
            lacking = (
                f"{len(left)} landmarks are neither placed nor marked as not visible."
                if session.side_known
                else "Nobody has said which hip was operated on."
            )
            again = "Hand in once more to hand the reading in as it is."
            self.said.emit("unfinished", f"{lacking} {again}", "warning")
            return
        try:
            hand_in(session, place)
        except XrayMeasureError as error:
            self.said.emit("message", str(error), "strong")
            return
        self.go_on(place.work.reader, place.work.occasion)

    def remark(self, kind: str, text: str) -> None:
        """Write a comment down, or exclude the film for a reason and go on."""
        place = self._place
        if place is None:
            return
        try:
            remark(place.work, place.film, kind, text)
        except (XrayMeasureError, OSError) as error:
            self.said.emit("message", str(error), "strong")
            return
        if kind == "exclude":
            self._excluded = (place, place.film)
            self._bar.take_back.setEnabled(True)
            self.go_on(place.work.reader, place.work.occasion)
        else:
            self.said.emit("message", "The comment was written down.", "note")

    def take_back(self) -> None:
        """Take the film that was excluded last into the list again and open it."""
        if self._excluded is None:
            return
        (place, film), self._excluded = self._excluded, None
        self._bar.take_back.setEnabled(False)
        try:
            remark(place.work, film, "include", UNDONE)
        except (XrayMeasureError, OSError) as error:
            self.said.emit("message", str(error), "strong")
            return
        self.go_on(place.work.reader, place.work.occasion)

    def leave(self) -> None:
        """Close the study and its film; the draft stays in the study."""
        self._study = self._place = self._excluded = None
        self._bar.setVisible(False)
        self.closed.emit()
