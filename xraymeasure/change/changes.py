"""What changed in one hip between two films: migration, subsidence, penetration, offsets.

Each number is in the mm of its own film, whose scale comes from the known head; a change is the
later minus the earlier one. Three things make its interval:

* the intervals of both measurements, taken as independent. What both films share (the height of
  the patient's landmarks above the hip, the head's true diameter) cancels in a difference but is
  counted twice here, so the interval is rather too wide than too narrow.
* the pelvis lay differently: by how much is an input with its spread, and what the films tell of it
  is used (`xraymeasure.change.position`). It turns the cup, which is corrected, and moves whatever
  does not lie in one plane, which widens the interval.
* flexion of the femur, which a frontal film does not show, for what is measured along it, and
  that the same bony point is not quite the same piece of bone on a film where it lies differently.

What is not in it: that a landmark is mistaken for another one on one of the films.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from xraymeasure.change.difference import change, difference, same_measurement
from xraymeasure.change.head_in_cup import of_cup, penetration
from xraymeasure.change.jointly import solved_change
from xraymeasure.change.kinds import BEFORE_AFTER, FOLLOW_UP, KINDS
from xraymeasure.change.position import Position, position_between
from xraymeasure.change.positioning import Comparable, Visit, compare_films
from xraymeasure.change.result import Change, Changes
from xraymeasure.change.verdicts import ERROR, judged
from xraymeasure.measuring.inputs import DEPTH_MM
from xraymeasure.measuring.results import Measurement, Measurements
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.vocabulary.landmarks import lateral_sign

FEMORAL_FLEXION_U_DEG = 3.0
"""Spread of the difference in flexion of a femur between two films. Working default, no source."""

SAME_POINT_U_MM = 0.3
"""Spread with which a rounded bony point, were it placed perfectly, is another point of the bone
on a film where the patient lies differently. Working default, no source."""

FEMORAL_ROTATION_U_DEG = 6.0
"""Spread of the rotation of a femur between two films. Working default, no source."""

FEMORAL_ROTATION_DEG = 10.0
"""About how far a neck is turned out of the film's plane. Working default, no source."""


def before_after(after: Measurements, before: Measurements) -> Changes:
    """Return how leg length, offsets and hip centre changed from a film before the operation.

    The native head gives the scale of the film before, or whatever else is on it. No verdict is
    given: an operation changes them by intent, and the plan says by how much.

    Parameters
    ----------
    after, before : Measurements
        Of the films after and before; the side is the index side after.
    """
    position = position_between(after, before)
    rows, missing = _simple(BEFORE_AFTER, after, before, position)
    comparability = compare_films(Visit(0.0, after), Visit(0.0, before))
    return Changes(rows, missing, comparability, position)


def changes_between(
    after: Visit, before: Visit, limits: Comparable | None = None, *, error: float = ERROR
) -> Changes:
    """Return what changed in a replaced hip between two films of its follow-up, judged.

    Parameters
    ----------
    after, before : Visit
        The later and the earlier film of one hip.
    limits : Comparable, optional
        From where on a difference in position is pointed out.
    error : float
        Chance of any flag on an unmoved hip; where a hip has several pairs, the share of this one.
    """
    position = position_between(
        after.measurements,
        before.measurements,
        other_posture=None not in (after.posture, before.posture)
        and after.posture != before.posture,
    )
    rows, missing = _simple(FOLLOW_UP, after.measurements, before.measurements, position)
    found = {row.name: row for row in rows}
    vector, why = penetration(after, before)
    for row in vector:
        found[row.name] = row
    if why:
        missing["head_penetration"] = why
    for name in ("cup_migration_cranial", "cup_migration_lateral"):
        if name not in found:
            continue
        if why:
            del found[name]
            missing[name] = why
        else:
            found[name] = of_cup(found[name], after, before)
    years = after.years - before.years
    comparability = compare_films(after, before, limits)
    rows = tuple(_timed(found[name], years) for name in KINDS if name in found)
    return Changes(judged(rows, comparability, error), missing, comparability, position)


def _simple(
    names: Sequence[str], after: Measurements, before: Measurements, position: Position
) -> tuple[tuple[Change, ...], dict[str, str]]:
    """Return the changes that are the difference of one measurement."""
    side = after.operated_side
    rows, missing = [], {}
    for name in names:
        kind = KINDS[name]
        pair = same_measurement(after, before, kind.quantity, side)
        if isinstance(pair, str):
            missing[name] = pair
            continue
        later, earlier = pair
        key = (later.name, later.side, later.method)
        solved = solved_change(after.linear, before.linear, key)
        # What is solved in space has the posture of the femurs on both films in its interval.
        shift, allowance = (0.0, 0.0) if solved else _moved_by(name, later, after, position)
        if kind.unit == "mm":
            allowance = math.hypot(allowance, SAME_POINT_U_MM)
        spread = COVERAGE * allowance
        value, low, high = difference(
            solved or change(later, earlier), (shift, shift - spread, shift + spread)
        )
        rows.append(
            Change(
                name,
                side,
                kind.unit,
                value,
                low,
                high,
                earlier.value,
                later.value,
                later.method,
                later.reference,
            )
        )
    return tuple(rows), missing


def _moved_by(
    name: str, row: Measurement, film: Measurements, position: Position
) -> tuple[float, float]:
    """Return how much of a change the patient's lying differently made, and its spread.

    A tilt t changes radiographic anteversion by t cos RI and inclination by t tan RA sin RI; a
    rotation r by -r sin RI and r tan RA cos RI for a left hip, by the opposite for a right one
    (derived; references). A tilt carries what lies d anterior of another point by d sin t along
    the body, a rotation likewise across it; d is as likely to be behind as before, so that only
    the spread is known.
    """
    tilt, turn = position.tilt, position.rotation
    teardrop_mm = math.hypot(*DEPTH_MM["teardrop"])
    if name in ("inclination_change", "anteversion_change"):
        ri, ra = (
            math.radians(angle.value)
            for which in ("inclination", "anteversion")
            if (angle := film.primary(f"radiographic_{which}", row.side))
        )
        left = lateral_sign(film.operated_side)
        by_tilt, by_turn = (
            (math.cos(ri), -left * math.sin(ri))
            if name == "anteversion_change"
            else (math.tan(ra) * math.sin(ri), left * math.tan(ra) * math.cos(ri))
        )
        return (
            by_tilt * tilt.mean_deg + by_turn * turn.mean_deg,
            math.hypot(by_tilt * tilt.u_deg, by_turn * turn.u_deg),
        )
    if name in ("cup_migration_cranial", "hip_centre_height_change"):
        return 0.0, teardrop_mm * math.radians(tilt.size_deg)
    if name in ("cup_migration_lateral", "hip_centre_lateral_change", "acetabular_offset_change"):
        return 0.0, teardrop_mm * math.radians(turn.size_deg)
    return 0.0, _femur_moved_u(name, row, film)


def _femur_moved_u(name: str, row: Measurement, film: Measurements) -> float:
    """Return the spread of a femur's lengths, on which the pelvis does not bear."""
    flexion = math.sin(math.radians(FEMORAL_FLEXION_U_DEG))
    if name == "stem_subsidence":
        (trochanter, u_trochanter), (shoulder, u_shoulder) = (
            DEPTH_MM["greater_trochanter"],
            DEPTH_MM["stem_shoulder"],
        )
        return math.hypot(shoulder - trochanter, u_trochanter, u_shoulder) * flexion
    if name == "leg_length_change":
        return math.hypot(*DEPTH_MM["lesser_trochanter"]) * flexion
    # Offsets: d cos(rho) = sin(rho) d rho.
    offset = film.primary("femoral_offset", row.side)
    femoral = abs(offset.value) if offset else abs(row.value)
    turned = math.sin(math.radians(FEMORAL_ROTATION_DEG))
    return femoral * turned * math.radians(FEMORAL_ROTATION_U_DEG)


def _timed(row: Change, years: float) -> Change:
    rate = None
    if row.name == "head_penetration" and years > 0:
        rate = (row.value / years, row.low / years, row.high / years)
    return replace(row, years=years, per_year=rate)
