"""The one place that reaches behind napari's public face.

napari gives no public way to its canvas widget, nor to the widgets that take dropped files. Where
the private names have moved, each function returns nothing and its caller does without.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from qtpy.QtCore import QEvent, QObject, QTimer
from qtpy.QtWidgets import QMainWindow, QWidget


def canvas_widget(viewer: Any) -> QWidget | None:
    """Return the widget on which napari draws."""
    try:
        native = _qt_viewer(viewer).canvas.native
    except AttributeError:
        return None
    return native if isinstance(native, QWidget) else None


def drop_widgets(viewer: Any) -> list[QWidget]:
    """Return the widgets on which files are dropped: the viewer, its canvas, its first page."""
    try:
        widget = _qt_viewer(viewer)
    except AttributeError:
        return []
    return [each for each in (widget, *widget.findChildren(QWidget)) if each.acceptDrops()]


def _qt_viewer(viewer: Any) -> Any:
    # A dock widget holds a proxy of the viewer that warns of private attributes.
    return getattr(viewer, "__wrapped__", viewer).window._qt_viewer


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
    try:
        widget = _qt_viewer(viewer)
        napari_way = widget._qt_open
    except AttributeError:
        return

    def door(filenames: list[str], *args: Any, choose_plugin: bool = False, **kwargs: Any) -> None:
        if choose_plugin or kwargs.get("plugin"):
            napari_way(filenames, *args, choose_plugin=choose_plugin, **kwargs)
        else:
            opener([Path(name) for name in filenames])

    widget._qt_open = door


def film_only(viewer: Any) -> None:
    """Hide what reading a film does not need; napari's Window and View menus show it again."""
    for name in ("dockLayerList", "dockLayerControls", "viewerButtons"):
        try:
            getattr(_qt_viewer(viewer), name).setVisible(False)
        except AttributeError:
            continue
    window = main_window(viewer)
    if window is not None:
        window.statusBar().setVisible(False)


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
    window = main_window(viewer)
    if window is not None:
        _ClosesAtOnce(window, nothing_lost)


def main_window(viewer: Any) -> QMainWindow | None:
    """Return the window itself."""
    try:
        return getattr(viewer, "__wrapped__", viewer).window._qt_window
    except AttributeError:
        return None


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
