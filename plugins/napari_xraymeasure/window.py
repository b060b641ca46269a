"""The window as the command line opens it: napari with the dock, and a film where one is named."""

from __future__ import annotations

import os
from typing import Any

from napari_xraymeasure.canvas.napari_private import hide_layer_docks
from napari_xraymeasure.dock import Dock

TITLE = "Read hip films"
NARROW = 1200
"""Below this width, in screen points, the film has more use of the room than the layer list."""


def make_window(film: str | os.PathLike[str] | None = None) -> tuple[Any, Dock]:
    """Return a shown viewer and the dock in it, with `film` opened.

    Parameters
    ----------
    film : path-like, optional
        A film, a folder of films, or a reading with its film beside it.
    """
    import napari
    from qtpy.QtGui import QGuiApplication

    viewer = napari.Viewer(title="xraymeasure")
    dock = Dock(viewer)
    viewer.window.add_dock_widget(dock, name=TITLE, area="right")
    screen = QGuiApplication.primaryScreen()
    if screen is not None and screen.availableGeometry().width() < NARROW:
        hide_layer_docks(viewer)
    if film is not None:
        dock.open_path(film)
    return viewer, dock


def open_window(film: str | os.PathLike[str] | None = None) -> None:
    """Open the window and return when it is closed."""
    import napari

    make_window(film)
    napari.run()
