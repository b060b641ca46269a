"""The file of a reading: strict on the way in, verified on the way out."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PositiveFloat,
    field_validator,
)

from xraymeasure.errors import ReadingError
from xraymeasure.files.atomic import read_text, write_atomically
from xraymeasure.files.formats import Form, parse_json
from xraymeasure.reading.reading import FilmBinding, Reading, known_landmark
from xraymeasure.vocabulary.landmarks import SIDES, Side

FORMAT = "xraymeasure-reading"
VERSION = 1

_STRICT = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)
_Degrees = Annotated[float, Field(gt=90.0, lt=180.0)]
_Text = Annotated[str, Field(min_length=1)]


class _PerSide(BaseModel):
    model_config = _STRICT
    left: Any = None
    right: Any = None


class _FilmRecord(BaseModel):
    model_config = _STRICT
    sop_instance_uid: _Text | None
    pixel_sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")] | None


class _LengthPerSide(_PerSide):
    left: PositiveFloat | None = None
    right: PositiveFloat | None = None


class _AnglePerSide(_PerSide):
    left: _Degrees | None = None
    right: _Degrees | None = None


_Opening = Literal["anterior", "posterior"]


class _OpeningPerSide(_PerSide):
    left: _Opening | None = None
    right: _Opening | None = None


_Coordinates = Annotated[list[float], Field(min_length=2, max_length=2)]


class _Record(BaseModel):
    """The file as it stands; valid by construction."""

    model_config = _STRICT
    format: Literal["xraymeasure-reading"]
    version: Literal[1]
    film: _FilmRecord
    reader: _Text
    read_at: _Text
    operated_side: Literal["left", "right"]
    head_diameter_mm: PositiveFloat | _LengthPerSide | None = None
    beam_centre: _Coordinates | None = None
    source_detector_mm: PositiveFloat | None = None
    landmarks: dict[str, list[_Coordinates]]
    cup_opens: _Opening | _OpeningPerSide | None = None
    cup_diameter_mm: PositiveFloat | _LengthPerSide | None = None
    marker_diameter_mm: PositiveFloat | None = None
    neck_shaft_angle_deg: _Degrees | _AnglePerSide | None = None
    native_head_left_mm: PositiveFloat | None = None
    native_head_right_mm: PositiveFloat | None = None
    posture: Literal["supine", "standing"] | None = None
    placing_sd_px: PositiveFloat | dict[str, PositiveFloat] | None = None
    comment: str | None = None

    @field_validator("read_at")
    @classmethod
    def _is_a_moment(cls, value: str) -> str:
        try:
            datetime.fromisoformat(value)
        except ValueError:
            raise ValueError("is not a date and time in ISO 8601") from None
        return value


def _per_side(value: Any, operated: Side) -> dict[Side, Any]:
    if value is None:
        return {}
    if isinstance(value, _PerSide):
        return {side: getattr(value, side) for side in SIDES if getattr(value, side) is not None}
    return {operated: value}


def _pair_up(value: Mapping[Side, Any], operated: Side) -> Any:
    """Undo `_per_side`: a bare value where only the index hip has one, nothing where none has."""
    if not value:
        return None
    return value[operated] if set(value) == {operated} else dict(value)


_FILE = Form(FORMAT, VERSION, "a reading", _Record, ReadingError)


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
    record = parse_json(text, where, _FILE)
    try:
        return _from_record(record)
    except ReadingError as error:
        raise ReadingError(f"{where}: {error}") from None


def _from_record(record: _Record) -> Reading:
    operated = record.operated_side
    natives = {"left": record.native_head_left_mm, "right": record.native_head_right_mm}
    spread = record.placing_sd_px
    for name in spread if isinstance(spread, dict) else ():
        known_landmark(name, "placing_sd_px")
    reading = Reading(
        reader=record.reader,
        read_at=record.read_at,
        operated_side=operated,
        film=FilmBinding(record.film.sop_instance_uid, record.film.pixel_sha256),
        head_diameter_mm=_per_side(record.head_diameter_mm, operated),
        cup_diameter_mm=_per_side(record.cup_diameter_mm, operated),
        neck_shaft_angle_deg=_per_side(record.neck_shaft_angle_deg, operated),
        cup_opens=_per_side(record.cup_opens, operated),
        native_head_mm={side: value for side, value in natives.items() if value is not None},
        marker_diameter_mm=record.marker_diameter_mm,
        beam_centre=tuple(record.beam_centre) if record.beam_centre else None,
        source_detector_mm=record.source_detector_mm,
        posture=record.posture,
        placing_sd_px=spread,
        comment=record.comment,
    )
    for name, points in record.landmarks.items():
        reading = reading.with_points(name, points)
    return reading


def format_reading(reading: Reading) -> str:
    """Return the reading as the text of a file; `parse_reading` gives the same reading back."""
    operated = reading.operated_side
    record: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "film": {
            "sop_instance_uid": reading.film.sop_instance_uid,
            "pixel_sha256": reading.film.pixel_sha256,
        },
        "reader": reading.reader,
        "read_at": reading.read_at,
        "operated_side": operated,
        "head_diameter_mm": _pair_up(reading.head_diameter_mm, operated),
        "beam_centre": list(reading.beam_centre) if reading.beam_centre else None,
        "source_detector_mm": reading.source_detector_mm,
    }
    optional = {
        "cup_opens": _pair_up(reading.cup_opens, operated),
        "cup_diameter_mm": _pair_up(reading.cup_diameter_mm, operated),
        "marker_diameter_mm": reading.marker_diameter_mm,
        "neck_shaft_angle_deg": _pair_up(reading.neck_shaft_angle_deg, operated),
        "native_head_left_mm": reading.native_head_mm.get("left"),
        "native_head_right_mm": reading.native_head_mm.get("right"),
        "posture": reading.posture,
        "placing_sd_px": reading.placing_sd_px,
        "comment": reading.comment,
    }
    record |= {key: value for key, value in optional.items() if value is not None}
    record["landmarks"] = {
        name: [list(point) for point in points] for name, points in reading.landmarks.items()
    }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_reading(path: str | os.PathLike[str]) -> Reading:
    """Return the reading in a file; see `parse_reading` for the errors."""
    return parse_reading(read_text(path, ReadingError), str(Path(path)))


def save_reading(reading: Reading, path: str | os.PathLike[str]) -> None:
    """Write a reading atomically and make sure that what was written reads back the same.

    Raises
    ------
    XrayMeasureError
        If the file cannot be written.
    ReadingError
        If the reading itself is one that could not be read again; the file is then untouched.
    """
    text = format_reading(reading)
    if parse_reading(text, str(path)) != reading:
        raise ReadingError(f"{path}: the reading would not read back the same; not written")
    write_atomically(path, text)
