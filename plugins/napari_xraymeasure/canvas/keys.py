"""The keys: one table that installs them on the film's layer and fills the help."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Shortcut:
    """Keys, as napari writes them, for one action.

    Attributes
    ----------
    action : str
        What it does: the name that `install` acts by.
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


# With Control napari would take the film off the window.
_DELETE = ("Delete", "Backspace", "Control-Delete", "Control-Backspace")

SHORTCUTS: tuple[Shortcut, ...] = (
    Shortcut("next", ("Enter", "N"), "Enter or N", "next landmark"),
    Shortcut("previous", ("B",), "B", "landmark before"),
    Shortcut("skip", ("X",), "X", "not visible on this film"),
    Shortcut("confirm", ("C",), "C", "confirm what the program proposes"),
    Shortcut("confirm_bone", ("Shift-C",), "Shift+C", "confirm all carried over of this bone"),
    Shortcut("refuse", ("R",), "R", "refuse it, and place it by hand"),
    Shortcut("answer_1", ("1",), "1 to 9", "give the answer of that number to what is asked"),
    *(Shortcut(f"answer_{number}", (str(number),), "", "") for number in range(2, 10)),
    Shortcut("again", ("E",), "E", "place it once more, for the mean"),
    Shortcut("zoom_region", ("F",), "F", "zoom to where the landmark lies"),
    Shortcut("zoom_film", ("W",), "W", "show the whole film"),
    Shortcut("zoom_in", ("=", "Shift-="), "+", "zoom in"),
    Shortcut("zoom_out", ("-",), "−", "zoom out"),
    Shortcut("delete", _DELETE, "Delete", "delete the chosen or the last point"),
    Shortcut("undo", ("Control-Z",), "Ctrl+Z", "undo"),
    Shortcut("redo", ("Control-Shift-Z", "Control-Y"), "Ctrl+Shift+Z or Ctrl+Y", "redo"),
    Shortcut("copy", ("Control-C",), "Ctrl+C", "copy the numbers as text"),
    Shortcut("place", ("Space",), "Space", "place by keys: a cursor, arrow keys, Space again"),
    Shortcut("edge", (), "Shift + click", "at the nearest edge"),
    Shortcut("nudge_up", ("Up",), "Arrow keys", "move the chosen point by ¼ pixel, or the cursor"),
    Shortcut("nudge_down", ("Down",), "", ""),
    Shortcut("nudge_left", ("Left",), "", ""),
    Shortcut("nudge_right", ("Right",), "", ""),
    Shortcut("far_up", ("Shift-Up",), "Shift + arrow keys", "the same by 2 pixels, or further"),
    Shortcut("far_down", ("Shift-Down",), "", ""),
    Shortcut("far_left", ("Shift-Left",), "", ""),
    Shortcut("far_right", ("Shift-Right",), "", ""),
    Shortcut("labels", ("L",), "L", "labels on the film on or off"),
    Shortcut("loupe", ("G",), "G", "magnifying glass on or off"),
    Shortcut("metal", ("M",), "M", "greys for metal, or for bone"),
    Shortcut("free", ("D",), "D", "measure a free distance or angle, or stop"),
    Shortcut("follow", ("A",), "A", "go to the next landmark by itself, or stay"),
    Shortcut("before", ("V",), "V", "the film before, or back"),
    Shortcut("release", ("Escape",), "Esc", "keep what is asked about, let go of a point"),
)


def install(layer: Any, act: Callable[[str], None]) -> None:
    """Bind every shortcut on the layer; a layer's keys win over the viewer's."""
    for shortcut in SHORTCUTS:

        def press(_layer: Any, action: str = shortcut.action) -> None:
            act(action)

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
