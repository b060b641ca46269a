"""napari's reader for films, folders of films, and readings with their film beside them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from napari_xraymeasure.canvas.film_layer import Opened, layer_data, make_room
from napari_xraymeasure.session.opening import FILM_SUFFIXES, film_of_reading, is_reading, open_film

LayerData = tuple[Any, dict[str, Any], str]


def get_reader(path: str | Sequence[str]) -> Callable[[Any], list[LayerData]] | None:
    """Return the function that reads `path`, or None where it is nothing of ours."""
    first = Path(path if isinstance(path, str) else path[0])
    ours = first.is_dir() or is_reading(first) or first.suffix.lower() in (*FILM_SUFFIXES, "")
    return read if ours else None


def read(path: str | Sequence[str]) -> list[LayerData]:
    """Return a film as layer data; of several paths the first, the others to be chosen later."""
    make_room()
    paths = [Path(path)] if isinstance(path, str) else [Path(each) for each in path]
    if is_reading(paths[0]):
        film, film_path, reading = film_of_reading(paths[0])
        return [layer_data(Opened(film, film_path, second=reading))]
    opened = open_film(paths[0])
    if len(paths) > 1:
        opened = Opened(opened.film, opened.path, tuple(paths))
    return [layer_data(opened)]
