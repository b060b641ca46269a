"""A film as a napari image layer: as on a light box, its data as they stand in the file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from napari_xraymeasure.session.study_place import StudyPlace
from xraymeasure.film.film import Film
from xraymeasure.film.greys import Window
from xraymeasure.reading.reading import Reading

METADATA_KEY = "xraymeasure"


@dataclass(frozen=True)
class Opened:
    """What a film layer carries: the film, its file, and how to read it.

    Attributes
    ----------
    film, path
        The film and its file.
    folder : tuple of pathlib.Path
        The films of the folder that was opened with it.
    keep_in : pathlib.Path or None
        Where its readings lie, if not beside it.
    truth : pathlib.Path or None
        For a sample film: the file that holds its truth.
    blinded : bool
        Whether plan and other readings stay hidden.
    place : StudyPlace or None
        Where it stands on a reader's list, if it is a film of a study.
    second : Reading or None
        A reading of it that was opened, to be laid over the reader's own.
    """

    film: Film
    path: Path
    folder: tuple[Path, ...] = ()
    keep_in: Path | None = None
    truth: Path | None = None
    second: Reading | None = None
    blinded: bool = False
    place: StudyPlace | None = None

    @property
    def title(self) -> str:
        """What the film is called: in a study never by its file, for the name may tell."""
        return self.place.title if self.place else self.path.name


def layer_data(opened: Opened) -> tuple[np.ndarray, dict[str, Any], str]:
    """Return pixels, arguments and kind of layer, as napari's readers give them.

    The patient's right is on the left of the screen and the head end is up: the film's axes go
    into the layer's `affine`, so (row, column) of the data stay those of the file.
    """
    film = opened.film
    pixels, limits = grey_levels(film)
    (x_row, x_column), (y_row, y_column) = film.patient_axes
    arguments = {
        "name": opened.title,
        "contrast_limits": limits,
        "colormap": "gray",
        "interpolation2d": "linear",
        "affine": np.array([[y_row, y_column, 0], [x_row, x_column, 0], [0, 0, 1]], dtype=float),
        "metadata": {METADATA_KEY: opened},
        **scale_and_units(film, None),
    }
    return pixels, arguments, "image"


def scale_and_units(film: Film, mm_per_px: float | None) -> dict[str, Any]:
    """Return a layer's scale and units: mm in the hip's plane once calibrated, else pixels.

    The spacing at the detector is never taken for a distance in the patient.
    """
    aspect = np.sqrt(film.spacing.aspect)
    size = mm_per_px or 1.0
    return {
        "scale": (size * aspect, size / aspect),
        "units": ("mm", "mm") if mm_per_px else ("pixel", "pixel"),
    }


def grey_levels(film: Film) -> tuple[np.ndarray, tuple[float, float]]:
    """Return what the layer shows, bone bright, and the contrast that the film asks for.

    A film with a plain window keeps its whole range, so that the contrast can be widened; the
    limits are where its own window runs out. Any other film comes as it is to be shown.
    """
    shown = film.display()
    window = film.greys.voi
    if not isinstance(window, Window) or window.function == "SIGMOID":
        return shown, (0.0, 1.0)
    whole = replace(film.greys, voi=None).shown(film.pixels)
    inside = (shown > 0.02) & (shown < 0.98)
    if not inside.any():
        return shown, (0.0, 1.0)
    x, y = whole[inside], shown[inside]
    first, last = int(x.argmin()), int(x.argmax())
    if x[last] - x[first] < 1e-3:
        return shown, (0.0, 1.0)
    slope = (y[last] - y[first]) / (x[last] - x[first])
    start = x[first] - y[first] / slope
    return whole, (float(start), float(start + 1.0 / slope))


METAL_SHARE = 0.97
"""Metal is the brightest few per cent of a film: from where its own greys begin."""


def metal_limits(pixels: np.ndarray) -> tuple[float, float]:
    """Return contrast limits that show the edges within and about metal."""
    sample = pixels[:: max(pixels.shape[0] // 500, 1), :: max(pixels.shape[1] // 500, 1)]
    low, high = np.quantile(sample, [METAL_SHARE - 0.25, 1.0])
    return (float(low), float(high)) if high > low else (float(sample.min()), float(high) + 1.0)


def make_room() -> None:
    """Give a film that napari shows already the units of one that is to come.

    It is let go as soon as the new one is there; until then napari would warn of layers in
    different units.
    """
    import napari

    viewer = napari.current_viewer()
    for layer in viewer.layers if viewer else ():
        if opened_of(layer):
            layer.units = ("pixel", "pixel")


def empty(layer: Any) -> None:
    """Take a film out of a layer that is being removed: napari keeps hold of some of those."""
    layer.metadata.clear()
    layer.data = layer.data[:1, :1].copy()


def exchange(layer: Any, opened: Opened) -> None:
    """Put another film into a layer, shown as `layer_data` would show it."""
    data, arguments, _kind = layer_data(opened)
    layer.data = data
    layer.contrast_limits_range = arguments["contrast_limits"]
    for name, value in (arguments | {"gamma": 1.0, "opacity": 1.0, "visible": True}).items():
        setattr(layer, name, value)


def opened_of(layer: Any) -> Opened | None:
    """Return what a film layer carries, or None if the layer is something else."""
    carried = getattr(layer, "metadata", {}).get(METADATA_KEY)
    return carried if isinstance(carried, Opened) else None
