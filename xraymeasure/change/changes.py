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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from xraymeasure.change.difference import Interval, change, difference, same_measurement
from xraymeasure.change.jointly import solved_change
from xraymeasure.change.kinds import BEFORE_AFTER, FOLLOW_UP, KINDS, ChangeKind
from xraymeasure.change.position import Position, position_between
from xraymeasure.change.positioning import (
    Comparability,
    Comparable,
    Visit,
    compare_films,
)
from xraymeasure.change.verdicts import ERROR, POWER_Z, detectable, holm, p_value
from xraymeasure.measuring.inputs import DEPTH_MM
from xraymeasure.measuring.results import Measurement, Measurements
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import Unit

ChangeVerdict = Literal["changed", "not shown", "not resolved", "not comparable"]

WEAR_RESOLVED_MM = 1.1
"""A pair of plain films does not resolve wear below this (Wan Z et al., Clin Orthop Relat Res
2006;449:267-274; abstract read)."""

TWO_AT_ONCE = 2.241403
"""Half-width, in standard uncertainties, of each of two intervals that hold both components of a
vector in 95 % of cases whatever their correlation (Bonferroni; each holds it in 97.5 %)."""

FEMORAL_FLEXION_U_DEG = 3.0
"""Spread of the difference in flexion of a femur between two films. Working default, no source."""

SAME_POINT_U_MM = 0.3
"""Spread with which a rounded bony point, were it placed perfectly, is another point of the bone
on a film where the patient lies differently. Working default, no source."""

FEMORAL_ROTATION_U_DEG = 6.0
"""Spread of the rotation of a femur between two films. Working default, no source."""

FEMORAL_ROTATION_DEG = 10.0
"""About how far a neck is turned out of the film's plane. Working default, no source."""


@dataclass(frozen=True)
class Change:
    """One change between two films of a hip, later minus earlier.

    Attributes
    ----------
    name : str
        A key of `KINDS`.
    side : {"left", "right"}
        The hip.
    unit : str
        ``deg`` or ``mm``.
    value, low, high : float
        The change and its 95 % interval.
    before, after : float or None
        The two measurements; None where the change is one of a vector.
    method, reference : str or None
        How both were obtained, and the reference line.
    verdict : str or None
        ``changed`` where the change is shown among all that were asked of the hip; ``not shown``
        where it is not; ``not resolved`` where it is shown but lies below what a pair of plain
        films resolves; ``not comparable`` where the films were taken from different sides. None
        where no verdict is given, and `reason` says why.
    reason : str
        What speaks against a verdict of ``changed``, or for doubting it; empty where nothing does.
    years : float or None
        Between the films.
    per_year : (value, low, high) or None
        Where it is asked for and the films lie apart in time.
    detectable : float or None
        The smallest change that this pair of films would have shown in nine of ten cases.
    """

    name: str
    side: Side
    unit: Unit
    value: float
    low: float
    high: float
    before: float | None
    after: float | None
    method: str | None
    reference: str | None
    verdict: ChangeVerdict | None = None
    reason: str = ""
    years: float | None = None
    per_year: Interval | None = None
    detectable: float | None = None

    @property
    def kind(self) -> ChangeKind:
        """The words for it."""
        return KINDS[self.name]


@dataclass(frozen=True)
class Changes:
    """All changes between two films of a hip.

    Attributes
    ----------
    rows : tuple of Change
        In the order of `KINDS`.
    missing : mapping of str to str
        Names of changes that cannot be told, and why.
    comparability : Comparability
        Of the two films.
    position : Position
        How the pelvis lay on the later one against the earlier one.
    """

    rows: tuple[Change, ...]
    missing: Mapping[str, str]
    comparability: Comparability
    position: Position

    def row(self, name: str) -> Change | None:
        """Return the change of that name, or None where it cannot be told."""
        return next((row for row in self.rows if row.name == name), None)


def before_after(
    after: Measurements, before: Measurements, limits: Comparable | None = None
) -> Changes:
    """Return how leg length, offsets and hip centre changed from a film before the operation.

    The native head gives the scale of the film before, or whatever else is on it. No verdict is
    given: an operation changes them by intent, and the plan says by how much.

    Parameters
    ----------
    after, before : Measurements
        Of the films after and before; the side is the index side after.
    limits : Comparable, optional
        From where on a difference in position is pointed out.
    """
    position = position_between(after, before)
    rows, missing = _simple(BEFORE_AFTER, after, before, position)
    comparability = compare_films(Visit(0.0, after), Visit(0.0, before), limits)
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
    side = after.side
    position = position_between(
        after.measurements,
        before.measurements,
        other_posture=None not in (after.posture, before.posture)
        and after.posture != before.posture,
    )
    rows, missing = _simple(FOLLOW_UP, after.measurements, before.measurements, position)
    found = {row.name: row for row in rows}
    vector, why = _penetration(after, before)
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
            found[name] = _of_cup(found[name], after, before, side)
    years = after.years - before.years
    comparability = compare_films(after, before, limits)
    rows = tuple(_timed(found[name], years) for name in KINDS if name in found)
    judged = _judged(rows, comparability, error)
    return Changes(tuple(_doubted(row, found) for row in judged), missing, comparability, position)


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
        left = 1.0 if row.side == "left" else -1.0
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


def _penetration(after: Visit, before: Visit) -> tuple[tuple[Change, ...], str]:
    """Return components and length of the head's movement in the cup, or why there are none."""
    side = after.side
    sources = {after.cup_centre_from, before.cup_centre_from} - {None}
    if len(sources) > 1:
        return (), "the cup's centre comes from the shell on one film and from the rim on the other"
    rows = []
    for name in ("head_penetration_cranial", "head_penetration_lateral"):
        kind = KINDS[name]
        pair = same_measurement(after.measurements, before.measurements, kind.quantity, side)
        if isinstance(pair, str):
            return (), pair
        later, earlier = pair
        rows.append(
            Change(
                name,
                side,
                "mm",
                *change(later, earlier),
                earlier.value,
                later.value,
                later.method,
                later.reference,
                reason="judged together with the other direction",
            )
        )
    value, low, high = vector_length([(row.value, row.low, row.high) for row in rows])
    whole = replace(
        rows[0],
        name="head_penetration",
        value=value,
        low=low,
        high=high,
        before=None,
        after=None,
        reason="",
    )
    return (*rows, whole), ""


def vector_length(components: Sequence[Interval]) -> Interval:
    """Return the length of a noisy vector in a plane, freed of noise's bias, with a 95 % interval.

    A measured vector is too long on average, because noise across it can only lengthen it: the
    variance across is taken off the square (Wardle JFC, Kronberg PP, Astrophys J
    1974;194:249-255, for equal variances; from memory), never below zero. The interval spans the
    least and the greatest length in the box that holds both components in 95 % of cases, whatever
    their correlation. It begins at zero exactly where the box holds the origin, and so serves as
    the test of the vector.

    Parameters
    ----------
    components : sequence of (value, low, high)
        Two, with their own 95 % intervals.

    Examples
    --------
    >>> [round(end, 2) for end in vector_length([(2.0, 1.0, 3.0), (0.5, -0.5, 1.5)])]
    [2.0, 0.86, 3.55]
    """
    (x, x_low, x_high), (y, y_low, y_high) = components
    u_x, u_y = ((high - low) / (2.0 * COVERAGE) for _, low, high in components)
    square = x * x + y * y
    across = ((x * u_y) ** 2 + (y * u_x) ** 2) / square if square else 0.0
    widen = TWO_AT_ONCE / COVERAGE
    least = most = 0.0
    for value, below, above in ((x, x_low, x_high), (y, y_low, y_high)):
        low, high = value - widen * (value - below), value + widen * (above - value)
        least += max(low, -high, 0.0) ** 2
        most += max(-low, high) ** 2
    # Never outside its own interval, where more noise is taken off than there is.
    value = math.sqrt(max(square - across, least))
    return value, math.sqrt(least), math.sqrt(most)


def _of_cup(row: Change, after: Visit, before: Visit, side: Side) -> Change:
    """Turn a movement of the hip centre into one of the cup's: take off that of the head in it.

    The head's own placing error is in both and cancels; counted twice it adds to the interval
    (less than a tenth, for a head's centre is far better known than a teardrop).
    """
    inside = f"head_to_cup_{row.name.rpartition('_')[2]}"
    later, earlier = (visit.measurements[inside, side] for visit in (after, before))
    value, low, high = difference((row.value, row.low, row.high), change(later, earlier))
    return replace(
        row,
        value=value,
        low=low,
        high=high,
        before=None if row.before is None else row.before - earlier.value,
        after=None if row.after is None else row.after - later.value,
    )


def _judged(
    rows: Sequence[Change], comparability: Comparability, error: float
) -> tuple[Change, ...]:
    """Judge all changes of a pair together; those with a reason of their own are not asked."""
    asked = [row for row in rows if not row.reason]
    components = [row for row in rows if row.name.startswith("head_penetration_")]
    tests = len(asked)

    def p_of(row: Change) -> float:
        if row.name != "head_penetration":
            return p_value((row.value, row.low, row.high))
        # Two numbers make a vector: the box of Bonferroni, as for its interval.
        return min(1.0, 2.0 * min(p_value((c.value, c.low, c.high)) for c in components))

    def least(row: Change) -> float:
        if row.name != "head_penetration":
            return detectable((row.high - row.low) / (2.0 * COVERAGE), tests, error)
        u = max((c.high - c.low) / (2.0 * COVERAGE) for c in components)
        return max(detectable(u, 2 * tests, error), WEAR_RESOLVED_MM + POWER_Z * u)

    shown = dict(
        zip((row.name for row in asked), holm([p_of(row) for row in asked], error), strict=True)
    )
    return tuple(
        row
        if row.reason
        else replace(_verdict(row, shown[row.name], comparability), detectable=least(row))
        for row in rows
    )


def _verdict(row: Change, shown: bool, comparability: Comparability) -> Change:
    if comparability.other_view:
        return replace(row, verdict="not comparable", reason=comparability.other_view)
    if not shown:
        why = _AMONG_MANY if row.low > 0.0 or row.high < 0.0 else _EXPLAINED
        return replace(row, verdict="not shown", reason=why)
    if row.name == "head_penetration" and row.value < WEAR_RESOLVED_MM:
        why = f"below {WEAR_RESOLVED_MM:g} mm, which a pair of plain films does not resolve"
        return replace(row, verdict="not resolved", reason=why)
    return replace(row, verdict="changed")


def _doubted(row: Change, found: Mapping[str, Change]) -> Change:
    """Say of a head that left the dome of its cup that wear does not do that."""
    if row.name != "head_penetration" or row.verdict not in ("changed", "not resolved"):
        return row
    if found["head_penetration_cranial"].value >= 0.0:
        return row
    why = "the head moved caudally, which wear does not do: check the outlines of head and cup"
    return replace(row, reason=f"{row.reason}; {why}" if row.reason else why)


_EXPLAINED = "no more than the uncertainty of the two films explains"
_AMONG_MANY = (
    "its own interval leaves out zero, but judged with the other numbers of this hip it is no more "
    "than chance may bring"
)


def _timed(row: Change, years: float) -> Change:
    rate = None
    if row.name == "head_penetration" and years > 0:
        rate = (row.value / years, row.low / years, row.high / years)
    return replace(row, years=years, per_year=rate)
