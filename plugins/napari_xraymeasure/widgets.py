"""Small parts that every panel uses, so that each control has its words."""

from __future__ import annotations

from collections.abc import Callable

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QDoubleSpinBox, QFrame, QLabel, QPushButton, QSizePolicy, QWidget


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
