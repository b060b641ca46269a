"""From what a run kept of a reading back to its measurements."""

from __future__ import annotations

from pathlib import Path

from xraymeasure.measuring.measure import known_sizes
from xraymeasure.measuring.results import Measurement, Measurements, Missing
from xraymeasure.reading.reading import Reading, stated_openings
from xraymeasure.series.run.task import NUMBERS, read_kept


def kept_measurements(path: Path, reading: Reading) -> Measurements:
    """Return the measurements that a run kept of a reading: the numbers and what is missing.

    Assumptions, findings and drawings are not kept.
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
