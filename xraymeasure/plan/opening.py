"""Which of the two cups that cast one outline is meant, and a verdict that must hold for both.

One AP film does not show whether a cup opens anteriorly. What settles it comes from outside the
film: the reader's answer (from a lateral film, an operation note), what was recorded in theatre,
an earlier film of the same cup on which it was settled, or what a study states of all its cups.
"""

from __future__ import annotations

from dataclasses import dataclass

from xraymeasure.change.difference import Interval, difference
from xraymeasure.measuring.results import Measurement, Measurements

ANTEVERSION = "radiographic_anteversion"

RECORDED_WITHIN_DEG = 10.0
"""An anteversion from theatre or an earlier film speaks for a position of the cup that lies within
this of it, if the other does not. Working default: twice a spread of 5 degrees by hand."""


@dataclass(frozen=True)
class Opening:
    """The two cups of one outline, and what tells them apart.

    Attributes
    ----------
    method, other_method : str
        Of the rows of the cup that is meant, and of the other one.
    settled_by : str or None
        What settled it, as the end of a sentence; None where nothing did.
    opens : str
        How the cup that is meant opens.
    remark : str
        Why an answer that was given does not settle it; empty otherwise.
    """

    method: str
    other_method: str
    settled_by: str | None
    opens: str
    remark: str = ""


def find_opening(
    measurements: Measurements, recorded: Interval | None, before: Measurements | None
) -> Opening | None:
    """Return what is known of the index cup's opening; None where one cup alone was measured.

    Parameters
    ----------
    measurements : Measurements
    recorded : (value, low, high) or None
        Radiographic anteversion to the film's plane as recorded in theatre; where it has an
        interval, that counts instead of `RECORDED_WITHIN_DEG`.
    before : Measurements or None
        An earlier film, which may show the same cup.
    """
    chosen, other = _both(measurements)
    if chosen is None or other is None:
        return None
    one_side = chosen.value * other.value > 0.0
    ways = ("toward the tube", "away from it") if one_side else ("anteriorly", "posteriorly")
    if chosen.value < other.value:
        ways = ways[::-1]
    remark = ""
    stated = measurements.cup_opening.get(measurements.operated_side)
    if stated:
        if not one_side:
            return Opening(chosen.method, other.method, stated, ways[0])
        remark = "both positions that cast this outline open to the same side"
    for witness, name in (
        (recorded, "the anteversion recorded in theatre"),
        (_settled_anteversion(before), "an earlier film of the same cup"),
    ):
        if witness is None:
            continue
        fits, other_fits = (_speaks_for(witness, row) for row in (chosen, other))
        if fits != other_fits:
            said = f"{name} ({_degrees(witness[0])})"
            if fits:
                return Opening(chosen.method, other.method, said, ways[0])
            return Opening(other.method, chosen.method, said, ways[1])
    return Opening(chosen.method, other.method, None, ways[0], remark)


def _both(measurements: Measurements) -> tuple[Measurement | None, Measurement | None]:
    return (
        measurements.primary(ANTEVERSION, measurements.operated_side),
        measurements.by_method(ANTEVERSION, "perspective_other", measurements.operated_side),
    )


def _speaks_for(witness: Interval, row: Measurement) -> bool:
    """Whether an anteversion from elsewhere lies where one position of the cup has it."""
    if witness[1] == witness[2]:
        return abs(witness[0] - row.value) <= RECORDED_WITHIN_DEG
    _, low, high = difference((row.value, row.low, row.high), witness)
    return low <= 0.0 <= high


def _settled_anteversion(before: Measurements | None) -> Interval | None:
    """Return the anteversion of a cup on an earlier film whose opening was settled there."""
    if before is None or not before.cup_opening.get(before.operated_side):
        return None
    chosen, other = _both(before)
    if chosen is None or other is None or chosen.value * other.value > 0.0:
        return None
    return chosen.value, chosen.value, chosen.value


def unsettled_reason(opening: Opening, verdict: str, otherwise: str, other_achieved: float) -> str:
    """Return why a verdict that holds for one of the two cups only is undecided."""
    both = f"{verdict} only if the cup opens {opening.opens}"
    if verdict == "undecided":
        both = f"undecided if the cup opens {opening.opens}"
    reason = f"{both}; otherwise {_degrees(other_achieved)}, {otherwise}"
    if opening.remark:
        return f"{reason} ({opening.remark})"
    return reason


def _degrees(angle: float) -> str:
    return f"{angle:.1f}\N{DEGREE SIGN}".replace("-", "\N{MINUS SIGN}")
