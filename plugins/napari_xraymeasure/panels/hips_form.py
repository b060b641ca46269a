"""The form that says which hip is under review, what each hip is, and which sizes are known."""

from __future__ import annotations

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import QComboBox, QGridLayout, QLabel, QWidget

from napari_xraymeasure.panels.widgets import NumberEdit, named
from napari_xraymeasure.session.placing_order import HIP_STATES, HipState
from napari_xraymeasure.session.session import Session
from xraymeasure.vocabulary.landmarks import SIDES, Side

_HIP_WORDS: dict[HipState, str] = {
    "replaced": "replaced",
    "native": "native",
    "not shown": "not on the film",
}


class HipsForm(QWidget):
    """Sides, states and sizes.

    Signals
    -------
    refused : str
        Why a size that was entered was not taken.
    """

    refused = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self._session: Session | None = None
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(6)
        grid.setVerticalSpacing(4)
        self.side = QComboBox()
        for side in SIDES:
            self.side.addItem(side, side)
        named(self.side, "Operated hip", "The hip under review: the patient's left or right")
        self.side.activated.connect(lambda _index: self._set_operated())
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
        self.opens = QComboBox()
        for way in ("anterior", "posterior"):
            self.opens.addItem(way, way)
        self.opens.setMinimumContentsLength(5)
        named(
            self.opens,
            "Which way the operated cup opens",
            "One AP film does not show it: forward unless a lateral film shows otherwise",
        )
        self.opens.activated.connect(lambda _index: self._record_more())
        self.marker = NumberEdit(
            5,
            100,
            "mm",
            "Diameter of the calibration sphere, mm",
            "Known diameter of a calibration sphere on the film in mm. Empty: not known",
        )
        self.marker.changed.connect(self._record_more)
        self.marker.refused.connect(self.refused)
        self._sphere = QLabel("sphere")
        self._sphere.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self._opens = QLabel("Cup opens")
        grid.addWidget(self._opens, 3, 0)
        grid.addWidget(self.opens, 3, 1)
        grid.addWidget(self._sphere, 3, 2, 1, 2)
        grid.addWidget(self.marker, 3, 4)

    def _set_state(self, side: Side) -> None:
        state = self.states[side].currentData()
        if self._session is not None:
            self._session.set_hips(self._session.hips.with_state(side, state))

    def _set_operated(self) -> None:
        if self._session is not None:
            self._session.set_operated(self.side.currentData())

    def _record_more(self) -> None:
        session = self._session
        if session is None:
            return
        reading, way = session.reading, self.opens.currentData()
        opens = {
            key: kept for key, kept in reading.cup_opens.items() if key != reading.operated_side
        }
        if way == "posterior":
            opens[reading.operated_side] = way
        session.record(cup_opens=opens, marker_diameter_mm=self.marker.value)

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

    def show_session(self, session: Session) -> None:
        """Show what is known of the hips."""
        self._session = session
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
        # What few films need is only there where all landmarks are listed, or where it was given.
        opens = reading.cup_opens.get(reading.operated_side, "anterior")
        self.opens.setCurrentIndex(self.opens.findData(opens))
        self.marker.show_value(reading.marker_diameter_mm)
        wanted = session.further or opens == "posterior" or reading.marker_diameter_mm is not None
        for widget in (self._opens, self.opens, self._sphere, self.marker):
            widget.setVisible(wanted)
