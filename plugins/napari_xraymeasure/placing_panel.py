"""The panel that leads from landmark to landmark."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.drawings import picture
from napari_xraymeasure.guide import HIP_STATES, HipState
from napari_xraymeasure.session import Session
from napari_xraymeasure.shapes import spread_in_words
from napari_xraymeasure.shortcuts import shortcut_for
from napari_xraymeasure.widgets import NumberEdit, button, named, paragraph
from xraymeasure.landmarks import LANDMARKS, SIDES, Side, other_side

_PICTURE_HEIGHT = 132
_HIP_WORDS: dict[HipState, str] = {
    "replaced": "replaced",
    "native": "native",
    "not shown": "not on the film",
}


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
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 6)
        layout.setSpacing(6)
        layout.addLayout(self._make_hips())
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
        layout.addWidget(self.further)

    # --- how it is built

    def _make_hips(self) -> QGridLayout:
        grid = QGridLayout()
        grid.setHorizontalSpacing(6)
        grid.setVerticalSpacing(4)
        self.side = QComboBox()
        for side in SIDES:
            self.side.addItem(side, side)
        named(self.side, "Operated hip", "The hip under review: the patient's left or right")
        self.side.activated.connect(
            lambda _index: self._with_session(lambda s: s.set_operated(self.side.currentData()))
        )
        grid.addWidget(QLabel("Operated hip"), 0, 0)
        grid.addWidget(self.side, 0, 1)
        for column, title in ((2, "head"), (3, "cup"), (4, "angle")):
            head = QLabel(title)
            head.setAlignment(Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom)
            grid.addWidget(head, 0, column)
        self.states: dict[Side, QComboBox] = {}
        self.heads, self.cups, self.angles = {}, {}, {}
        self._hip_labels: dict[Side, QLabel] = {}
        for row, side in enumerate(SIDES, start=1):
            self._hip_labels[side] = QLabel(side)
            grid.addWidget(self._hip_labels[side], row, 0)
            states = QComboBox()
            for state in HIP_STATES:
                states.addItem(_HIP_WORDS[state], state)
            states.setMinimumContentsLength(5)
            states.setSizeAdjustPolicy(
                QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
            )
            named(states, f"What the {side} hip is", f"Is the {side} hip replaced, or on the film?")
            states.activated.connect(lambda _index, side=side: self._set_state(side))
            self.states[side] = states
            self.heads[side] = NumberEdit(
                10,
                80,
                "mm",
                f"Head diameter, {side}, mm",
                f"Known diameter of the {side} head in mm, from the implant record: it sets the "
                "scale. Empty: not known",
            )
            self.cups[side] = NumberEdit(
                30,
                90,
                "mm",
                f"Cup diameter, {side}, mm",
                f"Known outer diameter of the {side} cup in mm: a check of the scale. Empty: not "
                "known",
            )
            self.angles[side] = NumberEdit(
                100,
                170,
                "degrees",
                f"Neck-shaft angle of the stem, {side}, degrees",
                f"Known neck-shaft angle of the {side} stem in degrees: shows how far the femur "
                "is turned. Empty: not known",
            )
            grid.addWidget(states, row, 1)
            for column, field in (
                (2, self.heads[side]),
                (3, self.cups[side]),
                (4, self.angles[side]),
            ):
                field.changed.connect(lambda side=side: self._record_sizes(side))
                field.refused.connect(self.refused)
                grid.addWidget(field, row, column)
        grid.setColumnStretch(1, 1)
        return grid

    def _make_card(self) -> QFrame:
        card = QFrame()
        card.setFrameShape(QFrame.Shape.StyledPanel)
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
        self.buttons = {}
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
            shortcut = shortcut_for(action)
            made = button(
                text,
                f"{shortcut.words.capitalize()} ({shortcut.shown})",
                lambda action=action: self.asked.emit(action),
                f"{text}: {shortcut.words}",
            )
            self.buttons[action] = made
            grid.addWidget(made, place // 4, place % 4)
        return grid

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

    def _set_state(self, side: Side) -> None:
        state = self.states[side].currentData()
        self._with_session(lambda s: s.set_hips(s.hips.with_state(side, state)))

    def _record_sizes(self, side: Side) -> None:
        session = self._session
        if session is None:
            return
        native = session.hips.of(side) != "replaced"

        def with_side(values, value):
            kept = {key: kept for key, kept in values.items() if key != side}
            return kept if value is None else kept | {side: value}

        reading, head = session.reading, self.heads[side].value
        session.record(
            head_diameter_mm=with_side(reading.head_diameter_mm, None if native else head),
            native_head_mm=with_side(reading.native_head_mm, head if native else None),
            cup_diameter_mm=with_side(reading.cup_diameter_mm, self.cups[side].value),
            neck_shaft_angle_deg=with_side(reading.neck_shaft_angle_deg, self.angles[side].value),
        )

    # --- what it shows

    def show_session(self, session: Session, mm_per_px: float | None) -> None:
        """Show where the reading stands."""
        self._session = session
        self._show_hips(session)
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

    def _show_hips(self, session: Session) -> None:
        reading = session.reading
        self.side.setCurrentIndex(self.side.findData(reading.operated_side))
        for side in SIDES:
            state = session.hips.of(side)
            operated = side == reading.operated_side
            self._hip_labels[side].setText(f"<b>{side}</b>" if operated else side)
            self.states[side].setCurrentIndex(self.states[side].findData(state))
            known = reading.head_diameter_mm if state == "replaced" else reading.native_head_mm
            self.heads[side].show_value(known.get(side))
            self.cups[side].show_value(reading.cup_diameter_mm.get(side))
            self.angles[side].show_value(reading.neck_shaft_angle_deg.get(side))
            self.heads[side].setEnabled(state != "not shown")
            self.cups[side].setEnabled(state == "replaced")
            self.angles[side].setEnabled(state == "replaced")

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
            self.sentence.setText(landmark.kind.place)
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
