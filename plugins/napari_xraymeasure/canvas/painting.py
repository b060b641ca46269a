"""How lines and marks are painted over the film: on a dark edge, open in the middle."""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

from qtpy.QtCore import QLineF, QPointF, QRect, QRectF, Qt
from qtpy.QtGui import QColor, QPainter, QPen, QPolygonF

from napari_xraymeasure.canvas.drawn_shapes import Mark
from napari_xraymeasure.canvas.line_styles import LINE_SCALE, MARKS, WINDOW_LINES

EDGE = QColor(0, 0, 0, 170)
_GAP, _ARM = 3.0, 8.0


class Line(NamedTuple):
    """What a line is known by: two of the same look and path are one."""

    kind: str
    lit: bool
    path: bytes


Drawn = dict[Any, tuple[QRect, Any]]
"""Where each line, mark and label lies on the screen: its extent, and its points or its box."""


def paint(painter: QPainter, there: Drawn) -> None:
    """Draw lines, and marks over them."""
    for what, (_, place) in there.items():
        if isinstance(what, Line):
            polygon = QPolygonF([QPointF(x, y) for x, y in place.tolist()])
            for pen in _pens(what.kind, what.lit):
                painter.setPen(pen)
                painter.drawPolyline(polygon)
    marks: dict[str, list[Any]] = {}
    for what, (_, place) in there.items():
        if isinstance(what, Mark):
            marks.setdefault(what.state, []).append(place[0].tolist())
    for state, points in marks.items():
        _draw_marks(painter, state, points)


@cache
def _pens(kind: str, lit: bool) -> tuple[QPen, QPen]:
    """Return the pens of a line's dark edge, and of the line."""
    line = WINDOW_LINES[kind]
    width = LINE_SCALE * line.width + (1.8 if lit else 0.0)
    pen = QPen(QColor(line.colour), width)
    if line.dash:
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        pen.setDashPattern(list(line.dash))
    return QPen(EDGE, width + 2.0), pen


def _draw_marks(painter: QPainter, state: str, points: list[tuple[float, float]]) -> None:
    """Draw marks of one state: open in the middle, so that they do not hide what they mark."""
    gap, arm = (1.5, 4.0) if state in ("outline", "proposed") else (_GAP, _ARM)
    directions = ((1, 0), (-1, 0), (0, 1), (0, -1))
    if state == "second":
        gap, arm = gap * 0.7, arm * 0.7
        directions = ((1, 1), (1, -1), (-1, 1), (-1, -1))
    lines = [
        QLineF(x + gap * a, y + gap * b, x + arm * a, y + arm * b)
        for x, y in points
        for a, b in directions
    ]
    radius = {"selected": 11.0, "cursor": 11.0, "lit": 8.0, "question": 8.0}.get(state)
    for pen in _mark_pens(state):
        painter.setPen(pen)
        painter.drawLines(lines)
        for x, y in points if radius else ():
            if state in ("question", "cursor"):
                painter.drawRect(QRectF(x - radius, y - radius, 2 * radius, 2 * radius))
            else:
                painter.drawEllipse(QPointF(x, y), radius, radius)


@cache
def _mark_pens(state: str) -> tuple[QPen, QPen]:
    """Return the pens of a mark's dark edge, and of the mark."""
    colour, width = MARKS[state]
    return QPen(EDGE, width + 2.0), QPen(QColor(colour), width)
