"""Measurements held against a plan: converted to one definition, differenced, judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from xraymeasure.change.difference import (
    Interval,
    change,
    difference,
    same_measurement,
    why_missing,
)
from xraymeasure.change.jointly import solved_change
from xraymeasure.errors import PlanError
from xraymeasure.measuring.results import Finding, Measurement, Measurements
from xraymeasure.plan.opening import Opening, find_opening, unsettled_reason
from xraymeasure.plan.plan import (
    STATED,
    CupPlan,
    FemurPlan,
    LegLengthPlan,
    Plan,
    Recorded,
    Tolerance,
    format_plan,
    other_sizes,
    parse_plan,
    planned_and_used,
    read_plan,
)
from xraymeasure.plan.rows import LABELS, WITHHELD, Comparison, ComparisonRow, Verdict, judged
from xraymeasure.plan.targets import (
    PELVIC_TILT_SD_DEG,
    POSTURE_TILT_SD_DEG,
    certain,
    give_or_take,
    to_film,
)
from xraymeasure.vocabulary.wording import interval, is_signed, with_unit

__all__ = [
    "LABELS",
    "PELVIC_TILT_SD_DEG",
    "WITHHELD",
    "Comparison",
    "ComparisonRow",
    "CupPlan",
    "FemurPlan",
    "LegLengthPlan",
    "Plan",
    "Recorded",
    "Tolerance",
    "Verdict",
    "compare",
    "format_plan",
    "parse_plan",
    "read_plan",
]

_CHANGE_OF = {
    "leg_length_change": "leg_length_difference",
    "femoral_offset_change": "femoral_offset",
}
"""What each compared change is a change of."""

_NO_FILM_BEFORE = "needs the film before the operation"
_AS_PLANNED = "the cup's outline is that of the planned size"
_ANOTHER_CUP = (
    "it is another cup than planned, or the head is not as entered and every length is wrong: "
    "look both up in the operation note"
)
_NO_NECK_TOLERANCE = "no tolerance is set for it: a turned femur opens the projected angle"


def _sizes_used(plan: Plan, measurements: Measurements, not_as_planned: Sequence[str]) -> list[str]:
    """Refuse a plan that cannot be of the operation that the film shows.

    The side, the diameters of head and cup, and the stem's neck-shaft angle are facts, not
    targets: where plan and reading both state one they must state the same, unless the reader
    confirmed that another was used; that is what is returned, in words.
    """
    side, used = measurements.operated_side, []
    if plan.operated_side != side:
        raise PlanError(
            f"operated_side: the plan says {plan.operated_side} and the reading says {side}; "
            "correct the one that is wrong"
        )
    for name, (planned, entered) in other_sizes(plan, measurements.known).items():
        section, key, _ = STATED[name]
        if name not in not_as_planned:
            raise PlanError(
                f"{section}.{key}: the plan says {planned:g} and the reading says {entered:g}; "
                f"correct the one that is wrong, or if another was used than planned, have the "
                f"reader confirm it (not_as_planned: {name})"
            )
        used.append(f"{planned_and_used(name, planned, entered)}.")
    return used


def compare(
    measurements: Measurements,
    plan: Plan,
    before: Measurements | None = None,
    not_as_planned: Sequence[str] = (),
) -> Comparison:
    """Hold what a film shows against the plan.

    Parameters
    ----------
    measurements : Measurements
        Of the film after the operation; each name's primary method is taken.
    plan : Plan
    before : Measurements, optional
        Of the film before the operation, for planned and recorded changes.
    not_as_planned : sequence of str
        The reading's keys of sizes of which the reader confirmed that another was used than
        planned; see `Reading`.

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
    used = _sizes_used(plan, measurements, not_as_planned)
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
    if "cup_diameter_mm" not in not_as_planned:
        rows = _with_cup_size(rows, measurements, plan)
    notes = [*used, planned_note, recorded_note, other_posture]
    notes += [_opening_note(opening)]
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


def _with_cup_size(
    rows: list[ComparisonRow], measurements: Measurements, plan: Plan
) -> list[ComparisonRow]:
    """Return the rows with that of the cup's size, and what it means for lengths if it is another.

    Head and cup are measured by one scale: either another cup than the planned one stands on the
    film, or the head, which every length rests on, is not as entered.
    """
    planned = plan.cup.outer_diameter_mm
    if planned is None or measurements.primary("cup_diameter") is None:
        return rows
    row = _row(measurements, "cup_diameter", certain(planned), None, None)
    if row.achieved is None or row.low is None or row.high is None or row.low <= 0.0 <= row.high:
        return [*rows, replace(row, reason=_AS_PLANNED)]
    said = []
    for each in rows:
        if each.name in _CHANGE_OF.values() and each.achieved is not None:
            size = each.achieved * planned / row.achieved
            otherwise = with_unit(size, "mm", 1, signed=is_signed(each.name))
            why = f"{otherwise} if the cup is as planned and the head is not as entered"
            each = replace(each, reason="; ".join(filter(None, (each.reason, why))))
        said.append(each)
    return [*said, replace(row, reason=_ANOTHER_CUP)]


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
    return judged(
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
    return judged(
        after.operated_side,
        {"leg_length_difference": "leg_length_change"}.get(name, f"{name}_change"),
        certain(planned),
        recorded,
        changed,
        method,
        tolerance,
    )
