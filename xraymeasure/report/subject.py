"""What a report is about: one film, its reading, and all that follows from both."""

from __future__ import annotations

from dataclasses import dataclass

from xraymeasure.change.result import Changes
from xraymeasure.film.film import Film
from xraymeasure.measuring.results import Finding, Measurements
from xraymeasure.plan.compare import Comparison, ComparisonRow
from xraymeasure.plan.plan import Plan
from xraymeasure.reading.reading import Reading


@dataclass(frozen=True, eq=False)
class Subject:
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
    """

    film: Film
    reading: Reading
    measurements: Measurements
    plan: Plan | None = None
    comparison: Comparison | None = None
    changes: Changes | None = None

    @property
    def compared(self) -> tuple[ComparisonRow, ...]:
        """Each planned number beside the measured one; empty without a plan."""
        return self.comparison.rows if self.comparison else ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What there is to say of film and reading."""
        return self.measurements.findings
