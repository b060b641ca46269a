"""A film on napari's canvas: its layer, its keys and mouse, what lies over it, and the camera."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from napari_xraymeasure.canvas.drawn_shapes import Scene
from napari_xraymeasure.canvas.film_layer import scale_and_units
from napari_xraymeasure.canvas.keys import install
from napari_xraymeasure.canvas.mouse import listen
from napari_xraymeasure.canvas.overlay import over_film
from napari_xraymeasure.session import placing_order
from napari_xraymeasure.session.session import Session

_ZOOM_STEP = 1.25


class FilmView:
    """What belongs to one film's layer, from when it is taken up until it is let go.

    Parameters
    ----------
    viewer, layer
        Where the film is shown.
    actions : mapping of str to callable
        What the keys do, see `shortcuts.install`.
    labels : bool
        Whether labels are drawn.
    """

    def __init__(
        self, viewer: Any, layer: Any, actions: Mapping[str, Callable[[], None]], labels: bool
    ) -> None:
        self._viewer = viewer
        self.layer = layer
        self.labels = labels
        self.overlay = over_film(viewer, layer)
        self.overlay.show_labels(labels)
        install(layer, actions)
        self._zoom_callbacks = self._stop_double_click_zoom()
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

    def _stop_double_click_zoom(self) -> list[Callable]:
        """Quick clicks along an outline are clicks, not a wish to zoom."""
        callbacks = self._viewer.mouse_double_click_callbacks
        stopped = [
            each for each in callbacks if getattr(each, "__name__", "") == "double_click_to_zoom"
        ]
        for each in stopped:
            callbacks.remove(each)
        return stopped

    def let_go(self) -> None:
        """Take everything away that was put on the canvas."""
        for event, listener in self._connections:
            event.disconnect(listener)
        self.overlay.remove()
        self._viewer.mouse_double_click_callbacks.extend(self._zoom_callbacks)
        self._viewer.canvas.overlays.scale_bar.visible = False

    def listen(self, session: Session) -> None:
        """Hand mouse events to a session, and to no other."""
        self.layer.mouse_drag_callbacks.clear()
        self.layer.mouse_double_click_callbacks.clear()
        listen(self.layer, session)

    def draw(self, scene: Scene, *, moving: bool) -> None:
        """Draw a scene over the film."""
        self.overlay.show_scene(scene, moving=moving)

    def toggle_labels(self) -> None:
        """Draw labels, or leave them out."""
        self.labels = not self.labels
        self.overlay.show_labels(self.labels)

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

    def zoom_to_landmark(self, session: Session) -> None:
        """Show where the armed landmark lies, or is to be expected."""
        if session.armed is None:
            return
        centre, rows = placing_order.region(session.reading, session.film, session.armed)
        camera = self._viewer.scene.camera
        camera.center = tuple(np.asarray(self.layer.data_to_world(centre), dtype=float)[-2:])
        camera.zoom = min(self._viewer.canvas.size) / (float(self.layer.scale[-2]) * rows)

    def show_scale(self, session: Session, mm_per_px: float | None) -> None:
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
        if bar.visible != (mm_per_px is not None):
            bar.visible = mm_per_px is not None
            bar.box = True
