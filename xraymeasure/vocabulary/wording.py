"""Numbers and names as a person reads them; the page, the window and the tables share them."""

from __future__ import annotations

from xraymeasure.vocabulary.quantities import Unit

UNITS: dict[Unit, str] = {"deg": "°", "mm": " mm", "px": " px", "1": ""}
MINUS = "−"


def number(value: float, decimals: int = 1, signed: bool = False) -> str:
    """Return a number with a true minus sign and never a negative zero.

    >>> number(-0.04), number(3.25, 1, signed=True)
    ('0.0', '+3.2')
    """
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        return text.removeprefix("-")
    return text.replace("-", MINUS) if value < 0 else f"+{text}" if signed else text


def counted(count: int, noun: str) -> str:
    """Return how many there are, with the noun as one or as several.

    >>> counted(1, "hip"), counted(0, "film")
    ('1 hip', '0 films')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def with_unit(value: float, unit: Unit, decimals: int = 1, signed: bool = False) -> str:
    """Return a number with its unit.

    >>> with_unit(41.23, "deg"), with_unit(-2.0, "mm", signed=True)
    ('41.2°', '−2.0 mm')
    """
    return number(value, decimals, signed) + UNITS[unit]


def span(low: float | None, high: float | None, decimals: int = 1, signed: bool = False) -> str:
    """Return two ends as `interval` does, or nothing where one is not known.

    >>> span(None, 2.0)
    ''
    """
    return "" if low is None or high is None else interval(low, high, decimals, signed)


def interval(low: float, high: float, decimals: int = 1, signed: bool = False) -> str:
    """Return the ends of an interval.

    >>> interval(-1.5, 2.5, signed=True)
    '−1.5 to +2.5'
    """
    return f"{number(low, decimals, signed)} to {number(high, decimals, signed)}"


def is_signed(name: str) -> bool:
    """Whether the sign of a quantity carries a direction, so that a plus is worth printing."""
    return name in _SIGNED


_SIGNED = frozenset(
    {
        "leg_length_difference",
        "leg_length_change",
        "femoral_offset_change",
        "stem_alignment",
        "femoral_abduction",
        "pelvic_obliquity",
        "pelvic_rotation",
        "pelvic_rotation_indicator",
        "head_to_cup_lateral",
        "head_to_cup_cranial",
    }
)
