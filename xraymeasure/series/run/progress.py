"""How far a long run is, on one line."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(noun: str = "readings") -> Iterator[Callable[[int, int], None]]:
    """Show a bar on standard error while it is open, where that is a terminal; else nothing.

    Parameters
    ----------
    noun : str
        What is counted.

    Yields
    ------
    callable
        To be called with how many are done and how many there are.

    Examples
    --------
    >>> with progress_bar("films") as progress:
    ...     progress(0, 10)
    ...     progress(10, 10)
    """
    # Asked here: the environment can make rich take a file for a terminal.
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    bar = Progress(
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn(noun),
        TimeElapsedColumn(),
        TextColumn("passed,"),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=Console(stderr=True),
    )
    with bar:
        task = bar.add_task(noun, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
