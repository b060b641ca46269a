"""How the dock is laid out: notices, the bar of a study, panels above and numbers below."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import QEvent, QSize, Qt, Signal
from qtpy.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QScrollArea,
    QSizePolicy,
    QSplitter,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from napari_xraymeasure.panels.explain import ExplainPanel
from napari_xraymeasure.panels.film_form import FilmForm
from napari_xraymeasure.panels.first_page import FirstPage
from napari_xraymeasure.panels.notices import Notices
from napari_xraymeasure.panels.numbers import NumbersPanel
from napari_xraymeasure.panels.placing import PlacingPanel
from napari_xraymeasure.panels.plan import ComparePanel
from napari_xraymeasure.panels.practice import PracticePanel
from napari_xraymeasure.panels.saving import KeepPanel
from napari_xraymeasure.panels.widgets import (
    FOCUS_STYLE,
    NARROW_STYLE,
    button,
    named,
    narrow_screen,
    once,
    paragraph,
)
from napari_xraymeasure.panels.worklist import StudyBar
from napari_xraymeasure.session.background import Background


class DockLayout(QWidget):
    """The panels in their places; what they do to one another is the dock's.

    Signals
    -------
    open_wanted, film_wanted : no arguments
        Another film is to be opened; the film that is read is to be on top again.
    """

    open_wanted = Signal()
    film_wanted = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.setStyleSheet(FOCUS_STYLE + NARROW_STYLE * narrow_screen())
        self.setObjectName("xraymeasure")
        # Without this napari pushes the dock up against the top of the window.
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
        self.first, self.notices, self.bar = FirstPage(), Notices(), StudyBar()
        self.beside = Background(self)
        self.films = QComboBox()
        named(self.films, "Film", "The films of the folder that was opened; choose one to read it")
        self.films.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self.films.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.open = button("Open…", "Open another film, a reading or a plan", self.open_wanted.emit)
        self.placing, self.explain, self.compare = PlacingPanel(), ExplainPanel(), ComparePanel()
        self.form, self.practice, self.keep = FilmForm(), PracticePanel(), KeepPanel()
        self.numbers = NumbersPanel()
        self.tabs = QTabWidget()
        for panel, title, tip in (
            (self.placing, "Place", "Place the landmarks one after another"),
            (self.explain, "Explain", "What the chosen number is, and what it rests on"),
            (self.compare, "Plan", "Hold the film against its plan, or against another reading"),
            (self.form, "Film", "How the film was taken, and a comment"),
            (self.practice, "Practice", "On a sample film: how far off the reading was"),
            (self.keep, "Keep", "Where the reading is kept, the page, and the keys"),
        ):
            index = self.tabs.addTab(_Scrolled(panel), title)
            self.tabs.setTabToolTip(index, tip)
        for part in (self.tabs, self.tabs.tabBar()):
            named(part, "Panels", "Place, Explain, Plan, Film, Practice and Keep")
        self.saved = paragraph(name="Saved")
        self.saved.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Maximum)
        lower = QWidget()
        self._below = below = QVBoxLayout(lower)
        below.setContentsMargins(0, 0, 0, 0)
        below.setSpacing(2)
        # No higher than what it holds may be: where no number is shown the room is the placing's.
        below.setSizeConstraint(QVBoxLayout.SizeConstraint.SetMinAndMaxSize)
        below.addWidget(self.numbers, 1)
        self.saved.setContentsMargins(8, 0, 8, 2)
        below.addWidget(self.saved)
        self.halves = halves = QSplitter(Qt.Orientation.Vertical)
        halves.setChildrenCollapsible(False)
        halves.addWidget(self.tabs)
        halves.addWidget(lower)
        halves.setStretchFactor(0, 3)
        halves.setStretchFactor(1, 2)
        work = QWidget()
        column = QVBoxLayout(work)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        row = QHBoxLayout()
        row.setSpacing(4)
        row.addWidget(self.open)
        row.addWidget(self.films, 1)
        column.addLayout(row)
        column.addWidget(halves, 1)
        self.stack = QStackedWidget()
        self.stack.addWidget(_Scrolled(self.first))
        self.stack.addWidget(work)
        self.stack.addWidget(self._make_parted())
        outer = QVBoxLayout(self)
        outer.setContentsMargins(2, 2, 2, 2)
        outer.addWidget(self.bar)
        outer.addWidget(self.stack, 1)

    def give_numbers_room(self) -> None:
        """Give the numbers the room back that a blinded study took from them."""
        self._below.activate()
        self.halves.setSizes([3, 2])

    def _make_parted(self) -> QWidget:
        """Return what stands instead of placing and numbers while something else is seen."""
        page = QWidget()
        layout = QVBoxLayout(page)
        layout.setContentsMargins(12, 12, 12, 12)
        self.parted = paragraph(name="Why nothing is shown")
        layout.addWidget(self.parted)
        self.bring_back = button(
            "Back to the film", "Put the film that is read on top again", self.film_wanted.emit
        )
        layout.addWidget(self.bring_back)
        layout.addStretch(1)
        return page


class _Scrolled(QScrollArea):
    """A widget that scrolls down where the screen is low, and is never cut off at the side."""

    def __init__(self, widget: QWidget) -> None:
        super().__init__()
        self.setWidgetResizable(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFrameShape(QScrollArea.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._later = once(self, 0, self._fit)
        self.setWidget(widget)

    def resizeEvent(self, event: Any) -> None:
        """Give the content its height anew."""
        super().resizeEvent(event)
        self._fit()

    def eventFilter(self, watched: Any, event: QEvent) -> bool:
        """Give the content its height anew where it changed."""
        done = super().eventFilter(watched, event)
        if event.type() == QEvent.Type.LayoutRequest:
            self._fit()
            # What lies deeper may be laid out only after this.
            self._later.start()
        return done

    def _fit(self) -> None:
        # Qt reckons without the lines into which words are broken, and would squeeze the fields.
        widget = self.widget()
        layout = widget.layout() if widget else None
        if layout is not None and layout.hasHeightForWidth():
            # It is out by a pixel or two where letters changed since.
            widget.setMinimumHeight(layout.totalHeightForWidth(self.viewport().width()) + 4)

    def minimumSizeHint(self) -> QSize:
        """Return room for the content's width and for a few of its lines."""
        bar = self.verticalScrollBar().sizeHint().width()
        return QSize(self.widget().minimumSizeHint().width() + bar + 4, 60)
