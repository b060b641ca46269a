"""What napari asks of the plugin: a reader of films, and the synthetic sample films."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from napari_xraymeasure.canvas.film_layer import Opened, layer_data, make_room
from napari_xraymeasure.session.opening import (
    FILM_SUFFIXES,
    film_of_reading,
    is_reading,
    open_film,
    open_sample,
)
from xraymeasure.samples import sample_folder

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
    return [layer_data(open_film(paths[0], tuple(paths)))]


def _sample(name: str) -> list[LayerData]:
    make_room()
    return [layer_data(open_sample(sample_folder() / f"{name}.dcm"))]


def well_placed() -> list[LayerData]:
    """Return the film of a hip that lies as planned."""
    return _sample("well_placed")


def off_plan_cup() -> list[LayerData]:
    """Return the film of a cup that came to lie elsewhere than planned."""
    return _sample("off_plan_cup")


def long_leg() -> list[LayerData]:
    """Return the film of a leg that became too long."""
    return _sample("long_leg")


def bilateral() -> list[LayerData]:
    """Return the film of two replaced hips."""
    return _sample("bilateral")
