"""The panel that shows, on a sample film, how far a finished reading was from the truth."""

from __future__ import annotations

from html import escape
from pathlib import Path

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QTextBrowser, QVBoxLayout, QWidget

from napari_xraymeasure.panels.widgets import button, named, paragraph
from napari_xraymeasure.session.numbers import Numbers
from napari_xraymeasure.session.placing_order import is_done
from napari_xraymeasure.session.practice import (
    NumberError,
    PlacingError,
    keep_record,
    number_errors,
    placing_errors,
    read_truth,
    summaries,
    true_reading,
)
from napari_xraymeasure.session.session import Session
from xraymeasure.errors import XrayMeasureError
from xraymeasure.measuring.results import value_text
from xraymeasure.vocabulary.landmarks import LANDMARKS
from xraymeasure.vocabulary.quantities import QUANTITIES
from xraymeasure.vocabulary.wording import number, with_unit


class PracticePanel(QWidget):
    """How far each placing and each number was from the truth, and the reader's record.

    Signals
    -------
    again : no arguments
        The reader wants to read this film afresh.
    revealed : object
        The truth as a `Reading`, to be laid over the reader's own.
    """

    again = Signal()
    revealed = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self._session: Session | None = None
        self._truth: Path | None = None
        self._result = Numbers()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 6)
        self.state = paragraph(name="State of the practice")
        layout.addWidget(self.state)
        self.show_truth = button(
            "Show how far off I was",
            "Compare this reading with the truth of the sample film, and add it to the record",
            self._reveal,
        )
        layout.addWidget(self.show_truth)
        self.result = QTextBrowser()
        self.result.setMinimumHeight(120)
        named(self.result, "Practice result", "How far each placing and each number was off")
        layout.addWidget(self.result, 1)
        self.restart = button(
            "Read this film afresh",
            "Start an empty reading of the film; the one before is kept",
            self.again.emit,
        )
        layout.addWidget(self.restart)

    def show_session(self, session: Session, truth: Path | None, result: Numbers) -> None:
        """Show whether this film is one to practise on, and whether the reader has finished."""
        if session is not self._session:
            self.result.clear()
        self._session, self._truth, self._result = session, truth, result
        left = [step for step in session.steps if not is_done(session.reading, step.name)]
        if truth is None:
            text = (
                "Practice needs a film whose truth is known: open a sample film, place every "
                "landmark, and see how far off you were."
            )
        elif session.blinded:
            text = "This study is blinded: the truth is hidden."
        elif left:
            text = (
                f"{len(left)} landmark{'s' if len(left) > 1 else ''} to place before the truth "
                "is shown."
            )
        else:
            text = "Every landmark is placed."
        self.state.setText(text)
        self.show_truth.setEnabled(truth is not None and not left and not session.blinded)
        self.restart.setEnabled(truth is not None)

    def _reveal(self) -> None:
        session, result = self._session, self._result
        if session is None or self._truth is None:
            return
        try:
            truth = read_truth(self._truth)
            placings = placing_errors(session.reading, truth)
            measured = number_errors(result.measurements, truth) if result.measurements else []
            keep_record(session.film_path.stem, session.reading, placings, measured)
        except (XrayMeasureError, OSError) as error:
            self.state.setText(str(error))
            return
        scale = result.measurements.mm_per_px if result.measurements else None
        self.revealed.emit(true_reading(session.reading, truth))
        self.result.setHtml(
            _placings_table(placings, scale)
            + _numbers_table(measured)
            + _record_table(session.reading.reader)
        )


def _table(title: str, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    if not rows:
        return ""
    cells = "".join(f"<th align='left'>{escape(text)}&nbsp;</th>" for text in head)
    lines = "".join(
        "<tr>" + "".join(f"<td>{escape(text)}&nbsp;</td>" for text in row) + "</tr>" for row in rows
    )
    return f"<p><b>{title}</b></p><table cellspacing='2'><tr>{cells}</tr>{lines}</table>"


def _placings_table(placings: list[PlacingError], mm_per_px: float | None) -> str:
    rows = []
    for item in placings:
        off = f"{item.distance_px:.1f} px"
        if mm_per_px:
            off += f" ({item.distance_px * mm_per_px:.1f} mm)"
        bias = ""
        if item.bias_px is not None:
            bias = f"{abs(item.bias_px):.1f} px {'outside' if item.bias_px > 0 else 'inside'}"
        rows.append((LANDMARKS[item.name].title, off, bias))
    return _table("Where the landmarks lie", ("", "off by", "on average"), rows)


def _numbers_table(found: list[NumberError]) -> str:
    rows = []
    for item in found:
        row, decimals = item.measurement, QUANTITIES[item.measurement.name].decimals
        title = QUANTITIES[row.name].label + (f", {row.side}" if row.side else "")
        rows.append(
            (
                title,
                value_text(row),
                with_unit(item.truth, row.unit, decimals),
                number(item.error, decimals, signed=True),
                "● held" if item.held else "▲ missed",
            )
        )
    return _table("The numbers", ("", "read", "true", "off by", "interval"), rows)


def _record_table(reader: str) -> str:
    rows = []
    for item in summaries(reader):
        quantity = QUANTITIES.get(item.what)
        decimals = quantity.decimals if quantity else 1
        unit = {"deg": "°", "1": ""}.get(item.unit, f" {item.unit}")
        rows.append(
            (
                quantity.label if quantity else item.what,
                str(item.films),
                number(item.mean, decimals, signed=quantity is not None) + unit,
                number(item.spread, decimals) + unit if item.films > 1 else "–",
            )
        )
    title = f"Reader {escape(reader)} so far"
    return _table(title, ("", "times", "mean", "spread"), rows)
