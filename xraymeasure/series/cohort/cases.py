"""The hips of a cohort: the film that stands for each, held against its plan, and why."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from xraymeasure.errors import PlanError, StudyError, XrayMeasureError
from xraymeasure.measuring.results import Measurements
from xraymeasure.plan.compare import Comparison, ComparisonRow, Plan, Tolerance, read_plan
from xraymeasure.plan.rows import verdict_of
from xraymeasure.series.cohort.examined import Against, comparisons
from xraymeasure.series.run.standing import Standing, mean_of
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.run.task import Task, kept_measurements
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.readings import Place, has_cup
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.landmarks import Side

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
class Gathered:
    """The hips that entered, and the films that did not.

    Attributes
    ----------
    cases : tuple of Case
        In the order of the films in the study.
    places : tuple of Place
        The readings that their numbers are of.
    measured : tuple of Measurements
        One a hip.
    left_out : tuple of (str, str)
        Films that did not enter, and why.
    """

    cases: tuple[Case, ...]
    places: tuple[Place, ...]
    measured: tuple[Measurements, ...]
    left_out: tuple[tuple[str, str], ...]


def gather(
    study: Study,
    summary: RunSummary,
    standing: Standing,
    workers: int | None = None,
    scheduler: str | None = None,
) -> Gathered:
    """Return for each hip its first film with a cup that can be held against a plan."""
    gathering = _Gathering(study, summary, standing)
    cases: list[tuple[Case, list[Against]]] = []
    left_out: list[tuple[str, str]] = []
    queues: dict[tuple[str, Side], list[tuple[StudyFilm, list[Against]]]] = defaultdict(list)
    for film in sorted(study.films, key=_day):
        try:
            several = gathering.against(film)
        except (StudyError, PlanError) as error:
            left_out.append((film.label, _plain(error, film)))
        else:
            side = several[0].task.reading.operated_side
            queues[film.subject, side].append((film, several))
    # Where the first film of a hip cannot be held against its plan the next one stands.
    while queues:
        first = {hip: queue.pop(0) for hip, queue in queues.items()}
        asked = [against for _, several in first.values() for against in several]
        outcomes = {
            id(against): found
            for against, found in comparisons(asked, workers=workers, scheduler=scheduler)
        }
        for hip, (film, several) in first.items():
            found = [outcomes[id(against)] for against in several]
            errors = [each for each in found if isinstance(each, Exception)]
            if not errors:
                mean = mean_comparison([each for each in found if isinstance(each, Comparison)])
                cases.append((gathering.case(film, several, mean), several))
                left_out += [
                    (later.label, "a later film of a hip that is in already")
                    for later, _ in queues.pop(hip)
                ]
            elif isinstance(errors[0], XrayMeasureError):
                left_out.append((film.label, _plain(errors[0], film)))
            else:
                raise errors[0]
        queues = {hip: queue for hip, queue in queues.items() if queue}
    place = {film.label: position for position, film in enumerate(study.films)}
    cases.sort(key=lambda entry: place[entry[0].film])
    left_out.sort(key=lambda entry: place[entry[0]])
    return Gathered(
        tuple(case for case, _ in cases),
        tuple(against.task.place for _, several in cases for against in several),
        tuple(
            kept_measurements(several[0].task.kept, several[0].task.reading) for _, several in cases
        ),
        tuple(left_out),
    )


@dataclass(frozen=True)
class _Gathering:
    """Finds what stands for a film, and why nothing does."""

    study: Study
    summary: RunSummary
    standing: Standing

    def against(self, film: StudyFilm) -> list[Against]:
        places = self.standing.places(film.label, self.summary.tasks)
        tasks = [self.summary.tasks[place] for place in places]
        operated = [task for task in tasks if has_cup(task.reading)]
        # A plan lies beside every film of a hip; what became of it, only a film after shows.
        if tasks and not operated:
            raise StudyError(BEFORE)
        if film.plan is None:
            raise StudyError(NO_PLAN)
        if not operated:
            whose = self.standing.averaged or (self.standing.reader,)
            raise StudyError(self.summary.why_not_measured(film.label, whose))
        side = operated[0].reading.operated_side
        plan = with_tolerance(read_plan(film.plan), self.study.tolerance)
        return [
            Against(task, plan, self._before(film, side, task.place))
            for task in operated
            if task.reading.operated_side == side
        ]

    def case(self, film: StudyFilm, several: Sequence[Against], comparison: Comparison) -> Case:
        moment = "the study does not say its day" if film.day is None else f"day {film.day}"
        why = f"first film with a cup and a plan ({moment})"
        places = [against.task.place for against in several]
        match self.standing.rule(places):
            case "adjudicated":
                why += f", read by adjudicator {self.standing.adjudicator}"
            case "mean":
                why += f", mean of {', '.join(who for _, who, _ in places)}"
            case _ if self.standing.averaged:
                why += f", read by {places[0][1]} only"
        side = several[0].task.reading.operated_side
        return Case(film.subject, film.label, side, comparison, why, film.groups)

    def _before(self, film: StudyFilm, side: Side, place: Place) -> Task | None:
        """Return the latest earlier film of the subject on which this hip has no cup yet."""
        found = None
        # An adjudicator reads few films; what was before is then the reader's word.
        whose = (place[1:], (self.standing.reader, self.standing.occasion))
        for other in sorted(self.study.films, key=_day):
            if other.subject != film.subject or _day(other) >= _day(film):
                continue
            kept = (self.summary.tasks.get((other.label, *each)) for each in whose)
            task = next((each for each in kept if each is not None), None)
            if task is not None and not has_cup(task.reading, side):
                found = task
        return found


def mean_comparison(several: Sequence[Comparison]) -> Comparison:
    """Return the mean of what readings of one film say against its plan; see `mean_of`.

    Of a number that readings obtained by different methods, those by the most frequent count. A
    verdict that is withheld for one reading is withheld.
    """
    if len(several) == 1:
        return several[0]
    rows = []
    for one in several[0].rows:
        found = [row for each in several if (row := each.row(one.name)) is not None]
        methods = Counter(row.method for row in found if row.achieved is not None)
        if methods:
            method = methods.most_common(1)[0][0]
            found = [row for row in found if row.achieved is not None and row.method == method]
            rows.append(_mean_row(found))
        else:
            rows.append(one)
    return Comparison(tuple(rows), several[0].notes)


def _mean_row(rows: Sequence[ComparisonRow]) -> ComparisonRow:
    """Return the mean of what the same method gave for one number, by several readers."""

    def mean(names: tuple[str, str, str]) -> tuple[float | None, float | None, float | None]:
        numbers = [tuple(getattr(row, name) for name in names) for row in rows]
        return mean_of(numbers) if all(None not in each for each in numbers) else (None,) * 3

    achieved, achieved_low, achieved_high = mean(("achieved", "achieved_low", "achieved_high"))
    difference, low, high = mean(("difference", "low", "high"))
    first = next((row for row in rows if row.withheld), rows[0])
    verdict, reason = first.verdict, first.reason
    if verdict is not None and not first.withheld:
        assert low is not None and high is not None and first.tolerance is not None
        verdict, reason = verdict_of(low, high, first.tolerance), ""
    return replace(
        first,
        achieved=achieved,
        achieved_low=achieved_low,
        achieved_high=achieved_high,
        difference=difference,
        low=low,
        high=high,
        verdict=verdict,
        reason=reason,
        probability=None,
        helps=(),
    )


def _plain(error: Exception, film: StudyFilm) -> str:
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
