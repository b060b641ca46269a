"""What lies over the film on the canvas.

A transparent Qt widget over the canvas draws `DrawnShapes`: lines, marks and labels that have a
dark edge or backing, so that they are read on bone, metal and air alike. Redrawing it leaves the
film's own picture alone, which is why a drag stays quick.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from qtpy.QtCore import QEvent, QPointF, QRect, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPixmap, QRegion
from qtpy.QtWidgets import QWidget

from napari_xraymeasure.canvas.drawn_shapes import DrawnShapes, Label, Mark, Stroke
from napari_xraymeasure.canvas.line_styles import CHIP, WINDOW_LINES
from napari_xraymeasure.canvas.painting import EDGE, Drawn, Line, paint
from xraymeasure.report.page.place_labels import dense, place_labels

_WIDEST, _LARGEST = 6, 14
"""How far, in points, a line and a mark may reach beyond what they are drawn at."""
_FAR = 10_000_000
"""Beyond any screen, and within what Qt can reckon with."""

SeenLabel = tuple[Label, tuple[float, float], tuple[float, float]]
"""A label, its anchor on the screen, and the size of its box there."""


class FilmOverlay(QWidget):
    """A transparent widget over napari's canvas.

    Parameters
    ----------
    canvas : QWidget
        The canvas that it covers.
    viewer, layer
        The camera of the one, and the place in the world of the other, say where things lie.
    """

    def __init__(self, canvas: QWidget, viewer: Any, layer: Any) -> None:
        super().__init__(canvas)
        self.setObjectName("xraymeasure_overlay")
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setAttribute(Qt.WidgetAttribute.WA_NoSystemBackground)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._camera = viewer.scene.camera
        self._layer = layer
        self._scene = DrawnShapes()
        self._held: DrawnShapes | None = None
        self._labels = True
        self._placed_for: tuple | None = None
        self._offsets: dict[str, tuple[float, float]] = {}
        self._sizes: dict[str, tuple[float, float]] = {}
        self._seen: tuple[np.ndarray, np.ndarray] | None = None
        self._laid_out = False
        self._drawn: Drawn = {}
        self._in_hand: Drawn = {}
        self._tags: Drawn = {}
        self._still: tuple[QPixmap | None, Drawn] = None, {}
        self._font = QFont(self.font())
        self._font.setPointSizeF(max(self._font.pointSizeF(), 9.0))
        self.resize(canvas.size())
        canvas.installEventFilter(self)
        on, camera = layer.events, self._camera.events
        self._views = camera.center, camera.zoom, on.scale, on.affine, on.visible
        for event in self._views:
            event.connect(self._on_view)
        self.show()

    def show_scene(self, scene: DrawnShapes, held: DrawnShapes | None = None) -> None:
        """Draw the scene instead of the one before.

        While something is `held` labels keep their places, and only what differs is drawn anew.
        """
        self._scene, self._held, self._laid_out = scene, held, False
        if held is None:
            self._placed_for = None
            self.update()
            return
        before, in_hand = self._drawn, self._in_hand
        self._lay_out()
        self.update(_changed(before, self._drawn))
        self.update(_extent(in_hand, self._in_hand))

    def show_held(self, held: DrawnShapes) -> None:
        """Draw what the hand holds where it is now, and leave all else."""
        before, self._held = self._in_hand, held
        self._lay_out()
        self._in_hand = self._found(held, self._in_sight(held.labels), {})
        self.update(_extent(before, self._in_hand))

    def _lay_out(self) -> None:
        """Find where each thing is drawn, unless that is known."""
        if self._laid_out:
            return
        held = self._held or DrawnShapes()
        shown = self._in_sight((*self._scene.labels, *held.labels))
        wanted = (
            frozenset(label.key for label, _, _ in shown),
            round(float(np.log(np.abs(self._view()[0]).max())), 2),
            (self.width(), self.height()),
        )
        if wanted != self._placed_for:
            self._placed_for = wanted
            self._place(shown, (*self._scene.strokes, *held.strokes))
        still = len(shown) - sum(1 for label, _, _ in shown if label in held.labels)
        self._drawn = self._found(self._scene, shown[:still], self._drawn)
        self._in_hand = self._found(held, shown[still:], {})
        self._tags = {what: at for what, at in self._drawn.items() if isinstance(what, Label)}
        self._laid_out = True

    def _found(self, shapes: DrawnShapes, labels: list[SeenLabel], known: Drawn) -> Drawn:
        """Return where shapes lie on the screen, those that are `known` as they are."""
        paths: dict[Any, Any] = {mark: (mark.point,) for mark in shapes.marks}
        for stroke in shapes.strokes:
            path = stroke.path
            # A line that was measured anew and came out the same to the eye is the same.
            line = Line(stroke.kind, stroke.lit, path.round(2).tobytes())
            # Half of a curve's points are plenty on a screen, and halve what it costs to draw.
            paths[line] = path[::2] if len(path) > 60 else path
        new = {what: path for what, path in paths.items() if what not in known}
        found: Drawn = {what: known[what] for what in paths if what in known}
        if new:
            starts = np.cumsum([0, *map(len, new.values())])
            points = self.to_screen(np.concatenate(list(new.values())))
            corners = [each.reduceat(points, starts[:-1]) for each in (np.minimum, np.maximum)]
            extents = np.clip(np.hstack(corners), -_FAR, _FAR).astype(int).tolist()
            for what, extent, start, end in zip(new, extents, starts, starts[1:], strict=False):
                margin = _LARGEST if isinstance(what, Mark) else _WIDEST
                found[what] = _rectangle(*extent, margin), points[start:end]
        drawn = {what: found[what] for what in paths}
        for label, anchor, size in labels:
            (x, y), box = anchor, self._box(label, anchor, size)
            reach = box.left(), box.top(), box.right(), box.bottom()
            around = min(x, reach[0]), min(y, reach[1]), max(x, reach[2]), max(y, reach[3])
            here = _rectangle(*map(int, around), _WIDEST), (label, anchor, box)
            before = known.get(label)
            drawn[label] = before if before == here else here
        return drawn

    def show_labels(self, shown: bool) -> None:
        """Draw labels, or leave them out."""
        self._labels, self._laid_out = shown, False
        self.update()

    def show_at_all(self, shown: bool) -> None:
        """Draw, or draw nothing while the film is not what is seen."""
        self.setVisible(shown)

    def remove(self) -> None:
        """Take the overlay off the canvas."""
        for event in self._views:
            event.disconnect(self._on_view)
        self.parent().removeEventFilter(self)
        self._scene, self._held, self._drawn, self._in_hand = DrawnShapes(), None, {}, {}
        self._still = None, {}
        self.hide()
        self.deleteLater()

    def eventFilter(self, watched: Any, event: QEvent) -> bool:
        """Follow the canvas when its size changes."""
        if event.type() == QEvent.Type.Resize:
            self.resize(watched.size())
            self._on_view()
        return False

    def _on_view(self, event: Any = None) -> None:
        self._seen, self._drawn, self._laid_out = None, {}, False
        self.update()

    def to_screen(self, points: Any) -> np.ndarray:
        """Return where (row, column) points of the film stand on the canvas, shape (n, 2), x y."""
        matrix, offset = self._view()
        return np.asarray(points, dtype=float).reshape(-1, 2) @ matrix + offset

    def _view(self) -> tuple[np.ndarray, np.ndarray]:
        """Return matrix and offset that take a point of the film to the canvas."""
        if self._seen is not None:
            return self._seen
        origin, down, along = (
            np.asarray(self._layer.data_to_world(point), dtype=float)[-2:]
            for point in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
        )
        zoom = self._camera.zoom
        middle = np.array([self.height(), self.width()]) / 2.0
        start = (origin - np.asarray(self._camera.center, dtype=float)[-2:]) * zoom + middle
        steps = np.array([down - origin, along - origin]) * zoom
        self._seen = steps[:, ::-1], start[::-1]
        return self._seen

    def paintEvent(self, event: Any) -> None:
        """Draw lines, marks and labels, in this order."""
        if not self._layer.visible:
            return
        self._lay_out()
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        asked = event.region()
        if self._held is None:
            paint(painter, _within(self._drawn, asked))
        else:
            painter.drawPixmap(0, 0, self._still_picture())
            paint(painter, self._in_hand)
        self._draw_labels(painter, _within(self._tags, asked) | self._in_hand)
        painter.end()

    def _still_picture(self) -> QPixmap:
        """Return a picture of what no hand holds, in which only what differs is drawn anew."""
        ratio = self.devicePixelRatioF()
        picture, before = self._still
        if picture is None or picture.size() != self.size() * ratio:
            picture, before = QPixmap(self.size() * ratio), {}
            picture.setDevicePixelRatio(ratio)
            picture.fill(Qt.GlobalColor.transparent)
        if before is self._drawn:
            return picture
        changed = _changed(before, self._drawn)
        if not changed.isEmpty():
            painter = QPainter(picture)
            painter.setClipRegion(changed)
            painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_Clear)
            painter.fillRect(changed.boundingRect(), Qt.GlobalColor.transparent)
            painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_SourceOver)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            paint(painter, _within(self._drawn, changed))
            painter.end()
        self._still = picture, self._drawn
        return picture

    def _draw_labels(self, painter: QPainter, drawn: Drawn) -> None:
        boxes = [place for what, (_, place) in drawn.items() if isinstance(what, Label)]
        painter.setFont(self._font)
        backing = QColor(CHIP)
        backing.setAlpha(225)
        for label, (x, y), box in boxes:
            colour = QColor(WINDOW_LINES[label.kind].colour)
            painter.setPen(QPen(EDGE, 2.5))
            painter.drawLine(QPointF(x, y), box.center())
            painter.setPen(QPen(colour, 1.0))
            painter.drawLine(QPointF(x, y), box.center())
        for label, _anchor, box in boxes:
            painter.setPen(QPen(QColor(WINDOW_LINES[label.kind].colour), 1.0))
            painter.setBrush(backing)
            painter.drawRoundedRect(box, 3.0, 3.0)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QColor("white"))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, label.text)

    def _in_sight(self, labels: tuple[Label, ...]) -> list[SeenLabel]:
        """Return each label whose anchor is in sight, with that and the size of its box."""
        if not labels or not self._labels:
            return []
        anchors = self.to_screen([label.anchor for label in labels]).tolist()
        return [
            (label, (x, y), self._size(label.text))
            for label, (x, y) in zip(labels, anchors, strict=True)
            if 0 <= x <= self.width() and 0 <= y <= self.height()
        ]

    def _size(self, text: str) -> tuple[float, float]:
        """Return the width and height of a label's box."""
        if text not in self._sizes:
            metrics, lines = QFontMetricsF(self._font), text.split("\n")
            width = max(metrics.horizontalAdvance(line) for line in lines) + 12.0
            self._sizes[text] = width, metrics.height() * len(lines) + 6.0
        return self._sizes[text]

    def _place(self, shown: list[SeenLabel], strokes: tuple[Stroke, ...]) -> None:
        """Find room for boxes; they keep it while a point is dragged or the film is panned."""
        drawn = [dense(np.asarray(stroke.path, dtype=float), 30) for stroke in strokes]
        drawn += [np.array([mark.point]) for mark in self._scene.marks]
        lines = self.to_screen(np.concatenate(drawn) if drawn else ())
        margin = 6.0
        centres = place_labels(
            [anchor for _, anchor, _ in shown],
            [(width + margin, height + margin) for _, _, (width, height) in shown],
            lines,
            (0.0, 0.0, float(self.width()), float(self.height())),
        )
        self._offsets = {
            label.key: (centre[0] - anchor[0], centre[1] - anchor[1])
            for (label, anchor, _), centre in zip(shown, centres, strict=True)
        }

    def _box(self, label: Label, anchor: tuple[float, float], size: tuple[float, float]) -> QRectF:
        along, down = self._offsets.get(label.key, (0.0, 0.0))
        left = min(max(anchor[0] + along - size[0] / 2, 2.0), self.width() - size[0] - 2.0)
        top = min(max(anchor[1] + down - size[1] / 2, 2.0), self.height() - size[1] - 2.0)
        return QRectF(left, top, *size)


def _within(drawn: Drawn, asked: QRegion) -> Drawn:
    """Return what is drawn within a region."""
    return {what: place for what, place in drawn.items() if asked.intersects(place[0])}


def _extent(*drawn: Drawn) -> QRect:
    """Return the rectangle about all that is drawn."""
    whole = QRect()
    for each in drawn:
        for rectangle, _ in each.values():
            whole |= rectangle
    return whole


def _changed(before: Drawn, now: Drawn) -> QRegion:
    """Return where anything is drawn that was not, or is not any more."""
    changed = QRegion()
    for one, other in ((before, now), (now, before)):
        for what, drawn in one.items():
            if other.get(what) is not drawn:
                changed += drawn[0]
    return changed


def _rectangle(left: int, top: int, right: int, bottom: int, margin: int) -> QRect:
    """Return the rectangle about these sides, with a margin."""
    width, height = right - left + 1, bottom - top + 1
    return QRect(left - margin, top - margin, width + 2 * margin, height + 2 * margin)
