"""The panel that explains the number that was chosen, and what there is to say of the film."""

from __future__ import annotations

from html import escape

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QTextBrowser, QVBoxLayout, QWidget

from napari_xraymeasure.panels.number_words import explanation, findings
from napari_xraymeasure.panels.widgets import button, named
from napari_xraymeasure.session.numbers import NumberRow, Numbers
from xraymeasure.vocabulary.quantities import QUANTITIES


class ExplainPanel(QWidget):
    """What a number is, what it rests on, where its uncertainty comes from.

    Signals
    -------
    closed : no arguments
        No number is to be explained any longer.
    """

    closed = Signal()

    def __init__(self) -> None:
        super().__init__()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 6)
        self.text = QTextBrowser()
        self.text.setMinimumHeight(160)
        named(self.text, "Explanation", "What the chosen number is, and what it rests on")
        layout.addWidget(self.text, 1)
        layout.addWidget(
            button(
                "Back to placing",
                "Choose no number, and go back to the landmarks",
                self.closed.emit,
            )
        )

    def show_row(self, row: NumberRow | None, result: Numbers) -> None:
        """Explain a number; without one, say what there is to know of the film."""
        place = self.text.verticalScrollBar().value()
        self.text.setHtml(_text(row, result))
        self.text.verticalScrollBar().setValue(place)


def _text(row: NumberRow | None, result: Numbers) -> str:
    measured = result.measurements
    if row is None:
        lines = findings(result)
        listed = "".join(f"<li>{escape(line)}</li>" for line in lines)
        notes = "".join(f"<li>{escape(note)}</li>" for note in measured.notes) if measured else ""
        return (
            "<p>Choose a number in the table to have it explained.</p>"
            + (f"<p><b>Warnings and notes</b></p><ul>{listed}</ul>" if listed else "")
            + (f"<p><b>Where scale and geometry come from</b></p><ul>{notes}</ul>" if notes else "")
        )
    if row.measurement is None or measured is None:
        quantity = QUANTITIES[row.name]
        reason = row.reason or "what it rests on is not placed yet"
        return (
            f"<p><b>{escape(quantity.label)}</b></p><p>{escape(quantity.meaning)}</p>"
            f"<p>Not measured: {escape(reason)}.</p>"
        )
    return explanation(row.measurement, measured, result.comparison)
