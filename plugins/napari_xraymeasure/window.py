"""The window as the command line opens it: napari with the dock, and a film where one is named."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import napari

from napari_xraymeasure.start import make_ready, no_garbage

if TYPE_CHECKING:
    from napari_xraymeasure.dock import Dock

TITLE = "Read hip films (xraymeasure)"
"""As napari's menu of plugins calls the dock, which then shows and hides this one."""
DOCK_SHARE = 0.286
"""How much of the window's width the dock takes; the rest is the film's."""


def make_window(
    film: str | os.PathLike[str] | None = None, before: str | os.PathLike[str] | None = None
) -> tuple[Any, Dock]:
    """Return a shown viewer and the dock in it, with `film` opened.

    Parameters
    ----------
    film : path-like, optional
        A film, a folder of films, or a reading with its film beside it.
    before : path-like, optional
        An earlier film of the same hips, with its reading beside it.
    """
    with no_garbage():
        make_ready(film=film is not None)
        viewer, dock = _shown()
    if film is not None:
        dock.open_path(Path(film))
    if before is not None and dock.tools is not None:
        dock.tools.compare_with(Path(before), dock.reader)
    return viewer, dock


def _shown() -> tuple[Any, Dock]:
    from qtpy.QtCore import Qt
    from qtpy.QtWidgets import QSplitter, QWidget

    from napari_xraymeasure.canvas.napari_private import (
        close_without_asking,
        film_only,
        main_window,
        open_by,
    )
    from napari_xraymeasure.dock import Dock
    from napari_xraymeasure.panels.widgets import narrow_screen, once

    viewer = napari.Viewer(title="xraymeasure", show_welcome_screen=False)
    dock = Dock(viewer, own_window=True)
    holder = viewer.window.add_dock_widget(dock, name=TITLE, area="right")
    # Without it nobody closes or floats the dock by mistake.
    holder.setTitleBarWidget(QWidget(holder))
    film_only(viewer)
    close_without_asking(viewer, lambda: dock.all_kept)
    open_by(viewer, dock.open_paths)
    window = main_window(viewer)
    window.showMaximized()
    width = round(DOCK_SHARE * window.screen().size().width())
    window.resizeDocks([holder], [width], Qt.Orientation.Horizontal)
    if narrow_screen():

        def again() -> None:
            # What was measured before the window's style came to it keeps that measure, where it is
            # hidden, until it is laid out: from the innermost on.
            holder.setMinimumSize(0, 0)
            for part in (*reversed(dock.findChildren(QWidget)), dock, holder):
                part.ensurePolished()
                if part.layout() is not None:
                    part.layout().invalidate()
                    part.layout().activate()
                if isinstance(part, QSplitter):
                    part.refresh()
            window.resizeDocks([holder], [width], Qt.Orientation.Horizontal)

        once(holder, 0, again).start()
    return viewer, dock


def open_window(
    film: str | os.PathLike[str] | None = None, before: str | os.PathLike[str] | None = None
) -> None:
    """Open the window and return when it is closed."""
    make_window(film, before)
    napari.run()
