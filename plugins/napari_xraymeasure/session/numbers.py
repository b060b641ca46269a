"""The numbers beside the film: measured anew from the reading after every edit and every move.

The same call as the command line's makes them, so that a saved reading gives the numbers that
were shown. During a drag the intervals are first-order, and the warnings those from before it; once
the button is let go both are those of the command line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from xraymeasure.change.result import Changes
from xraymeasure.errors import PlanError, XrayMeasureError
from xraymeasure.examination import Examination, examine
from xraymeasure.film.film import Film
from xraymeasure.measuring.measure import DRAWS
from xraymeasure.measuring.results import Finding, Measurement, Measurements
from xraymeasure.plan.compare import LABELS, Comparison, ComparisonRow
from xraymeasure.plan.plan import Plan
from xraymeasure.reading.reading import Reading
from xraymeasure.report.text import comparison_text, measurements_text
from xraymeasure.vocabulary.landmarks import Side, other_side
from xraymeasure.vocabulary.quantities import QUANTITIES


@dataclass(frozen=True)
class Numbers:
    """What a reading gives.

    Attributes
    ----------
    found : Examination or None
        None where nothing can be measured yet.
    problem : str
        What stands in the way of measuring, empty where nothing does.
    plan_problem : str
        Why the plan cannot be held against this reading.
    final : bool
        Whether the intervals are those that the command line gives.
    """

    found: Examination | None = None
    problem: str = ""
    plan_problem: str = ""
    final: bool = False

    @property
    def measurements(self) -> Measurements | None:
        """The numbers."""
        return self.found.measurements if self.found else None

    @property
    def comparison(self) -> Comparison | None:
        """How they stand against the plan; None without one, or where both contradict."""
        return self.found.comparison if self.found else None

    @property
    def changes(self) -> Changes | None:
        """What changed since the film before the operation; None without one."""
        return self.found.changes if self.found else None


def numbers(
    film: Film,
    reading: Reading,
    plan: Plan | None = None,
    before: Examination | None = None,
    *,
    final: bool,
    findings: Sequence[Finding] | None = None,
) -> Numbers:
    """Measure the complete part of a reading and hold it against the plan.

    Parameters
    ----------
    film, reading, plan, before
        As for `examine`.
    final : bool
        Whether to draw for the intervals as the command line does, or to keep up with a drag.
    findings : sequence of Finding, optional
        What was found before the drag, and stands until it ends.
    """
    complete = reading.complete_part()
    if not any(complete.landmarks.values()):
        return Numbers(final=final)
    draws = DRAWS if final else 0
    try:
        found = examine(film, complete, plan, before, draws=draws, helps=final, findings=findings)
    except PlanError as error:
        alone = numbers(film, reading, None, before, final=final, findings=findings)
        return replace(alone, plan_problem=str(error))
    except XrayMeasureError as error:
        return Numbers(problem=str(error), final=final)
    return Numbers(found, final=final)


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


CONVERTED: tuple[str, ...] = tuple(
    f"{definition}_{angle}"
    for definition in ("operative", "anatomical")
    for angle in ("inclination", "anteversion")
)
"""Other definitions of the same two angles."""

Key = tuple[str, Side | None]


@dataclass(frozen=True)
class NumberRow:
    """One line of the table of numbers: measured, or the reason why not.

    Attributes
    ----------
    name, side
        Which number; the name is one of `QUANTITIES`, or of a change in `LABELS`.
    measurement : Measurement or None
        What was measured.
    reason : str
        Why it was not.
    compared : ComparisonRow or None
        How it stands against the plan.
    findings : tuple of Finding
        The warnings that bear on it.
    """

    name: str
    side: Side | None
    measurement: Measurement | None
    reason: str = ""
    compared: ComparisonRow | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def key(self) -> Key:
        """What stays the same while the number changes."""
        return self.name, self.side

    @property
    def label(self) -> str:
        """What a person reads."""
        return QUANTITIES[self.name].label if self.name in QUANTITIES else LABELS[self.name]


@dataclass(frozen=True)
class Group:
    """Lines of the table that belong together, under a heading."""

    title: str
    rows: tuple[NumberRow, ...]


def number_groups(
    result: Numbers, reading: Reading, *, side_known: bool = True
) -> tuple[Group, ...]:
    """Return the lines of the table: this hip, the other one, the film, other definitions.

    What is compared with the plan comes first.
    """
    index = reading.operated_side
    other = other_side(index)
    measured = result.measurements
    if measured is None:
        reason = result.problem or "nothing is placed yet"
        of_film = {"magnification"}
        return (
            Group(
                f"{index} hip" if side_known else "the hip under review",
                tuple(NumberRow(name, index, None, reason) for name in MAIN if name not in of_film),
            ),
        )
    compared = {
        row.name: row
        for row in (result.comparison.rows if result.comparison else ())
        if row.planned is not None
    }
    names = [*compared, *(name for name in MAIN if name not in compared)]
    primary = {(row.name, row.side): row for row in measured.rows if row.primary}
    names += [
        name
        for name, side in primary
        if side == index and name not in names and name not in CONVERTED
    ]
    here = [
        _row(result, name, index, primary.pop((name, index), None), compared.get(name))
        for name in names
        if (name, None) not in primary
    ]
    groups = [
        Group(f"{index} hip, against the plan" if compared else f"{index} hip", tuple(here)),
        Group(f"{other} hip", _rows_of(result, primary, other)),
        Group("checks of the film", _rows_of(result, primary, None)),
        Group(
            f"{index} hip, the angles in other definitions",
            tuple(
                _row(result, name, index, primary[name, index])
                for name in CONVERTED
                if (name, index) in primary
            ),
        ),
    ]
    return tuple(group for group in groups if group.rows)


def _rows_of(result: Numbers, primary: dict[Key, Measurement], side: Side | None):
    return tuple(
        _row(result, name, side, row)
        for (name, whose), row in primary.items()
        if whose == side and name not in CONVERTED
    )


def _row(
    result: Numbers,
    name: str,
    side: Side | None,
    measurement: Measurement | None,
    compared: ComparisonRow | None = None,
) -> NumberRow:
    measured = result.measurements
    reason = ""
    if measurement is None:
        reason = measured.why_missing(name, side) or measured.why_missing(name) or ""
        reason = reason or (compared.reason if compared else "")
    return NumberRow(name, side, measurement, reason, compared, findings_of(result, name))


def findings_of(result: Numbers, name: str) -> tuple[Finding, ...]:
    """Return the warnings that bear on a number, the loudest first; notes are left out."""
    found = result.measurements.findings if result.measurements else ()
    loud = [f for f in found if f.severity != "note" and (not f.touches or name in f.touches)]
    return tuple(sorted(loud, key=lambda finding: finding.severity != "strong"))


def row_of(result: Numbers, reading: Reading, key: Key) -> NumberRow | None:
    """Return the present line of a number, None where there is none any more."""
    rows = (row for group in number_groups(result, reading) for row in group.rows)
    return next((row for row in rows if row.key == key), None)


def numbers_text(result: Numbers) -> str:
    """Return the numbers as plain text for the notes, as the command line prints them."""
    parts = [comparison_text(result.comparison)] if result.comparison else []
    if result.measurements:
        parts.append(measurements_text(result.measurements))
    return "\n\n".join(parts)
