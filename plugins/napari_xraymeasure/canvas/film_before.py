"""The film before the operation: in place of the present one, or beside it, pelvis on pelvis."""

from __future__ import annotations

from typing import Any

import numpy as np

from napari_xraymeasure.canvas.film_guard import BEFORE_KEY
from napari_xraymeasure.canvas.film_layer import grey_levels
from xraymeasure.film.film import Film

_GAP = 1.03


class FilmBefore:
    """An earlier film on the canvas of a later one.

    Parameters
    ----------
    viewer, layer
        The later film's layer, and where it is shown.
    film : Film
        The earlier film.
    onto : numpy.ndarray, shape (3, 3)
        From the earlier film's pixels to the later one's.
    """

    def __init__(self, viewer: Any, layer: Any, film: Film, onto: np.ndarray) -> None:
        self._viewer, self._layer, self._onto = viewer, layer, onto
        pixels, limits = grey_levels(film)
        self._place = "over"
        self._before = viewer.add_image(
            pixels,
            name="film before",
            contrast_limits=limits,
            colormap="gray",
            interpolation2d="linear",
            units=layer.units,
            visible=False,
            metadata={BEFORE_KEY: self._place},
        )
        viewer.layers.selection.active = layer
        layer.events.scale.connect(self._follow)
        self._follow()

    @property
    def shown(self) -> str:
        """``over`` or ``beside`` the film, or empty while it is not shown."""
        return self._place if self._before.visible else ""

    def show(self, place: str) -> None:
        """Show it over or beside the film; an empty place hides it."""
        # What the guard goes by is set before it looks. Hidden it lies over the film, for the whole
        # film to be shown is that on which all layers are.
        self._before.visible = False
        self._place = place or "over"
        self._before.metadata = {BEFORE_KEY: self._place}
        self._follow()
        if place:
            layers = self._viewer.layers
            # On top, where the way back to the film may have put that.
            layers.move(layers.index(self._before), len(layers))
        self._before.visible = bool(place)
        self._viewer.layers.selection.active = self._layer

    def remove(self) -> None:
        """Take it off the canvas."""
        self._layer.events.scale.disconnect(self._follow)
        if self._before in self._viewer.layers:
            self._viewer.layers.remove(self._before)

    def _follow(self, event: Any = None) -> None:
        """Lie where the later film lies, whatever its scale is now."""
        layer = self._layer
        scaled = np.diag([*(float(v) for v in layer.scale[-2:]), 1.0])
        matrix = np.asarray(layer.affine.affine_matrix) @ scaled @ self._onto
        if self._place == "beside":
            extent = np.asarray(layer.extent.world)[:, -1]
            shift = np.eye(3)
            shift[1, 2] = -_GAP * float(extent[1] - extent[0])
            matrix = shift @ matrix
        self._before.affine = matrix
        self._before.units = layer.units
