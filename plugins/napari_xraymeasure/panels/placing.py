"""The panel that leads from landmark to landmark."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
    QCheckBox,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.canvas.drawn_shapes import spread_in_words
from napari_xraymeasure.canvas.keys import shortcut_for
from napari_xraymeasure.panels.hips_form import HipsForm
from napari_xraymeasure.panels.landmark_pictures import picture
from napari_xraymeasure.panels.questions import QuestionBox
from napari_xraymeasure.panels.widgets import ButtonRow, button, make_narrow, named, paragraph
from napari_xraymeasure.session.proposals import how_proposed
from napari_xraymeasure.session.session import Session
from xraymeasure.vocabulary.landmarks import LANDMARKS, MOST_PLACEMENTS

_PICTURE_HEIGHT = 112
_BUTTONS: tuple[tuple[tuple[str, str], ...], ...] = (
    (
        ("previous", "Before"),
        ("next", "Next"),
        ("skip", "Unseen"),
        ("undo", "Undo"),
        ("redo", "Redo"),
        ("delete", "Delete"),
    ),
    (
        ("zoom_region", "Zoom"),
        ("zoom_film", "Film"),
        ("zoom_in", "+"),
        ("zoom_out", "−"),
        ("metal", "Metal"),
        ("follow", "Follow"),
    ),
    (
        ("labels", "Labels"),
        ("loupe", "Loupe"),
        ("free", "Ruler"),
        ("before", "Flicker"),
        ("place", "Keys"),
        ("again", "Again"),
    ),
)
"""Action of the shortcuts' table and what its button says, row by row."""


class PlacingPanel(QWidget):
    """Which hips, which sizes, and what to place next.

    Signals
    -------
    asked : str
        The name of an action of the shortcuts' table.
    refused : str
        Why a size that was entered was not taken.
    findings_wanted : no arguments
        A person wants to read what is said of a size.
    proposing : bool
        Whether the program is to propose what is metal.
    """

    asked = Signal(str)
    refused = Signal(str)
    findings_wanted = Signal()
    proposing = Signal(bool)

    def __init__(self) -> None:
        super().__init__()
        self._session: Session | None = None
        self.buttons: dict[str, QPushButton] = {}
        layout = QVBoxLayout(self)
        layout.setContentsMargins(2, 4, 2, 4)
        layout.setSpacing(5)
        self.hips = HipsForm()
        self.hips.refused.connect(self.refused)
        self.hips.findings_wanted.connect(self.findings_wanted)
        layout.addWidget(self.hips)
        # What grows and shrinks stands below the buttons, so that none moves under the pointer.
        layout.addLayout(self._make_buttons())
        self.further = QCheckBox("further landmarks")
        named(
            self.further,
            "List further landmarks",
            "Also list the landmarks that only check or sharpen the main numbers",
        )
        self.further.toggled.connect(lambda on: self._with_session(lambda s: s.show_further(on)))
        self.proposes = QCheckBox("propose metal")
        named(
            self.proposes,
            "Propose what is metal",
            "Look for heads, cups and stems on a newly opened film, and for the bones of the film "
            "before, for you to confirm",
        )
        for box in (self.further, self.proposes):
            # A click leaves the keys with the film, as one on a button does.
            box.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.proposes.setChecked(True)
        self.proposes.toggled.connect(self.proposing)
        boxes = QHBoxLayout()
        boxes.addWidget(self.further)
        boxes.addWidget(self.proposes)
        layout.addLayout(boxes)
        layout.addWidget(self._make_card())
        layout.addWidget(self._make_list(), 1)
        # Takes the room of the list while there is none, so that nothing above it moves.
        layout.addStretch(0)

    # --- how it is built

    def _make_card(self) -> QFrame:
        card = QFrame()
        card.setFrameShape(QFrame.Shape.StyledPanel)
        column = QVBoxLayout(card)
        column.setContentsMargins(6, 4, 6, 4)
        column.setSpacing(3)
        row = QHBoxLayout()
        column.addLayout(row)
        self.drawing = QLabel()
        self.drawing.setAlignment(Qt.AlignmentFlag.AlignTop)
        row.addWidget(self.drawing)
        words = QVBoxLayout()
        words.setSpacing(3)
        self.title = paragraph(name="Landmark to place")
        font = self.title.font()
        font.setBold(True)
        font.setPointSizeF(font.pointSizeF() * 1.15)
        self.title.setFont(font)
        self.sentence = paragraph(name="How to place it")
        self.count = paragraph(name="Points so far")
        for label in (self.title, self.sentence, self.count):
            words.addWidget(label)
        words.addStretch(1)
        row.addLayout(words, 1)
        self.question = QuestionBox()
        column.addWidget(self.question)
        return card

    def _make_buttons(self) -> QGridLayout:
        grid = QGridLayout()
        grid.setSpacing(3)
        self._rows: list[ButtonRow] = []
        for row, acts in enumerate(_BUTTONS):
            made = [self._make_button(action, text) for action, text in acts]
            for column, each in enumerate(made):
                grid.addWidget(each, row, column)
            self._rows.append(ButtonRow(made, self))
        return grid

    def _make_button(self, action: str, text: str) -> QPushButton:
        """Return a button for an action that has a key too."""
        shortcut = shortcut_for(action)
        self.buttons[action] = button(
            text,
            f"{shortcut.words.capitalize()} ({shortcut.shown})",
            lambda: self.asked.emit(action),
            f"{text}: {shortcut.words}",
        )
        make_narrow(self.buttons[action])
        return self.buttons[action]

    def _make_list(self) -> QListWidget:
        self.list = QListWidget()
        self.list.setMinimumHeight(64)
        named(self.list, "Landmarks", "The landmarks of this film in order; choose one to place it")
        self.list.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.list.itemClicked.connect(self._arm_item)
        self.list.itemActivated.connect(self._arm_item)
        return self.list

    # --- what a person does

    def _with_session(self, act: Callable[[Session], None]) -> None:
        if self._session is not None:
            act(self._session)

    def _arm_item(self, item: QListWidgetItem) -> None:
        self._with_session(lambda s: s.arm(item.data(Qt.ItemDataRole.UserRole)))

    # --- what it shows

    def show_session(self, session: Session, mm_per_px: float | None) -> None:
        """Show where the reading stands."""
        self._session = session
        self.hips.show_session(session)
        self._show_card(session, mm_per_px)
        self._show_list(session)
        self.buttons["undo"].setEnabled(session.history.can_undo)
        self.buttons["redo"].setEnabled(session.history.can_redo)
        self.buttons["skip"].setEnabled(session.armed is not None)
        self.buttons["zoom_region"].setEnabled(session.armed is not None)
        self.buttons["again"].setEnabled(session.repeatable is not None)
        self.proposes.setEnabled(not session.blinded)
        for row in self._rows:
            row.refresh()
        self.further.blockSignals(True)
        self.further.setChecked(session.further)
        self.further.blockSignals(False)

    def show_spread(self, session: Session, mm_per_px: float | None) -> None:
        """Show only what changes during a drag: how the points lie on their curve."""
        name = session.selected[0] if session.selected else session.armed
        if name == session.armed:
            self._set_text(self.count, _count(session, name, mm_per_px))

    def _show_card(self, session: Session, mm_per_px: float | None) -> None:
        name = session.armed
        if not session.side_known:
            self.title.setText("Which hip was operated on?")
            self.sentence.setText(
                "Say which hip is under review, by the patient's side. The patient's right is on "
                "the left of the screen. Points that you place meanwhile wait for the answer."
            )
            waiting = len(session.waiting)
            self._set_text(
                self.count, f"{waiting} point{'s' * (waiting > 1)} waiting" * bool(waiting)
            )
        elif name is None:
            finished = all(
                session.reading.landmarks.get(step.name) is not None for step in session.steps
            )
            self.title.setText("Every landmark is placed" if finished else "Nothing is armed")
            self.sentence.setText(
                "Drag a point, or choose it and use the arrow keys, to correct it."
                if finished
                else "Choose a landmark in the list."
            )
            self._set_text(self.count, "")
        else:
            landmark = LANDMARKS[name]
            self.title.setText(landmark.title)
            self.sentence.setText(landmark.kind.place + _size_wanted(session, name))
            proposed = session.proposed_here == name
            self._set_text(self.count, "" if proposed else _count(session, name, mm_per_px))
            side = landmark.side or session.reading.operated_side
            self.drawing.setPixmap(
                picture(
                    name,
                    session.hips.of(side) == "replaced",
                    _PICTURE_HEIGHT,
                    self.devicePixelRatioF(),
                )
            )
            self.drawing.setAccessibleName(f"Drawing: {landmark.title}")
        self.question.show_session(session)
        # On a low screen the question must be in sight, the picture need not.
        asked = not self.question.isHidden()
        self.drawing.setHidden(asked or name is None)
        self.sentence.setHidden(asked and session.side_known)

    def resizeEvent(self, event: Any) -> None:
        """Keep a question in sight when the window gets another size, as it does at its start."""
        super().resizeEvent(event)
        self.question.keep_in_sight()

    def _show_list(self, session: Session) -> None:
        steps = session.steps
        self.list.setVisible(session.side_known)
        while self.list.count() > len(steps):
            self.list.takeItem(self.list.count() - 1)
        while self.list.count() < len(steps):
            self.list.addItem(QListWidgetItem())
        for index, step in enumerate(steps):
            item = self.list.item(index)
            symbol, state = _state(session, step.name)
            text = f"{symbol}  {LANDMARKS[step.name].title}: {state}"
            if not step.needed:
                text += " (further)"
            if item.text() != text:
                item.setText(text)
                item.setToolTip(LANDMARKS[step.name].kind.place)
            item.setData(Qt.ItemDataRole.UserRole, step.name)
            if step.name == session.armed:
                self.list.setCurrentRow(index)
        if session.armed is None:
            self.list.setCurrentRow(-1)

    @staticmethod
    def _set_text(label: QLabel, text: str) -> None:
        if label.text() != text:
            label.setText(text)
            label.setHidden(not text)


def _size_wanted(session: Session, name: str) -> str:
    """Return a reminder where the armed landmark is of little use without a known size."""
    landmark, reading = LANDMARKS[name], session.reading
    if landmark.kind.stem == "marker_sphere" and reading.marker_diameter_mm is None:
        return " Enter its diameter above: it gives the scale."
    if (
        landmark.kind.stem == "femoral_head"
        and session.hips.of(landmark.side) == "replaced"
        and landmark.side not in reading.head_diameter_mm
    ):
        return " Enter its known diameter above: it sets the scale."
    return ""


def _count(session: Session, name: str, mm_per_px: float | None) -> str:
    kind = LANDMARKS[name].kind
    if session.reading.not_visible(name):
        return "Recorded as not visible; a click places it after all."
    if kind.shape in ("circle", "ellipse"):
        return spread_in_words(session.reading, name, mm_per_px)
    placed = len(session.reading.landmarks.get(name, ()))
    if session.placing_again:
        return f"Placement {placed + 1} of at most {MOST_PLACEMENTS}; the mean of them counts."
    wanted = f"at least {kind.minimum}" if kind.maximum is None else f"{kind.minimum}"
    return f"{placed} of {wanted} point{'s' if kind.minimum > 1 else ''}"


def _state(session: Session, name: str) -> tuple[str, str]:
    reading = session.reading
    placed = len(reading.landmarks.get(name, ()))
    if reading.not_visible(name):
        return "–", "not visible"
    if name in reading.unconfirmed:
        return "◇", how_proposed(reading, name)
    if reading.has(name) and LANDMARKS[name].kind.shape == "point" and placed > 1:
        return "●", f"placed {placed} times"
    if reading.has(name):
        return "●", "placed" if placed == 1 else f"{placed} points"
    if placed:
        return "◐", f"{placed} of {LANDMARKS[name].kind.minimum} points"
    return "○", "to place"
