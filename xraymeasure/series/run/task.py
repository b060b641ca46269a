"""One reading of a study measured, and what is kept of it: a record with its own digest."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from xraymeasure.errors import StudyError
from xraymeasure.film.film import Film
from xraymeasure.measuring.measure import known_sizes, measure
from xraymeasure.measuring.results import Measurement, Measurements, Missing
from xraymeasure.reading.reading import Opens, Reading, stated_openings
from xraymeasure.series.run.workers import time_limit
from xraymeasure.series.study.placing import Placing
from xraymeasure.series.study.readings import Place

Spread = Literal["reading", "repeats", "default"]
"""Whose placing spread stood behind intervals: stated in the reading, from the reader's repeats, or
the default."""

NUMBERS = (
    "side", "method", "primary", "value", "unit", "low", "high", "standard_uncertainty",
    "reference",
)  # fmt: skip
"""What is kept of a measurement under the names that it has there."""


@dataclass(frozen=True)
class Task:
    """A reading to be measured, with everything that its numbers depend on."""

    place: Place
    film: Path
    reading: Reading
    placing: Placing | None
    draws: int
    seed: int
    kept: Path
    opens: Opens | None = None
    seconds: float | None = None


def read_kept(path: Path) -> dict[str, Any]:
    """Return what a run kept of a reading: ``rows``, ``mm_per_px``, ``pitch_mm``."""
    damaged = StudyError(f"{path}: is damaged; delete it and run the study again")
    try:
        record, _, digest = path.read_text("utf-8").partition("\n")
        if hashlib.sha256(record.encode()).hexdigest() != digest.strip():
            raise damaged
        kept: dict[str, Any] = json.loads(record)
    except ValueError:
        raise damaged from None
    return kept


def is_whole(path: Path) -> bool:
    """Whether there is a record that was kept, undamaged; any other is made anew."""
    try:
        read_kept(path)
    except (OSError, StudyError):
        return False
    return True


def opened(task: Task) -> tuple[Film, Reading, Spread]:
    """Return film and reading as they are measured, and whose placing spread the reading states."""
    film, reading = _film(task.film, *_stamp(task.film)), task.reading
    if task.placing is not None:
        scale = measure(film, reading, draws=0, cup_opens=task.opens).mm_per_px
        if own := task.placing.on_film(scale):
            return film, replace(reading, placing_sd_px=own), "repeats"
    return film, reading, "reading" if reading.placing_sd_px is not None else "default"


@lru_cache(maxsize=1)
def _film(path: Path, changed_ns: int, size: int) -> Film:
    """Return a film; the last one is kept, for another reading of it is likely to be next."""
    from xraymeasure.film.read import read_film

    return read_film(path)


def _stamp(path: Path) -> tuple[int, int]:
    try:
        stat = path.stat()
    except OSError:
        return 0, 0  # Reading it says why.
    return stat.st_mtime_ns, stat.st_size


def measure_task(task: Task) -> str:
    """Measure one reading, in a worker; the text of what is kept of it."""
    with time_limit(task.seconds):
        film, reading, stands = opened(task)
        measured = measure(film, reading, draws=task.draws, seed=task.seed, cup_opens=task.opens)
    record = {
        "operated_side": measured.operated_side,
        "mm_per_px": measured.mm_per_px,
        "view": film.view,
        "pitch_mm": film.spacing.detector_mm or film.spacing.patient_mm,
        "placing": stands,
        "study_opens": task.opens,
        "rows": [*_measured_rows(measured, reading), *_missing_rows(measured)],
    }
    return kept_text(record)


def kept_text(record: Mapping[str, Any]) -> str:
    """Return a record as it is kept: with a digest, so that a damaged one is made anew."""
    text = json.dumps(record, allow_nan=False)
    return f"{text}\n{hashlib.sha256(text.encode()).hexdigest()}\n"


def kept_measurements(path: Path, reading: Reading) -> Measurements:
    """Return the measurements that a run kept of a reading: the numbers and what is missing.

    Assumptions, findings and drawings are not kept.

    Parameters
    ----------
    path : Path
        From `RunSummary.kept`.
    reading : Reading
        That was measured.
    """
    kept = read_kept(path)
    rows, missing = [], []
    for row in kept["rows"]:
        name, side = row["measurement"], row["side"]
        if row["status"] == "missing":
            missing.append(Missing(name, side, row["method"], row["reason"]))
            continue
        rows.append(Measurement(name=name, **{key: row[key] for key in NUMBERS}))
    return Measurements(
        film=reading.film,
        reader=reading.reader,
        read_at=reading.read_at,
        operated_side=kept["operated_side"],
        rows=tuple(rows),
        missing=tuple(missing),
        findings=(),
        drawings=(),
        mm_per_px=kept["mm_per_px"],
        notes=(),
        known=known_sizes(reading),
        cup_opening=stated_openings(reading, kept["study_opens"]),
    )


def _measured_rows(measured: Measurements, reading: Reading) -> Iterator[dict[str, Any]]:
    for row in measured.rows:
        yield {
            "index_side": _is_index(row.side, measured),
            "measurement": row.name,
            **{key: getattr(row, key) for key in NUMBERS},
            "warnings": " ".join(
                finding.code
                for finding in measured.findings
                if finding.severity != "note"
                and (not finding.touches or row.name in finding.touches)
            ),
            "proposed": reading.proposed.told(row.rests_on) if reading.proposed else "",
            "status": "measured",
        }


def _missing_rows(measured: Measurements) -> Iterator[dict[str, Any]]:
    for each in measured.missing:
        yield {
            "side": each.side,
            "index_side": _is_index(each.side, measured),
            "measurement": each.name,
            "method": each.method,
            "status": "missing",
            "reason": each.reason,
        }


def _is_index(side: str | None, measured: Measurements) -> bool | None:
    return None if side is None else side == measured.operated_side
