"""Rows as the text of a file for a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any

# What spreadsheets take for the start of a formula; a number is none, with its sign or without.
_FORMULA = re.compile(r"[=+@\t\n-]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_DEFUSED = re.compile(r"'(?=[=+@\t\n-])")


def defused(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula: such text gets an apostrophe.

    >>> defused("=1+1"), defused("-1.5"), defused(-1.5), defused("-left")
    ("'=1+1", '-1.5', -1.5, "'-left")
    """
    return _defused_text(value) if isinstance(value, str) else value


@lru_cache(maxsize=1024)
def _defused_text(text: str) -> str:
    # A return by itself would end the row for a reader, and is not quoted by the writer.
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def as_meant(cell: str) -> str:
    """Undo `defused` on a cell that was read.

    >>> as_meant("'=1+1"), as_meant("'tis")
    ('=1+1', "'tis")
    """
    return _DEFUSED.sub("", cell, count=1) if _DEFUSED.match(cell) else cell


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]], remark: str = "") -> str:
    r"""Return rows under their columns; a column that a row lacks stays empty.

    Parameters
    ----------
    columns : sequence of str
        The head of the table.
    rows : iterable of mapping
        Only `columns` may be keys.
    remark : str
        A line before the head, marked with ``#``.

    Examples
    --------
    >>> csv_text(("a", "b"), [{"a": 1}, {"b": 2}])
    'a,b\n1,\n,2\n'
    """
    stream = io.StringIO()
    if remark:
        stream.write(f"# {remark}\n")
    table = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
    table.writeheader()
    table.writerows({key: defused(value) for key, value in row.items()} for row in rows)
    return stream.getvalue()
