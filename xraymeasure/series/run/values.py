"""The study's own value of every measurement, one a film: ``values.csv``.

Whose it is, `xraymeasure.series.run.standing` rules. Numbers of one method only are averaged: of
the one that stands for the measurement in most of the readings, the first reader's where they are
even.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Any

from xraymeasure.about import CAUTION
from xraymeasure.files.tables import csv_text
from xraymeasure.series.run.standing import mean_of, standing_of
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.run.task import read_kept
from xraymeasure.series.study.study import Study

_CSV = (
    "film", "subject", "day", "side", "measurement", "method", "unit", "value", "low", "high",
    "rule", "readers", "lowest", "highest", "caution",
)  # fmt: skip


def values_table(study: Study, summary: RunSummary) -> str:
    """Return ``values.csv`` of a study that was run, one row a film and measurement."""
    return csv_text(_CSV, _rows(study, summary))


def _rows(study: Study, summary: RunSummary) -> Iterator[dict[str, Any]]:
    standing = standing_of(study, summary)
    for film in study.films:
        places = standing.places(film.label, summary.kept)
        if not places:
            continue
        kept = {place[1]: read_kept(summary.kept[place]) for place in places}
        for (name, side), numbers in _numbers(kept).items():
            value, low, high = mean_of(
                [(row["value"], row["low"], row["high"]) for row in numbers.values()]
            )
            values = [row["value"] for row in numbers.values()]
            first = next(iter(numbers.values()))
            yield {
                "film": film.label,
                "subject": film.subject,
                "day": film.day,
                "side": side,
                "measurement": name,
                "method": first["method"],
                "unit": first["unit"],
                "value": value,
                "low": low,
                "high": high,
                "rule": standing.rule([places[0]] if len(numbers) == 1 else places),
                "readers": " ".join(numbers),
                "lowest": min(values),
                "highest": max(values),
                "caution": CAUTION,
            }


def _numbers(
    kept: dict[str, dict[str, Any]],
) -> dict[tuple[str, str | None], dict[str, dict[str, Any]]]:
    """Return the rows of one method for each measurement and side, by reader."""
    found: dict[tuple[str, str | None], dict[str, dict[str, Any]]] = defaultdict(dict)
    for reader, record in kept.items():
        for row in record["rows"]:
            if row["status"] == "measured" and row["primary"] and row["index_side"] is not False:
                found[row["measurement"], row["side"]][reader] = row
    for key, rows in found.items():
        # Of methods that are even the first met is kept.
        method = Counter(row["method"] for row in rows.values()).most_common(1)[0][0]
        found[key] = {who: row for who, row in rows.items() if row["method"] == method}
    return found
