"""The keys: one table that installs them on the film's layer and fills the help."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Shortcut:
    """Keys, as napari writes them, for one action.

    Attributes
    ----------
    action : str
        What it does, a key of the actions given to `install`.
    keys : tuple of str
        Any of which does it.
    shown : str
        How a person reads the keys.
    words : str
        What a person reads of the action.
    """

    action: str
    keys: tuple[str, ...]
    shown: str
    words: str


SHORTCUTS: tuple[Shortcut, ...] = (
    Shortcut("next", ("Enter", "N"), "Enter or N", "next landmark"),
    Shortcut("previous", ("B",), "B", "landmark before"),
    Shortcut("skip", ("X",), "X", "not visible on this film"),
    Shortcut("zoom_region", ("F",), "F", "zoom to where the landmark lies"),
    Shortcut("zoom_film", ("W",), "W", "show the whole film"),
    Shortcut("zoom_in", ("=", "Shift-="), "+", "zoom in"),
    Shortcut("zoom_out", ("-",), "−", "zoom out"),
    Shortcut("delete", ("Delete", "Backspace"), "Delete", "delete the chosen or the last point"),
    Shortcut("undo", ("Control-Z",), "Ctrl+Z", "undo"),
    Shortcut("redo", ("Control-Shift-Z", "Control-Y"), "Ctrl+Shift+Z or Ctrl+Y", "redo"),
    Shortcut("nudge_up", ("Up",), "Arrow keys", "move the chosen point by ¼ pixel"),
    Shortcut("nudge_down", ("Down",), "", ""),
    Shortcut("nudge_left", ("Left",), "", ""),
    Shortcut("nudge_right", ("Right",), "", ""),
    Shortcut("far_up", ("Shift-Up",), "Shift + arrow keys", "move the chosen point by 2 pixels"),
    Shortcut("far_down", ("Shift-Down",), "", ""),
    Shortcut("far_left", ("Shift-Left",), "", ""),
    Shortcut("far_right", ("Shift-Right",), "", ""),
    Shortcut("labels", ("L",), "L", "labels on the film on or off"),
    Shortcut("release", ("Escape",), "Esc", "drop a questioned click, let go of a point"),
)


def install(layer: Any, actions: Mapping[str, Callable[[], None]]) -> None:
    """Bind every shortcut on the layer; a layer's keys win over the viewer's."""
    for shortcut in SHORTCUTS:
        action = actions[shortcut.action]

        def press(_layer: Any, action: Callable[[], None] = action) -> None:
            action()

        for key in shortcut.keys:
            layer.bind_key(key, press, overwrite=True)


def shortcut_for(action: str) -> Shortcut:
    """Return the shortcut of an action.

    >>> shortcut_for("undo").shown
    'Ctrl+Z'
    """
    return next(shortcut for shortcut in SHORTCUTS if shortcut.action == action)


def help_rows() -> list[tuple[str, str]]:
    """Return keys and words of every shortcut, as the help lists them."""
    return [(shortcut.shown, shortcut.words) for shortcut in SHORTCUTS if shortcut.shown]
