"""The one place that reaches behind napari's public face, but for what has to come before Qt.

napari gives no public way to its canvas widget, its main window, nor to the widgets that take
dropped files. The versions in which these names stand are those that the package asks for.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from qtpy.QtCore import QEvent, QObject, Qt, QTimer
from qtpy.QtWidgets import QMainWindow, QWidget


def canvas_widget(viewer: Any) -> QWidget:
    """Return the widget on which napari draws."""
    return _qt_viewer(viewer).canvas.native


def main_window(viewer: Any) -> QMainWindow:
    """Return the window itself."""
    return _plain(viewer).window._qt_window


def _qt_viewer(viewer: Any) -> Any:
    return _plain(viewer).window._qt_viewer


def _plain(viewer: Any) -> Any:
    # A dock widget holds a proxy of the viewer that warns of private attributes.
    return getattr(viewer, "__wrapped__", viewer)


def stopped_double_click(viewer: Any) -> list[Any]:
    """Keep a double click from zooming, and return what is to be put back.

    Quick clicks along an outline are clicks, not a wish to zoom.
    """
    callbacks = viewer.mouse_double_click_callbacks
    stopped = [
        each for each in callbacks if getattr(each, "__name__", "") == "double_click_to_zoom"
    ]
    for each in stopped:
        callbacks.remove(each)
    return stopped


def open_by(viewer: Any, opener: Callable[[list[Path]], None]) -> None:
    """Lead File > Open, the folder chooser, drop and paste of files to `opener`.

    napari would ask which reader is to be used and put the new film over the old one. Its *Open
    with Plugin* stays as it is.
    """
    widget = _qt_viewer(viewer)
    napari_way = widget._qt_open

    def door(filenames: list[str], *args: Any, choose_plugin: bool = False, **kwargs: Any) -> None:
        if choose_plugin or kwargs.get("plugin"):
            napari_way(filenames, *args, choose_plugin=choose_plugin, **kwargs)
        else:
            opener([Path(name) for name in filenames])

    widget._qt_open = door


class Drops(QObject):
    """Opens what is dropped on the window, without napari asking which plugin should.

    Parameters
    ----------
    viewer : napari.viewer.Viewer
    dock : QWidget
        Takes drops as well as the viewer, its canvas and its first page do.
    opener : callable
        Told the paths that were dropped.
    """

    def __init__(self, viewer: Any, dock: QWidget, opener: Callable[[list[Path]], None]) -> None:
        super().__init__(dock)
        self._opener = opener
        dock.setAcceptDrops(True)
        napari_own = _qt_viewer(viewer)
        for each in (dock, napari_own, *napari_own.findChildren(QWidget)):
            if each.acceptDrops():
                each.installEventFilter(self)

    def eventFilter(self, watched: Any, event: QEvent) -> bool:
        """Take files that are dropped."""
        kinds = QEvent.Type.DragEnter, QEvent.Type.DragMove, QEvent.Type.Drop
        if event.type() in kinds and event.mimeData().hasUrls():
            urls = event.mimeData().urls()
            paths = [Path(url.toLocalFile()) for url in urls if url.isLocalFile()]
            if paths:
                # A file manager may propose to move the file, and take it away where it was.
                event.setDropAction(Qt.DropAction.CopyAction)
                event.accept()
                if event.type() == QEvent.Type.Drop:
                    self._opener(paths)
                return True
        return False


def film_only(viewer: Any) -> None:
    """Hide what reading a film does not need; napari's Window and View menus show it again."""
    for name in ("dockLayerList", "dockLayerControls", "viewerButtons"):
        getattr(_qt_viewer(viewer), name).setVisible(False)
    window = main_window(viewer)
    window.statusBar().setVisible(False)
    window.centralWidget().layout().setContentsMargins(0, 0, 0, 0)


class _ClosesAtOnce(QObject):
    """Closes the window as a program would: napari asks only where a person closes it."""

    def __init__(self, window: QMainWindow, nothing_lost: Callable[[], bool]) -> None:
        super().__init__(window)
        self._window, self._nothing_lost = window, nothing_lost
        napari_way = type(window).close

        def close(quit_app: bool = False, confirm_need: bool = False) -> Any:
            return napari_way(window, quit_app, confirm_need and not nothing_lost())

        window.close = close
        window.installEventFilter(self)

    def eventFilter(self, window: QObject, event: QEvent) -> bool:
        if event.type() == QEvent.Type.Close and event.spontaneous() and self._nothing_lost():
            event.ignore()
            QTimer.singleShot(0, self._window.close)
            return True
        return False


def close_without_asking(viewer: Any, nothing_lost: Callable[[], bool]) -> None:
    """Let a person close the window without a question while nothing would be lost."""
    _ClosesAtOnce(main_window(viewer), nothing_lost)


@contextmanager
def plain_arrays() -> Iterator[None]:
    """Keep napari from importing xarray, and pandas with it, to ask whether a film is one of its.

    Once something else has imported it, nothing is left to be kept.
    """
    absent = "xarray" not in sys.modules
    if absent:
        sys.modules["xarray"] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if absent:
            del sys.modules["xarray"]
