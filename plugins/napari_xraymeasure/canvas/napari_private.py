"""The one place that reaches behind napari's public face.

napari gives no public way to its canvas widget, nor to the widgets that take dropped files. Where
the private names have moved, each function returns nothing and its caller does without.
"""

from __future__ import annotations

from typing import Any

from qtpy.QtWidgets import QWidget


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


def hide_layer_docks(viewer: Any) -> None:
    """Hide the list and the controls of layers; napari's Window menu shows them again."""
    for name in ("dockLayerList", "dockLayerControls"):
        try:
            getattr(_qt_viewer(viewer), name).setVisible(False)
        except AttributeError:
            return
