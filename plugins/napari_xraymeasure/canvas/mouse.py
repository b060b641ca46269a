"""From the mouse on the film to edits of the session.

A press near a placed point drags it. Elsewhere a press that moves less than a few pixels before it
is let go is a click and places; one that moves further is napari's own, which pans.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

import numpy as np

from napari_xraymeasure.session.session import Session

CLICK_PX = 5.0
"""How far, in screen pixels, a click may move."""
GRAB_PX = 9.0
"""How near, in screen pixels, a press takes hold of a placed point."""


def listen(layer: Any, session: Session) -> None:
    """Make the film's layer hand its mouse events to the session."""

    def press(layer: Any, event: Any) -> Generator[None, None, None]:
        if event.button != 1 or event.modifiers:
            return
        held = nearest(session, _data(layer, event), _pixels_on_screen(layer, event))
        yield from _drag(layer, event, session, held) if held else _click(layer, event, session)

    def double_click(layer: Any, event: Any) -> None:
        # The second of two quick clicks comes as a double click and is a click all the same.
        if event.button == 1 and not event.modifiers:
            event.handled = True
            point = _data(layer, event)
            held = nearest(session, point, _pixels_on_screen(layer, event), CLICK_PX)
            if held is None:
                session.click(point)

    layer.mouse_drag_callbacks.append(press)
    layer.mouse_double_click_callbacks.append(double_click)


def nearest(
    session: Session,
    point: tuple[float, float],
    screen_px_per_px: np.ndarray,
    within: float = GRAB_PX,
) -> tuple[str, int] | None:
    """Return the placed point that lies within a few screen pixels of `point`, or None.

    The armed landmark's points come first, so that an outline can be mended where others cross it.
    """
    best, reach = None, within
    for name, points in session.reading.landmarks.items():
        if not points:
            continue
        steps = (np.array(points) - point) * screen_px_per_px
        distances = np.hypot(*steps.T)
        index = int(distances.argmin())
        distance = distances[index] - (0.5 if name == session.armed else 0.0)
        if distance <= reach:
            best, reach = (name, index), distance
    return best


def _drag(
    layer: Any, event: Any, session: Session, held: tuple[str, int]
) -> Generator[None, None, None]:
    layer.mouse_pan = False  # napari would pan under the point
    session.select(*held)
    name, index = held
    # The point keeps its distance from the pointer: taking hold of it does not move it.
    offset = np.array(session.reading.landmarks[name][index]) - _data(layer, event)
    moved = False
    try:
        yield
        while event.type == "mouse_move":
            moved = True
            session.drag_to(name, index, tuple(_data(layer, event) + offset))
            yield
        if moved:
            # The last move before the release may have been dropped by napari's throttle.
            session.drag_to(name, index, tuple(_data(layer, event) + offset))
    finally:
        layer.mouse_pan = True
        session.drop()


def _click(layer: Any, event: Any, session: Session) -> Generator[None, None, None]:
    pressed, point, farthest = np.array(event.pos), _data(layer, event), 0.0
    yield
    while event.type == "mouse_move":
        farthest = max(farthest, float(np.hypot(*(np.array(event.pos) - pressed))))
        yield
    farthest = max(farthest, float(np.hypot(*(np.array(event.pos) - pressed))))
    if farthest < CLICK_PX:
        session.click(point)


def _data(layer: Any, event: Any) -> tuple[float, float]:
    row, column = layer.world_to_data(event.position)[-2:]
    return float(row), float(column)


def _pixels_on_screen(layer: Any, event: Any) -> np.ndarray:
    """Return the height and width of a film's pixel on the screen, in screen pixels."""
    return np.asarray(layer.scale[-2:], dtype=float) * event.camera_zoom
