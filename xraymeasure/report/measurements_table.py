"""Measurements as a table for a spreadsheet: one line each, every column of one kind."""

from __future__ import annotations

from collections.abc import Iterator

from xraymeasure.about import CAUTION
from xraymeasure.files.tables import csv_text
from xraymeasure.measuring.results import Measurements
from xraymeasure.reading.reading import Provenance
from xraymeasure.report.page.content import missing_label
from xraymeasure.vocabulary.quantities import QUANTITIES

CSV_COLUMNS = (
    "name", "label", "side", "value", "unit", "low", "high", "standard_uncertainty", "method",
    "primary", "reference", "missing_because", "film", "reader", "read_at", "operated_side",
    "proposed", "caution",
)  # fmt: skip


def format_csv(measurements: Measurements, proposed: Provenance | None = None) -> str:
    """Return one line for each measurement, and one for each that is missing, with the reason.

    The landmarks that a number rests on and the program proposed are named, and how they stand.
    """
    return csv_text(CSV_COLUMNS, _rows(measurements, proposed))


def _rows(measurements: Measurements, proposed: Provenance | None) -> Iterator[dict[str, object]]:
    common: dict[str, object] = {
        "film": measurements.film.pixel_sha256 or measurements.film.sop_instance_uid or "",
        "reader": measurements.reader,
        "read_at": measurements.read_at,
        "operated_side": measurements.operated_side,
        "caution": CAUTION,
    }
    for row in measurements.rows:
        yield common | {
            **{key: value for key, value in vars(row).items() if key in CSV_COLUMNS},
            "label": QUANTITIES[row.name].label,
            "primary": "yes" if row.primary else "no",
            "proposed": proposed.told(row.rests_on) if proposed is not None else "",
        }
    for each in measurements.missing:
        yield common | {
            "name": each.name,
            "label": missing_label(each),
            "side": each.side,
            "method": each.method,
            "missing_because": each.reason,
        }
