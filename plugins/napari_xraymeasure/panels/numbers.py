"""The table of numbers."""

from __future__ import annotations

from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QColor
from qtpy.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.canvas.line_styles import CHIP, ON_DARK, verdict_text
from napari_xraymeasure.panels.number_words import VERDICT_WORDS, difference, findings_in_short
from napari_xraymeasure.panels.widgets import named, paragraph
from napari_xraymeasure.session.numbers import NumberRow, Numbers, number_rows
from napari_xraymeasure.session.session import Session
from xraymeasure.measuring.results import interval_text, value_text
from xraymeasure.plan.compare import ComparisonRow
from xraymeasure.vocabulary.quantities import QUANTITIES

_TITLES = ("number", "value, 95 %", "from plan")
_NAME, _VALUE, _PLAN = range(3)


class NumbersPanel(QWidget):
    """Every number with its interval, and how far it is from plan.

    Signals
    -------
    chosen : object
        The `NumberRow` that a person wants explained, or None.
    """

    chosen = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 0, 6, 2)
        layout.setSpacing(2)
        self.table = QTableWidget(0, len(_TITLES))
        self.table.setHorizontalHeaderLabels(_TITLES)
        self.table.verticalHeader().setVisible(False)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setTabKeyNavigation(False)
        self.table.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.table.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.table.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.table.setWordWrap(True)
        self.table.setMinimumHeight(80)
        named(self.table, "Numbers", "What is measured; choose a number to have it explained")
        # Fixed sizes: those that follow their content would be laid out anew on every move.
        metrics = self.table.fontMetrics()
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(_NAME, QHeaderView.ResizeMode.Stretch)
        for column, widest in ((_VALUE, "−12.3 to +10.1"), (_PLAN, "▲ undecided")):
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.Fixed)
            self.table.setColumnWidth(column, metrics.horizontalAdvance(widest) + 18)
        self.table.verticalHeader().setDefaultSectionSize(2 * metrics.height() + 8)
        self.table.itemSelectionChanged.connect(lambda: self.chosen.emit(self.chosen_row))
        layout.addWidget(self.table, 1)
        self.findings = paragraph(name="Warnings")
        layout.addWidget(self.findings)
        self._rows: list[NumberRow] = []

    @property
    def chosen_row(self) -> NumberRow | None:
        """The row that is chosen."""
        selected = self.table.selectionModel().selectedRows()
        if not selected or selected[0].row() >= len(self._rows):
            return None
        return self._rows[selected[0].row()]

    def choose_none(self) -> None:
        """Choose no row."""
        self.table.clearSelection()
        self.table.setCurrentCell(-1, -1)

    def show_numbers(self, session: Session, result: Numbers) -> None:
        """Show what the reading gives."""
        chosen = self.chosen_row
        self._rows = number_rows(result, session.reading)
        if self.table.rowCount() != len(self._rows):
            self.table.setRowCount(len(self._rows))
        for index, row in enumerate(self._rows):
            self._show_row(index, row, result)
        now = self.chosen_row
        if chosen and (now is None or (now.name, now.side) != (chosen.name, chosen.side)):
            self._choose_again(chosen)
        if result.final or result.measurements is None:
            text = findings_in_short(result)
            self.findings.setText(text)
            self.findings.setVisible(bool(text))

    def _choose_again(self, chosen: NumberRow) -> None:
        for index, row in enumerate(self._rows):
            if row.name == chosen.name and chosen.side in (None, row.side):
                self.table.selectRow(index)
                return
        self.choose_none()

    def _show_row(self, index: int, row: NumberRow, result: Numbers) -> None:
        title = QUANTITIES[row.name].label
        if row.side:
            title += f", {row.side}"
        measured = row.measurement
        compared = None
        if measured and result.comparison:
            found = result.comparison.row(row.name)
            compared = found if found and found.side == row.side else None
        value = f"{value_text(measured)}\n{interval_text(measured)}" if measured else "–"
        self._set(index, _NAME, title, QUANTITIES[row.name].meaning)
        self._set(index, _VALUE, value, row.reason or "Value, and its 95 % interval below")
        self._set_plan(index, compared)

    def _set_plan(self, index: int, row: ComparisonRow | None) -> None:
        text = tip = ""
        colour = None
        if row is not None:
            tip = row.reason
            text = difference(row) if row.difference is not None else ""
            if row.verdict:
                text += f"\n{verdict_text(row.verdict)}"
                tip = f"{VERDICT_WORDS[row.verdict]} (±{row.tolerance:g})"
                colour = ON_DARK[row.verdict]
        item = self._set(index, _PLAN, text, tip)
        if item.data(Qt.ItemDataRole.UserRole) != colour:
            item.setData(Qt.ItemDataRole.UserRole, colour)
            item.setData(Qt.ItemDataRole.ForegroundRole, QColor(colour) if colour else None)
            item.setData(Qt.ItemDataRole.BackgroundRole, QColor(CHIP) if colour else None)

    def _set(self, row: int, column: int, text: str, tip: str) -> QTableWidgetItem:
        item = self.table.item(row, column)
        if item is None:
            item = QTableWidgetItem()
            self.table.setItem(row, column, item)
        if item.text() != text:
            item.setText(text)
        if item.toolTip() != tip:
            item.setToolTip(tip)
        return item
