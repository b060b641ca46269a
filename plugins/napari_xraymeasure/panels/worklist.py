"""The bar that leads through the films of a study."""

from __future__ import annotations

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QComboBox, QFrame, QGridLayout, QHBoxLayout, QLabel, QLineEdit

from napari_xraymeasure.panels.widgets import button, named, paragraph
from napari_xraymeasure.session.study_place import StudyPlace
from xraymeasure.series.study.study import Study


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
    closed : no arguments
        The study is to be left.
    """

    started = Signal(str, int)
    handed_in = Signal()
    remarked = Signal(str, str)
    closed = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.setFrameShape(QFrame.Shape.StyledPanel)
        grid = QGridLayout(self)
        grid.setContentsMargins(6, 4, 6, 4)
        grid.setVerticalSpacing(3)
        self.reader, self.occasion = QComboBox(), QComboBox()
        named(self.reader, "Reader of the study", "Whose list of films it is")
        named(self.occasion, "Occasion", "Which of the reader's repeats of the list this is")
        who = QHBoxLayout()
        who.setSpacing(6)
        who.addWidget(QLabel("Reader"))
        who.addWidget(self.reader, 1)
        who.addWidget(QLabel("occasion"))
        who.addWidget(self.occasion)
        who.addWidget(
            button(
                "Go on",
                "Open the next film of this reader's list",
                self._start,
                "Go on with the list",
            )
        )
        who.addWidget(button("Leave", "Leave the study", self.closed.emit, "Leave the study"))
        grid.addLayout(who, 0, 0)
        self.progress = paragraph(name="Progress of the study")
        grid.addWidget(self.progress, 1, 0)
        self.remark = QLineEdit()
        self.remark.setPlaceholderText("a comment, or the reason to exclude this film")
        named(self.remark, "Remark", "A comment on this film, or the reason to exclude it")
        grid.addWidget(self.remark, 2, 0)
        acts = QHBoxLayout()
        acts.setSpacing(6)
        self.hand_in = button(
            "Hand in, next film",
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
        for act in (self.hand_in, self.comment, self.exclude):
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
            self.remark.setFocus()

    def show_study(self, study: Study, reader: str) -> None:
        """Show a study; no film of it is open yet."""
        self.reader.clear()
        self.reader.addItems(study.readers)
        self.reader.setCurrentIndex(max(self.reader.findText(reader), 0))
        self.occasion.clear()
        for occasion in range(1, study.occasions + 1):
            self.occasion.addItem(str(occasion), occasion)
        self.progress.setText(study.title or study.folder.name)
        self._enable(False)
        self.setVisible(True)

    def show_place(self, place: StudyPlace) -> None:
        """Show the film that is being read and how far the reader is."""
        self.progress.setText(f"<b>{place.film.label}</b>: {place.work.progress}")
        self._enable(True)

    def show_finished(self, progress: str) -> None:
        """Show that there is no film left on the list."""
        self.progress.setText(f"Every film of this list is dealt with: {progress}")
        self._enable(False)

    def _enable(self, enabled: bool) -> None:
        for widget in (self.remark, self.hand_in, self.comment, self.exclude):
            widget.setEnabled(enabled)
