"""Achieved against planned, and recorded against measured, over the hips of a study.

One film of a hip enters: its first with a plan. Whose numbers they are, `standing_of` rules. What
does not enter is listed with its reason.

Formulas
--------
* Mean difference and limits: `agreement.limits_of_agreement`.
* Share within tolerance: score interval, Wilson EB, J Am Stat Assoc 1927;22:209-212.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from xraymeasure.errors import StudyError
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.plan.compare import LABELS, Comparison, ComparisonRow
from xraymeasure.series.agreement.statistics import Limits, limits_of_agreement
from xraymeasure.series.cohort.cases import NO_PLAN, Case, gather, is_within
from xraymeasure.series.cohort.settings import Settings, settings_of
from xraymeasure.series.run.flow import Stage, flow_of_run, losses
from xraymeasure.series.run.standing import standing_of
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.quantities import CUP_ANGLES, Unit


@dataclass(frozen=True)
class Share:
    """How many of how many, and the 95 % interval of the share."""

    within: int
    n: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share, 0 to 1."""
        return self.within / self.n


@dataclass(frozen=True)
class Outcome:
    """One planned number over the cohort.

    Attributes
    ----------
    name : str
        A key of `plan.LABELS`.
    unit : str
        ``deg`` or ``mm``.
    against_plan : Limits or str
        Achieved minus planned, or why there is nothing to say.
    measuring_sd : float or None
        What the uncertainty of single measurements contributes to the spread (root mean square).
    share : Share or None
        Within tolerance, by the measured value alone; None where nothing has a tolerance.
    verdicts : mapping of str to int
        How many were ``within``, ``undecided`` and ``outside`` with their whole interval, and how
        many were ``withheld`` because of a strong finding, which are not in the share.
    against_record : Limits or str
        Recorded in theatre minus measured on the film, or why there is nothing to say.
    """

    name: str
    unit: Unit
    against_plan: Limits | str
    measuring_sd: float | None
    share: Share | None
    verdicts: Mapping[str, int]
    against_record: Limits | str

    @property
    def label(self) -> str:
        """What a person reads."""
        return LABELS[self.name]


@dataclass(frozen=True)
class Cohort:
    """A series of hips against their plans.

    Attributes
    ----------
    title : str
        Of the study.
    cases : tuple of Case
        The hips that entered.
    outcomes : tuple of Outcome
        In the order of `plan.LABELS`.
    cup_share : Share or None
        Hips with both cup angles within tolerance, by the measured values alone.
    left_out : tuple of (str, str)
        Films that did not enter, and why.
    settings : Settings
        With what the numbers were made.
    flow : tuple of Stage
        From films to hips, with what was lost on the way.
    """

    title: str
    cases: tuple[Case, ...]
    outcomes: tuple[Outcome, ...]
    cup_share: Share | None
    left_out: tuple[tuple[str, str], ...]
    settings: Settings
    flow: tuple[Stage, ...] = ()

    @property
    def subjects(self) -> int:
        """How many persons the hips are of."""
        return len({case.subject for case in self.cases})

    def outcome(self, name: str) -> Outcome | None:
        """Return the outcome of that name, or None where nothing of it was planned."""
        return next((outcome for outcome in self.outcomes if outcome.name == name), None)


def share_of(within: int, n: int) -> Share:
    """Return a share with its 95 % score interval (Wilson 1927).

    Examples
    --------
    Newcombe RG, Stat Med 1998;17:857-872, table I, 81 of 263 (from memory):

    >>> share = share_of(81, 263)
    >>> round(share.low, 4), round(share.high, 4)
    (0.2553, 0.3662)
    """
    from scipy.stats import binomtest

    interval = binomtest(within, n).proportion_ci(0.95, "wilson")
    return Share(within, n, float(interval.low), float(interval.high))


def cohort_of_study(
    study: Study,
    summary: RunSummary,
    reader: str | None = None,
    occasion: int = 1,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
) -> Cohort:
    """Hold the hips of a study against their plans.

    Parameters
    ----------
    study : Study
    summary : RunSummary
        Of this study as it stands.
    reader : str, optional
        Whose readings; by default what `standing_of` rules.
    occasion : int
        Which of the reader's occasions.
    workers, scheduler
        As for `run_study`.

    Raises
    ------
    StudyError
        If the study has no such reader or occasion, or no film of it can be held against a plan.
    """
    standing = standing_of(study, summary, reader, occasion)
    found = gather(study, summary, standing, workers, scheduler)
    if not found.cases:
        telling = sorted(found.left_out, key=lambda entry: entry[1] == NO_PLAN)[:3]
        reasons = "; ".join(f"{film}: {why}" for film, why in telling)
        raise StudyError(
            f"{study.folder}: no film with a plan was read by {standing.reader} on occasion "
            f"{occasion}, so there is nothing to hold against one ({reasons})"
        )
    against = each_leg_once(study, found.cases)
    judge = f", or by adjudicator {standing.adjudicator}" if standing.adjudicator else ""
    return Cohort(
        title=study.title,
        cases=found.cases,
        outcomes=outcomes_of(against),
        cup_share=cup_share(against),
        left_out=found.left_out,
        flow=(
            *flow_of_run(study, summary),
            Stage(
                f"films, by {standing}{judge}", "films", len(study.films), losses(found.left_out)
            ),
            Stage("hips held against their plans", "hips", len(found.cases)),
        ),
        settings=settings_of(found.places, found.measured, against, standing, study, summary),
    )


def each_leg_once(study: Study, cases: Sequence[Case]) -> list[Comparison]:
    """Return the comparisons; of both hips of one film, the leg length of the first only."""
    files = {film.label: film.file for film in study.films}
    seen: set[Path] = set()
    found = []
    for case in cases:
        rows = case.comparison.rows
        if files[case.film] in seen:
            rows = tuple(row for row in rows if not row.name.startswith("leg_length"))
        seen.add(files[case.film])
        found.append(replace(case.comparison, rows=rows))
    return found


def outcomes_of(comparisons: Sequence[Comparison]) -> tuple[Outcome, ...]:
    """Return what a series of comparisons says of each planned or recorded number."""
    outcomes = []
    for name in LABELS:
        rows = [row for comparison in comparisons if (row := comparison.row(name)) is not None]
        if any(row.planned is not None or row.recorded is not None for row in rows):
            outcomes.append(_outcome(name, rows))
    return tuple(outcomes)


def _outcome(name: str, rows: Sequence[ComparisonRow]) -> Outcome:
    compared = [row for row in rows if row.difference is not None]
    judged = [row for row in rows if is_within(row) is not None]
    within = sum(is_within(row) is True for row in judged)
    return Outcome(
        name=name,
        unit=rows[0].unit,
        against_plan=_limits(
            ((row.achieved, row.planned) for row in compared), "planned and measured"
        ),
        measuring_sd=_measuring_sd(compared),
        share=share_of(within, len(judged)) if judged else None,
        verdicts=Counter(
            "withheld" if row.withheld else row.verdict for row in compared if row.verdict
        ),
        against_record=_limits(
            ((row.recorded, row.achieved) for row in rows), "recorded and measured"
        ),
    )


def _limits(pairs: Iterable[tuple[float | None, float | None]], what: str) -> Limits | str:
    both = [(one, other) for one, other in pairs if one is not None and other is not None]
    if not both:
        return f"no hip has it {what}"
    try:
        return limits_of_agreement(*zip(*both, strict=True))
    except StudyError:
        return f"only {len(both)} {'hip has' if len(both) == 1 else 'hips have'} it {what}"


def _measuring_sd(rows: Sequence[ComparisonRow]) -> float | None:
    known = [
        (row.achieved_high - row.achieved_low) / (2.0 * COVERAGE)
        for row in rows
        if row.achieved_low is not None and row.achieved_high is not None
    ]
    return math.sqrt(sum(u * u for u in known) / len(known)) if known else None


def cup_share(comparisons: Sequence[Comparison]) -> Share | None:
    """Return the share of cups with both angles within tolerance; None where none has one."""
    pairs = [[is_within(comparison.row(name)) for name in CUP_ANGLES] for comparison in comparisons]
    both = [pair for pair in pairs if None not in pair]
    within = sum(all(pair) for pair in both)
    return share_of(within, len(both)) if both else None
