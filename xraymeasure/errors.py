"""What can be wrong with the input, each with its own name.

Every error that a user can cause derives from `XrayMeasureError`; the command line turns it into
one line on standard error and exit code 2.
"""

from collections.abc import Iterable
from difflib import get_close_matches


def printable(text: str) -> str:
    r"""Return text that a terminal only shows: controls and half letters are written as escapes.

    Lines stay.

    >>> print(printable("film \x1b[2J of \udce9"))
    film \x1b[2J of \udce9
    """
    if text.isprintable():
        return text
    return "".join(
        each
        if each.isprintable() or each == "\n"
        else each.encode("unicode_escape").decode("ascii")
        for each in text
    )


def meant(word: str, known: Iterable[str]) -> str:
    """Return the question whether a known name was meant, or nothing where none is near.

    >>> meant("femoral_haed_left", ["symphysis", "femoral_head_left"])
    '; did you mean femoral_head_left?'
    """
    near = nearest(word, known)
    return f"; did you mean {near}?" if near else ""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known name that a word is a slip of, or None where none is near."""
    return next(iter(get_close_matches(word, known, 1, 0.75)), None)


class XrayMeasureError(ValueError):
    """A call or a file is wrong; the message says what, where, and what to do."""

    def __str__(self) -> str:
        """Return the message on one line, whatever the cause put into it."""
        return printable(" ".join(super().__str__().split()))


class FilmError(XrayMeasureError):
    """The film cannot be read or is not a radiograph that can be measured."""


class ReadingError(XrayMeasureError):
    """The reading is broken, or belongs to another film."""


class PlanError(XrayMeasureError):
    """The plan is broken, or contradicts the reading."""


class MeasureError(XrayMeasureError):
    """The landmarks do not determine what was asked of them."""


class StudyError(XrayMeasureError):
    """The study folder is broken or inconsistent."""
