"""The form that says which hip is under review, what each hip is, and which sizes are known."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.panels.number_words import size_warning
from napari_xraymeasure.panels.widgets import (
    NumberEdit,
    button,
    named,
    narrow_screen,
    no_wider_than,
)
from napari_xraymeasure.session.placing_order import HIP_STATES, HipState
from napari_xraymeasure.session.session import Session
from xraymeasure.plan.plan import STATED, planned_and_used
from xraymeasure.vocabulary.landmarks import SIDES, Side

_HIP_WORDS: dict[HipState, str] = {
    "replaced": "replaced",
    "native": "native",
    "not shown": "not shown",
}
_WAYS: tuple[tuple[str, str | None], ...] = (
    ("not said", None),
    ("forward", "anterior"),
    ("backward", "posterior"),
)


class HipsForm(QWidget):
    """Sides, states and sizes.

    Signals
    -------
    refused : str
        Why a size that was entered was not taken.
    findings_wanted : no arguments
        A person wants to read what is said of a size.
    """

    refused = Signal(str)
    findings_wanted = Signal()

    def __init__(self) -> None:
        super().__init__()
        self._session: Session | None = None
        self._press_note: Callable[[], None] = self.findings_wanted.emit
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(2 if narrow_screen() else 4)
        grid.setVerticalSpacing(3)
        self.side = QComboBox()
        self.side.addItem("which?", None)
        for side in SIDES:
            self.side.addItem(side, side)
        named(self.side, "Operated hip", "The hip under review: the patient's left or right")
        self.side.activated.connect(lambda _index: self._set_operated())
        # Words that span two columns, so that a narrow dock has room for the sizes.
        no_wider_than(self.side, "which?")
        which = QHBoxLayout()
        which.setSpacing(0)
        which.addWidget(QLabel("Operated"))
        which.addWidget(self.side, 1)
        grid.addLayout(which, 0, 0, 1, 2)
        for column, title in ((2, "head\nmm"), (3, "cup\nmm"), (4, "neck\n°")):
            head = QLabel(title)
            head.setAlignment(Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom)
            grid.addWidget(head, 0, column)
        self.states: dict[Side, QComboBox] = {}
        self.heads: dict[Side, NumberEdit] = {}
        self.cups: dict[Side, NumberEdit] = {}
        self.angles: dict[Side, NumberEdit] = {}
        self.opens: dict[Side, QComboBox] = {}
        self._hip_labels: dict[Side, QLabel] = {}
        for row, side in enumerate(SIDES, start=1):
            self._make_hip(grid, row, side)
        grid.setColumnStretch(1, 1)
        self.marker = NumberEdit(
            5,
            100,
            "mm",
            "Diameter of the calibration sphere, mm",
            "Known diameter of a calibration sphere on the film in mm. Empty: not known",
        )
        self.marker.changed.connect(self._record_marker)
        self.marker.refused.connect(self.refused)
        self._sphere = QLabel("calibration sphere, mm")
        opens, ways = QHBoxLayout(), QVBoxLayout()
        opens.addWidget(QLabel("Cup opens"))
        opens.addLayout(ways, 1)
        for side in SIDES:
            ways.addWidget(self.opens[side])
        grid.addLayout(opens, 3, 0, 1, 5)
        grid.addWidget(self._sphere, 4, 0, 1, 4)
        grid.addWidget(self.marker, 4, 4)
        self.note = button("", "", lambda: self._press_note(), "About the sizes")
        # Its words are cut to the room there is; they must not widen the dock.
        self.note.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.note.setFlat(True)
        self.note.setStyleSheet("text-align: left; padding: 1px 2px;")
        grid.addWidget(self.note, 5, 0, 1, 5)

    def _make_hip(self, grid: QGridLayout, row: int, side: Side) -> None:
        self._hip_labels[side] = QLabel(side)
        grid.addWidget(self._hip_labels[side], row, 0)
        states, opens = QComboBox(), QComboBox()
        for state in HIP_STATES:
            states.addItem(_HIP_WORDS[state], state)
        for words, way in _WAYS:
            opens.addItem(f"{side}: {words}", way)
        no_wider_than(states, _HIP_WORDS["not shown"])
        no_wider_than(opens, f"{side}: backward")
        named(states, f"What the {side} hip is", f"Is the {side} hip replaced, or on the film?")
        named(
            opens,
            f"Which way the {side} cup opens",
            "One AP film does not show it: say what a lateral film or the record shows",
        )
        states.activated.connect(lambda _index, side=side: self._set_state(side))
        opens.activated.connect(lambda _index, side=side: self._set_opens(side))
        self.states[side], self.opens[side] = states, opens
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
            f"Known outer diameter of the {side} cup in mm: a check of the scale. Empty: not known",
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
        for column, field in ((2, self.heads[side]), (3, self.cups[side]), (4, self.angles[side])):
            field.changed.connect(lambda side=side: self._record_sizes(side))
            field.refused.connect(self.refused)
            grid.addWidget(field, row, column)

    # --- what a person does

    def _set_state(self, side: Side) -> None:
        state = self.states[side].currentData()
        if self._session is not None:
            self._session.set_hips(self._session.hips.with_state(side, state))

    def _set_operated(self) -> None:
        side = self.side.currentData()
        if self._session is not None and side is not None:
            self._session.set_operated(side)

    def _set_opens(self, side: Side) -> None:
        if self._session is not None:
            self._session.record_for(side, cup_opens=self.opens[side].currentData())

    def _record_marker(self) -> None:
        if self._session is not None:
            self._session.record(marker_diameter_mm=self.marker.value)

    def _record_sizes(self, side: Side) -> None:
        session = self._session
        if session is None:
            return
        native, head = session.hips.of(side) != "replaced", self.heads[side].value
        session.record_for(
            side,
            head_diameter_mm=None if native else head,
            native_head_mm=head if native else None,
            cup_diameter_mm=self.cups[side].value,
            neck_shaft_angle_deg=self.angles[side].value,
        )

    # --- what it shows

    def show_session(self, session: Session) -> None:
        """Show what is known of the hips."""
        self._session = session
        reading = session.reading
        shown = reading.operated_side if session.side_known else None
        self.side.setCurrentIndex(self.side.findData(shown))
        any_replaced = "replaced" in vars(session.hips).values()
        for side in SIDES:
            state = session.hips.of(side)
            replaced = state == "replaced"
            self._hip_labels[side].setText(f"<b>{side}</b>" if side == shown else side)
            self.states[side].setCurrentIndex(self.states[side].findData(state))
            known = reading.head_diameter_mm if replaced else reading.native_head_mm
            self.heads[side].show_value(known.get(side))
            self.cups[side].show_value(reading.cup_diameter_mm.get(side))
            self.angles[side].show_value(reading.neck_shaft_angle_deg.get(side))
            self.opens[side].setCurrentIndex(self.opens[side].findData(reading.cup_opens.get(side)))
            self.states[side].setEnabled(session.side_known)
            self.heads[side].setEnabled(session.side_known and state != "not shown")
            # A way to open is asked of what was replaced, or of nothing yet.
            self.opens[side].setVisible(replaced or (side == SIDES[0] and not any_replaced))
            for field in (self.cups[side], self.angles[side], self.opens[side]):
                field.setEnabled(session.side_known and replaced)
        # What few films need is only there where all landmarks are listed, or where it was given.
        self.marker.show_value(reading.marker_diameter_mm)
        wanted = session.further or reading.marker_diameter_mm is not None
        for widget in (self._sphere, self.marker):
            widget.setVisible(wanted)
        self._show_note(session)

    def _show_note(self, session: Session) -> None:
        warning = "" if session.blinded else size_warning(session.result)
        offered, contradicted = session.offered, session.contradicted
        act: Callable[[], None] = self.findings_wanted.emit
        text = tip = ""
        if offered:
            sizes = ", ".join(STATED[name][2].format(value) for name, value in offered.items())
            text, tip = f"Take from the plan: {sizes}", "Enter the sizes that the plan knows"
            act = session.take_offered
        elif warning:
            # What fits is what a person needs first, on a narrow line too.
            fitting = warning.find("Heads that would fit")
            start = fitting if fitting >= 0 else max(warning.find("Is the head"), 0)
            text, tip = f"▲ {warning[start:].strip()}", warning
        elif contradicted:
            text = "; ".join(planned_and_used(n, *sizes) for n, sizes in contradicted.items())
            tip = "Another was used than planned, as you confirmed"
            if not session.confirmed_sizes:
                text = f"▲ {text}: press if so"
                tip = "Nothing is compared with the plan until you confirm that this was used"
                act = session.confirm_sizes
        self._press_note = act
        room = self.note.width() - 8
        self.note.setText(
            self.note.fontMetrics().elidedText(text, Qt.TextElideMode.ElideRight, max(room, 200))
        )
        self.note.setToolTip(tip or "Nothing to say of the sizes")
        self.note.setAccessibleDescription(text)
        self.note.setEnabled(bool(text))
        for side, field in self.heads.items():
            doubted = bool(warning) and side == session.reading.operated_side
            if bool(field.property("doubted")) != doubted:
                field.setProperty("doubted", doubted)
                field.style().unpolish(field)
                field.style().polish(field)
