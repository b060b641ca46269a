"""The panel that leads from landmark to landmark."""

from __future__ import annotations

from collections.abc import Callable

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
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.canvas.drawn_shapes import spread_in_words
from napari_xraymeasure.canvas.keys import shortcut_for
from napari_xraymeasure.panels.hips_form import HipsForm
from napari_xraymeasure.panels.landmark_pictures import picture
from napari_xraymeasure.panels.widgets import button, named, paragraph
from napari_xraymeasure.session.session import Session
from xraymeasure.vocabulary.landmarks import LANDMARKS, other_side

_PICTURE_HEIGHT = 132


class PlacingPanel(QWidget):
    """Which hips, which sizes, and what to place next.

    Signals
    -------
    asked : str
        The name of an action of the shortcuts' table.
    refused : str
        Why a size that was entered was not taken.
    """

    asked = Signal(str)
    refused = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self._session: Session | None = None
        self.buttons: dict[str, QPushButton] = {}
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 6)
        layout.setSpacing(6)
        self.hips = HipsForm()
        self.hips.refused.connect(self.refused)
        layout.addWidget(self.hips)
        layout.addWidget(self._make_card())
        layout.addLayout(self._make_buttons())
        layout.addWidget(self._make_list())
        self.further = QCheckBox("list further landmarks")
        named(
            self.further,
            "List further landmarks",
            "Also list the landmarks that only check or sharpen the main numbers",
        )
        self.further.toggled.connect(lambda on: self._with_session(lambda s: s.show_further(on)))
        last = QHBoxLayout()
        last.addWidget(self.further, 1)
        for action, text in (("labels", "Labels"), ("zoom_in", "+"), ("zoom_out", "−")):
            last.addWidget(self._make_button(action, text))
        layout.addLayout(last)

    # --- how it is built

    def _make_card(self) -> QFrame:
        card = QFrame()
        card.setFrameShape(QFrame.Shape.StyledPanel)
        card.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
        row = QHBoxLayout(card)
        row.setContentsMargins(6, 6, 6, 6)
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
        self.question = QFrame()
        asked = QVBoxLayout(self.question)
        asked.setContentsMargins(0, 0, 0, 0)
        self.question_text = paragraph(name="Question")
        asked.addWidget(self.question_text)
        self._answers = QVBoxLayout()
        asked.addLayout(self._answers)
        words.addWidget(self.question)
        row.addLayout(words, 1)
        return card

    def _make_buttons(self) -> QGridLayout:
        grid = QGridLayout()
        grid.setSpacing(4)
        for place, (action, text) in enumerate(
            (
                ("previous", "Before"),
                ("next", "Next"),
                ("skip", "Not visible"),
                ("zoom_region", "Zoom"),
                ("undo", "Undo"),
                ("redo", "Redo"),
                ("delete", "Delete"),
                ("zoom_film", "Film"),
            )
        ):
            grid.addWidget(self._make_button(action, text), place // 4, place % 4)
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
        return self.buttons[action]

    def _make_list(self) -> QListWidget:
        self.list = QListWidget()
        self.list.setMinimumHeight(110)
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
        if name is None:
            finished = all(
                session.reading.landmarks.get(step.name) is not None for step in session.steps
            )
            self.title.setText("Every landmark is placed" if finished else "Nothing is armed")
            self.sentence.setText(
                "Drag a point, or choose it and use the arrow keys, to correct it."
                if finished
                else "Choose a landmark in the list."
            )
            self.count.setText("")
            self.drawing.setVisible(False)
        else:
            landmark = LANDMARKS[name]
            self.title.setText(landmark.title)
            self.sentence.setText(landmark.kind.place + _size_wanted(session, name))
            self._set_text(self.count, _count(session, name, mm_per_px))
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
            self.drawing.setVisible(True)
        self._show_question(session)

    def _show_question(self, session: Session) -> None:
        while self._answers.count():
            self._answers.takeAt(0).widget().deleteLater()
        question = session.question
        self.question.setVisible(question is not None)
        if question is None:
            return
        side = LANDMARKS[question.name].side
        self.question_text.setText(
            f"<b>Which side?</b> This point seems to lie on the patient's {other_side(side)}."
        )
        answers: list[tuple[str, str, Callable[[], None]]] = [
            (
                f"Place it as {LANDMARKS[question.meant].title}",
                "The click meant the landmark of the other side",
                lambda: session.answer(question.meant),
            ),
            (
                f"Keep it: {LANDMARKS[question.name].title}",
                "The click was right; the side only seems wrong",
                lambda: session.answer(question.name),
            ),
            (
                f"Drop the click ({shortcut_for('release').shown})",
                "Place nothing",
                lambda: session.answer(None),
            ),
        ]
        if not any(session.reading.landmarks.values()):
            answers.insert(
                0,
                (
                    f"The operated hip is the {other_side(side)} one",
                    "Change the operated side, and place the point there",
                    lambda: _change_side(session),
                ),
            )
        for text, tip, act in answers:
            self._answers.addWidget(button(text, tip, act))

    def _show_list(self, session: Session) -> None:
        steps = session.steps
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


def _change_side(session: Session) -> None:
    question = session.question
    session.set_operated(LANDMARKS[question.meant].side)
    session.click(question.point)


def _count(session: Session, name: str, mm_per_px: float | None) -> str:
    kind = LANDMARKS[name].kind
    if session.reading.not_visible(name):
        return "Recorded as not visible; a click places it after all."
    if kind.shape in ("circle", "ellipse"):
        return spread_in_words(session.reading, name, mm_per_px)
    placed = len(session.reading.landmarks.get(name, ()))
    wanted = f"at least {kind.minimum}" if kind.maximum is None else f"{kind.minimum}"
    return f"{placed} of {wanted} point{'s' if kind.minimum > 1 else ''}"


def _state(session: Session, name: str) -> tuple[str, str]:
    reading = session.reading
    placed = len(reading.landmarks.get(name, ()))
    if reading.not_visible(name):
        return "–", "not visible"
    if reading.has(name):
        return "●", "placed" if placed == 1 else f"{placed} points"
    if placed:
        return "◐", f"{placed} of {LANDMARKS[name].kind.minimum} points"
    return "○", "to place"
