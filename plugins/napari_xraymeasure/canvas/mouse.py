"""From the mouse on the film to edits of the session.

A press near a placed point drags it. Elsewhere a press that moves less than a few pixels before it
is let go is a click and places; one that moves further is napari's own, which pans. In the midst of
an outline a click on another landmark's point places too, and beside one always: where outlines
cross, no click is lost. With Shift held a click round a head or shell moves to the nearest edge of
the picture, and takes hold of nothing. A drag with the right button sets window and level.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any, Protocol

import numpy as np

from napari_xraymeasure.session.placing import Placing
from napari_xraymeasure.session.proposals import is_outline
from xraymeasure.vocabulary.landmarks import LANDMARKS

CLICK_PX = 5.0
"""How far, in screen pixels, a click may move."""
GRAB_PX = 9.0
"""How near, in screen pixels, a press takes hold of a placed point."""
LEFT, RIGHT = 1, 2


class Listener(Protocol):
    """What the mouse reports to, beside the session."""

    deaf: bool

    def clicked(self, point: tuple[float, float]) -> bool:
        """Take a click; return whether it was taken and is no click on a landmark."""

    def window_by(self, along: float, down: float) -> None:
        """Change window and level by a drag, in screen pixels."""


def listen(layer: Any, session: Placing, view: Listener) -> None:
    """Make the film's layer hand its mouse events to the session."""

    def click(point: tuple[float, float]) -> None:
        if not view.clicked(point):
            session.click(point)

    def to_edge(point: tuple[float, float]) -> None:
        # Not on a rim: its steepest edge lies inside its outline and lowers anteversion.
        if session.armed and LANDMARKS[session.armed].kind.shape == "circle":
            from xraymeasure.detect.snap import snap

            point = snap(session.film, point)
        click(point)

    def press(layer: Any, event: Any) -> Generator[None, None, None]:
        if view.deaf or (event.modifiers and set(event.modifiers) != {"Shift"}):
            return
        if event.modifiers:
            if event.button == LEFT:
                yield from _click(layer, event, to_edge)
        elif event.button == RIGHT:
            yield from _window(layer, event, view)
        elif event.button == LEFT:
            held = nearest(session, _data(layer, event), _pixels_on_screen(layer, event))
            if session.placing_again:
                held = None  # A point is placed once more just where it was placed before.
            if held and _places(layer, event, session, held[0]):
                yield from _drag(layer, event, session, held, click)
            elif held:
                session.select(*held)
                yield from _drag(layer, event, session, held, view.clicked)
            else:
                yield from _click(layer, event, click)

    def double_click(layer: Any, event: Any) -> None:
        # The second of two quick clicks comes as a double click and is a click all the same.
        if event.button == LEFT and not event.modifiers and not view.deaf:
            event.handled = True
            point = _data(layer, event)
            held = nearest(session, point, _pixels_on_screen(layer, event), CLICK_PX)
            if held is None or session.placing_again:
                click(point)

    layer.mouse_drag_callbacks.append(press)
    layer.mouse_double_click_callbacks.append(double_click)


def nearest(
    session: Placing,
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


def _places(layer: Any, event: Any, session: Placing, held: str) -> bool:
    """Whether a click near a point of the landmark `held` places one of the armed landmark."""
    armed, reading = session.armed, session.reading
    if armed is None or armed == held:
        return False
    if reading.landmarks.get(armed) and is_outline(armed) and armed not in reading.unconfirmed:
        return True
    return not nearest(session, _data(layer, event), _pixels_on_screen(layer, event), CLICK_PX)


def _drag(
    layer: Any,
    event: Any,
    session: Placing,
    held: tuple[str, int],
    click: Callable[[tuple[float, float]], Any],
) -> Generator[None, None, None]:
    """Move the point that is held, once it is chosen or the pointer moves; else take a click."""
    layer.mouse_pan = False  # napari would pan under the point
    pressed, point = np.array(event.pos), _data(layer, event)
    name, index = held
    least = 0.0 if session.selected == held else CLICK_PX
    # The point keeps its distance from the pointer: taking hold of it does not move it.
    offset = np.array(session.reading.landmarks[name][index]) - point
    moved = False
    try:
        yield
        while event.type == "mouse_move":
            moved = moved or float(np.hypot(*(np.array(event.pos) - pressed))) >= least
            if moved:
                session.drag_to(name, index, tuple(_data(layer, event) + offset))
            yield
        if moved:
            # The last move before the release may have been dropped by napari's throttle.
            session.drag_to(name, index, tuple(_data(layer, event) + offset))
    finally:
        layer.mouse_pan = True
        session.drop()
    if not moved:
        click(point)


def _window(layer: Any, event: Any, view: Listener) -> Generator[None, None, None]:
    layer.mouse_zoom = False  # napari would zoom under the drag
    before = np.array(event.pos, dtype=float)
    try:
        yield
        while event.type == "mouse_move":
            now = np.array(event.pos, dtype=float)
            along, down = now - before
            before = now
            view.window_by(float(along), float(down))
            yield
    finally:
        layer.mouse_zoom = True


def _click(
    layer: Any, event: Any, click: Callable[[tuple[float, float]], None]
) -> Generator[None, None, None]:
    pressed, point, farthest = np.array(event.pos), _data(layer, event), 0.0
    yield
    while event.type == "mouse_move":
        farthest = max(farthest, float(np.hypot(*(np.array(event.pos) - pressed))))
        yield
    farthest = max(farthest, float(np.hypot(*(np.array(event.pos) - pressed))))
    if farthest < CLICK_PX:
        click(point)


def _data(layer: Any, event: Any) -> tuple[float, float]:
    row, column = layer.world_to_data(event.position)[-2:]
    return float(row), float(column)


def _pixels_on_screen(layer: Any, event: Any) -> np.ndarray:
    """Return the height and width of a film's pixel on the screen, in screen pixels."""
    return np.asarray(layer.scale[-2:], dtype=float) * event.camera_zoom
