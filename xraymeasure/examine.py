"""examine(film, reading, plan, before) -> Examination: one film looked at whole."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from xraymeasure.change.changes import Changes, before_after
from xraymeasure.measuring.measure import DRAWS, measure
from xraymeasure.measuring.results import Finding, Measurements
from xraymeasure.plan.compare import Comparison, ComparisonRow, compare
from xraymeasure.reading.reading import Opens, Reading

if TYPE_CHECKING:
    from xraymeasure.film.film import Film
    from xraymeasure.measuring.prepared import Reference
    from xraymeasure.measuring.quality import Thresholds
    from xraymeasure.plan.plan import Plan


@dataclass(frozen=True, eq=False)
class Examination:
    """A film, the reading placed on it, and all that follows from both.

    Attributes
    ----------
    film, reading : Film, Reading
        What was looked at.
    measurements : Measurements
        The numbers with their intervals, what could not be measured, and the findings.
    plan : Plan or None
        What was intended.
    comparison : Comparison or None
        Measured against planned; None without a plan.
    changes : Changes or None
        Since the earlier film; None without one.
    before : Examination or None
        The earlier film.
    """

    film: Film
    reading: Reading
    measurements: Measurements
    plan: Plan | None = None
    comparison: Comparison | None = None
    changes: Changes | None = None
    before: Examination | None = None

    @property
    def compared(self) -> tuple[ComparisonRow, ...]:
        """Each planned number beside the measured one; empty without a plan."""
        return self.comparison.rows if self.comparison else ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What there is to say of film and reading."""
        return self.measurements.findings


def examine(
    film: Film,
    reading: Reading,
    plan: Plan | None = None,
    before: Examination | tuple[Film, Reading] | None = None,
    *,
    draws: int = DRAWS,
    seed: int = 0,
    reference: Reference | None = None,
    thresholds: Thresholds | None = None,
    cup_opens: Opens | None = None,
) -> Examination:
    """Measure a film, hold it against its plan, and against an earlier film.

    Parameters
    ----------
    film : Film
    reading : Reading
        The landmarks placed on it.
    plan : Plan, optional
        What was intended; what is not planned is not compared.
    before : Examination or (Film, Reading), optional
        An earlier film of the same hips, for planned changes and for what changed.
    draws, seed, reference, thresholds, cup_opens
        As in `measure`.

    Raises
    ------
    ReadingError
        If a reading belongs to another film, or a landmark has too few points.
    MeasureError
        If the points of an outline do not determine it.
    PlanError
        If the plan and the reading cannot be of the same operation.

    See Also
    --------
    measure, compare : The parts of it.
    """
    if isinstance(before, tuple):
        before = examine(*before, draws=draws, seed=seed, reference=reference, cup_opens=cup_opens)
    measured = measure(
        film,
        reading,
        draws=draws,
        seed=seed,
        reference=reference,
        thresholds=thresholds,
        cup_opens=cup_opens,
    )
    earlier = before.measurements if before else None
    return Examination(
        film=film,
        reading=reading,
        measurements=measured,
        plan=plan,
        comparison=compare(measured, plan, earlier) if plan else None,
        changes=before_after(measured, earlier) if earlier else None,
        before=before,
    )
