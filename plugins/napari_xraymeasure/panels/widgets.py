"""Small parts that every panel uses, so that each control has its words."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
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


def number_field(
    low: float, high: float, suffix: str, name: str, tip: str, step: float = 1.0, decimals: int = 1
) -> QDoubleSpinBox:
    """Return a field for a number that may be left open.

    The lowest value of the field stands for "not known" and is shown as a dash; see `value_of`.
    """
    field = QDoubleSpinBox()
    field.setRange(low - step, high)
    field.setDecimals(decimals)
    field.setSingleStep(step)
    field.setSuffix(suffix)
    field.setSpecialValueText("–")
    field.setKeyboardTracking(False)
    field.setValue(field.minimum())
    field.setMinimumWidth(72)
    # A wheel that passes over a field while scrolling must not change a number.
    field.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
    field.wheelEvent = lambda event: event.ignore()
    return named(field, name, tip)


def value_of(field: QDoubleSpinBox) -> float | None:
    """Return the number in a field, or None where it was left open."""
    return None if field.value() <= field.minimum() else field.value()


def set_value(field: QDoubleSpinBox, value: float | None) -> None:
    """Show a number, or that it is not known, without telling anyone."""
    blocked = field.blockSignals(True)
    field.setValue(field.minimum() if value is None else value)
    field.blockSignals(blocked)


class NumberEdit(QLineEdit):
    """A narrow field for a number that may be left empty.

    Signals
    -------
    changed : no arguments
        A person entered another number, or emptied the field.
    refused : str
        What was entered is no number, or out of range; the field shows the one before.
    """

    changed = Signal()
    refused = Signal(str)

    def __init__(self, low: float, high: float, unit: str, name: str, tip: str) -> None:
        super().__init__()
        self._low, self._high, self._unit = low, high, unit
        self._value: float | None = None
        self.setPlaceholderText("–")
        self.setAlignment(Qt.AlignmentFlag.AlignHCenter)
        self.setFixedWidth(self.fontMetrics().horizontalAdvance("135.0") + 16)
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
        self.setModified(False)
        text = self.text().strip().replace(",", ".")
        try:
            value = float(text) if text else None
        except ValueError:
            value = float("nan")
        if value is not None and not self._low <= value <= self._high:
            self.refused.emit(
                f"{self.accessibleName()}: “{self.text()}” is not a number from {self._low:g} to "
                f"{self._high:g} {self._unit}"
            )
            self.show_value(self._value)
        elif value != self._value:
            self._value = value
            self.changed.emit()


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
