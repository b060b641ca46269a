"""examine(film, reading, plan, before) -> Examination: one film looked at whole."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from xraymeasure.change.changes import before_after
from xraymeasure.film.film import Film
from xraymeasure.measuring.measure import DRAWS, measure
from xraymeasure.measuring.results import Finding
from xraymeasure.plan.compare import compare
from xraymeasure.plan.narrowing import with_helps
from xraymeasure.plan.plan import Plan
from xraymeasure.reading.reading import Opens, Reading
from xraymeasure.report.subject import Subject

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from xraymeasure.measuring.findings.thresholds import Thresholds
    from xraymeasure.measuring.prepared import Reference


@dataclass(frozen=True, eq=False, repr=False)
class Examination(Subject):
    """What `examine` found; in a notebook a table, in a terminal ten lines.

    Attributes
    ----------
    film, reading, measurements, plan, comparison, changes
        As in `Subject`.
    before : Examination or None
        The earlier film.

    Examples
    --------
    >>> import xraymeasure as xm
    >>> found = xm.examine(*xm.sample("off_plan_cup"), draws=0)
    >>> found.measurements["radiographic_inclination"].unit
    'deg'
    """

    before: Examination | None = None

    def __repr__(self) -> str:
        from xraymeasure.report.text import summary_text

        return summary_text(self)

    def _repr_html_(self) -> str:
        from xraymeasure.report.text import summary_html

        return summary_html(self)

    def show(self) -> Figure:
        """Return the film with what was fitted, as a matplotlib figure."""
        from xraymeasure.report.page.figure import film_figure

        return film_figure(self)

    def write(self, folder: str | os.PathLike[str], stem: str | None = None) -> list[Path]:
        """Write the page (PDF, HTML) and the tables (JSON, CSV) into a folder.

        Parameters
        ----------
        folder : path-like
            Made if it is not there; files of the same name are replaced.
        stem : str, optional
            Name of the page; by default made of the film's pixels, so that it names nobody.

        See Also
        --------
        write_report : The same as a function.
        """
        from xraymeasure.report.write import write_report

        return write_report(self, folder, stem or self.film.safe_name)


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
    helps: bool = True,
    findings: Sequence[Finding] | None = None,
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
    draws, seed, reference, thresholds, cup_opens, findings
        As in `measure`.
    helps : bool
        Whether to look for what would narrow an undecided number, which takes longer than
        measuring it.

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
    write_report : Writes what was found.

    Examples
    --------
    >>> import xraymeasure as xm
    >>> found = xm.examine(*xm.sample("off_plan_cup"), draws=0, helps=False)
    >>> found.comparison.row("radiographic_inclination").verdict
    'outside'
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
        findings=findings,
    )
    earlier = before.measurements if before else None
    if before is not None and findings is None:
        said = (*pair_findings(film, reading, before), *measured.findings)
        measured = replace(measured, findings=said)
    compared = compare(measured, plan, earlier, reading.not_as_planned) if plan else None
    if compared and helps:
        compared = with_helps(compared, film, reading, reference)
    return Examination(
        film=film,
        reading=reading,
        measurements=measured,
        plan=plan,
        comparison=compared,
        changes=before_after(measured, earlier) if earlier else None,
        before=before,
    )


def pair_findings(film: Film, reading: Reading, before: Examination) -> Iterator[Finding]:
    """Yield what speaks against the earlier film's being an earlier film of the same hip."""

    def strong(code: str, text: str) -> Finding:
        return Finding(code, text, (), "strong")

    if film.pixel_sha256 == before.film.pixel_sha256:
        yield strong(
            "before_is_the_same_film",
            "The film before has the same pixels as this one: it is the same film, and nothing "
            "can have changed. Choose the earlier one.",
        )
    taken, taken_before = film.acquired_on, before.film.acquired_on
    if taken and taken_before and taken_before > taken:
        yield strong(
            "before_is_later",
            f"The film before was taken after this one ({(taken_before - taken).days} days "
            "later). Exchange the two.",
        )
    if film.person and before.film.person and film.person != before.film.person:
        yield strong(
            "before_is_of_another_person",
            "The two films name different patients. Choose films of one person.",
        )
    if before.reading.operated_side != reading.operated_side:
        yield strong(
            "before_is_of_the_other_hip",
            f"The film before was read for the {before.reading.operated_side} hip and this one "
            f"for the {reading.operated_side} hip. Check the side of both readings.",
        )
