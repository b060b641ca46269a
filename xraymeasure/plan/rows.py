"""The rows of a comparison: one planned number beside what the film shows, and its verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from xraymeasure.change.difference import Interval, difference
from xraymeasure.measuring.draws import Distribution
from xraymeasure.measuring.helps import Help
from xraymeasure.plan.likely import probability_drawn, probability_within
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import Unit
from xraymeasure.vocabulary.wording import UNITS

Verdict = Literal["within", "outside", "undecided"]

LABELS: dict[str, str] = {
    "radiographic_inclination": "Cup inclination",
    "radiographic_anteversion": "Cup anteversion",
    "leg_length_difference": "Leg-length difference",
    "leg_length_change": "Leg-length change",
    "femoral_offset": "Femoral offset",
    "femoral_offset_change": "Femoral-offset change",
    "neck_shaft_angle": "Neck-shaft angle",
    "cup_diameter": "Cup diameter",
}
"""What a person reads for each row of a comparison."""

WITHHELD = "the verdict is withheld"
"""With what the reason begins where a strong finding forbids a verdict."""
NO_TOLERANCE = "no tolerance in the plan"


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
        What would narrow an undecided row, the most helpful thing first; see
        `xraymeasure.plan.narrowing.with_helps`.
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


def judged(
    side: Side,
    name: str,
    planned: Interval | None,
    recorded: Interval | None,
    achieved: Interval | str,
    method: str | None,
    tolerance: float | None,
    drawn: Distribution | None = None,
) -> ComparisonRow:
    """Return the row of a number, its verdict by the interval and its probability by the draws."""
    gap = low = high = verdict = probability = None
    unit: Unit = "deg" if name.startswith(("radiographic", "neck_shaft")) else "mm"
    reasons = [] if planned is not None else ["not planned"]
    if isinstance(achieved, str):
        reasons.append(achieved)
    elif planned is not None:
        gap, low, high = difference(achieved, planned)
        if tolerance is None:
            reasons.append(NO_TOLERANCE)
        else:
            verdict = verdict_of(low, high, tolerance)
            probability = (
                probability_within((gap, low, high), tolerance)
                if drawn is None
                else probability_drawn(drawn, planned, tolerance)
            )
            if verdict == "undecided":
                reasons.append(f"{100 * probability:.0f} % likely within")
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


def verdict_of(low: float, high: float, tolerance: float) -> Verdict:
    """Return whether an interval lies inside a tolerance, outside, or across its end."""
    if -tolerance <= low and high <= tolerance:
        return "within"
    return "outside" if low > tolerance or high < -tolerance else "undecided"
