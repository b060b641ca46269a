"""A loupe that follows the pointer: the film's own pixels, larger, with a cross in the middle."""

from __future__ import annotations

from typing import Any

import numpy as np
from qtpy.QtCore import QEvent, QPoint, QRect, Qt
from qtpy.QtGui import QColor, QImage, QPainter, QPainterPath, QPen
from qtpy.QtWidgets import QWidget

SIZE = 168
"""Width and height on the screen, in points."""
PIXELS = 56
"""How many pixels of the film it shows across."""
_AWAY = 26


class Loupe(QWidget):
    """What lies under the pointer, enlarged; it stands beside the pointer, never over it.

    Parameters
    ----------
    canvas : QWidget
        The canvas that it stands on.
    layer
        The film's layer.
    """

    def __init__(self, canvas: QWidget, layer: Any) -> None:
        super().__init__(canvas)
        self.setObjectName("xraymeasure_loupe")
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.resize(SIZE, SIZE)
        self._layer = layer
        self._point = (0.0, 0.0)
        self._turn = np.eye(2)
        canvas.installEventFilter(self)
        self.hide()

    def eventFilter(self, canvas: Any, event: QEvent) -> bool:
        """Go when the pointer leaves the canvas."""
        if event.type() == QEvent.Type.Leave:
            self.hide()
        return False

    def show_at(self, point: tuple[float, float], position: QPoint) -> None:
        """Show what lies about a (row, column) of the film beside a place on the canvas."""
        rows, columns = self._layer.data.shape[:2]
        if not (0 <= point[0] < rows and 0 <= point[1] < columns):
            self.hide()
            return
        self._point = point
        canvas = self.parentWidget().rect()
        x, y = position.x() + _AWAY, position.y() - _AWAY - SIZE
        if x + SIZE > canvas.width():
            x = position.x() - _AWAY - SIZE
        if y < 0:
            y = position.y() + _AWAY
        self.move(x, y)
        self.show()
        self.update()

    def paintEvent(self, event: Any) -> None:
        """Draw the pixels, the cross and the rim."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        round_ = QPainterPath()
        round_.addRoundedRect(1, 1, SIZE - 2, SIZE - 2, 10, 10)
        painter.fillPath(round_, QColor("black"))
        painter.setClipPath(round_)
        grey, shift = self._cut()
        picture = QImage(
            grey.tobytes(), grey.shape[1], grey.shape[0], grey.shape[1], QImage.Format_Grayscale8
        )
        step = SIZE / PIXELS
        painter.translate(-shift[1] * step, -shift[0] * step)
        painter.drawImage(
            QRect(0, 0, round(grey.shape[1] * step), round(grey.shape[0] * step)), picture
        )
        painter.resetTransform()
        middle, gap = SIZE // 2, 8
        for colour, width in ((QColor(0, 0, 0, 170), 3.0), (QColor("#F5EA4D"), 1.2)):
            painter.setPen(QPen(colour, width))
            for start, stop in ((gap, 4 * gap), (-gap, -4 * gap)):
                painter.drawLine(middle + start, middle, middle + stop, middle)
                painter.drawLine(middle, middle + start, middle, middle + stop)
        painter.setClipping(False)
        painter.setPen(QPen(QColor("#C8CCD4"), 1.5))
        painter.drawPath(round_)
        painter.end()

    def _cut(self) -> tuple[np.ndarray, tuple[float, float]]:
        """Return the grey levels about the point as the screen shows them, and how far to shift."""
        layer = self._layer
        half = PIXELS // 2 + 1
        row, column = (int(np.floor(value)) for value in self._point)
        padded = np.zeros((2 * half, 2 * half), dtype=np.float32)
        low, high = layer.contrast_limits
        top, left = max(row - half, 0), max(column - half, 0)
        part = np.asarray(layer.data[top : row + half, left : column + half], dtype=np.float32)
        shown = np.clip((part - low) / max(high - low, 1e-9), 0, 1) ** layer.gamma
        at = top - (row - half), left - (column - half)
        padded[at[0] : at[0] + part.shape[0], at[1] : at[1] + part.shape[1]] = 255 * shown
        fraction = np.array(self._point) + 0.5 - (row, column)
        # The picture stands as the film stands on the screen: quarter turns and mirrorings only.
        axes = np.round(np.asarray(layer.affine.affine_matrix)[:2, :2]).astype(int)
        offset = fraction + half - PIXELS / 2
        if axes[0, 0] == 0:
            padded, offset = padded.T, offset[::-1]
            axes = axes[:, ::-1]
        for axis in (0, 1):
            if axes[axis, axis] < 0:
                padded = np.flip(padded, axis)
                offset[axis] = 2 * half - PIXELS - offset[axis]
        return np.ascontiguousarray(padded.astype(np.uint8)), (float(offset[0]), float(offset[1]))
