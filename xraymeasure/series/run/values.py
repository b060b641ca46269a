"""The study's own value of every measurement, where several readers read a film.

Where ``study.toml`` names an adjudicator, the reading of that reader stands on the films that were
read by them, which are those on which the others did not agree; everywhere else the mean of the
readers stands. Each reader's first occasion counts, and numbers of one method only are averaged:
of the one that stands for the measurement in most of the readings, the first reader's where they
are even. A mean of readers has no interval of its own: what the readers share is in each.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from xraymeasure.about import CAUTION
from xraymeasure.files.atomic import write_files
from xraymeasure.files.tables import csv_text
from xraymeasure.series.run.run import RunSummary
from xraymeasure.series.run.task import read_kept
from xraymeasure.series.study.study import Study

_CSV = (
    "film",
    "subject",
    "day",
    "side",
    "measurement",
    "method",
    "unit",
    "value",
    "rule",
    "readers",
    "lowest",
    "highest",
    "caution",
)


def write_values(study: Study, summary: RunSummary, out: Path) -> Path:
    """Write ``values.csv``, one row a film and measurement; return its path.

    Raises
    ------
    XrayMeasureError
        If the folder cannot be made or written to.
    """
    (path,) = write_files(out, {"values.csv": csv_text(_CSV, _rows(study, summary))})
    return path


def _rows(study: Study, summary: RunSummary) -> Iterator[dict[str, Any]]:
    films = {film.label: film for film in study.films}
    read: dict[str, dict[str, dict[str, Any]]] = defaultdict(dict)
    for label in films:
        for reader in study.readers:
            path = summary.kept.get((label, reader, 1))
            if path is not None:
                read[label][reader] = read_kept(path)
    for label, kept in read.items():
        judge = study.adjudicator if study.adjudicator in kept else None
        standing = {judge: kept[judge]} if judge else kept
        film = films[label]
        for (name, side), numbers in _numbers(standing).items():
            values = [row["value"] for row in numbers.values()]
            first = next(iter(numbers.values()))
            yield {
                "film": label,
                "subject": film.subject,
                "day": "" if film.day is None else film.day,
                "side": side or "",
                "measurement": name,
                "method": first["method"],
                "unit": first["unit"],
                "value": repr(sum(values) / len(values)),
                "rule": "adjudicated" if judge else "mean" if len(values) > 1 else "one reader",
                "readers": " ".join(numbers),
                "lowest": repr(min(values)),
                "highest": repr(max(values)),
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
