"""The tidy table of a study: one row a film, side, measurement, method, reader and occasion."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

from xraymeasure.about import CAUTION
from xraymeasure.files.tables import defused

COLUMNS: dict[str, tuple[str, str]] = {
    "film": ("text", "label of the film in the study"),
    "subject": ("text", "pseudonym of the person"),
    "time_point": ("text", "what the study calls the moment"),
    "day": ("whole", "days since the subject's first film"),
    "side": ("text", "left or right; empty for what belongs to the film"),
    "index_side": ("truth", "whether `side` is the index hip of the reading"),
    "measurement": ("text", "name of the measurement; empty where nothing could be measured"),
    "method": ("text", "how it was obtained"),
    "primary": ("truth", "whether this method stands for the measurement"),
    "reader": ("text", "code of the reader"),
    "occasion": ("whole", "from 1"),
    "value": ("number", "the measurement"),
    "unit": ("text", "deg, mm, px or 1"),
    "low": ("number", "lower end of the 95 % interval"),
    "high": ("number", "upper end of the 95 % interval"),
    "standard_uncertainty": ("number", "first-order standard uncertainty"),
    "reference": ("text", "reference line"),
    "placing": (
        "text",
        "whose placing spread the interval rests on: reading (stated in it), repeats (the "
        "reader's own, from series spread) or default",
    ),
    "proposed": (
        "text",
        "landmarks that the number rests on and the program proposed, or carried over from an "
        "earlier film, and how they stand: proposed (confirmed by nobody), confirmed, or placed "
        "anew by the reader",
    ),
    "warnings": ("text", "codes of the findings that touch it, separated by spaces"),
    "status": ("text", "measured, missing (this number), failed or excluded (the whole reading)"),
    "reason": ("text", "why it is missing, failed or excluded"),
    "caution": ("text", "what the numbers are for, and what not"),
}
"""Column, kind of its values, meaning."""

Row = Mapping[str, Any]
_CHUNK = 20_000


def write_tables(rows: Iterable[Row], csv_path: Path, parquet_path: Path) -> int:
    """Write rows as CSV and as Parquet, and return their number.

    Rows are streamed; a key that a row lacks is an empty cell. The same rows give the same bytes.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {"text": pa.string(), "whole": pa.int64(), "number": pa.float64(), "truth": pa.bool_()}
    schema = pa.schema([(name, kinds[kind]) for name, (kind, _) in COLUMNS.items()])
    count = 0
    rows = ({**row, "caution": CAUTION} for row in rows)
    with (
        csv_path.open("w", encoding="utf-8", newline="") as stream,
        pq.ParquetWriter(parquet_path, schema) as parquet,
    ):
        table = csv.writer(stream, lineterminator="\n")
        table.writerow(COLUMNS)
        for chunk in iter(lambda: list(islice(rows, _CHUNK)), []):
            table.writerows([_cell(row.get(name)) for name in COLUMNS] for row in chunk)
            parquet.write_table(
                pa.table({n: [row.get(n) for row in chunk] for n in COLUMNS}, schema=schema)
            )
            count += len(chunk)
    return count


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(defused(value))


_VALUES = (
    "values.csv: the study's own value of each film, by the rule in the column of that name.",
    "reader       the one reader with most readings on occasion 1, never a mean; a film that this",
    "             reader did not read is not in it",
    'mean         of the readers named in `readers`, where study.toml says value = "mean"; theirs',
    "             are `lowest` and `highest`",
    "adjudicated  the word of the study's adjudicator",
)


def describe_columns() -> str:
    """Return a page of text on the table's columns, with the caution."""
    width = max(map(len, COLUMNS))
    lines = [f"{name:<{width}}  {meaning}" for name, (_, meaning) in COLUMNS.items()]
    return "\n".join(
        ["measurements.csv and measurements.parquet", "", *lines, "", *_VALUES, "", CAUTION, ""]
    )
