"""What the dock shows while no film is open: three lines, and the ways to open one."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QComboBox, QFileDialog, QVBoxLayout, QWidget

from napari_xraymeasure.panels.widgets import button, named, paragraph
from napari_xraymeasure.session.opening import FILM_SUFFIXES, sample_films
from xraymeasure.about import CAUTION
from xraymeasure.errors import XrayMeasureError


class FirstPage(QWidget):
    """The empty state.

    Signals
    -------
    path_chosen : object
        A film or a folder to open.
    sample_chosen : object
        A sample film to open.
    """

    path_chosen = Signal(object)
    sample_chosen = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 12, 12, 12)
        layout.setSpacing(10)
        self.lines = paragraph(
            "<p><b>1.</b> Drop an AP pelvis film, or a folder of films, on this window.</p>"
            "<p><b>2.</b> Place each landmark with a click, as the list leads you.</p>"
            "<p><b>3.</b> Read the numbers, hold them against the plan, export the page.</p>",
            "What to do",
        )
        layout.addWidget(self.lines)
        layout.addWidget(
            button("Open a film…", "Choose a film (DICOM, PNG, TIFF, JPEG)", self._film)
        )
        layout.addWidget(
            button("Open a folder of films…", "Choose a folder that holds films", self._folder)
        )
        self.samples = QComboBox()
        self.samples.addItem("Open a sample film…")
        try:
            for path in sample_films():
                self.samples.addItem(path.stem.replace("_", " "), path)
        except XrayMeasureError:
            self.samples.setEnabled(False)
        named(
            self.samples, "Open a sample film", "Synthetic films with known truth, to practise on"
        )
        self.samples.activated.connect(self._sample)
        layout.addWidget(self.samples)
        layout.addStretch(1)
        layout.addWidget(paragraph(CAUTION, "Caution"))

    def _film(self) -> None:
        path = chosen_film(self)
        if path is not None:
            self.path_chosen.emit(path)

    def _folder(self) -> None:
        path = QFileDialog.getExistingDirectory(self, "Open a folder of films")
        if path:
            self.path_chosen.emit(Path(path))

    def _sample(self, index: int) -> None:
        path = self.samples.itemData(index)
        self.samples.setCurrentIndex(0)
        if path is not None:
            self.sample_chosen.emit(path)


def chosen_film(parent: QWidget) -> Path | None:
    """Ask for a film, a reading or a plan, and return its path; None where nothing was chosen."""
    kinds = " ".join(f"*{suffix}" for suffix in FILM_SUFFIXES)
    path, _ = QFileDialog.getOpenFileName(
        parent, "Open a film", "", f"Films ({kinds});;Readings and plans (*.json *.toml);;All (*)"
    )
    return Path(path) if path else None
