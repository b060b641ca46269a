"""A cohort for other programs: JSON, and a table for a spreadsheet."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from xraymeasure.about import CAUTION
from xraymeasure.files.tables import csv_text
from xraymeasure.series.agreement.statistics import Limits
from xraymeasure.series.cohort.cohort import Cohort, Outcome, Share
from xraymeasure.series.cohort.methods import methods_text
from xraymeasure.series.cohort.settings import Settings

_CSV = (
    "subject", "film", "side", "name", "unit", "planned", "recorded", "achieved",
    "achieved_low", "achieved_high", "difference", "low", "high", "tolerance", "verdict",
    "reason", "method", "stands_because",
)  # fmt: skip


def format_cohort(cohort: Cohort) -> str:
    """Return a cohort as JSON, format ``xraymeasure-cohort`` version 1."""
    record = {
        "format": "xraymeasure-cohort",
        "version": 1,
        "caution": CAUTION,
        "title": cohort.title,
        "hips": len(cohort.cases),
        "subjects": cohort.subjects,
        "outcomes": [_outcome_record(outcome) for outcome in cohort.outcomes],
        "both_cup_angles_within": _share_record(cohort.cup_share),
        "left_out": [{"film": film, "reason": why} for film, why in cohort.left_out],
        "settings": _settings_record(cohort.settings),
        "methods": methods_text(cohort),
    }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _settings_record(settings: Settings) -> dict[str, Any]:
    """Return settings on one level."""
    standing = asdict(settings.standing)
    del standing["asked"]
    return {
        **asdict(settings.run),
        **standing,
        "adjudicated": settings.adjudicated,
        "why": settings.standing.why,
        "methods": settings.methods,
        "references": settings.references,
        "tolerances": settings.tolerances,
    }


def _outcome_record(outcome: Outcome) -> dict[str, Any]:
    def agreement(limits: Limits | str) -> dict[str, Any]:
        if isinstance(limits, str):
            return {"n": 0, "reason": limits}
        return {
            "n": limits.n,
            "sd": limits.sd,
            **{key: asdict(getattr(limits, key)) for key in ("bias", "lower", "upper")},
        }

    return {
        "name": outcome.name,
        "unit": outcome.unit,
        "achieved_minus_planned": agreement(outcome.against_plan),
        "measuring_sd": outcome.measuring_sd,
        "within_tolerance": _share_record(outcome.share),
        "verdicts": dict(outcome.verdicts),
        "recorded_minus_measured": agreement(outcome.against_record),
    }


def _share_record(share: Share | None) -> dict[str, float] | None:
    return None if share is None else {**asdict(share), "value": share.value}


def cohort_csv(cohort: Cohort) -> str:
    """Return a cohort as a table, one row a hip and planned number."""
    return csv_text(_CSV, _rows(cohort), remark=CAUTION)


def _rows(cohort: Cohort) -> Iterator[dict[str, Any]]:
    for case in cohort.cases:
        head = {
            "subject": case.subject,
            "film": case.film,
            "side": case.side,
            "stands_because": case.why,
        }
        for row in case.comparison.rows:
            yield {key: getattr(row, key, None) for key in _CSV} | head
