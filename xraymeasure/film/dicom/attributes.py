"""Attributes of a DICOM file as they are met: missing, empty or malformed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from xraymeasure.film.spacing import Pair

if TYPE_CHECKING:
    from pydicom import Dataset


_VIEWS = frozenset({"LATERAL", "OBLIQUE", "AXIAL"})


def code_or_other(said: str) -> str:
    """Return a code as DICOM has them, at most four letters; what is longer may be a name.

    Views that stations write out are returned too.

    >>> code_or_other("PA"), code_or_other("MADE UP")
    ('PA', 'another')
    """
    short = len(said) <= 4 and said.isascii() and said.isalpha()
    return said if short or said in _VIEWS else "another"


class Attributes:
    """Values of a data set that may be missing, empty or malformed, read without an exception."""

    def __init__(self, dataset: Dataset) -> None:
        self.dataset = dataset
        self.notes: list[str] = []

    def has(self, keyword: str) -> bool:
        """Whether the attribute is there, empty or not."""
        return keyword in self.dataset

    def values(self, keyword: str) -> tuple[Any, ...]:
        """Return the attribute's values; none where it is absent, empty or cannot be read."""
        try:
            value = self.dataset.get(keyword)
        except Exception:
            # The value is not of its attribute's type; which exception that is, is the parser's.
            self.note(f"{keyword} cannot be read and was ignored.")
            return ()
        if value is None or value == "":
            return ()
        if isinstance(value, Sequence) and not isinstance(value, (str, bytes)):
            return tuple(value)
        return (value,)

    def note(self, sentence: str) -> None:
        """Keep a sentence for the report, once."""
        if sentence not in self.notes:
            self.notes.append(sentence)

    def texts(self, keyword: str) -> tuple[str, ...]:
        """Return the values as capitals without padding."""
        return tuple(str(value).strip(" \0").upper() for value in self.values(keyword))

    def text(self, keyword: str) -> str | None:
        """Return the first value as text, or None where it is absent or empty."""
        texts = self.texts(keyword)
        return texts[0] or None if texts else None

    def numbers(self, keyword: str) -> tuple[float, ...]:
        """Return the values as numbers; none where one of them is no number."""
        try:
            return tuple(float(value) for value in self.values(keyword))
        except (TypeError, ValueError):
            self.note(f"{keyword} cannot be read and was ignored.")
            return ()

    def number(self, keyword: str) -> float | None:
        """Return the one finite number, or None."""
        numbers = self.numbers(keyword)
        return numbers[0] if len(numbers) == 1 and math.isfinite(numbers[0]) else None

    def pair(self, keyword: str) -> Pair | None:
        """Return the two finite numbers, or None."""
        numbers = self.numbers(keyword)
        return numbers if len(numbers) == 2 and all(map(math.isfinite, numbers)) else None
