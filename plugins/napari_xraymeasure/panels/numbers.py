"""The table of numbers: this hip against the plan, the other hip, checks of the film."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QBrush, QColor, QFont
from qtpy.QtWidgets import (
    QAbstractItemView,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QSizePolicy,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.canvas.line_styles import CHIP, ON_DARK, verdict_text
from napari_xraymeasure.panels.number_words import (
    VERDICT_WORDS,
    findings_in_short,
    in_words,
    short_label,
    standing,
    value_of_row,
)
from napari_xraymeasure.panels.widgets import button, named, narrow_screen, paragraph
from napari_xraymeasure.session.numbers import CONVERTED, Key, NumberRow, Numbers, number_groups
from napari_xraymeasure.session.session import Session
from xraymeasure.plan.rows import NO_TOLERANCE
from xraymeasure.report.layout.style import SEVERITIES
from xraymeasure.vocabulary.quantities import QUANTITIES
from xraymeasure.vocabulary.wording import number

_TITLES = ("number", "value (95 %)", "from plan")
NAME, VALUE, PLAN = range(3)
_KEY = Qt.ItemDataRole.UserRole
_TITLE = Qt.ItemDataRole.UserRole + 1
_UNLIMITED = 16777215
"""Qt's word for a widget that may be as high as there is room."""
_NAME = "△ Femoral abduction"
_USUAL, _LONGEST = "+10.7 mm (−4.5 to +16.1)", "−0.07 mm (−0.31 to +0.41)"
_NOT_JUDGED = "no tolerance"
"""What a narrow column says instead of `NO_TOLERANCE`, which stands in the tooltip."""
_WIDEST_PLAN = "−12.5 ◐ undecided", f"−12.5 {_NOT_JUDGED}"
_NARROW_PLAN = ("−12.5 ◐",)
_AMBER = QColor(ON_DARK["undecided"])


class NumbersPanel(QWidget):
    """Every number with its interval on one line, and how far it is from plan.

    Signals
    -------
    chosen : object
        The key (name, side) of the number that a person wants explained, or None.
    copy : no arguments
        The numbers are wanted as text.
    findings_wanted : no arguments
        A person wants to read the warnings.
    """

    chosen = Signal(object)
    copy = Signal()
    findings_wanted = Signal()

    def __init__(self) -> None:
        super().__init__()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 0, 4, 0)
        layout.setSpacing(2)
        self.table = QTreeWidget()
        self.table.setColumnCount(len(_TITLES))
        narrow = narrow_screen()
        self.table.setHeaderLabels((*_TITLES[:PLAN], "plan") if narrow else _TITLES)
        self.table.setRootIsDecorated(False)
        self.table.setIndentation(0)
        self.table.setUniformRowHeights(True)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.table.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.table.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.table.setMinimumHeight(80)
        named(self.table, "Numbers", "What is measured; choose a number to have it explained")
        # Fixed sizes: those that follow their content would be laid out anew on every move.
        small = QFont(self.table.font())
        small.setPointSizeF(small.pointSizeF() * 0.95)
        self.table.setFont(small)
        metrics = self.table.fontMetrics()
        header = self.table.header()
        header.setStretchLastSection(False)
        header.setMinimumSectionSize(20)
        header.setSectionResizeMode(NAME, QHeaderView.ResizeMode.Stretch)
        plan = _NARROW_PLAN if narrow else _WIDEST_PLAN
        for column, widest in ((VALUE, (_USUAL,)), (PLAN, plan)):
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.Fixed)
            width = max(metrics.horizontalAdvance(each) for each in widest)
            self.table.setColumnWidth(column, width + 8)
        self.table.itemClicked.connect(self._choose)
        self.table.itemActivated.connect(self._choose)
        self.table.itemExpanded.connect(_mark_fold)
        self.table.itemCollapsed.connect(_mark_fold)
        layout.addWidget(self.table, 1)
        self.hidden = paragraph(name="Why no numbers are shown")
        self.hidden.setVisible(False)
        layout.addWidget(self.hidden)
        self.standing = QLabel()
        named(self.standing, "How it stands", "How likely a number is within its tolerance")
        self.narrowed = QLabel()
        named(self.narrowed, "What helps", "What would narrow its interval most")
        for line in (self.standing, self.narrowed):
            line.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
            layout.addWidget(line)
        foot = QHBoxLayout()
        foot.setSpacing(6)
        self.findings = button(
            "", "Read the warnings and notes of this film", self.findings_wanted.emit, "Warnings"
        )
        self.findings.setFlat(True)
        foot.addWidget(self.findings, 1)
        self._copy = button(
            "Copy", "Copy the numbers as text (Ctrl+C)", self.copy.emit, "Copy numbers as text"
        )
        foot.addWidget(self._copy)
        layout.addLayout(foot)
        self._chosen: Key | None = None
        self._rows: list[NumberRow] = []
        self._forget()

    def _forget(self) -> None:
        """Have no line; what lines say is kept beside them, for Qt is slow to tell it."""
        self.table.clear()
        self._titles: list[tuple[str, list[Key]]] = []
        self._items: list[QTreeWidgetItem] = []
        self._said: list[Any] = []

    def resizeEvent(self, event: Any) -> None:
        """Give the columns their widths anew."""
        super().resizeEvent(event)
        self._fit_columns()

    def _fit_columns(self) -> None:
        """Give the longest value its room, unless the names would lose theirs."""
        table, metrics = self.table, self.table.fontMetrics()
        plan = 0 if table.isColumnHidden(PLAN) else table.columnWidth(PLAN)
        left = table.viewport().width() - plan - metrics.horizontalAdvance(_NAME) - 8
        if narrow_screen():
            # As much as what is there needs, and the rest to the names.
            there = [metrics.horizontalAdvance(said[VALUE][0]) for said in self._said if said]
            usual = longest = max(there, default=60) + 8
        else:
            usual, longest = (metrics.horizontalAdvance(each) + 8 for each in (_USUAL, _LONGEST))
        width = min(max(left, usual), longest)
        if width != table.columnWidth(VALUE):
            table.setColumnWidth(VALUE, width)

    def choose_none(self) -> None:
        """Choose no row."""
        self._chosen = None
        self.table.clearSelection()
        self._show_standing()

    def choose(self, key: Key) -> None:
        """Choose a number, as a person does."""
        for item in self._items:
            if item.data(NAME, _KEY) == key:
                self.table.setCurrentItem(item)
                self._choose(item)

    def _choose(self, item: QTreeWidgetItem, _column: int = 0) -> None:
        key = item.data(NAME, _KEY)
        if key is not None:
            self._chosen = tuple(key)
            self._show_standing()
            self.chosen.emit(self._chosen)
        elif item.childCount():
            item.setExpanded(not item.isExpanded())

    def lines(self) -> list[tuple[str, ...]]:
        """Return what each line says, headings left out."""
        return [tuple(item.text(column) for column in range(3)) for item in self._items]

    def show_numbers(self, session: Session, result: Numbers) -> None:
        """Show what the reading gives, unless the study hides it."""
        for part in (self.table, self.findings, self._copy):
            part.setVisible(not session.blinded)
        self.hidden.setVisible(session.blinded)
        least = self.minimumSizeHint().height() + self.fontMetrics().height()
        self.setMaximumHeight(least if session.blinded else _UNLIMITED)
        if session.blinded:
            self.hidden.setText("This study is blinded: no number is shown.")
            self.findings.setText("")
            self._forget()
            self._rows = []
            self._show_standing()
            return
        groups = number_groups(result, session.reading, side_known=session.side_known)
        self._make_lines([(group.title, [row.key for row in group.rows]) for group in groups])
        rows = [row for group in groups for row in group.rows]
        for index, row in enumerate(rows):
            self._show_row(index, row)
        # Without a plan its column is room for the names.
        alone = all(row.compared is None for row in rows)
        if alone != self.table.isColumnHidden(PLAN) or narrow_screen():
            self.table.setColumnHidden(PLAN, alone)
            self._fit_columns()
        self._rows = rows
        self._show_standing()
        if result.final or result.measurements is None:
            text = findings_in_short(result)
            metrics = self.findings.fontMetrics()
            self.findings.setText(
                metrics.elidedText(text, Qt.TextElideMode.ElideRight, self.width() - 80)
            )
            self.findings.setEnabled(bool(text))

    def _show_standing(self) -> None:
        """Say of the chosen number, or of the least sure one, how it stands and what helps."""
        judged = [
            row for row in self._rows if row.compared and row.compared.probability is not None
        ]
        chosen = [row for row in judged if row.key == self._chosen]
        row = min(chosen or judged, key=lambda row: row.compared.probability, default=None)
        for line, text in zip((self.standing, self.narrowed), standing(row), strict=True):
            line.setVisible(bool(text))
            if line.toolTip() != text:
                room = max(self.width() - 12, 240)
                elided = line.fontMetrics().elidedText(text, Qt.TextElideMode.ElideRight, room)
                line.setText(elided)
                line.setToolTip(text)

    def _make_lines(self, wanted: list[tuple[str, list[Key]]]) -> None:
        """Have one line for each number; lines that stay are left alone."""
        table = self.table
        if wanted == self._titles:
            return
        tops = [table.topLevelItem(i) for i in range(table.topLevelItemCount())]
        folded = {top.data(NAME, _TITLE) for top in tops if not top.isExpanded()}
        known = {top.data(NAME, _TITLE) for top in tops}
        place = table.verticalScrollBar().value()
        self._forget()
        self._titles, self._said = wanted, [None] * sum(len(keys) for _, keys in wanted)
        bold = QFont(table.font())
        bold.setBold(True)
        for title, keys in wanted:
            top = QTreeWidgetItem()
            top.setData(NAME, _TITLE, title)
            top.setFont(NAME, bold)
            top.setToolTip(NAME, "Press to fold or unfold")
            table.addTopLevelItem(top)
            top.setFirstColumnSpanned(True)
            for key in keys:
                item = QTreeWidgetItem()
                item.setData(NAME, _KEY, key)
                top.addChild(item)
                self._items.append(item)
                if key == self._chosen:
                    table.setCurrentItem(item)
            converted = all(key[0] in CONVERTED for key in keys)
            top.setExpanded(title not in folded and not (converted and title not in known))
            _mark_fold(top)
        table.verticalScrollBar().setValue(place)

    def _show_row(self, index: int, row: NumberRow) -> None:
        label = short_label(row.name)
        mark = SEVERITIES[row.findings[0].severity][0] if row.findings else ""
        meaning = QUANTITIES[row.name].meaning if row.name in QUANTITIES else row.label
        tip = "\n".join([f"{row.label}. {meaning}", *(finding.text for finding in row.findings)])
        why = in_words(row.reason) or "Value, and its 95 % interval"
        cells = (
            (f"{mark} {label}" if mark else label, tip, _AMBER if mark else None, None),
            (value_of_row(row) or "–", why, None, None),
            _plan_cell(row),
        )
        item, said = self._items[index], self._said[index] or ((None,) * 4,) * len(cells)
        for column, (cell, before) in enumerate(zip(cells, said, strict=True)):
            if cell[0] != before[0]:
                item.setText(column, cell[0])
            if cell[1] != before[1]:
                item.setToolTip(column, cell[1])
            if cell[2:] != before[2:]:
                colour, backing = cell[2:]
                item.setForeground(column, QBrush(colour) if colour else QBrush())
                item.setBackground(column, QBrush(backing) if backing else QBrush())
        self._said[index] = cells


def _plan_cell(row: NumberRow) -> tuple[str, str, QColor | None, QColor | None]:
    """Return how a number stands to the plan: its text, tooltip, colour and backing."""
    compared = row.compared
    if compared is None:
        return "", "", None, None
    signed = "" if compared.difference is None else number(compared.difference, signed=True)
    why = in_words(compared.reason)
    if compared.verdict:
        verdict = verdict_text(compared.verdict)
        return (
            f"{signed} {verdict[0] if narrow_screen() else verdict}",
            f"{VERDICT_WORDS[compared.verdict]} (±{compared.tolerance:g})",
            QColor(ON_DARK[compared.verdict]),
            QColor(CHIP),
        )
    said = _NOT_JUDGED if signed and compared.reason == NO_TOLERANCE else why
    text = f"{signed} {said}" if signed else said
    return text, why or text, None, None


def _mark_fold(top: QTreeWidgetItem) -> None:
    """Show at a group's title whether there is more below it."""
    top.setText(NAME, f"{'▾' if top.isExpanded() else '▸'} {top.data(NAME, _TITLE)}")
