"""The panel that explains the number that was chosen, and what there is to say of the film."""

from __future__ import annotations

from html import escape

from qtpy.QtCore import QPointF, QRectF, QSize, Signal
from qtpy.QtGui import QColor, QPainter, QPen
from qtpy.QtWidgets import QSizePolicy, QTextBrowser, QVBoxLayout, QWidget

from napari_xraymeasure.canvas.line_styles import CHIP, ON_DARK, verdict_text
from napari_xraymeasure.panels.number_words import (
    difference,
    explanation,
    findings,
    in_words,
    value_of_row,
)
from napari_xraymeasure.panels.widgets import button, named
from napari_xraymeasure.session.numbers import NumberRow, Numbers
from xraymeasure.plan.compare import ComparisonRow
from xraymeasure.vocabulary.quantities import QUANTITIES
from xraymeasure.vocabulary.wording import interval


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
        self.bar = ToleranceBar()
        layout.addWidget(self.bar)
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

    def show_row(self, row: NumberRow | None, result: Numbers, shares: str = "") -> None:
        """Explain a number; without one, say what there is to know of the film."""
        place = self.text.verticalScrollBar().value()
        self.text.setHtml(_text(row, result) + shares)
        self.text.verticalScrollBar().setValue(place)
        self.bar.show_row(row.compared if row else None)


class ToleranceBar(QWidget):
    """The difference from plan with its interval, against the tolerance, on one scale."""

    def __init__(self) -> None:
        super().__init__()
        self._row: ComparisonRow | None = None
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        named(self, "Difference and tolerance", "The difference from plan against its tolerance")
        self.setVisible(False)

    def sizeHint(self) -> QSize:
        """Return room for the bar and two lines of words."""
        return QSize(200, 3 * self.fontMetrics().height() + 14)

    def show_row(self, row: ComparisonRow | None) -> None:
        """Show a difference, or nothing where there is none or no tolerance."""
        self._row = row if row is not None and row.verdict else None
        self.setVisible(self._row is not None)
        if self._row is not None:
            self.setAccessibleDescription(self.words)
        self.update()

    @property
    def words(self) -> str:
        """What the bar shows, in words."""
        row = self._row
        return f"{_off_plan(row)}, tolerance ±{row.tolerance:g}" if row else ""

    def paintEvent(self, event: object) -> None:
        """Draw tolerance, interval and difference."""
        row = self._row
        if row is None:
            return
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        line = self.fontMetrics().height()
        painter.fillRect(self.rect(), QColor(CHIP))
        reach = 1.15 * max(row.tolerance, abs(row.low), abs(row.high))
        left, width, middle = 12.0, self.width() - 24.0, line + 14.0

        def x(value: float) -> float:
            return left + width * (value + reach) / (2 * reach)

        painter.fillRect(
            QRectF(x(-row.tolerance), middle - 8, x(row.tolerance) - x(-row.tolerance), 16),
            QColor(255, 255, 255, 45),
        )
        painter.setPen(QPen(QColor("#C8CCD4"), 1))
        painter.drawLine(QPointF(x(0), middle - 11), QPointF(x(0), middle + 11))
        colour = QColor(ON_DARK[row.verdict])
        painter.setPen(QPen(colour, 3))
        painter.drawLine(QPointF(x(row.low), middle), QPointF(x(row.high), middle))
        painter.setBrush(colour)
        painter.drawEllipse(QPointF(x(row.difference), middle), 4.5, 4.5)
        painter.setPen(QColor("white"))
        # Where it is too long for one line, the scale below has the tolerance.
        fits = self.fontMetrics().horizontalAdvance(self.words) <= width
        painter.drawText(QPointF(left, line), self.words if fits else _off_plan(row))
        below = middle + 10 + line
        painter.setPen(QColor("#C8CCD4"))
        for value, text in (
            (-row.tolerance, f"−{row.tolerance:g}"),
            (0.0, "plan"),
            (row.tolerance, f"+{row.tolerance:g}"),
        ):
            wide = self.fontMetrics().horizontalAdvance(text)
            painter.drawText(QPointF(x(value) - wide / 2, below), text)
        painter.end()


def _off_plan(row: ComparisonRow) -> str:
    """Return in words how far a number is from its plan."""
    off = f"{difference(row)} from plan ({interval(row.low, row.high, signed=True)})"
    return f"{verdict_text(row.verdict)}: {off}"


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
        value = value_of_row(row)
        head = f"<p><b>{escape(row.label)}{f': {value}' if value else ''}</b></p>"
        meaning = QUANTITIES[row.name].meaning if row.name in QUANTITIES else ""
        reason = in_words(row.reason) or "what it rests on is not placed yet"
        why = "" if value else f"<p>Not measured: {escape(reason)}.</p>"
        return head + f"<p>{escape(meaning)}</p>" + why
    return explanation(row.measurement, measured, result.comparison)
