"""A small picture of where each landmark lies: half a pelvis and a thigh, drawn with a few lines.

The picture is of a left hip as a film shows it, the patient's left on the right; a right one is
mirrored. Units are those of a box 120 wide and 130 high.
"""

from __future__ import annotations

import math

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QFont, QPainter, QPainterPath, QPen, QPixmap

from napari_xraymeasure.canvas.line_styles import CHIP, MARKS
from xraymeasure.vocabulary.landmarks import LANDMARKS, Landmark

WIDTH, HEIGHT = 120.0, 130.0

_HEAD, _HEAD_RADIUS = (70.0, 58.0), 10.5
_NATIVE_RADIUS = 13.5
_RIM_TILT_DEG = 42.0
_BONE, _FAINT_BONE, _METAL = QColor("#B9BEC8"), QColor("#6E7480"), QColor("#8FA3B8")


def _on_circle(centre: tuple[float, float], radius: float, angles: tuple[int, ...]):
    return tuple(
        (
            centre[0] + radius * math.cos(math.radians(angle)),
            centre[1] - radius * math.sin(math.radians(angle)),
        )
        for angle in angles
    )


def _on_rim(angles: tuple[int, ...]):
    """Points of the rim's ellipse, whose long axis rises laterally."""
    tilt = math.radians(-_RIM_TILT_DEG)
    points = []
    for angle in angles:
        u, v = 17.0 * math.cos(math.radians(angle)), 5.0 * math.sin(math.radians(angle))
        points.append(
            (
                _HEAD[0] + u * math.cos(tilt) - v * math.sin(tilt),
                _HEAD[1] + u * math.sin(tilt) + v * math.cos(tilt),
            )
        )
    return tuple(points)


_POINTS: dict[str, tuple[tuple[float, float], ...]] = {
    "teardrop": ((51.5, 72.0),),
    "femoral_head": _on_circle(_HEAD, _HEAD_RADIUS, (20, 80, 140, 200, 260, 320)),
    "cup_rim": _on_rim((0, 50, 110, 180, 240, 300)),
    "cup_shell": _on_circle(_HEAD, 17.0, (60, 95, 130, 165, 195)),
    "lesser_trochanter": ((80.5, 91.0),),
    "femoral_shaft": ((95.0, 102.0), (95.0, 113.0), (95.0, 124.0)),
    "ischium": ((44.0, 99.0),),
    "stem_axis": ((94.5, 82.0), (95.0, 117.0)),
    "neck_axis": ((74.0, 61.5), (87.0, 72.5)),
    "greater_trochanter": ((99.0, 52.0),),
    "stem_shoulder": ((100.0, 73.0),),
    "symphysis": ((13.0, 63.0),),
    "sacrococcygeal_joint": ((13.0, 43.0),),
    "obturator_foramen": ((47.5, 78.0), (22.5, 77.0), (36.0, 68.0), (34.0, 87.0)),
    "marker_sphere": _on_circle((26.0, 118.0), 7.0, (10, 80, 150, 220, 290)),
}


def picture(name: str, prosthetic: bool, height_px: int, ratio: float = 1.0) -> QPixmap:
    """Return the picture of a landmark.

    Parameters
    ----------
    name : str
        A landmark's name as in the files.
    prosthetic : bool
        Whether the hip on the picture is replaced.
    height_px : int
        Height, in device-independent pixels.
    ratio : float
        Device pixels for each of those.
    """
    scale = height_px / HEIGHT
    pixmap = QPixmap(round(WIDTH * scale * ratio), round(height_px * ratio))
    pixmap.setDevicePixelRatio(ratio)
    pixmap.fill(QColor(CHIP))
    painter = QPainter(pixmap)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.scale(scale, scale)
    landmark = LANDMARKS[name]
    if landmark.side == "right":
        painter.translate(WIDTH, 0.0)
        painter.scale(-1.0, 1.0)
    _draw_bones(painter, prosthetic)
    if prosthetic:
        _draw_implants(painter)
    if landmark.kind.stem == "marker_sphere":
        painter.setPen(QPen(_METAL, 1.4))
        painter.drawEllipse(QPointF(26.0, 118.0), 7.0, 7.0)
    _draw_marks(painter, landmark)
    painter.end()
    return pixmap


def _curve(start: tuple[float, float], *pieces: tuple[float, ...]) -> QPainterPath:
    path = QPainterPath(QPointF(*start))
    for piece in pieces:
        if len(piece) == 2:
            path.lineTo(*piece)
        else:
            path.quadTo(*piece)
    return path


def _draw_bones(painter: QPainter, prosthetic: bool) -> None:
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(QPen(_FAINT_BONE, 1.2))
    # Sacrum and coccyx, at the midline.
    painter.drawPath(_curve((8, 6), (26, 8), (30, 12, 24, 26), (20, 38, 17, 42), (9, 42)))
    painter.drawPath(_curve((10, 45), (16, 45), (15, 51, 13, 54), (10, 53)))
    painter.setPen(QPen(_BONE, 1.5))
    # Wing of the ilium, down to the roof of the socket.
    painter.drawPath(
        _curve(
            (50, 50),
            (42, 40, 34, 26),
            (30, 14, 36, 9),
            (62, 0, 88, 10),
            (96, 18, 92, 26),
            (84, 34, 86, 44),
            (80, 42, 76, 40),
        )
    )
    # Pubis, ischium and the foramen between them.
    painter.drawPath(
        _curve(
            (50, 50),
            (34, 58, 17, 62),
            (12, 64, 13, 76),
            (16, 82, 22, 84),
            (28, 92, 36, 97),
            (44, 102, 52, 95),
            (60, 88, 57, 76),
        )
    )
    painter.drawEllipse(QRectF(22.5, 68.0, 25.0, 19.0))
    # The teardrop.
    painter.drawPath(_curve((49, 54), (47, 72, 51.5, 72), (56, 72, 54, 58)))
    # Floor of the socket.
    painter.drawArc(QRectF(53.0, 41.0, 34.0, 34.0), 50 * 16, 150 * 16)
    # The femur: trochanters and shaft.
    painter.drawPath(
        _curve((88, 62), (92, 52, 99, 52), (107, 56, 105, 70), (103, 84, 103, 96), (102.5, 130))
    )
    painter.drawPath(
        _curve((80, 74), (84, 80, 83, 86), (78, 90, 82, 94), (87, 97, 87.5, 104), (87.5, 130))
    )
    if not prosthetic:
        painter.drawEllipse(QPointF(*_HEAD), _NATIVE_RADIUS, _NATIVE_RADIUS)
        painter.drawPath(_curve((79, 48), (84, 54, 88, 62)))
        painter.drawPath(_curve((70, 71.5), (76, 72, 80, 74)))


def _draw_implants(painter: QPainter) -> None:
    fill = QColor(_METAL)
    fill.setAlpha(90)
    painter.setPen(QPen(_METAL, 1.3))
    painter.setBrush(fill)
    painter.drawPath(
        _curve(
            (76, 59),
            (90, 68),
            (100, 73),
            (101, 84, 98, 100),
            (96, 121),
            (94, 121),
            (90, 90),
            (85, 78),
            (72, 67),
            (76, 59),
        )
    )
    painter.save()
    painter.translate(*_HEAD)
    painter.rotate(-_RIM_TILT_DEG)
    dome = QPainterPath()
    dome.arcMoveTo(QRectF(-17, -17, 34, 34), 0)
    dome.arcTo(QRectF(-17, -17, 34, 34), 0, 180)
    dome.arcTo(QRectF(-17, -5, 34, 10), 180, 180)
    painter.drawPath(dome)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawEllipse(QRectF(-17, -5, 34, 10))
    painter.restore()
    painter.setBrush(fill)
    painter.drawEllipse(QPointF(*_HEAD), _HEAD_RADIUS, _HEAD_RADIUS)
    painter.setBrush(Qt.BrushStyle.NoBrush)


def _draw_marks(painter: QPainter, landmark: Landmark) -> None:
    kind = landmark.kind
    points = _POINTS[kind.stem]
    colour = QColor(MARKS["armed"][0])
    if kind.shape == "line":
        painter.setPen(QPen(colour, 1.0, Qt.PenStyle.DashLine))
        painter.drawLine(QPointF(*points[0]), QPointF(*points[-1]))
    for number, point in enumerate(points, start=1):
        painter.setPen(QPen(QColor("black"), 0.8))
        painter.setBrush(colour)
        painter.drawEllipse(QPointF(*point), 2.3, 2.3)
        if kind.shape == "point":
            painter.setPen(QPen(colour, 1.2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawEllipse(QPointF(*point), 6.0, 6.0)
        if kind.shape in ("points", "line") and kind.maximum:
            _draw_number(painter, number, point, mirrored=landmark.side == "right")


def _draw_number(
    painter: QPainter, number: int, point: tuple[float, float], mirrored: bool
) -> None:
    painter.save()
    painter.translate(point[0] + 5.0, point[1] + 1.0)
    if mirrored:
        painter.scale(-1.0, 1.0)
    font = QFont(painter.font())
    font.setPixelSize(9)
    painter.setFont(font)
    painter.setPen(QColor(MARKS["armed"][0]))
    painter.drawText(QRectF(-4.0, -6.0, 8.0, 12.0), Qt.AlignmentFlag.AlignCenter, str(number))
    painter.restore()
