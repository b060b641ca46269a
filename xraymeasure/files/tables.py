"""Rows as the text of a file for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any


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
    table.writerows(rows)
    return stream.getvalue()
