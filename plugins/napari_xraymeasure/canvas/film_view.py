"""A film on napari's canvas: its layer, its keys and mouse, what lies over it, and the camera."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from qtpy.QtCore import QPoint

from napari_xraymeasure.canvas.drawn_shapes import DrawnShapes
from napari_xraymeasure.canvas.film_guard import FilmGuard
from napari_xraymeasure.canvas.film_layer import metal_limits, scale_and_units
from napari_xraymeasure.canvas.keys import install
from napari_xraymeasure.canvas.loupe import Loupe
from napari_xraymeasure.canvas.mouse import listen
from napari_xraymeasure.canvas.napari_private import canvas_widget, stopped_double_click
from napari_xraymeasure.canvas.overlay import FilmOverlay
from napari_xraymeasure.session import placing_order
from napari_xraymeasure.session.placing import Placing

_ZOOM_STEP = 1.25
_CURSOR_STEP = 1 / 60
"""How far an arrow moves the cursor of the keys, as a part of what is seen of the film."""
_FAR = 8


class FilmView:
    """What belongs to one film's layer, from when it is taken up until it is let go.

    Parameters
    ----------
    viewer, layer
        Where the film is shown.
    act : callable
        Does what a key stands for, by the name of its action.
    parted : callable
        Told why the film cannot be read now, and with an empty text that it can again.
    labels, loupe : bool
        Whether labels are drawn and the loupe is shown.
    own_window : bool
        Whether the window is for reading films alone.
    """

    def __init__(
        self,
        viewer: Any,
        layer: Any,
        act: Callable[[str], None],
        parted: Callable[[str], None],
        *,
        labels: bool = True,
        loupe: bool = True,
        own_window: bool = False,
    ) -> None:
        self.viewer = self._viewer = viewer
        self.layer = layer
        self.labels, self.loupe_wanted = labels, loupe
        self.deaf = False
        self._own_limits = tuple(layer.contrast_limits)
        self._range = float(layer.data.min()), float(layer.data.max())
        self._metal = False
        canvas = canvas_widget(viewer)
        self.overlay = FilmOverlay(canvas, viewer, layer)
        self.overlay.show_labels(labels)
        self.loupe = Loupe(canvas, layer)
        install(layer, act)
        self._zoom_callbacks = stopped_double_click(viewer)
        # The whole film stays in sight until a person zooms or pans, however the window changes.
        self._whole = True
        camera = viewer.scene.camera.events
        self._connections = (
            (viewer.canvas.events.size, self._on_size),
            (camera.zoom, self._on_camera),
            (camera.center, self._on_camera),
        )
        for event, listener in self._connections:
            event.connect(listener)
        viewer.mouse_move_callbacks.append(self._on_move)
        self._parted = parted
        viewer.layers.selection.active = layer
        self.guard = FilmGuard(viewer, layer, own_window, self._on_guard)
        self._on_guard(self.guard.why)

    def let_go(self) -> None:
        """Take everything away that was put on the canvas; the layer must still be there."""
        self.guard.let_go()
        for event, listener in self._connections:
            event.disconnect(listener)
        self._viewer.mouse_move_callbacks.remove(self._on_move)
        self.layer.mouse_drag_callbacks.clear()
        self.layer.mouse_double_click_callbacks.clear()
        self.overlay.remove()
        self.loupe.hide()
        self.loupe.deleteLater()
        self._viewer.mouse_double_click_callbacks.extend(self._zoom_callbacks)
        self._clear_bar(True)

    def listen(self, session: Placing, taken: Callable[[tuple[float, float]], bool]) -> None:
        """Hand mouse events to a session, and to no other; `taken` is offered a click first."""
        self.layer.mouse_drag_callbacks.clear()
        self.layer.mouse_double_click_callbacks.clear()
        self._session, self.clicked = session, taken
        listen(self.layer, session, self)

    def draw(self, scene: DrawnShapes, held: DrawnShapes | None) -> None:
        """Draw a scene over the film, and what the hand holds."""
        self.overlay.show_scene(scene, held)
        if held is not None:
            self.loupe.hide()  # It shows where the hand took hold.

    def _on_guard(self, why: str) -> None:
        self.deaf = bool(why)
        self.overlay.show_at_all(not why)
        if why:
            self.loupe.hide()
        self._parted(why)

    # Labels, loupe, window and level

    def toggle_labels(self) -> None:
        """Draw labels, or leave them out."""
        self.labels = not self.labels
        self.overlay.show_labels(self.labels)

    def toggle_loupe(self) -> None:
        """Show the loupe under the pointer while placing, or do not."""
        self.loupe_wanted = not self.loupe_wanted
        if not self.loupe_wanted:
            self.loupe.hide()

    def _on_move(self, viewer: Any, event: Any) -> None:
        if self.deaf or event.is_dragging:
            return
        zoomed = float(self.layer.scale[-1]) * self._viewer.scene.camera.zoom > 3.0
        if not self.loupe_wanted or self._session.armed is None or zoomed:
            self.loupe.hide()
            return
        row, column = self.layer.world_to_data(event.position)[-2:]
        self.loupe.show_at((float(row), float(column)), QPoint(*(round(v) for v in event.pos)))

    def window_by(self, along: float, down: float) -> None:
        """Widen the window along the drag, and raise its level with it, in screen pixels."""
        low, high = self.layer.contrast_limits
        bottom, top = self._range
        step = (top - bottom) / 600.0
        width = max(high - low + along * step, (top - bottom) / 500.0)
        level = float(np.clip((low + high) / 2 + down * step, bottom, top))
        low, high = max(level - width / 2, bottom), min(level + width / 2, top)
        if high > low:
            self._metal = False
            self.layer.contrast_limits = (low, high)

    def toggle_metal(self) -> None:
        """Show metal as metal, with its edges, or the film as it asks to be shown."""
        self._metal = not self._metal
        limits = metal_limits(self.layer.data) if self._metal else self._own_limits
        self.layer.contrast_limits = limits

    # The camera

    def zoom_in(self) -> None:
        """Show less of the film, larger."""
        self._viewer.scene.camera.zoom *= _ZOOM_STEP

    def zoom_out(self) -> None:
        """Show more of the film, smaller."""
        self._viewer.scene.camera.zoom /= _ZOOM_STEP

    def zoom_to_film(self) -> None:
        """Show the whole film."""
        self._viewer.reset_view()
        self._whole = True

    def _on_size(self, event: Any = None) -> None:
        if self._whole:
            self.zoom_to_film()

    def _on_camera(self, event: Any = None) -> None:
        self._whole = False
        self.loupe.hide()  # What it shows lies elsewhere now.

    def zoom_to_landmark(self, session: Placing) -> None:
        """Show where the armed landmark lies, or is to be expected."""
        if session.armed is None:
            return
        centre, rows = placing_order.region(
            session.reading, session.film, session.armed, session.hips, session.proposed_beside
        )
        camera = self._viewer.scene.camera
        camera.center = tuple(np.asarray(self.layer.data_to_world(centre), dtype=float)[-2:])
        camera.zoom = min(self._viewer.canvas.size) / (float(self.layer.scale[-2]) * rows)
        self._whole = False

    def shows(self, points: np.ndarray) -> bool:
        """Whether points of the film, (n, 2), are all on the canvas."""
        camera = self._viewer.scene.camera
        world = np.array([self.layer.data_to_world(point)[-2:] for point in points], dtype=float)
        reach = np.array(self._viewer.canvas.size) / (2 * camera.zoom)
        return bool(np.all(np.abs(world - np.array(camera.center[-2:])) <= reach))

    def show_scale(self, session: Placing, mm_per_px: float | None) -> None:
        """Give the layer its scale in mm once calibrated, without moving the picture."""
        wanted = scale_and_units(session.film, mm_per_px)
        camera = self._viewer.scene.camera
        ratio = wanted["scale"][-1] / float(self.layer.scale[-1])
        if abs(ratio - 1.0) > 1e-6:
            centre, zoom = np.asarray(camera.center, dtype=float), camera.zoom
            whole = self._whole
            self.layer.scale, self.layer.units = wanted["scale"], wanted["units"]
            camera.center = tuple(centre * ratio)
            camera.zoom = zoom / ratio
            self._whole = whole
        bar = self._viewer.canvas.overlays.scale_bar
        # Once drawn it is never hidden again: napari's renderer breaks down at the next large
        # zoom over a bar that was. On a film without a scale it is clear, and says nothing.
        if mm_per_px is not None and not bar.visible:
            bar.visible = bar.box = True
        self._clear_bar(mm_per_px is None)

    def _clear_bar(self, clear: bool) -> None:
        bar = self._viewer.canvas.overlays.scale_bar
        bar.opacity = 0.0 if clear else 1.0
        # Nearly clear: a box that is wholly clear keeps the colour that it was last drawn in.
        bar.box_color = (0.0, 0.0, 0.0, 0.001) if clear else None

    # Placing by keys

    def move_cursor(self, down: float, along: float, *, far: bool) -> None:
        """Move the cursor of the keys as the screen sees it, by a part of what is seen."""
        seen = min(self._viewer.canvas.size) / self._viewer.scene.camera.zoom
        step = _CURSOR_STEP * seen * (_FAR if far else 1)
        start = self._session.cursor or self.middle()
        world = np.asarray(self.layer.data_to_world(start), dtype=float)[-2:]
        point = self.layer.world_to_data(world + np.array([down, along]) * step)
        self._session.aim((float(point[-2]), float(point[-1])))

    def middle(self) -> tuple[float, float]:
        """Return the (row, column) of the film in the middle of the canvas."""
        centre = self._viewer.scene.camera.center[-2:]
        row, column = self.layer.world_to_data(centre)[-2:]
        return float(row), float(column)
