"""How things look in the window: the page's line styles, and what only a window draws."""

from __future__ import annotations

from xraymeasure.report.layout.style import LINES, VERDICTS, Line

_VERMILION, _GREEN, _PINK, _GREY = "#FF7F50", "#3DDC97", "#F29BC8", "#C8CCD4"
_WHITE, _YELLOW, _VIOLET = "#F4F4F4", "#F5EA4D", "#C3A6FF"

WINDOW_LINES: dict[str, Line] = LINES | {
    "plan": Line(_PINK, 1.4, (4, 3), "", "planned opening"),
    "second": Line(_PINK, 1.0, (1.5, 2.5), "", "second reading"),
    "proposed": Line(_VIOLET, 1.8, (2.2, 1.2), "", "proposed, confirmed by nobody"),
    "residual": Line(_VERMILION, 1.2, (), "", "deviation from the curve"),
    "landmark": Line(_GREY, 0.8, (), "", "landmark"),
    "question": Line(_VERMILION, 1.4, (), "", "questioned click"),
    "free": Line(_GREEN, 1.4, (), "", "free measurement"),
}
"""The page's kinds of line and the window's own."""

LINE_SCALE = 1.35
"""Screens are coarser than paper: how much wider the page's lines are drawn."""

MARKS: dict[str, tuple[str, float]] = {
    "placed": (_WHITE, 1.5),
    "outline": (_WHITE, 1.2),
    "proposed": (_VIOLET, 1.2),
    "armed": (_YELLOW, 1.6),
    "selected": (_VERMILION, 2.0),
    "lit": (_GREEN, 2.2),
    "second": (_PINK, 1.4),
    "question": (_VERMILION, 2.0),
    "cursor": (_YELLOW, 1.6),
    "free": (_GREEN, 1.6),
}
"""Colour and width of the mark of a point, for each of its states."""

ON_DARK: dict[str, str] = {"within": _GREEN, "undecided": "#FFB000", "outside": _VERMILION}
"""Verdict colours for the dark chip on which a window writes them."""

CHIP = "#16181C"
"""Ground of labels and verdicts: they are read on any film and in any theme."""


def verdict_text(verdict: str) -> str:
    """Return a verdict's shape and word, as the page has them.

    >>> verdict_text("outside")
    '▲ outside'
    """
    shape, word, _ = VERDICTS[verdict]
    return f"{shape} {word}"
