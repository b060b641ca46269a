"""A follow-up for other programs: JSON, and a table for a spreadsheet."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from xraymeasure.about import CAUTION
from xraymeasure.files.tables import csv_text
from xraymeasure.report.measurements_file import change_record
from xraymeasure.series.followup.followup import FollowUp, Step

_CSV = (
    "subject",
    "side",
    "film",
    "years",
    "change",
    "unit",
    "value",
    "low",
    "high",
    "before",
    "after",
    "per_year",
    "per_year_low",
    "per_year_high",
    "verdict",
    "reason",
    "method",
    "reference",
)


def format_followup(followup: FollowUp) -> str:
    """Return a follow-up as JSON, format ``xraymeasure-followup`` version 1."""
    record = {
        "format": "xraymeasure-followup",
        "version": 1,
        "caution": CAUTION,
        "subject": followup.subject,
        "side": followup.side,
        "reader": followup.first.measurements.reader,
        "stem": {
            "type": followup.stem_type,
            "subsidence_threshold_mm": followup.subsidence_threshold_mm,
        },
        "comparable": asdict(followup.limits),
        "first": {"film": followup.first.label, "years": followup.first.years},
        "films": [_step_record(followup, step) for step in followup.steps],
        "left_out": [{"film": film, "reason": why} for film, why in followup.left_out],
    }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _step_record(followup: FollowUp, step: Step) -> dict[str, Any]:
    comparability = step.changes.comparability
    sunk = step.changes.row("stem_subsidence")
    return {
        "film": step.visit.label,
        "years": step.visit.years,
        "comparable": comparability.standing("pelvis"),
        "checks": [asdict(check) for check in comparability.checks],
        "changes": [change_record(row) for row in step.changes.rows],
        "missing": [{"name": name, "reason": why} for name, why in step.changes.missing.items()],
        "subsidence_against_threshold": followup.subsidence(sunk) if sunk else None,
    }


def followup_csv(followup: FollowUp) -> str:
    """Return a follow-up as a table, one row a later film and change."""
    return csv_text(_CSV, _rows(followup), remark=CAUTION)


def _rows(followup: FollowUp) -> Iterator[dict[str, Any]]:
    for step in followup.steps:
        head = {
            "subject": followup.subject,
            "side": followup.side,
            "film": step.visit.label,
            "years": round(step.visit.years - followup.first.years, 4),
        }
        for row in step.changes.rows:
            cells = {key: getattr(row, key) for key in _CSV if hasattr(row, key)}
            if row.per_year:
                cells |= dict(
                    zip(("per_year", "per_year_low", "per_year_high"), row.per_year, strict=True)
                )
            present = {key: value for key, value in cells.items() if value is not None}
            yield {**present, **head, "change": row.name}
        for name, why in step.changes.missing.items():
            yield {**head, "change": name, "verdict": "not measured", "reason": why}
