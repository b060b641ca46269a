"""Practice on films whose truth is known: how far a reader was off, and their record over films.

Only this module reads a truth, only for a sample film, and only when the reader has finished and
asks. Nothing of it reaches the measuring.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from napari_xraymeasure.session.userdata import user_folder
from xraymeasure.errors import XrayMeasureError
from xraymeasure.files.atomic import read_text, write_atomically
from xraymeasure.files.tables import csv_text
from xraymeasure.measuring.results import Measurement, Measurements
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS

FORMAT = "xraymeasure-phantom-truth"
_COLUMNS = ("film", "reader", "read_at", "what", "error", "unit")


@dataclass(frozen=True)
class PlacingError:
    """How far a landmark was placed from where it is.

    Attributes
    ----------
    name : str
        The landmark.
    distance_px : float
        Root mean square over its points: of a point from its place, of an outline's or a line's
        points from the true curve.
    bias_px : float or None
        For an outline: how far outside the true curve the points lie on average.
    """

    name: str
    distance_px: float
    bias_px: float | None


@dataclass(frozen=True)
class NumberError:
    """A measured number beside the true one; both in the number's unit."""

    measurement: Measurement
    truth: float

    @property
    def error(self) -> float:
        """Measured minus true."""
        return self.measurement.value - self.truth

    @property
    def held(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return self.measurement.low <= self.truth <= self.measurement.high


def read_truth(path: Path) -> Mapping[str, Any]:
    """Return the truth of a sample film.

    Raises
    ------
    XrayMeasureError
        If the file is not one.
    """
    try:
        truth = json.loads(read_text(path, XrayMeasureError))
    except json.JSONDecodeError as error:
        raise XrayMeasureError(f"{path}: broken JSON at line {error.lineno}") from None
    if not isinstance(truth, dict) or truth.get("format") != FORMAT:
        raise XrayMeasureError(f"{path}: is not the truth of a sample film")
    return truth


def true_reading(reading: Reading, truth: Mapping[str, Any]) -> Reading:
    """Return the reading with every placed landmark where it truly is."""
    true = reading
    for name in reading.landmarks:
        points = truth["landmarks"].get(name)
        if points:
            # An outline is given finely; a few of its points show where it runs.
            true = true.with_points(name, points[:: max(len(points) // 12, 1)])
    return true


def placing_errors(reading: Reading, truth: Mapping[str, Any]) -> list[PlacingError]:
    """Return how far each placed landmark lies from the truth, in the vocabulary's order."""
    errors = []
    for name, landmark in LANDMARKS.items():
        true = truth["landmarks"].get(name)
        if not true or not reading.has(name):
            continue
        placed, true = reading.points(name), np.array(true, dtype=float)
        bias = None
        if landmark.kind.shape in ("circle", "ellipse"):
            signed = _outside(placed, true)
            distances, bias = np.abs(signed), float(signed.mean())
        elif landmark.kind.shape == "line":
            distances = _from_line(placed, true)
        else:
            distances = np.hypot(*(placed - true).T)
        errors.append(PlacingError(name, float(np.sqrt(np.mean(distances**2))), bias))
    return errors


def _outside(points: np.ndarray, outline: np.ndarray) -> np.ndarray:
    """Return the distance of points from a closed outline, positive outside."""
    start, step = outline, np.roll(outline, -1, axis=0) - outline
    along = ((points[:, None] - start) * step).sum(axis=2) / (step * step).sum(axis=1)
    feet = start + np.clip(along, 0.0, 1.0)[..., None] * step
    distances = np.hypot(*np.moveaxis(points[:, None] - feet, 2, 0)).min(axis=1)
    centre = outline.mean(axis=0)
    nearest = feet[
        np.arange(len(points)), np.hypot(*np.moveaxis(points[:, None] - feet, 2, 0)).argmin(axis=1)
    ]
    further = np.hypot(*(points - centre).T) >= np.hypot(*(nearest - centre).T)
    return np.where(further, distances, -distances)


def _from_line(points: np.ndarray, line: np.ndarray) -> np.ndarray:
    """Return the distance of points from the straight line through the ends of `line`."""
    step = line[-1] - line[0]
    step = step / np.hypot(*step)
    away = points - line[0]
    return np.abs(away[:, 0] * step[1] - away[:, 1] * step[0])


def number_errors(measurements: Measurements, truth: Mapping[str, Any]) -> list[NumberError]:
    """Return each primary number beside the true one, where the truth states it."""
    return [
        NumberError(row, true)
        for row in measurements.rows
        if row.primary and (true := _true_value(row, truth)) is not None
    ]


def _true_value(row: Measurement, truth: Mapping[str, Any]) -> float | None:
    table = truth["measurements"]
    name = row.name
    # The same quantity differs with the reference line and with the method.
    for variant in (f"{name}_{row.reference}", f"{name}_{row.method}"):
        if variant in table:
            name = variant
            break
    value = table.get(name, {}).get(row.side or "film")
    if isinstance(value, dict):
        kind = "unrotated" if row.method == "rotation_corrected" else "projected"
        value = value.get(kind)
    return None if value is None else float(value)


@dataclass(frozen=True)
class Summary:
    """A reader's errors of one kind over films.

    Attributes
    ----------
    what : str
        Landmark or measurement name.
    unit : str
    films : int
        How many films it stands for.
    mean, spread : float
        Of the errors; `spread` is their standard deviation, 0 for one film.
    """

    what: str
    unit: str
    films: int
    mean: float
    spread: float


def record_path() -> Path:
    """Return the file of practice records."""
    return user_folder() / "practice.csv"


def keep_record(
    film: str, reading: Reading, placings: list[PlacingError], found: list[NumberError]
) -> None:
    """Add one finished film to the record, unless it is there already.

    Only the first look at the truth counts: what is mended afterwards is not the reader's eye.
    """
    rows = _records()
    key = (film, reading.reader, reading.read_at)
    if any((row["film"], row["reader"], row["read_at"]) == key for row in rows):
        return
    lines = [(item.name, item.distance_px, "px") for item in placings]
    lines += [(item.measurement.name, item.error, item.measurement.unit) for item in found]
    rows += [
        dict(zip(_COLUMNS, (*key, what, f"{error:.4f}", unit), strict=True))
        for what, error, unit in lines
    ]
    record_path().parent.mkdir(parents=True, exist_ok=True)
    write_atomically(record_path(), csv_text(_COLUMNS, rows))


def summaries(reader: str) -> list[Summary]:
    """Return a reader's record: mean and spread of each error over the films of practice."""
    errors: dict[tuple[str, str], list[float]] = defaultdict(list)
    for row in _records():
        if row["reader"] == reader:
            # A landmark is placed by the same eye on both sides.
            what = LANDMARKS[row["what"]].kind.title if row["what"] in LANDMARKS else row["what"]
            errors[what, row["unit"]].append(float(row["error"]))
    result = []
    for (what, unit), values in errors.items():
        mean = sum(values) / len(values)
        variance = sum((value - mean) ** 2 for value in values) / max(len(values) - 1, 1)
        result.append(Summary(what, unit, len(values), mean, math.sqrt(variance)))
    return result


def _records() -> list[dict[str, str]]:
    try:
        text = record_path().read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return []
    return list(csv.DictReader(io.StringIO(text)))
