"""Films and all that belongs to them, made and written."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from xraymeasure.files.atomic import write_atomically
from xraymeasure.phantom.dicom import compressed, film_dataset, pixel_sha256
from xraymeasure.phantom.reader import simulate_reading
from xraymeasure.phantom.render import picture
from xraymeasure.phantom.scenarios import Sample, samples
from xraymeasure.phantom.scene import Geometry, Scenario
from xraymeasure.phantom.truth import truth

if TYPE_CHECKING:
    from pydicom import Dataset

SEED = 7
QUICK_FACTOR = 4


@dataclass(frozen=True)
class PhantomFilm:
    """A rendered film.

    Attributes
    ----------
    dataset : pydicom.Dataset
        The DICOM film, compressed as its scenario says.
    pixels : numpy.ndarray of uint16, shape (rows, columns)
        The stored values.
    truth : dict
        What `truth` says of it, with the film's identifiers.
    """

    dataset: Dataset
    pixels: np.ndarray
    truth: dict[str, Any]


def make_film(scenario: Scenario, *, small: bool = False) -> PhantomFilm:
    """Render a film.

    Parameters
    ----------
    scenario : Scenario
        What stands before the film.
    small : bool
        Pixels four times as large, without blur, noise and fine bone: about a second.
    """
    if small:
        scenario = replace(scenario, geometry=scenario.geometry.coarser(QUICK_FACTOR))
    made = film_dataset(scenario, picture(scenario, quick=small))
    pixels = np.frombuffer(made.PixelData, dtype="<u2").reshape(made.Rows, made.Columns)
    known = truth(scenario)
    known["sop_instance_uid"] = str(made.SOPInstanceUID)
    known["pixel_sha256"] = pixel_sha256(pixels)
    return PhantomFilm(compressed(made, scenario.compression), pixels, known)


def _toml(operated_side: str, tables: dict[str, dict[str, object]], story: str) -> str:
    lines = [f"# Synthetic: an invented plan. {story}", f'operated_side = "{operated_side}"']
    for name, table in tables.items():
        lines += ["", f"[{name}]"]
        lines += [f"{key} = {json.dumps(value)}" for key, value in table.items()]
    return "\n".join(lines) + "\n"


def _json(record: dict[str, Any]) -> str:
    """JSON with one line a key and a landmark, so that a person can read it and a diff is short."""

    def text(value: object, indent: int) -> str:
        if isinstance(value, dict) and value and indent < 3:
            inner = ",\n".join(
                f"{'  ' * (indent + 1)}{json.dumps(key)}: {text(item, indent + 1)}"
                for key, item in value.items()
            )
            return f"{{\n{inner}\n{'  ' * indent}}}"
        return json.dumps(value)

    return text(_rounded(record), 0) + "\n"


def _rounded(value: object) -> object:
    """Numbers to a ten-thousandth: of a pixel, a millimetre, a degree."""
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    if isinstance(value, float):
        return round(value, 4)
    return value


def write_sample(sample: Sample, out: Path, *, small: bool = False) -> None:
    """Write one film with its reading, plan and truth into a folder."""
    scenario = sample.scenario
    film = make_film(scenario, small=small)
    if small:
        scenario = replace(scenario, geometry=scenario.geometry.coarser(QUICK_FACTOR))
    stream = io.BytesIO()
    film.dataset.save_as(stream, enforce_file_format=True)
    reading = simulate_reading(
        scenario,
        np.random.default_rng([scenario.seed, 3]),
        sop_instance_uid=film.truth["sop_instance_uid"],
        pixel_sha256=film.truth["pixel_sha256"],
    )
    write_atomically(out / f"{scenario.name}.dcm", stream.getvalue())
    write_atomically(out / f"{scenario.name}.reading.json", _json(reading))
    write_atomically(
        out / f"{scenario.name}.plan.toml",
        _toml(scenario.operated_side, sample.plan, scenario.story),
    )
    write_atomically(out / f"{scenario.name}.truth.json", _json(film.truth))


def write_samples(
    out: Path,
    seed: int = SEED,
    progress: Callable[[str, int, int], None] | None = None,
    *,
    source_detector_mm: float | None = None,
    pitch_mm: float | None = None,
    small: bool = False,
) -> list[str]:
    """Write the sample films, each with reading, plan and truth; the same seed, the same bytes.

    Parameters
    ----------
    out : pathlib.Path
        The folder, made if it is not there.
    seed : int
        Draws tissue, noise and placing.
    progress : callable, optional
        Called with the name, its number from 1, and how many there are, before each film.
    source_detector_mm : float, optional
        Instead of each film's own distance.
    pitch_mm : float, optional
        Pixel pitch; the field of view stays.
    small : bool
        Quick coarse films, see `make_film`.

    Returns
    -------
    list of str
        The names of the films.
    """
    out.mkdir(parents=True, exist_ok=True)
    chosen = samples(seed)
    for number, sample in enumerate(chosen, start=1):
        geometry = _chosen(sample.scenario.geometry, source_detector_mm, pitch_mm)
        sample = replace(sample, scenario=replace(sample.scenario, geometry=geometry))
        if progress is not None:
            progress(sample.scenario.name, number, len(chosen))
        write_sample(sample, out, small=small)
    return [sample.scenario.name for sample in chosen]


def _chosen(geometry: Geometry, distance: float | None, pitch: float | None) -> Geometry:
    if distance is not None:
        geometry = replace(geometry, source_detector_mm=distance)
    if pitch is not None:
        factor = pitch / geometry.pitch_mm
        beam = geometry.beam_centre
        geometry = replace(
            geometry,
            pitch_mm=pitch,
            rows=round(geometry.rows / factor),
            columns=round(geometry.columns / factor),
            beam_centre=beam and ((beam[0] + 0.5) / factor - 0.5, (beam[1] + 0.5) / factor - 0.5),
        )
    return geometry
