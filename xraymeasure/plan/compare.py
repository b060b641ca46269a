"""Measurements held against a plan: converted to one definition, differenced, judged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from xraymeasure.change.difference import (
    Interval,
    change,
    difference,
    same_measurement,
    why_missing,
)
from xraymeasure.change.jointly import solved_change
from xraymeasure.errors import PlanError
from xraymeasure.measuring.draws import Distribution
from xraymeasure.measuring.helps import Help, what_helps
from xraymeasure.measuring.results import Finding, Measurement, Measurements
from xraymeasure.plan.likely import probability_drawn, probability_within
from xraymeasure.plan.opening import Opening, find_opening, unsettled_reason
from xraymeasure.plan.plan import (
    CupPlan,
    FemurPlan,
    LegLengthPlan,
    Plan,
    Recorded,
    Tolerance,
    format_plan,
    parse_plan,
    read_plan,
)
from xraymeasure.plan.targets import (
    PELVIC_TILT_SD_DEG,
    POSTURE_TILT_SD_DEG,
    certain,
    give_or_take,
    to_film,
)
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import QUANTITIES, Unit
from xraymeasure.vocabulary.wording import UNITS, interval, with_unit

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

__all__ = [
    "PELVIC_TILT_SD_DEG",
    "Comparison",
    "ComparisonRow",
    "CupPlan",
    "FemurPlan",
    "LegLengthPlan",
    "Plan",
    "Recorded",
    "Tolerance",
    "compare",
    "format_plan",
    "parse_plan",
    "read_plan",
]

Verdict = Literal["within", "outside", "undecided"]

LABELS: dict[str, str] = {
    "radiographic_inclination": "Cup inclination",
    "radiographic_anteversion": "Cup anteversion",
    "leg_length_difference": "Leg-length difference",
    "leg_length_change": "Leg-length change",
    "femoral_offset": "Femoral offset",
    "femoral_offset_change": "Femoral-offset change",
    "neck_shaft_angle": "Neck-shaft angle",
}
"""What a person reads for each row of a comparison."""

_CHANGE_OF = {
    "leg_length_change": "leg_length_difference",
    "femoral_offset_change": "femoral_offset",
}
"""What each compared change is a change of."""

WITHHELD = "the verdict is withheld"
"""With what the reason begins where a strong finding forbids a verdict."""
_NO_FILM_BEFORE = "needs the film before the operation"
_NO_TOLERANCE = "no tolerance in the plan"
_NO_NECK_TOLERANCE = "no tolerance is set for it: a turned femur opens the projected angle"


@dataclass(frozen=True)
class ComparisonRow:
    """One planned number beside what was recorded and what the film shows.

    Attributes
    ----------
    name : str
        A key of `LABELS`.
    side : {"left", "right"}
        The index hip.
    unit : str
        ``deg`` or ``mm``.
    planned, recorded, achieved : float or None
        Angles are radiographic, to the film's coronal plane. `achieved` is what the film shows.
    difference, low, high : float or None
        Achieved minus planned, and its 95 % interval.
    tolerance : float or None
        How far from plan is still as planned.
    verdict : {"within", "outside", "undecided"} or None
        ``within`` when the whole interval lies inside the tolerance, ``outside`` when it lies
        wholly outside, else ``undecided``.
    reason : str
        Why a number or the verdict is absent; empty when nothing is.
    method : str or None
        How `achieved` was obtained, a key of `METHODS`.
    achieved_low, achieved_high : float or None
        The 95 % interval of `achieved`.
    probability : float or None
        That the true difference lies inside the tolerance.
    helps : tuple of Help
        What would narrow an undecided row, the most helpful thing first; see `with_helps`.
    recorded_low, recorded_high : float or None
        The 95 % interval of `recorded`, where the plan states its spread.
    """

    name: str
    side: Side
    unit: Unit
    planned: float | None
    recorded: float | None
    achieved: float | None
    difference: float | None
    low: float | None
    high: float | None
    tolerance: float | None
    verdict: Verdict | None
    reason: str
    method: str | None
    achieved_low: float | None = None
    achieved_high: float | None = None
    probability: float | None = None
    helps: tuple[Help, ...] = ()
    recorded_low: float | None = None
    recorded_high: float | None = None

    @property
    def withheld(self) -> bool:
        """Whether a strong finding forbids the verdict."""
        return self.verdict is not None and self.reason.startswith(WITHHELD)


@dataclass(frozen=True)
class Comparison:
    """A film held against its plan.

    Attributes
    ----------
    rows : tuple of ComparisonRow
        In the order of `LABELS`.
    notes : tuple of str
        Every conversion and assumption, as sentences.
    """

    rows: tuple[ComparisonRow, ...]
    notes: tuple[str, ...]

    def row(self, name: str) -> ComparisonRow | None:
        """Return the row of a name, or None if nothing of it was planned or measured."""
        return next((row for row in self.rows if row.name == name), None)


def _check_same_operation(plan: Plan, measurements: Measurements) -> None:
    """Refuse a plan that cannot be of the operation that the film shows.

    The side, the diameters of head and cup, and the stem's neck-shaft angle are facts, not
    targets: where plan and reading both state one they must state the same.
    """
    side, known = measurements.operated_side, measurements.known
    if plan.operated_side != side:
        raise PlanError(
            f"operated_side: the plan says {plan.operated_side} and the reading says {side}; "
            "correct the one that is wrong"
        )
    for key, planned, entered in (
        ("femur.head_diameter_mm", plan.femur.head_diameter_mm, known.head_diameter_mm),
        ("cup.outer_diameter_mm", plan.cup.outer_diameter_mm, known.cup_diameter_mm),
        ("femur.neck_shaft_angle_deg", plan.femur.neck_shaft_angle_deg, known.neck_shaft_angle_deg),
    ):
        if planned is not None and entered is not None and not math.isclose(planned, entered):
            raise PlanError(
                f"{key}: the plan says {planned:g} and the reading says {entered:g}; "
                "correct the one that is wrong"
            )


def compare(
    measurements: Measurements, plan: Plan, before: Measurements | None = None
) -> Comparison:
    """Hold what a film shows against the plan.

    Parameters
    ----------
    measurements : Measurements
        Of the film after the operation; each name's primary method is taken.
    plan : Plan
    before : Measurements, optional
        Of the film before the operation, for planned and recorded changes.

    Returns
    -------
    Comparison
        Angles planned or recorded in another definition, or to the anterior pelvic plane, are
        converted to radiographic angles in the film's coronal plane first; the notes say so. A
        stated pelvic tilt is uncertain by `PELVIC_TILT_SD_DEG`, which widens the interval.

    Raises
    ------
    PlanError
        If the plan contradicts the side or the known sizes of the reading, or its angles cannot
        be converted.

    See Also
    --------
    examine : Measures and compares at once.

    Examples
    --------
    >>> from xraymeasure.measuring.measure import measure
    >>> from xraymeasure.samples import sample
    >>> film, reading, plan = sample("off_plan_cup")
    >>> found = compare(measure(film, reading, draws=0), plan)
    >>> found.row("radiographic_inclination").verdict
    'outside'
    """
    _check_same_operation(plan, measurements)
    other_posture = _posture_note(measurements, plan)
    tilt = plan.cup.pelvic_tilt_deg
    planned, planned_note = to_film(
        plan.cup, tilt, "Planned", POSTURE_TILT_SD_DEG if other_posture else 0.0
    )
    recorded, recorded_note = to_film(plan.recorded, tilt, "Recorded")
    recorded = {
        name: give_or_take(value, plan.recorded.angle_sd_deg) for name, value in recorded.items()
    }
    tolerance = plan.tolerance
    of_theatre = recorded["anteversion"]
    if of_theatre is not None and plan.recorded.angle_sd_deg is None:
        of_theatre = certain(of_theatre[0])
    opening = find_opening(measurements, of_theatre, before)
    rows = [
        _cup_row(
            measurements, f"radiographic_{name}", planned[name], recorded[name], limit, opening
        )
        for name, limit in (
            ("inclination", tolerance.inclination_deg),
            ("anteversion", tolerance.anteversion_deg),
        )
    ]
    for name, target, recorded_change, planned_change, limit in (
        (
            "leg_length_difference",
            plan.leg_length.difference_mm,
            plan.recorded.leg_length_change_mm,
            plan.leg_length.change_mm,
            tolerance.leg_length_mm,
        ),
        (
            "femoral_offset",
            plan.femur.offset_mm,
            plan.recorded.offset_change_mm,
            plan.femur.offset_change_mm,
            tolerance.offset_mm,
        ),
    ):
        rows.append(_row(measurements, name, certain(target), None, limit))
        if before is not None or planned_change is not None or recorded_change is not None:
            rows.append(
                _row_of_change(
                    measurements,
                    before,
                    name,
                    planned_change,
                    give_or_take(certain(recorded_change), plan.recorded.length_sd_mm),
                    limit,
                )
            )
    if plan.femur.neck_shaft_angle_deg is not None:
        planned_neck = certain(plan.femur.neck_shaft_angle_deg)
        row = _row(measurements, "neck_shaft_angle", planned_neck, None, None)
        rows.append(row if row.achieved is None else replace(row, reason=_NO_NECK_TOLERANCE))
    notes = [planned_note, recorded_note, other_posture]
    notes += [_opening_note(opening), _cup_note(measurements, plan)]
    notes += [_recorded_note(row) for row in rows]
    if any(row.achieved is not None and row.name == "leg_length_change" for row in rows):
        notes.append(
            "The change of leg length is that of the difference between the sides; the other leg "
            "is taken as unchanged between the two films."
        )
    findings = measurements.findings
    return Comparison(
        tuple(_withheld(row, findings) for row in rows), tuple(note for note in notes if note)
    )


def _withheld(row: ComparisonRow, findings: Sequence[Finding]) -> ComparisonRow:
    """Return a row without its verdict where a strong finding touches what it compares."""
    if row.verdict is None:
        return row
    measured = _CHANGE_OF.get(row.name, row.name)
    for finding in findings:
        touches = not finding.touches or {measured, row.name} & set(finding.touches)
        if finding.severity == "strong" and touches:
            why = f"{WITHHELD}: {finding.code.replace('_', ' ')}"
            return replace(row, verdict="undecided", reason=why)
    return row


def _posture_note(measurements: Measurements, plan: Plan) -> str:
    """Return what there is to say where plan and film are of different postures."""
    if plan.posture is None or measurements.posture in (None, plan.posture):
        return ""
    return (
        f"The plan was made {plan.posture} and the film was taken {measurements.posture}: between "
        "the two the pelvis tips, so that the planned angles of the cup are uncertain by "
        f"{POSTURE_TILT_SD_DEG:g} degrees of tilt (one standard deviation) on this film."
    )


def _recorded_note(row: ComparisonRow) -> str:
    """Return how far the film is from what was recorded, where that has an interval."""
    if row.recorded is None or row.recorded_low is None or row.recorded_high is None:
        return ""
    if row.achieved is None or row.achieved_low is None or row.achieved_high is None:
        return ""
    gap, low, high = difference(
        (row.achieved, row.achieved_low, row.achieved_high),
        (row.recorded, row.recorded_low, row.recorded_high),
    )
    return (
        f"{LABELS[row.name]}, measured less recorded: {with_unit(gap, row.unit, 1, signed=True)} "
        f"(95 % {interval(low, high, 1, signed=True)})."
    )


def _cup_row(
    measurements: Measurements,
    name: str,
    planned: Interval | None,
    recorded: Interval | None,
    tolerance: float | None,
    opening: Opening | None,
) -> ComparisonRow:
    """Return the row of a cup's angle, undecided where the other cup would be judged otherwise."""
    side = measurements.operated_side
    if opening is None:
        return _row(measurements, name, planned, recorded, tolerance)
    row, other = (
        _row(
            measurements,
            name,
            planned,
            recorded,
            tolerance,
            measurements.by_method(name, method, side),
        )
        for method in (opening.method, opening.other_method)
    )
    if opening.settled_by or row.verdict == other.verdict or other.achieved is None:
        return row
    reason = unsettled_reason(opening, str(row.verdict), str(other.verdict), other.achieved)
    return replace(row, verdict="undecided", reason=reason)


def _cup_note(measurements: Measurements, plan: Plan) -> str:
    """Return what there is to say where the cup on the film is not the planned one."""
    planned, found = plan.cup.outer_diameter_mm, measurements.primary("cup_diameter")
    if planned is None or found is None or found.low <= planned <= found.high:
        return ""
    return (
        f"The cup's outline is {found.value:.1f} mm across ({found.low:.1f} to {found.high:.1f}) "
        f"and the plan says {planned:g} mm: it is another cup, or the head is not as entered."
    )


def _opening_note(opening: Opening | None) -> str:
    if opening is None:
        return ""
    if opening.settled_by:
        return f"The cup opens {opening.opens}, by {opening.settled_by}."
    why = f": {opening.remark}" if opening.remark else ""
    return (
        f"Whether the cup opens anteriorly is not settled{why}; a verdict stands only where it "
        "holds for both cups that cast this outline. The reader's answer (cup_opens, from a "
        "lateral film or the operation note) or an anteversion recorded in theatre settles it."
    )


def _row(
    measurements: Measurements,
    name: str,
    planned: Interval | None,
    recorded: Interval | None,
    tolerance: float | None,
    found: Measurement | None = None,
) -> ComparisonRow:
    found = found or measurements.primary(name)
    return _judged(
        measurements.operated_side,
        name,
        planned,
        recorded,
        (found.value, found.low, found.high) if found else why_missing(measurements, name),
        found.method if found else None,
        tolerance,
        measurements.distributions.get((name, found.side, found.method)) if found else None,
    )


def _row_of_change(
    after: Measurements,
    before: Measurements | None,
    name: str,
    planned: float | None,
    recorded: Interval | None,
    tolerance: float | None,
) -> ComparisonRow:
    method = None
    changed: Interval | str = _NO_FILM_BEFORE
    if before is not None:
        pair = same_measurement(after, before, name, after.operated_side)
        if isinstance(pair, str):
            changed = pair
        else:
            later, earlier = pair
            key = (name, later.side, later.method)
            changed = solved_change(after.linear, before.linear, key) or change(later, earlier)
            method = later.method
    return _judged(
        after.operated_side,
        {"leg_length_difference": "leg_length_change"}.get(name, f"{name}_change"),
        certain(planned),
        recorded,
        changed,
        method,
        tolerance,
    )


def _judged(
    side: Side,
    name: str,
    planned: Interval | None,
    recorded: Interval | None,
    achieved: Interval | str,
    method: str | None,
    tolerance: float | None,
    drawn: Distribution | None = None,
) -> ComparisonRow:
    gap = low = high = verdict = probability = None
    unit: Unit = "mm" if name.startswith(("leg_length", "femoral_offset")) else "deg"
    reasons = [] if planned is not None else ["not planned"]
    if isinstance(achieved, str):
        reasons.append(achieved)
    elif planned is not None:
        gap, low, high = difference(achieved, planned)
        if tolerance is None:
            reasons.append(_NO_TOLERANCE)
        else:
            verdict = _verdict(low, high, tolerance)
            probability = (
                probability_within((gap, low, high), tolerance)
                if drawn is None
                else probability_drawn(drawn, planned, tolerance)
            )
            if verdict == "undecided":
                reasons.append(f"{probability:.0%} likely within")
            if verdict == "undecided" and high - low > 2.0 * tolerance:
                reasons.append(f"this film cannot decide ± {tolerance:g}{UNITS[unit]}")
    shown, shown_low, shown_high = (None,) * 3 if isinstance(achieved, str) else achieved
    return ComparisonRow(
        name=name,
        side=side,
        unit=unit,
        planned=None if planned is None else planned[0],
        recorded=None if recorded is None else recorded[0],
        achieved=shown,
        difference=gap,
        low=low,
        high=high,
        tolerance=tolerance,
        verdict=verdict,
        reason="; ".join(reasons),
        method=method,
        achieved_low=shown_low,
        achieved_high=shown_high,
        probability=probability,
        recorded_low=None if recorded is None or recorded[1] == recorded[2] else recorded[1],
        recorded_high=None if recorded is None or recorded[1] == recorded[2] else recorded[2],
    )


def with_helps(comparison: Comparison, film: Film, reading: Reading) -> Comparison:
    """Return a comparison whose undecided rows say what one more thing would narrow them most.

    Parameters
    ----------
    comparison : Comparison
    film : Film
    reading : Reading
        Of the film that was compared.
    """
    rows = []
    for row in comparison.rows:
        # An interval that is itself decided waits for an answer, not for a narrower one.
        if row.name in QUANTITIES and _undecided_by_width(row):
            helps = what_helps(film, reading, row.name, row.side)
            said = [row.reason, _said(row.unit, helps)]
            row = replace(row, helps=helps, reason="; ".join(filter(None, said)))
        rows.append(row)
    return replace(comparison, rows=tuple(rows))


def _undecided_by_width(row: ComparisonRow) -> bool:
    if row.verdict != "undecided" or row.low is None or row.high is None or row.tolerance is None:
        return False
    if row.withheld:  # what is in doubt is not the width
        return False
    return _verdict(row.low, row.high, row.tolerance) == "undecided"


def _said(unit: Unit, helps: tuple[Help, ...]) -> str:
    if not helps:
        return ""
    best = helps[0]
    return f"narrowed most with {best.thing}: to ± {with_unit(best.half_width, unit, 1)}"


def _verdict(low: float, high: float, tolerance: float) -> Verdict:
    if -tolerance <= low and high <= tolerance:
        return "within"
    return "outside" if low > tolerance or high < -tolerance else "undecided"
