"""The file of measurements: plain data out, and strict on the way back in."""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from xraymeasure.about import CAUTION
from xraymeasure.change.changes import Change
from xraymeasure.errors import MeasureError
from xraymeasure.files.atomic import read_text
from xraymeasure.files.formats import Form, parse_json
from xraymeasure.measuring.results import Finding, Measurement, Measurements, Missing
from xraymeasure.plan.compare import LABELS
from xraymeasure.reading.reading import FilmBinding
from xraymeasure.report.subject import Subject
from xraymeasure.vocabulary.landmarks import SIDES
from xraymeasure.vocabulary.quantities import METHODS, QUANTITIES, SOURCES

FORMAT = "xraymeasure-measurements"
VERSION = 1

_Side = Literal["left", "right"]
_Unit = Literal["deg", "mm", "px", "1"]
_NotNegative = Annotated[float, Field(ge=0)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


class _Film(_Part):
    sop_instance_uid: str | None = None
    pixel_sha256: str | None = None


class _Row(_Part):
    name: Literal[tuple(QUANTITIES)]
    side: _Side | None
    value: float
    unit: _Unit
    low: float
    high: float
    method: Literal[tuple(METHODS)]
    primary: bool
    reference: str | None
    assumptions: tuple[str, ...] = Field(strict=False)
    standard_uncertainty: _NotNegative | None = None
    uncertainty_from: dict[Literal[tuple(SOURCES)], _NotNegative] = {}
    rests_on: tuple[str, ...] = Field((), strict=False)


class _Compared(_Part):
    name: Literal[tuple(LABELS)]
    planned: float | None
    achieved: float | None
    difference: float | None
    low: float | None
    high: float | None
    unit: _Unit
    tolerance: float | None
    verdict: Literal["within", "outside", "undecided"] | None
    side: _Side | None = None
    recorded: float | None = None
    reason: str = ""
    method: str | None = None


class _Warning(_Part):
    code: str
    text: str
    touches: tuple[str, ...] = Field((), strict=False)
    severity: Literal["note", "warning", "strong"] = "warning"


class _Missing(_Part):
    name: str
    side: _Side | None
    method: str | None
    reason: str


class _File(_Part):
    """What the format promises; beyond that, what this program adds and can do without."""

    format: Literal["xraymeasure-measurements"]
    version: Literal[1]
    film: _Film
    reader: str
    operated_side: _Side
    measurements: tuple[_Row, ...] = Field(strict=False)
    comparison: tuple[_Compared, ...] = Field(strict=False)
    warnings: tuple[_Warning, ...] = Field(strict=False)
    caution: str = ""
    read_at: str = ""
    mm_per_px: Annotated[float, Field(gt=0)] | None = None
    missing: Annotated[tuple[_Missing, ...], Field(strict=False)] | dict[str, str] = ()
    conversions: tuple[str, ...] = Field((), strict=False)
    notes: tuple[str, ...] = Field((), strict=False)
    changes: tuple[dict[str, Any], ...] = Field((), strict=False)


_FORM = Form(FORMAT, VERSION, "a file of measurements", _File, MeasureError)


def measurements_record(found: Subject) -> dict[str, Any]:
    """Return measurements, and what they were held against, as plain data ready for JSON.

    What could not be measured is absent from ``measurements`` and stands, with its reason, in
    ``missing``; an absent number of a comparison is None and ``reason`` says why.
    """
    measurements, comparison = found.measurements, found.comparison
    changes = [change_record(row) for row in found.changes.rows] if found.changes else []
    return {
        "format": FORMAT,
        "version": VERSION,
        "caution": CAUTION,
        "film": {
            "sop_instance_uid": measurements.film.sop_instance_uid,
            "pixel_sha256": measurements.film.pixel_sha256,
        },
        "reader": measurements.reader,
        "read_at": measurements.read_at,
        "operated_side": measurements.operated_side,
        "mm_per_px": measurements.mm_per_px,
        "measurements": [
            {
                "name": row.name,
                "side": row.side,
                "value": row.value,
                "unit": row.unit,
                "low": row.low,
                "high": row.high,
                "standard_uncertainty": row.standard_uncertainty,
                "method": row.method,
                "primary": row.primary,
                "reference": row.reference,
                "assumptions": list(row.assumptions),
                "uncertainty_from": dict(row.sources),
                "rests_on": list(row.rests_on),
            }
            for row in measurements.rows
        ],
        "missing": [asdict(each) for each in measurements.missing],
        "comparison": [
            {
                "name": row.name,
                "side": row.side,
                "planned": row.planned,
                "recorded": row.recorded,
                "achieved": row.achieved,
                "difference": row.difference,
                "low": row.low,
                "high": row.high,
                "unit": row.unit,
                "tolerance": row.tolerance,
                "verdict": row.verdict,
                "reason": row.reason,
                "method": row.method,
            }
            for row in found.compared
        ],
        "conversions": list(comparison.notes) if comparison else [],
        "warnings": [
            {
                "code": finding.code,
                "text": finding.text,
                "touches": list(finding.touches),
                "severity": finding.severity,
            }
            for finding in measurements.findings
        ],
        "notes": list(measurements.notes),
        **({"changes": changes} if changes else {}),
    }


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
        film=FilmBinding(record.film.sop_instance_uid, record.film.pixel_sha256),
        reader=record.reader,
        read_at=record.read_at,
        operated_side=record.operated_side,
        rows=tuple(_measurement(row) for row in record.measurements),
        missing=_missing(record.missing),
        findings=tuple(
            Finding(each.code, each.text, each.touches, each.severity) for each in record.warnings
        ),
        drawings=(),
        mm_per_px=record.mm_per_px,
        notes=record.notes,
    )


def _missing(given: tuple[_Missing, ...] | dict[str, str]) -> tuple[Missing, ...]:
    if not isinstance(given, dict):
        return tuple(Missing(each.name, each.side, each.method, each.reason) for each in given)
    # Files of version 0.1 glued name, method and side to one key.
    found = []
    for key, reason in given.items():
        side = next((side for side in SIDES if key.endswith(f"_{side}")), None)
        rest = key.removesuffix(f"_{side}")
        name = max((name for name in QUANTITIES if rest.startswith(name)), key=len, default=rest)
        found.append(Missing(name, side, rest.removeprefix(name).strip("_") or None, reason))
    return tuple(found)


def _measurement(row: _Row) -> Measurement:
    spread = row.standard_uncertainty
    return Measurement(
        name=row.name,
        side=row.side,
        value=row.value,
        unit=row.unit,
        low=row.low,
        high=row.high,
        method=row.method,
        primary=row.primary,
        reference=row.reference,
        assumptions=row.assumptions,
        # A file that another program wrote may give the interval alone.
        standard_uncertainty=(row.high - row.low) / (2 * 1.959964) if spread is None else spread,
        sources=row.uncertainty_from,
        rests_on=row.rests_on,
    )
