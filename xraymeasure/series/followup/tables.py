"""A follow-up for other programs: JSON, and a table for a spreadsheet."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Any

from xraymeasure.about import CAUTION
from xraymeasure.files.tables import csv_text
from xraymeasure.report.measurements_file import change_record
from xraymeasure.series.followup.followup import FollowUp, Step

_CSV = (
    "subject", "side", "film", "years", "change", "unit", "value", "low", "high", "before",
    "after", "per_year", "per_year_low", "per_year_high", "verdict", "reason", "method",
    "reference", "detectable",
)  # fmt: skip


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
        "since_last": [change_record(row) for row in followup.since_last.rows]
        if followup.since_last
        else [],
        "trends": [
            {
                "name": trend.name,
                "per_year": dict(zip(("value", "low", "high"), trend.per_year, strict=True)),
                "films": trend.films,
            }
            for trend in followup.trends
        ],
        "left_out": [{"film": film, "reason": why} for film, why in followup.left_out],
    }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _step_record(followup: FollowUp, step: Step) -> dict[str, Any]:
    comparability = step.changes.comparability
    sunk = step.changes.row("stem_subsidence")
    return {
        "film": step.visit.label,
        "years": step.visit.years,
        "comparable": not comparability.other_view,
        "position": asdict(step.changes.position),
        "checks": [asdict(check) for check in comparability.checks],
        "changes": [change_record(row) for row in step.changes.rows],
        "missing": [{"name": name, "reason": why} for name, why in step.changes.missing.items()],
        "subsidence_against_threshold": followup.subsidence(sunk) if sunk else None,
    }


def followup_csv(followup: FollowUp) -> str:
    """Return a follow-up as a table, one row a later film and change."""
    return csv_text(_CSV, _rows(followup), remark=CAUTION)


def changes_csv(hips: Iterable[FollowUp]) -> str:
    """Return the changes of all hips as one table."""
    return csv_text(_CSV, (row for hip in hips for row in _rows(hip)), remark=CAUTION)


def changes_parquet(hips: Iterable[FollowUp]) -> bytes:
    """Return the same table as Parquet."""
    import io

    import pyarrow as pa
    import pyarrow.parquet as pq

    numbers = {"years", "value", "low", "high", "before", "after", "detectable"}
    kinds = {
        name: pa.float64() if name in numbers or name.startswith("per_year") else pa.string()
        for name in _CSV
    }
    rows = [row for hip in hips for row in _rows(hip)]
    table = pa.table(
        {name: [row.get(name) for row in rows] for name in _CSV}, schema=pa.schema(kinds.items())
    )
    stream = io.BytesIO()
    pq.write_table(table.replace_schema_metadata({"caution": CAUTION}), stream)
    return stream.getvalue()


def _rows(followup: FollowUp) -> Iterator[dict[str, Any]]:
    for step in followup.steps:
        head = {
            "subject": followup.subject,
            "side": followup.side,
            "film": step.visit.label,
            "years": round(followup.years_to(step), 4),
        }
        for row in step.changes.rows:
            cells = {key: value for key, value in vars(row).items() if key in _CSV}
            rates = row.per_year or (None, None, None)
            cells |= zip(("per_year", "per_year_low", "per_year_high"), rates, strict=True)
            yield {**cells, **head, "change": row.name}
        for name, why in step.changes.missing.items():
            yield {**head, "change": name, "verdict": "not measured", "reason": why}
