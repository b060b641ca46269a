"""The file of measurements: plain data out, and strict on the way back in."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Annotated, Any, ClassVar

from annotated_types import Gt
from pydantic import ConfigDict

from xraymeasure.about import CAUTION
from xraymeasure.change.result import Change
from xraymeasure.errors import MeasureError
from xraymeasure.files.atomic import read_text
from xraymeasure.files.formats import Form, adapter, parse_json
from xraymeasure.measuring.results import Finding, KnownSizes, Measurement, Measurements, Missing
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.plan.compare import LABELS, ComparisonRow
from xraymeasure.reading.reading import FilmBinding
from xraymeasure.report.subject import Subject
from xraymeasure.vocabulary.landmarks import SIDES, Side
from xraymeasure.vocabulary.quantities import METHODS, QUANTITIES

FORMAT = "xraymeasure-measurements"
VERSION = 1

_STRICT = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)
_RENAMED = {"sources": "uncertainty_from"}
"""Fields of a `Measurement` that the file calls otherwise."""


@dataclass(frozen=True)
class _File:
    """What the format promises; beyond that, what this program adds and can do without."""

    __pydantic_config__: ClassVar = _STRICT

    film: FilmBinding
    reader: str
    operated_side: Side
    measurements: tuple[Measurement, ...]
    comparison: tuple[ComparisonRow, ...]
    warnings: tuple[Finding, ...]
    caution: str = ""
    read_at: str = ""
    mm_per_px: Annotated[float, Gt(0.0)] | None = None
    missing: tuple[Missing, ...] = ()
    conversions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    changes: tuple[dict[str, Any], ...] = ()
    known: KnownSizes = field(default_factory=KnownSizes)


def _fields_of(table: dict[str, Any]) -> dict[str, Any]:
    """Return a file's table as the fields of `_File`; what a plain file may leave out is added."""
    table = dict(table)
    for name, complete in (("measurements", _row_fields), ("comparison", _compared_fields)):
        if isinstance(table.get(name), list):
            side = table.get("operated_side")
            table[name] = [
                complete(row, side) if isinstance(row, dict) else row for row in table[name]
            ]
    if isinstance(table.get("missing"), dict):
        table["missing"] = [asdict(each) for each in _missing_by_key(table["missing"])]
    return table


def _row_fields(row: dict[str, Any], _side: Any) -> dict[str, Any]:
    names = {theirs: ours for ours, theirs in _RENAMED.items()}
    row = {names.get(key, key): value for key, value in row.items()}
    spread = row.get("standard_uncertainty")
    if spread is None:
        # A file that another program wrote may give the interval alone.
        try:
            row["standard_uncertainty"] = (row["high"] - row["low"]) / (2.0 * COVERAGE)
        except (KeyError, TypeError):
            row.pop("standard_uncertainty", None)  # the fault is in low or high, and named there
    for key, words in (("name", QUANTITIES), ("method", METHODS)):
        if key in row and row[key] not in words:
            raise MeasureError(f"measurements.{key}: {row[key]!r} is none of {', '.join(words)}")
    return row


def _compared_fields(row: dict[str, Any], side: Any) -> dict[str, Any]:
    if "name" in row and row["name"] not in LABELS:
        raise MeasureError(f"comparison.name: {row['name']!r} is none of {', '.join(LABELS)}")
    return {"side": side, "recorded": None, "reason": "", "method": None, **row}


def _missing_by_key(given: dict[str, str]) -> tuple[Missing, ...]:
    """Return what an earlier writing glued to one key: name, method and side."""
    found = []
    for key, reason in given.items():
        side = next((side for side in SIDES if key.endswith(f"_{side}")), None)
        rest = key.removesuffix(f"_{side}")
        name = max((name for name in QUANTITIES if rest.startswith(name)), key=len, default=rest)
        found.append(Missing(name, side, rest.removeprefix(name).strip("_") or None, reason))
    return tuple(found)


_FORM = Form(FORMAT, VERSION, "a file of measurements", _File, MeasureError, _fields_of)


def measurements_record(found: Subject) -> dict[str, Any]:
    """Return measurements, and what they were held against, as plain data ready for JSON.

    What could not be measured is absent from ``measurements`` and stands, with its reason, in
    ``missing``; an absent number of a comparison is None and ``reason`` says why.
    """
    measured, comparison = found.measurements, found.comparison
    record = adapter(_File).dump_python(
        _File(
            film=measured.film,
            reader=measured.reader,
            operated_side=measured.operated_side,
            measurements=measured.rows,
            comparison=found.compared,
            warnings=measured.findings,
            caution=CAUTION,
            read_at=measured.read_at,
            mm_per_px=measured.mm_per_px,
            missing=measured.missing,
            conversions=comparison.notes if comparison else (),
            notes=measured.notes,
            known=measured.known,
        ),
        mode="json",
    )
    for row in record["measurements"]:
        row |= {theirs: row.pop(ours) for ours, theirs in _RENAMED.items()}
    if found.changes:
        record["changes"] = [change_record(row) for row in found.changes.rows]
    else:
        del record["changes"]
    return {"format": FORMAT, "version": VERSION, **record}


def change_record(row: Change) -> dict[str, Any]:
    """Return one change as it stands in JSON; what does not apply is left out."""
    record = asdict(row)
    if row.per_year:
        record["per_year"] = dict(zip(("value", "low", "high"), row.per_year, strict=True))
    return {key: value for key, value in record.items() if value not in (None, "")}


def format_measurements(found: Subject) -> str:
    """Return `measurements_record` as the text of a JSON file."""
    record = measurements_record(found)
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_measurements(path: str | os.PathLike[str]) -> Measurements:
    """Return the measurements in a file that `format_measurements` wrote.

    The drawings are not in the file and are absent; neither is the plan's comparison returned.

    Raises
    ------
    MeasureError
        If it is not JSON, of another format or a newer version, or any key is missing, unknown
        or has a value that cannot be meant.
    """
    return _from_record(parse_json(read_text(path, MeasureError), str(Path(path)), _FORM))


def _from_record(record: _File) -> Measurements:
    return Measurements(
        film=record.film,
        reader=record.reader,
        read_at=record.read_at,
        operated_side=record.operated_side,
        rows=record.measurements,
        missing=record.missing,
        findings=record.warnings,
        drawings=(),
        mm_per_px=record.mm_per_px,
        notes=record.notes,
        known=record.known,
    )
