"""Achieved against planned, and recorded against measured, over the hips of a study.

One film of a hip enters: its first with a plan. One reader and occasion give the numbers,
and the adjudicator whom the study names those of the films that they read. What
does not enter is listed with its reason.

Formulas
--------
* Mean difference and limits: `agreement.limits_of_agreement`.
* Share within tolerance: score interval, Wilson EB, J Am Stat Assoc 1927;22:209-212.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from xraymeasure.errors import PlanError, StudyError, XrayMeasureError
from xraymeasure.measuring.results import Measurements
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.plan.compare import (
    LABELS,
    Comparison,
    ComparisonRow,
    Plan,
    Tolerance,
    read_plan,
)
from xraymeasure.series.agreement.statistics import Limits, limits_of_agreement
from xraymeasure.series.cohort.examined import Against, comparisons
from xraymeasure.series.cohort.settings import CUP, Settings, settings_of
from xraymeasure.series.run.flow import Stage, flow_of_run, losses
from xraymeasure.series.run.kept import kept_measurements
from xraymeasure.series.run.run import RunSummary, run_study
from xraymeasure.series.run.task import Task
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.readings import Place, StudyReading, has_cup
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import Unit

NO_PLAN = "no plan"
BEFORE = "no cup on it: a film before the operation, which serves as reference only"


@dataclass(frozen=True)
class Case:
    """One hip of the cohort.

    Attributes
    ----------
    subject, film : str
        Pseudonym, and label of the film.
    side : {"left", "right"}
        The hip.
    comparison : Comparison
        The film against its plan.
    why : str
        Why this film stands for the hip.
    groups : mapping of str to str
        What the table of films says of it in columns of the study's own.
    """

    subject: str
    film: str
    side: Side
    comparison: Comparison
    why: str
    groups: Mapping[str, str] = field(default_factory=dict, hash=False)

    @property
    def outside(self) -> tuple[str, ...]:
        """Names of the planned numbers whose measured value is out of tolerance."""
        return tuple(row.name for row in self.comparison.rows if is_within(row) is False)

    @property
    def withheld(self) -> Mapping[str, str]:
        """Why the verdict of a planned number is withheld, by its name."""
        return {row.name: row.reason for row in self.comparison.rows if row.withheld}


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
    *,
    reader: str | None = None,
    occasion: int = 1,
    run: RunSummary | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    **run_options: Any,
) -> Cohort:
    """Measure what is new in a study and hold its hips against their plans.

    Parameters
    ----------
    study : Study
        From `read_study`.
    reader : str, optional
        Whose readings; the reader with most of them on that occasion, by default. By default too
        the word of the study's adjudicator stands on the films that were read by them.
    occasion : int
        Which of the reader's occasions; an adjudicator's is the first.
    run : RunSummary, optional
        Of this study as it stands, so that it is not run again.
    workers, scheduler, **run_options
        As for `run_study`.

    Raises
    ------
    StudyError
        If the study has no such reader or occasion, or no film of it can be held against a plan.
    """
    study.check_reader(reader or study.readers[0], occasion)
    summary = run or run_study(study, workers=workers, scheduler=scheduler, **run_options)
    entries = {entry.place: entry for entry in summary.entries}
    judge = None
    if reader is None:
        judge = study.adjudicator if occasion == 1 else None
        read = Counter(who for _, who, when in summary.kept if when == occasion)
        reader = max(study.peers or study.readers, key=lambda who: read[who])
    gather = _Gather(study, summary, entries, reader, occasion, judge, workers, scheduler)
    cases, left_out = gather.cases()
    if not cases:
        telling = sorted(left_out, key=lambda entry: entry[1] == NO_PLAN)[:3]
        reasons = "; ".join(f"{film}: {why}" for film, why in telling)
        raise StudyError(
            f"{study.folder}: no film with a plan was read by {reader} on occasion {occasion}, so "
            f"there is nothing to hold against one ({reasons})"
        )
    found = [case for case, _ in cases]
    return Cohort(
        title=study.title,
        cases=tuple(found),
        outcomes=outcomes_of([case.comparison for case in found]),
        cup_share=cup_share([case.comparison for case in found]),
        left_out=tuple(left_out),
        flow=(
            *flow_of_run(study, summary),
            Stage(
                f"films, by reader {reader}, occasion {occasion}"
                + (f", or by adjudicator {judge}" if judge else ""),
                "films",
                len(study.films),
                losses(left_out),
            ),
            Stage("hips held against their plans", "hips", len(found)),
        ),
        settings=settings_of(
            [gather.place(case.film) for case in found],
            [measured for _, measured in cases],
            [case.comparison for case in found],
            reader=reader,
            occasion=occasion,
            adjudicator=judge,
            study=study,
            summary=summary,
        ),
    )


@dataclass(frozen=True)
class _Gather:
    """Finds the film of each hip that enters, and why others do not."""

    study: Study
    summary: RunSummary
    entries: Mapping[Place, StudyReading]
    reader: str
    occasion: int
    judge: str | None
    workers: int | None
    scheduler: str | None

    def place(self, film: str) -> Place:
        """Return the reading that stands for a film: the adjudicator's where there is one."""
        if self.judge is not None and (film, self.judge, 1) in self.summary.tasks:
            return film, self.judge, 1
        return film, self.reader, self.occasion

    def cases(self) -> tuple[list[tuple[Case, Measurements]], list[tuple[str, str]]]:
        cases, left_out = [], []
        queues: dict[tuple[str, Side], list[tuple[StudyFilm, Against]]] = defaultdict(list)
        for film in sorted(self.study.films, key=_day):
            try:
                against = self._against(film)
            except (StudyError, PlanError) as error:
                left_out.append((film.label, self._plain(error, film)))
            else:
                queues[film.subject, against.task.reading.operated_side].append((film, against))
        # Where the first film of a hip cannot be held against its plan the next one stands.
        while queues:
            first = {hip: queue.pop(0) for hip, queue in queues.items()}
            films = {id(against): (hip, film) for hip, (film, against) in first.items()}
            asked = [against for _, against in first.values()]
            for against, found in comparisons(
                asked, workers=self.workers, scheduler=self.scheduler
            ):
                hip, film = films[id(against)]
                if isinstance(found, Comparison):
                    cases.append(self._case(film, against, found))
                    left_out += [
                        (later.label, "a later film of a hip that is in already")
                        for later, _ in queues.pop(hip)
                    ]
                elif isinstance(found, XrayMeasureError):
                    left_out.append((film.label, self._plain(found, film)))
                else:
                    raise found
            queues = {hip: queue for hip, queue in queues.items() if queue}
        place = {film.label: position for position, film in enumerate(self.study.films)}
        cases.sort(key=lambda entry: place[entry[0].film])
        left_out.sort(key=lambda entry: place[entry[0]])
        return cases, left_out

    def _against(self, film: StudyFilm) -> Against:
        place = self.place(film.label)
        entry = self.entries.get(place)
        reading = entry.reading if entry else None
        # A plan lies beside every film of a hip; what became of it, only a film after shows.
        if reading is not None and not has_cup(reading):
            raise StudyError(BEFORE)
        if film.plan is None:
            raise StudyError(NO_PLAN)
        if place not in self.summary.tasks or reading is None:
            raise StudyError(self._why_not_kept(film))
        plan = with_tolerance(read_plan(film.plan), self.study.tolerance)
        before = self._before(film, reading.operated_side)
        return Against(self.summary.tasks[place], plan, before)

    def _case(
        self, film: StudyFilm, against: Against, comparison: Comparison
    ) -> tuple[Case, Measurements]:
        measured = kept_measurements(against.task.kept, against.task.reading)
        moment = "the study does not say its day" if film.day is None else f"day {film.day}"
        why = f"first film with a cup and a plan ({moment})"
        if self.place(film.label)[1] == self.judge:
            why += f", read by adjudicator {self.judge}"
        case = Case(film.subject, film.label, measured.operated_side, comparison, why, film.groups)
        return case, measured

    def _why_not_kept(self, film: StudyFilm) -> str:
        excluded = self.summary.exclusions
        if (film.label, self.reader) in excluded:
            return f"excluded by {self.reader}: {excluded[film.label, self.reader]}"
        for failure in self.summary.failed:
            if (failure.film, failure.reader, failure.occasion) == (
                film.label,
                self.reader,
                self.occasion,
            ):
                return f"could not be measured: {failure.reason}"
        return f"not read by {self.reader}"

    def _before(self, film: StudyFilm, side: Side) -> Task | None:
        """Return the latest earlier film of the subject on which this hip has no cup yet."""
        found = None
        for other in sorted(self.study.films, key=_day):
            task = self.summary.tasks.get(self.place(other.label))
            if other.subject != film.subject or task is None:
                continue
            if _day(other) < _day(film) and not has_cup(task.reading, side):
                found = task
        return found

    def _plain(self, error: Exception, film: StudyFilm) -> str:
        # The name of a file may be that of a person; the page shows the film's label.
        text = str(error)
        if film.plan is not None:
            text = text.replace(str(film.plan), f"plan of film {film.label}")
        return text


def _day(film: StudyFilm) -> float:
    return math.inf if film.day is None else film.day


def with_tolerance(plan: Plan, tolerance: Mapping[str, float]) -> Plan:
    """Return a plan in which the study's tolerances stand where it names none."""
    named = {
        key: value
        for key in Tolerance.__dataclass_fields__
        if (value := getattr(plan.tolerance, key)) is not None
    }
    return replace(plan, tolerance=Tolerance(**{**tolerance, **named}))


def is_within(row: ComparisonRow | None) -> bool | None:
    """Return whether a measured value lies within its tolerance.

    None where either is missing, or a strong finding forbids the verdict.
    """
    if row is None or row.difference is None or row.tolerance is None or row.withheld:
        return None
    return abs(row.difference) <= row.tolerance


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
    pairs = [[is_within(comparison.row(name)) for name in CUP] for comparison in comparisons]
    both = [pair for pair in pairs if None not in pair]
    within = sum(all(pair) for pair in both)
    return share_of(within, len(both)) if both else None
