"""Whether the window still shows the film that is read, and listens to it.

napari can put other layers over the film, turn the picture, show it in three dimensions, or send
clicks and keys to another layer. In a window of our own such things are undone; in a napari that
serves other work too, drawing and numbers go away with a sentence until the film is back.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from napari_xraymeasure.canvas.film_layer import opened_of

BEFORE_KEY = "xraymeasure_before"
"""Marks the layer of the film before the operation in its metadata."""


class FilmGuard:
    """Watches what napari does around one film.

    Parameters
    ----------
    viewer, layer
        The film's layer and where it is shown.
    own_window : bool
        Whether the window is for reading films alone.
    changed : callable
        Called with why the film cannot be read now, empty once it can be again.
    """

    def __init__(
        self, viewer: Any, layer: Any, own_window: bool, changed: Callable[[str], None]
    ) -> None:
        self._viewer, self._layer = viewer, layer
        self._own_window, self._changed = own_window, changed
        self._why = ""
        self._watched: list[Any] = []
        self._lies = layer.affine
        layers, dims = viewer.layers.events, viewer.dims.events
        self._connections = (
            (layers.inserted, self._on_layers),
            (layers.removed, self._on_layers),
            (layers.reordered, self._on_layers),
            (viewer.layers.selection.events.active, self._look),
            (dims.ndisplay, self._look),
            (dims.order, self._look),
            (viewer.canvas.grid.events.enabled, self._look),
            (layer.events.mode, self._look),
            (layer.events.affine, self._look),
        )
        for event, listener in self._connections:
            event.connect(listener)
        self._on_layers()

    def let_go(self) -> None:
        """Watch no longer."""
        for event, listener in self._connections:
            event.disconnect(listener)
        for layer in self._watched:
            layer.events.visible.disconnect(self._look)

    @property
    def why(self) -> str:
        """Why the film cannot be read now; empty if it can."""
        viewer, layer = self._viewer, self._layer
        if layer not in viewer.layers:
            return ""
        if viewer.dims.ndisplay != 2:
            return "The window shows three dimensions."
        if tuple(viewer.dims.order) != tuple(sorted(viewer.dims.order)):
            return "The picture is transposed."
        if viewer.canvas.grid.enabled and len(viewer.layers) > 1:
            return "The layers stand in a grid."
        above = viewer.layers[viewer.layers.index(layer) + 1 :]
        for other in above:
            if other.visible and other.metadata.get(BEFORE_KEY) == "over":
                return "This is the film before the operation."
            if other.visible and _hides(other):
                return f"Another image, “{other.name}”, lies over the film."
        if not layer.visible:
            return "The film is hidden."
        if viewer.layers.selection.active is not layer:
            return "Clicks and keys do not go to the film but to another layer, or to none."
        return ""

    def bring_back(self) -> None:
        """Put the film on top, seen as it is, and let it listen."""
        viewer, layer = self._viewer, self._layer
        for other in viewer.layers:
            if other.metadata.get(BEFORE_KEY) == "over":
                other.visible = False
        if viewer.layers[-1] is not layer:
            viewer.layers.move(viewer.layers.index(layer), len(viewer.layers))
        layer.visible = True
        self._set_right()
        self._look()

    def _on_layers(self, event: Any = None) -> None:
        for layer in self._viewer.layers:
            if layer not in self._watched:
                self._watched.append(layer)
                layer.events.visible.connect(self._look)
        self._look()

    def _set_right(self) -> None:
        viewer, layer = self._viewer, self._layer
        if viewer.dims.ndisplay != 2:
            viewer.dims.ndisplay = 2
        wanted = tuple(sorted(viewer.dims.order))
        if tuple(viewer.dims.order) != wanted:
            viewer.dims.order = wanted
        viewer.canvas.grid.enabled = False
        if viewer.layers.selection.active is not layer:
            viewer.layers.selection.active = layer

    def _look(self, event: Any = None) -> None:
        if self._layer not in self._viewer.layers:
            return
        layer = self._layer
        if str(layer.mode) != "pan_zoom":
            layer.mode = "pan_zoom"
        # Turned, the patient's left would no longer be on the right of the screen.
        if layer.affine != self._lies:
            layer.affine = self._lies
        if self._own_window:
            self._set_right()
        why = self.why
        if why != self._why:
            self._why = why
            self._changed(why)


def _hides(layer: Any) -> bool:
    """Whether a layer of this kind covers what lies below it."""
    if layer.metadata.get(BEFORE_KEY) == "beside" or opened_of(layer):
        return False
    return type(layer).__name__ in ("Image", "Labels", "Surface")
