"""The sample films, from napari's menu and from the dock: synthetic, with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from napari_xraymeasure.canvas.film_layer import Opened, layer_data, make_room
from napari_xraymeasure.session.userdata import user_folder
from xraymeasure.film.read import read_film
from xraymeasure.samples import sample_folder


def sample_films() -> list[Path]:
    """Return the sample films, in the order of their names."""
    return sorted(sample_folder().glob("*.dcm"))


def open_sample(path: Path) -> Opened:
    """Return a sample film, its readings to be kept in the user's own folder."""
    truth = path.with_suffix(".truth.json")
    return Opened(
        read_film(path),
        path,
        tuple(sample_films()),
        keep_in=user_folder() / "practice",
        truth=truth if truth.exists() else None,
    )


def _sample(name: str) -> list[tuple[Any, dict[str, Any], str]]:
    make_room()
    return [layer_data(open_sample(sample_folder() / f"{name}.dcm"))]


def well_placed() -> list[tuple[Any, dict[str, Any], str]]:
    """Return the film of a hip that lies as planned."""
    return _sample("well_placed")


def off_plan_cup() -> list[tuple[Any, dict[str, Any], str]]:
    """Return the film of a cup that came to lie elsewhere than planned."""
    return _sample("off_plan_cup")


def long_leg() -> list[tuple[Any, dict[str, Any], str]]:
    """Return the film of a leg that became too long."""
    return _sample("long_leg")


def bilateral() -> list[tuple[Any, dict[str, Any], str]]:
    """Return the film of two replaced hips."""
    return _sample("bilateral")
