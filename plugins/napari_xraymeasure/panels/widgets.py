"""Small parts that every panel uses, so that each control has its words."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import QEvent, QObject, Qt, QTimer, Signal
from qtpy.QtGui import QFontMetrics, QGuiApplication
from qtpy.QtWidgets import (
    QAbstractButton,
    QAbstractSpinBox,
    QComboBox,
    QDoubleSpinBox,
    QFrame,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QWidget,
)


def named(widget: QWidget, name: str, tip: str) -> QWidget:
    """Give a control its name for screen readers and its tooltip, and return it."""
    widget.setAccessibleName(name)
    widget.setToolTip(tip)
    widget.setAccessibleDescription(tip)
    return widget


def button(text: str, tip: str, pressed: Callable[[], None], name: str = "") -> QPushButton:
    """Return a push button; a click leaves the keys with the film, Tab still reaches it."""
    made = QPushButton(text)
    made.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    made.clicked.connect(lambda _checked=False: pressed())
    named(made, name or text, tip)
    return made


def make_narrow(pressed: QPushButton) -> None:
    """Leave a button hardly more room than its words take."""
    room = 1 if narrow_screen() else 3
    pressed.setStyleSheet(f"padding-left: {room}px; padding-right: {room}px;")


def number_field(
    low: float, high: float, suffix: str, name: str, tip: str, step: float = 1.0
) -> QDoubleSpinBox:
    """Return a field for a number that may be left open.

    The lowest value of the field stands for "not known" and is shown as a dash; see `value_of`.
    """
    field = QDoubleSpinBox()
    field.setRange(low - step, high)
    field.setDecimals(1)
    field.setSingleStep(step)
    field.setSuffix(suffix)
    field.setSpecialValueText("–")
    field.setKeyboardTracking(False)
    field.setValue(field.minimum())
    field.setMinimumWidth(72)
    return named(field, name, tip)


def narrow_screen() -> bool:
    """Whether the screen has few points in its width, as one of large letters has."""
    return QGuiApplication.primaryScreen().size().width() < _NARROW


def width_of(text: str) -> int:
    """Return how wide words of the dock are."""
    font = QGuiApplication.font()
    if narrow_screen():
        font.setPointSizeF(_SMALL_PT)
    return QFontMetrics(font).horizontalAdvance(text)


def no_wider_than(box: QComboBox, longest: str) -> None:
    """Let a box be as narrow as its longest words allow."""
    box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    box.setMinimumContentsLength(1)
    box.setMinimumWidth(width_of(longest) + (28 if narrow_screen() else 34))
    box.setStyleSheet("padding-left: 4px; padding-right: 2px;")


def value_of(field: QDoubleSpinBox) -> float | None:
    """Return the number in a field, or None where it was left open."""
    return None if field.value() <= field.minimum() else field.value()


def set_value(field: QDoubleSpinBox, value: float | None) -> None:
    """Show a number, or that it is not known, without telling anyone."""
    blocked = field.blockSignals(True)
    field.setValue(field.minimum() if value is None else value)
    field.blockSignals(blocked)


def once(parent: QObject, after_ms: int, then: Callable[[], None]) -> QTimer:
    """Return a timer that, each time it is started, does something once after a while.

    It ends with its parent, where a shot into the air might come when that is gone.
    """
    timer = QTimer(parent)
    timer.setSingleShot(True)
    timer.setInterval(after_ms)
    timer.timeout.connect(then)
    return timer


class NumberEdit(QLineEdit):
    """A narrow field for a number that may be left empty.

    Signals
    -------
    changed : no arguments
        A person entered another number, or emptied the field.
    refused : str
        What was entered is no number, or out of range; the field shows the one before. Empty once
        that is put right.
    """

    changed = Signal()
    refused = Signal(str)

    def __init__(self, low: float, high: float, unit: str, name: str, tip: str) -> None:
        super().__init__()
        self._low, self._high, self._unit = low, high, unit
        self._value: float | None = None
        self._wrong = False
        self.setPlaceholderText("–")
        self.setAlignment(Qt.AlignmentFlag.AlignHCenter)
        self.setFixedWidth(width_of("135.0") + (6 if narrow_screen() else 10))
        named(self, name, tip)
        self.editingFinished.connect(self._finish)

    @property
    def value(self) -> float | None:
        """The number, None where the field is empty."""
        return self._value

    def show_value(self, value: float | None) -> None:
        """Show a number without telling anyone; not while someone types another."""
        self._value = value
        if not self.isModified() or not self.hasFocus():
            self.setText("" if value is None else f"{value:g}")

    def _finish(self) -> None:
        if not self.isModified():
            return  # Return ends the field, and leaving it ends it again.
        self.setModified(False)
        text = self.text().strip().replace(",", ".")
        try:
            value = float(text) if text else None
        except ValueError:
            value = float("nan")
        if value is not None and not self._low <= value <= self._high:
            self._wrong = True
            self.refused.emit(
                f"{self.accessibleName()}: “{self.text()}” is not a number from {self._low:g} to "
                f"{self._high:g} {self._unit}"
            )
            self.show_value(self._value)
            return
        if self._wrong:
            self._wrong = False
            self.refused.emit("")
        if value != self._value:
            self._value = value
            self.changed.emit()


_NARROW, _SMALL_PT = 1100, 8
RING = "#F5EA4D"
FOCUS_STYLE = f"""
QPushButton:flat {{ background: transparent; border: none; text-align: left; }}
QPushButton:focus, QComboBox:focus, QLineEdit:focus, QAbstractSpinBox:focus, QCheckBox:focus,
QListWidget:focus, QTreeWidget:focus, QTextBrowser:focus, QPlainTextEdit:focus {{
    border: 2px solid {RING};
}}
QTabBar:focus {{ border: 2px solid {RING}; }}
QLineEdit[doubted="true"] {{ border: 2px solid #FFB000; }}
"""
"""Where the keys go is seen at a glance; a doubted size is marked at its field."""
NARROW_STYLE = f"""
QWidget {{ font-size: {_SMALL_PT}pt; }}
QTreeWidget {{ font-size: {_SMALL_PT - 1}pt; }}
QTabBar::tab {{ padding: 3px 2px; }}
QDoubleSpinBox {{ min-width: 48px; }}
"""
"""Where points are few and large, letters of fewer points leave the film its room."""

_ENDS = (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Escape)


class GiveBackKeys(QObject):
    """Return and Escape in a field commit it, go no further, and give the keys to the film.

    A wheel that passes over a field while scrolling goes on scrolling, and changes nothing.

    Parameters
    ----------
    to_film : callable
        Gives the keys back to the film.
    """

    def __init__(self, to_film: Callable[[], None]) -> None:
        super().__init__()
        self._to_film = to_film

    def watch(self, part: QWidget) -> None:
        """Watch every field of a part of the window."""
        for field in part.findChildren(QLineEdit):
            field.installEventFilter(self)
        for field in (*part.findChildren(QAbstractSpinBox), *part.findChildren(QComboBox)):
            field.installEventFilter(self)
            # Else a wheel would give it the keys.
            field.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        for box in part.findChildren(QComboBox):
            box.activated.connect(lambda _index: self._to_film())

    def eventFilter(self, field: QObject, event: QEvent) -> bool:
        """Swallow what ends a field; lead a wheel on to what scrolls."""
        if event.type() == QEvent.Type.Wheel:
            event.ignore()
            return True
        kinds = (QEvent.Type.ShortcutOverride, QEvent.Type.KeyPress)
        if event.type() not in kinds or event.key() not in _ENDS:
            return False
        if isinstance(field, QComboBox) and field.view().isVisible():
            return False
        event.accept()
        if event.type() == QEvent.Type.KeyPress:
            if isinstance(field, QAbstractSpinBox):
                field.interpretText()
            if isinstance(field, QLineEdit):
                field.editingFinished.emit()
            self._to_film()
            if field.hasFocus():
                field.clearFocus()
        return True


class ButtonRow(QObject):
    """Some buttons that Tab reaches as one; the arrow keys go from one to the next.

    Parameters
    ----------
    buttons : list of QAbstractButton
        In order.
    """

    def __init__(self, buttons: list[QAbstractButton], parent: QWidget) -> None:
        super().__init__(parent)
        self._buttons = buttons
        for each in buttons:
            each.installEventFilter(self)
        self.refresh()

    def refresh(self) -> None:
        """Let Tab reach the first button that can be pressed."""
        reached = next((each for each in self._buttons if each.isEnabled()), None)
        for each in self._buttons:
            tab, none = Qt.FocusPolicy.TabFocus, Qt.FocusPolicy.NoFocus
            wanted = tab if each is reached or each.hasFocus() else none
            if each.focusPolicy() != wanted:
                each.setFocusPolicy(wanted)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Go along with the arrow keys."""
        steps = {
            Qt.Key.Key_Right: 1,
            Qt.Key.Key_Down: 1,
            Qt.Key.Key_Left: -1,
            Qt.Key.Key_Up: -1,
        }
        if event.type() != QEvent.Type.KeyPress or event.key() not in steps:
            return False
        usable = [each for each in self._buttons if each.isEnabled()]
        if watched in usable:
            there = usable[(usable.index(watched) + steps[event.key()]) % len(usable)]
            there.setFocus(Qt.FocusReason.TabFocusReason)
        return True


def paragraph(text: str = "", name: str = "") -> QLabel:
    """Return a label that wraps and can be selected by the mouse."""
    label = QLabel(text)
    label.setWordWrap(True)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    label.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Minimum)
    if name:
        label.setAccessibleName(name)
    return label


def rule() -> QFrame:
    """Return a thin line between two groups."""
    line = QFrame()
    line.setFrameShape(QFrame.Shape.HLine)
    return line
