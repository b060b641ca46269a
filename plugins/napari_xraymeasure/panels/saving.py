"""The panel that says where the reading is kept, and makes the page."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from qtpy.QtCore import QPointF, QRectF, Qt, QUrl, Signal
from qtpy.QtGui import QDesktopServices, QPainter
from qtpy.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.canvas.keys import help_rows
from napari_xraymeasure.panels.widgets import button, named, paragraph, rule
from napari_xraymeasure.session.session import Session
from napari_xraymeasure.session.userdata import is_reader_code
from xraymeasure.about import CAUTION

if TYPE_CHECKING:
    from qtpy.QtPrintSupport import QPrinter

_PRINTED_DPI = 300
"""A page is printed as a picture; at a printer's own 1200 one takes half a gigabyte."""


class KeepPanel(QWidget):
    """Who reads, where it is kept, and the export of page and tables.

    Signals
    -------
    reader_changed : str
        Another reader sits here now.
    save_again : no arguments
        A save that failed is to be tried again.
    export_to : object
        The folder for the page and the tables.
    """

    reader_changed = Signal(str)
    save_again = Signal()
    export_to = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self._session: Session | None = None
        self._page: Path | None = None
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 6)
        who = QHBoxLayout()
        self.reader = QLineEdit()
        self.reader.setMaxLength(16)
        named(
            self.reader,
            "Reader's code",
            "A code for who places the landmarks (letters, digits, - and _; not a name). "
            "Each reader's landmarks are kept apart",
        )
        self.reader.editingFinished.connect(self._rename)
        who.addWidget(QLabel("Reader's code"))
        who.addWidget(self.reader, 1)
        layout.addLayout(who)
        self.where = paragraph(name="Where the reading is kept")
        layout.addWidget(self.where)
        self.again = button("Save again", "Try to save the reading once more", self.save_again.emit)
        layout.addWidget(self.again)
        layout.addWidget(rule())
        row = QHBoxLayout()
        self.export = button(
            "Export page and tables…",
            "Write the page (PDF and HTML) and the numbers (JSON and CSV) to a folder",
            self._export,
            "Export page and tables",
        )
        row.addWidget(self.export)
        layout.addLayout(row)
        # Words, not a moving bar: that would draw the window again and again while it waits.
        self.progress = paragraph("The page and the tables are being made…", "Export in progress")
        self.progress.setVisible(False)
        layout.addWidget(self.progress)
        self.exported = paragraph(name="Result of the export")
        layout.addWidget(self.exported)
        after = QHBoxLayout()
        self.open = button(
            "Open the page", "Open the page that was written", self._open, "Open the page"
        )
        self.print = button("Print…", "Print the page that was written", self._print, "Print")
        for each in (self.open, self.print):
            each.setEnabled(False)
            after.addWidget(each)
        layout.addLayout(after)
        layout.addWidget(rule())
        rows = "".join(
            f"<tr><td><b>{escape(shown)}</b>&nbsp;</td><td>{escape(words)}</td></tr>"
            for shown, words in help_rows()
        )
        layout.addWidget(paragraph(f"Keys, with the film chosen:<table>{rows}</table>", "Keys"))
        layout.addStretch(1)

    @property
    def exporting(self) -> bool:
        """Whether the page is being made."""
        return not self.progress.isHidden()

    def _rename(self) -> None:
        code = self.reader.text().strip()
        if self._session is None or code == self._session.reading.reader:
            return
        if is_reader_code(code):
            self.reader_changed.emit(code)
        else:
            self.reader.setText(self._session.reading.reader)
            self.where.setText(
                f"“{code}” cannot be a reader's code: use 1 to 16 letters, digits, - or _."
            )

    def _export(self) -> None:
        if self._session is None:
            return
        folder = QFileDialog.getExistingDirectory(
            self, "Folder for the page and the tables", str(self._session.film_path.parent)
        )
        if folder:
            self.export_to.emit(Path(folder))

    def _open(self) -> None:
        if self._page is None:
            return
        if not QDesktopServices.openUrl(QUrl.fromLocalFile(str(self._page))):
            self.exported.setText(f"No program that opens pages was found. It is {self._page}.")

    def _print(self) -> None:
        if self._page is None:
            return
        # Loaded when something is printed: the window opens without them.
        from qtpy.QtPrintSupport import QPrintDialog, QPrinter

        printer = QPrinter(QPrinter.PrinterMode.HighResolution)
        printer.setDocName(self._page.stem)
        if QPrintDialog(printer, self).exec():
            why = print_page(self._page, printer)
            if why:
                self.exported.setText(why)

    def show_session(self, session: Session) -> None:
        """Show where the reading is kept, and what went wrong with it."""
        if session is not self._session:
            self._page = None
            self.exported.setText("")
            for each in (self.open, self.print):
                each.setEnabled(False)
        self._session = session
        self.show_exporting(self.exporting)
        if self.reader.text() != session.reading.reader:
            self.reader.setText(session.reading.reader)
        saved = session.saved
        if saved is None:
            text = (
                f"Taken up again from {session.found.own.path}."
                if session.found.own
                else f"Will be kept in {session.keeper.path}, from the first point on."
            )
        elif saved.path is None:
            text = saved.notice
        else:
            text = f"Saved after every edit in {saved.path}."
        if session.blinded:
            text = "Saved after every edit in the study." if saved else "Will be kept in the study."
        self.where.setText(text)
        self.again.setVisible(saved is not None and saved.path is None)

    def show_exporting(self, running: bool) -> None:
        """Show that the page is being made, or no longer."""
        self.progress.setVisible(running)
        blinded = self._session is not None and self._session.blinded
        self.export.setEnabled(not running and not blinded)
        if running:
            self.exported.setText("")

    def show_export(self, outcome: list[Path] | str) -> None:
        """Show which files were written, with the caution, or why none were."""
        self.exported.setText(export_words(outcome))
        if not isinstance(outcome, str):
            self._page = next(path for path in outcome if path.suffix == ".pdf")
            for each in (self.open, self.print):
                each.setEnabled(True)


def export_words(outcome: list[Path] | str) -> str:
    """Return which files were written, with the caution, or why none were."""
    if isinstance(outcome, str):
        return f"No page was made: {outcome}"
    names = ", ".join(path.name for path in outcome)
    return f"Written to {outcome[0].parent}: {names}.\n{CAUTION}"


def print_page(page: Path, printer: QPrinter) -> str:
    """Print a PDF; return why it could not be done, empty where it was."""
    from qtpy.QtPdf import QPdfDocument

    document = QPdfDocument(None)
    if document.load(str(page)) != QPdfDocument.Error.None_:
        return f"{page}: cannot be read for printing; open the page and print it from there."
    printer.setResolution(_PRINTED_DPI)
    painter = QPainter()
    if not painter.begin(printer):
        return "The printer does not answer; open the page and print it from there."
    for index in range(document.pageCount()):
        if index:
            printer.newPage()
        room = QRectF(painter.viewport())
        size = document.pagePointSize(index).scaled(room.size(), Qt.AspectRatioMode.KeepAspectRatio)
        painter.drawImage(QRectF(QPointF(), size), document.render(index, size.toSize()))
    painter.end()
    return ""
