"""The file of measurements: plain data out, and strict on the way back in."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from xraymeasure.about import CAUTION
from xraymeasure.errors import MeasureError
from xraymeasure.files.atomic import read_text
from xraymeasure.files.formats import Form, parse_json
from xraymeasure.measuring.results import Finding, Measurement, Measurements
from xraymeasure.plan.compare import LABELS, Comparison
from xraymeasure.reading.reading import FilmBinding
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
    missing: dict[str, str] = {}
    conversions: tuple[str, ...] = Field((), strict=False)
    notes: tuple[str, ...] = Field((), strict=False)
    changes: tuple[dict[str, Any], ...] = Field((), strict=False)


_FORM = Form(FORMAT, VERSION, "a file of measurements", _File, MeasureError)


def measurements_record(
    measurements: Measurements,
    comparison: Comparison | None = None,
    changes: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """Return measurements, and what they were held against, as plain data ready for JSON.

    `changes` are those since an earlier film, already plain.

    What could not be measured is absent from ``measurements`` and stands, with its reason, in
    ``missing``; an absent number of a comparison is None and ``reason`` says why.
    """
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
        "missing": dict(measurements.missing),
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
            for row in (comparison.rows if comparison else ())
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
        **({"changes": [dict(change) for change in changes]} if changes else {}),
    }


def format_measurements(
    measurements: Measurements,
    comparison: Comparison | None = None,
    changes: Sequence[Mapping[str, Any]] = (),
) -> str:
    """Return `measurements_record` as the text of a JSON file."""
    record = measurements_record(measurements, comparison, changes)
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
        missing=record.missing,
        findings=tuple(
            Finding(each.code, each.text, each.touches, each.severity) for each in record.warnings
        ),
        drawings=(),
        mm_per_px=record.mm_per_px,
        notes=record.notes,
    )


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
