"""What the commands of the terminal share: exit codes, an option, and how they speak."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from xraymeasure.errors import printable

DONE, WRONG, OUTSIDE, NOTHING = 0, 2, 3, 4
"""Exit codes: done; the call or a file is wrong; measured, but not within tolerance (--strict);
there was nothing to measure or to propose."""

OutFolder = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Where files go.")]


def complain(message: str) -> None:
    """Print what went wrong on standard error, as one line that bears the program's name."""
    print(f"xraymeasure: {printable(' '.join(message.split()))}", file=sys.stderr)


def answer(result: object = "") -> None:
    """Print a result on standard output, controls of the terminal written as escapes."""
    print(printable(str(result)))


def tell(message: str) -> None:
    """Print a remark on standard error."""
    print(printable(message), file=sys.stderr)
