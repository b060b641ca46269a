"""The numbers beside the film: measured anew from the reading after every edit and every move.

The same call as the command line's makes them, so that a saved reading gives the numbers that
were shown. During a drag the intervals are first-order; once the button is let go they are those
of the command line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.film import Film
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.results import Measurement, Measurements
from xraymeasure.plan.compare import Comparison, Plan, compare
from xraymeasure.reading.reading import Reading

DRAWS = 10_000
"""Draws of the intervals that stay; `measure`'s own default."""


@dataclass(frozen=True)
class Numbers:
    """What a reading gives.

    Attributes
    ----------
    measurements : Measurements or None
        None where nothing can be measured yet.
    comparison : Comparison or None
        None without a plan, or where plan and reading contradict each other.
    problem : str
        What stands in the way of measuring, empty where nothing does.
    plan_problem : str
        Why the plan cannot be held against this reading.
    final : bool
        Whether the intervals are those that the command line gives.
    """

    measurements: Measurements | None = None
    comparison: Comparison | None = None
    problem: str = ""
    plan_problem: str = ""
    final: bool = False


def numbers(
    film: Film,
    reading: Reading,
    plan: Plan | None = None,
    before: Measurements | None = None,
    *,
    final: bool,
) -> Numbers:
    """Measure the complete part of a reading and hold it against the plan.

    Parameters
    ----------
    film, reading, plan, before
        As for `measure` and `compare`.
    final : bool
        Whether to draw for the intervals as the command line does, or to keep up with a drag.
    """
    complete = reading.complete_part()
    if not any(complete.landmarks.values()):
        return Numbers(final=final)
    try:
        measured = measure(film, complete, draws=DRAWS if final else 0)
    except XrayMeasureError as error:
        return Numbers(problem=str(error), final=final)
    if plan is None:
        return Numbers(measured, final=final)
    try:
        comparison = compare(measured, plan, before)
    except XrayMeasureError as error:
        return Numbers(measured, plan_problem=str(error), final=final)
    return Numbers(measured, comparison, final=final)


MAIN: tuple[str, ...] = (
    "radiographic_inclination",
    "radiographic_anteversion",
    "leg_length_difference",
    "femoral_offset",
    "global_offset",
    "acetabular_offset",
    "hip_centre_height",
    "hip_centre_lateral",
    "magnification",
)
"""The numbers that are always listed, measured or not."""


@dataclass(frozen=True)
class NumberRow:
    """One line of the table of numbers: measured, or the reason why not."""

    name: str
    side: Literal["left", "right"] | None
    measurement: Measurement | None
    reason: str = ""


def number_rows(result: Numbers, reading: Reading) -> list[NumberRow]:
    """Return the lines of the table: the index hip's main numbers, then the other primary ones."""
    measured = result.measurements
    if measured is None:
        reason = result.problem or "nothing is placed yet"
        return [NumberRow(name, None, None, reason) for name in MAIN]
    rows, listed = [], set()
    for name in MAIN:
        row = measured.primary(name)
        if row:
            rows.append(NumberRow(name, row.side, row))
            listed.add((name, row.side))
        else:
            rows.append(NumberRow(name, None, None, measured.why_missing(name) or ""))
    rows += [
        NumberRow(row.name, row.side, row)
        for row in measured.rows
        if row.primary and (row.name, row.side) not in listed
    ]
    return rows
