"""The file of a reading: strict on the way in, verified on the way out."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from xraymeasure.errors import ReadingError
from xraymeasure.files.atomic import read_text, write_atomically
from xraymeasure.files.formats import Form, adapter, parse_json
from xraymeasure.reading.moment import moment_from
from xraymeasure.reading.reading import FilmBinding, Reading, known_landmark
from xraymeasure.vocabulary.landmarks import SIDES

FORMAT = "xraymeasure-reading"
VERSION = 1

_PER_SIDE = ("head_diameter_mm", "cup_diameter_mm", "neck_shaft_angle_deg", "cup_opens")
"""Written as a bare value where only the index hip has one."""

_NATIVE = {"left": "native_head_left_mm", "right": "native_head_right_mm"}
_NEEDED = ("film", "reader", "read_at", "operated_side", "landmarks")
_ALWAYS = ("head_diameter_mm", "beam_centre", "source_detector_mm")
"""Written even where nothing is known."""


def _unfolded(table: dict[str, Any]) -> dict[str, Any]:
    """Return a file's table as the fields of a `Reading`: a value for each side that has one."""
    binding = table.get("film")
    if isinstance(binding, dict):
        lacking = [f"film.{key.name}" for key in fields(FilmBinding) if key.name not in binding]
    else:
        lacking = []
    lacking += [key for key in _NEEDED if key not in table]
    if lacking:
        raise ReadingError("; ".join(f"{key}: is missing" for key in lacking))
    record = {key: value for key, value in table.items() if value is not None}
    operated = record.get("operated_side")
    for key in _PER_SIDE:
        value = record.get(key)
        if isinstance(value, dict):
            record[key] = {side: each for side, each in value.items() if each is not None}
        elif value is not None:
            record[key] = {operated: value} if operated in SIDES else {}
    natives = {side: record.pop(key) for side, key in _NATIVE.items() if key in record}
    if "native_head_mm" in record:
        raise ReadingError(f"native_head_mm: unknown key; write {' or '.join(_NATIVE.values())}")
    return {**record, "native_head_mm": natives}


def _folded(record: dict[str, Any]) -> dict[str, Any]:
    """Undo `_unfolded`; what is not known is left out, or null where the format says so."""
    operated, natives = record["operated_side"], record.pop("native_head_mm")
    for key in _PER_SIDE:
        if set(record[key]) <= {operated}:
            record[key] = record[key].get(operated)
    record |= {key: natives.get(side) for side, key in _NATIVE.items()}
    if record["proposed"] and record["proposed"]["carried"] is None:
        del record["proposed"]["carried"]
    if not record["not_as_planned"]:
        del record["not_as_planned"]
    comment, landmarks = record.pop("comment"), record.pop("landmarks")
    record = {"film": record.pop("film"), **record, "comment": comment}
    known = {key: each for key, each in record.items() if key in _ALWAYS or each is not None}
    return {**known, "landmarks": landmarks}


_FILE = Form(FORMAT, VERSION, "a reading", Reading, ReadingError, _unfolded)


def parse_reading(text: str, where: str = "reading") -> Reading:
    """Return the reading that `text` holds.

    Parameters
    ----------
    text : str
        JSON, format ``xraymeasure-reading`` version 1.
    where : str
        What to call the text in messages, a file's name for example.

    Raises
    ------
    ReadingError
        If it is not JSON, of another format or a newer version, or any key is missing, unknown
        or has a value that cannot be meant. Landmarks that still want points are taken: a
        reading is saved while it is being placed.
    """
    reading = parse_json(text, where, _FILE)
    try:
        return _checked(reading)
    except ReadingError as error:
        raise ReadingError(f"{where}: {error}") from None


def _checked(reading: Reading) -> Reading:
    """Return a reading whose names and points are those of the vocabulary."""
    try:
        moment_from(reading.read_at)
    except ValueError:
        raise ReadingError("read_at: is not a date and time in ISO 8601") from None
    spread = reading.placing_sd_px
    for name in spread if isinstance(spread, Mapping) else ():
        known_landmark(name, "placing_sd_px")
    for name in reading.proposed.landmarks if reading.proposed else ():
        known_landmark(name, "proposed.landmarks")
        if name not in reading.landmarks:
            raise ReadingError(
                f"proposed.landmarks.{name}: has no points under landmarks; a proposal that was "
                "refused is left out of both"
            )
    checked = replace(reading, landmarks={})
    for name, points in reading.landmarks.items():
        checked = checked.with_points(name, points)
    return checked


def format_reading(reading: Reading) -> str:
    """Return the reading as the text of a file; `parse_reading` gives the same reading back."""
    record = adapter(Reading).dump_python(reading, mode="json")
    table = {"format": FORMAT, "version": VERSION, **_folded(record)}
    return json.dumps(table, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_reading(path: str | os.PathLike[str]) -> Reading:
    """Return the reading in a file.

    Parameters
    ----------
    path : path-like
        A file that `save_reading` wrote, or one of the same format.

    Raises
    ------
    ReadingError
        If the file cannot be read, or for the reasons of `parse_reading`.

    See Also
    --------
    save_reading : Its inverse.

    Examples
    --------
    >>> from xraymeasure.samples import sample_folder
    >>> reading = read_reading(sample_folder() / "well_placed.reading.json")
    >>> reading.operated_side, len(reading.landmarks["teardrop_left"])
    ('left', 1)
    """
    return parse_reading(read_text(path, ReadingError), str(Path(path)))


def save_reading(reading: Reading, path: str | os.PathLike[str]) -> None:
    """Write a reading atomically and make sure that what was written reads back the same.

    Parameters
    ----------
    reading : Reading
    path : path-like
        Replaced if it is there.

    Raises
    ------
    XrayMeasureError
        If the file cannot be written.
    ReadingError
        If the reading itself is one that could not be read again; the file is then untouched.

    See Also
    --------
    read_reading : Its inverse.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from xraymeasure.samples import sample_folder
    >>> reading = read_reading(sample_folder() / "well_placed.reading.json")
    >>> with TemporaryDirectory() as folder:
    ...     save_reading(reading, Path(folder, "mine.json"))
    ...     read_reading(Path(folder, "mine.json")) == reading
    True
    """
    text = format_reading(reading)
    if parse_reading(text, str(path)) != reading:
        raise ReadingError(f"{path}: the reading would not read back the same; not written")
    write_atomically(path, text)
