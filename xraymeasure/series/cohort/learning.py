"""Whether the cups of one surgeon come within tolerance as often as was aimed at, in their order.

Formulas
--------
* Cumulative sum: a cup outside adds ``1 - s``, one within takes ``s`` away. With the rates of cups
  outside that are acceptable (``p0``) and not acceptable (``p1``), ``P = ln(p1 / p0)`` and
  ``Q = ln((1 - p0) / (1 - p1))``: ``s = Q / (P + Q)``; the sum crosses the upper line
  ``ln((1 - beta) / alpha) / (P + Q)`` where the rate is not acceptable, the lower line
  ``-ln((1 - alpha) / beta) / (P + Q)`` where it is: Kestin IG, Br J Anaesth 1995;75:805-809, and
  Bolsin S, Colson M, Int J Qual Health Care 2000;12:433-438 (both from memory). It is Wald's
  sequential test of the two rates, divided by ``P + Q``; its lines are those of a sequential
  sampling plan (``SeqDesignBinomial`` of the R package Dodge, Govindaraju R, Godfrey J, read;
  NIST/SEMATECH e-Handbook of Statistical Methods, section 6.2.6, from memory).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from xraymeasure.errors import StudyError
from xraymeasure.series.cohort.cases import Case, is_within
from xraymeasure.series.cohort.cohort import Cohort
from xraymeasure.vocabulary.quantities import CUP_ANGLES


@dataclass(frozen=True)
class Target:
    """What was aimed at, stated before it is looked at.

    Attributes
    ----------
    acceptable, unacceptable : float
        Rates of cups outside tolerance, between 0 and 1.
    alpha, beta : float
        Of calling an acceptable rate unacceptable, and the reverse.
    """

    acceptable: float
    unacceptable: float
    alpha: float = 0.1
    beta: float = 0.1

    def __post_init__(self) -> None:
        """Refuse rates that cannot be told apart."""
        if not 0.0 < self.acceptable < self.unacceptable < 1.0:
            raise StudyError(
                "the acceptable rate of cups outside must lie above 0 and below the unacceptable "
                f"one, and that below 1; they are {self.acceptable:g} and {self.unacceptable:g}"
            )
        if not (0.0 < self.alpha < 0.5 and 0.0 < self.beta < 0.5):
            raise StudyError("the two errors of the test must lie between 0 and 0.5")

    @property
    def _scale(self) -> float:
        return math.log(self.unacceptable / self.acceptable) + self._within

    @property
    def _within(self) -> float:
        return math.log((1.0 - self.acceptable) / (1.0 - self.unacceptable))

    @property
    def step(self) -> float:
        """What a cup within takes away, ``s``."""
        return self._within / self._scale

    @property
    def upper(self) -> float:
        """Where the rate is called unacceptable."""
        return math.log((1.0 - self.beta) / self.alpha) / self._scale

    @property
    def lower(self) -> float:
        """Where the rate is called acceptable."""
        return -math.log((1.0 - self.alpha) / self.beta) / self._scale


@dataclass(frozen=True)
class Curve:
    """The cups of one surgeon in their order.

    Attributes
    ----------
    who : str
        The surgeon's code.
    films : tuple of str
        Labels, in order.
    outside : tuple of bool
        Whether either angle of the cup lies outside its tolerance.
    sums : tuple of float
        The cumulative sum after each cup.
    reached : {"acceptable", "unacceptable"} or None
        Which line was crossed first.
    at : int or None
        After how many cups.
    """

    who: str
    films: tuple[str, ...]
    outside: tuple[bool, ...]
    sums: tuple[float, ...]
    reached: str | None
    at: int | None


def cumulative(who: str, cups: Sequence[tuple[str, bool]], target: Target) -> Curve:
    """Return the curve of cups, each with its film's label and whether it lies outside.

    Examples
    --------
    Of 10 and 20 per cent with errors of 10 per cent, by hand: s = ln(0.9 / 0.8) / (ln 2 + ln(0.9 /
    0.8)) = 0.145, and lines at ln(9) / 0.811 = 2.71.

    >>> target = Target(0.1, 0.2)
    >>> round(target.step, 3), round(target.upper, 2), round(target.lower, 2)
    (0.145, 2.71, -2.71)
    >>> curve = cumulative("A", [("F1", True), ("F2", False)], target)
    >>> [round(value, 3) for value in curve.sums]
    [0.855, 0.71]
    """
    sums: list[float] = []
    reached, at = None, None
    for number, (_, outside) in enumerate(cups, start=1):
        sums.append((sums[-1] if sums else 0.0) + (1.0 - target.step if outside else -target.step))
        if reached is None and not target.lower < sums[-1] < target.upper:
            reached = "unacceptable" if sums[-1] >= target.upper else "acceptable"
            at = number
    return Curve(
        who,
        tuple(label for label, _ in cups),
        tuple(outside for _, outside in cups),
        tuple(sums),
        reached,
        at,
    )


def learning_curves(cohort: Cohort, by: str, order: str, target: Target) -> tuple[Curve, ...]:
    """Return the curve of every surgeon of a cohort.

    Parameters
    ----------
    cohort : Cohort
    by, order : str
        Columns of ``films.csv``: who operated, and the number of the operation in that surgeon's
        order. Days will not do: they count from each person's own first film.
    target : Target

    Raises
    ------
    StudyError
        If no hip has both, or an order is no number or stands twice.
    """
    cups: dict[str, dict[float, tuple[str, bool]]] = defaultdict(dict)
    for case in cohort.cases:
        who, outside = case.groups.get(by), _outside(case)
        if who is None or order not in case.groups or outside is None:
            continue
        text = case.groups[order]
        try:
            place = float(text)
        except ValueError:
            raise StudyError(f"film {case.film}: {order}: {text!r} is no number") from None
        if place in cups[who]:
            raise StudyError(
                f"films {cups[who][place][0]} and {case.film}: both are number {text} of {by} {who}"
            )
        cups[who][place] = (case.film, outside)
    if not any(cups.values()):
        raise StudyError(
            f"no hip with both cup angles against a plan has {by!r} and {order!r} in films.csv; "
            "add the columns"
        )
    return tuple(
        cumulative(who, [found[place] for place in sorted(found)], target)
        for who, found in sorted(cups.items())
    )


def _outside(case: Case) -> bool | None:
    """Return whether a cup lies outside on either angle; None where that cannot be said."""
    within = [is_within(case.comparison.row(name)) for name in CUP_ANGLES]
    return None if None in within else not all(within)
