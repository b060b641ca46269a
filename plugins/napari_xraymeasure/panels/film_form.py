"""What is known of how the film was taken, and the reader's comment on it."""

from __future__ import annotations

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QComboBox, QFormLayout, QHBoxLayout, QLineEdit, QVBoxLayout, QWidget

from napari_xraymeasure.panels.widgets import NumberEdit, button, named, paragraph, width_of
from napari_xraymeasure.session.session import Session


class FilmForm(QWidget):
    """Central ray, distance from the source, posture, and a comment.

    A picture without them has wider intervals; what is entered here goes before what the film's
    header says.

    Signals
    -------
    beam_wanted : no arguments
        The next click on the film is to be the foot of the central ray.
    refused : str
        Why a value was not taken.
    """

    beam_wanted = Signal()
    refused = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self._session: Session | None = None
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 6)
        self.known = paragraph(name="Where scale and geometry come from")
        layout.addWidget(self.known)
        form = QFormLayout()
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapAllRows)
        self.beam_row = NumberEdit(
            -20000, 40000, "pixels", "Central ray, row", "Row at which the central ray falls"
        )
        self.beam_column = NumberEdit(
            -20000, 40000, "pixels", "Central ray, column", "Column at which the central ray falls"
        )
        beam = QHBoxLayout()
        for field in (self.beam_row, self.beam_column):
            field.setFixedWidth(width_of("12345.0") + 16)
            field.changed.connect(self._record)
            field.refused.connect(self.refused)
            beam.addWidget(field)
        beam.addWidget(
            button(
                "Click it",
                "The next click on the film says where the central ray falls",
                self.beam_wanted.emit,
                "Central ray: click it on the film",
            )
        )
        beam.addStretch(1)
        form.addRow("Central ray: row, column", beam)
        self.source = NumberEdit(
            500,
            5000,
            "mm",
            "Source to detector, mm",
            "Distance from the tube's focus to the detector in mm. Empty: as the film says",
        )
        self.source.setFixedWidth(width_of("12345.0") + 16)
        self.source.changed.connect(self._record)
        self.source.refused.connect(self.refused)
        form.addRow("Source to detector, mm", self.source)
        self.posture = QComboBox()
        for words, posture in (("not said", None), ("supine", "supine"), ("standing", "standing")):
            self.posture.addItem(words, posture)
        named(self.posture, "Posture", "Whether the patient lay or stood")
        self.posture.activated.connect(lambda _index: self._record())
        form.addRow("Posture", self.posture)
        self.comment = QLineEdit()
        self.comment.setPlaceholderText("a comment that is kept with the reading")
        named(self.comment, "Comment on the film", "A comment on the film or the reading; no names")
        self.comment.editingFinished.connect(self._record)
        form.addRow("Comment", self.comment)
        layout.addLayout(form)
        layout.addStretch(1)

    def _record(self) -> None:
        session = self._session
        if session is None:
            return
        row, column = self.beam_row.value, self.beam_column.value
        # Half of a pair waits for the other half.
        beam = None if row is None or column is None else (row, column)
        self._ask_for_other_half()
        session.record(
            beam_centre=beam,
            source_detector_mm=self.source.value,
            posture=self.posture.currentData(),
            comment=self.comment.text().strip() or None,
        )

    def _ask_for_other_half(self) -> None:
        half = (self.beam_row.value is None) != (self.beam_column.value is None)
        for field in (self.beam_row, self.beam_column):
            field.setPlaceholderText("needed" if half else "–")

    def show_session(self, session: Session) -> None:
        """Show what the reading says of the film."""
        new = session is not self._session
        self._session, reading = session, session.reading
        measured = session.result.measurements
        notes = measured.notes if measured and not session.blinded else ()
        self.known.setText("\n".join(notes))
        beam = reading.beam_centre
        if beam is not None or new:
            for field, value in zip(
                (self.beam_row, self.beam_column), beam or (None, None), strict=True
            ):
                field.show_value(None if value is None else round(value, 1))
            self._ask_for_other_half()
        self.source.show_value(reading.source_detector_mm)
        self.posture.setCurrentIndex(self.posture.findData(reading.posture))
        if not self.comment.hasFocus() or new:
            self.comment.setText(reading.comment or "")
