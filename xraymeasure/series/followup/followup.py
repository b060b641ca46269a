"""The same hip over time: every later film against the first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from xraymeasure.change.changes import changes_between
from xraymeasure.change.kinds import KINDS
from xraymeasure.change.positioning import Comparable, Visit, visit_of
from xraymeasure.change.result import Change, Changes
from xraymeasure.change.trend import Trend, slope
from xraymeasure.change.verdicts import ERROR
from xraymeasure.errors import StudyError
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.reading.reading import Reading
from xraymeasure.series.run.flow import Stage, flow_of_run, losses
from xraymeasure.series.run.methods import run_methods, run_settings
from xraymeasure.series.run.standing import standing_of
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.run.task import kept_measurements, read_kept
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.readings import StudyReading, has_cup
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.landmarks import Side

DAYS_PER_YEAR = 365.25
FLAGS = ("changed", "not resolved")
"""Verdicts that say that something was shown."""

Against = Literal["beyond", "below", "undecided"]


@dataclass(frozen=True)
class Step:
    """A later film, and what changed since the first."""

    visit: Visit
    changes: Changes


@dataclass(frozen=True)
class FollowUp:
    """One hip over time.

    Attributes
    ----------
    side : {"left", "right"}
        The hip.
    first : Visit
        The film that all others are held against.
    steps : tuple of Step
        The later films, in order of time.
    subject : str
        Pseudonym; may be empty.
    stem_type : str or None
        In words.
    subsidence_threshold_mm : float or None
        What counts as subsidence for that stem.
    limits : Comparable
        From where on a difference in position is pointed out.
    left_out : tuple of (str, str)
        Films of this hip that did not enter, and why.
    since_last : Changes or None
        From the last film but one to the last; None where there are only two.
    methods : str
        How the films were read and measured, for a paper.
    """

    side: Side
    first: Visit
    steps: tuple[Step, ...]
    subject: str = ""
    stem_type: str | None = None
    subsidence_threshold_mm: float | None = None
    limits: Comparable = field(default_factory=Comparable)
    left_out: tuple[tuple[str, str], ...] = ()
    since_last: Changes | None = None
    methods: str = ""

    @property
    def pairs(self) -> tuple[Changes, ...]:
        """All pairs of films that were judged together."""
        return (*(step.changes for step in self.steps), *filter(None, (self.since_last,)))

    @property
    def flagged(self) -> bool:
        """Whether any change is shown on any pair of films."""
        return any(row.verdict in FLAGS for changes in self.pairs for row in changes.rows)

    @property
    def trends(self) -> tuple[Trend, ...]:
        """The slope of every change that three films or more tell, in the order of `KINDS`."""
        found = []
        for name in KINDS:
            rows = [row for step in self.steps if (row := step.changes.row(name))]
            if name == "head_penetration" or len(rows) < 2:
                continue
            years = [row.years or 0.0 for row in rows]
            u = [(row.high - row.low) / (2.0 * COVERAGE) for row in rows]
            per_year = slope(years, [row.value for row in rows], u)
            found.append(Trend(name, per_year, len(rows) + 1))
        return tuple(found)

    @property
    def last(self) -> Step:
        """The latest film."""
        return self.steps[-1]

    def years_to(self, step: Step) -> float:
        """Return how many years after the first film a later one was taken."""
        return step.visit.years - self.first.years

    def subsidence(self, change: Change) -> Against | None:
        """Return how a subsidence stands to the stem's threshold; None where there is none.

        ``beyond`` and ``below`` where the whole interval is, else ``undecided``.
        """
        limit = self.subsidence_threshold_mm
        if limit is None or change.verdict == "not comparable":
            return None
        if change.low > limit:
            return "beyond"
        return "below" if change.high < limit else "undecided"


@dataclass(frozen=True)
class StudyFollowUp:
    """The hips of a study that were filmed more than once.

    Attributes
    ----------
    hips : tuple of FollowUp
        In the order of the study; iterating over this object gives them.
    left_out : tuple of (str, str)
        Hips without a follow-up that were filmed more than once, and why.
    title : str
        Of the study.
    methods : str
        How the films were read and measured, for a paper.
    flow : tuple of Stage
        From films to hips, with what was lost on the way.
    """

    hips: tuple[FollowUp, ...]
    left_out: tuple[tuple[str, str], ...]
    title: str = ""
    methods: str = ""
    flow: tuple[Stage, ...] = ()

    def __iter__(self) -> Iterator[FollowUp]:
        return iter(self.hips)

    def __len__(self) -> int:
        return len(self.hips)


def followup_of(
    visits: Sequence[Visit], *, subject: str = "", limits: Comparable | None = None, **about: Any
) -> FollowUp:
    """Return what changed in a hip since its first film.

    Parameters
    ----------
    visits : sequence of Visit
        Two films or more of one hip, in any order.
    subject, limits, **about
        Any other attribute of `FollowUp`.

    Raises
    ------
    StudyError
        If there are fewer than two films, the index side differs, or two films are of one moment.
    """
    ordered = sorted(visits, key=lambda visit: visit.years)
    name = f"hip of {subject}" if subject else "hip"
    if len(ordered) < 2:
        raise StudyError(f"{name}: follow-up needs two films; there is {len(ordered)}")
    sides = {visit.side for visit in ordered}
    if len(sides) > 1:
        raise StudyError(f"{name}: the films have different index sides; give films of one hip")
    if len({visit.years for visit in ordered}) < len(ordered):
        raise StudyError(f"{name}: two films are of the same day; choose one of them")
    limits = limits or Comparable()
    first, *later = ordered
    # The error is that of the hip: every pair of its films has a share of it.
    error = ERROR / (len(later) + (len(later) > 1))
    return FollowUp(
        side=first.side,
        first=first,
        steps=tuple(
            Step(visit, changes_between(visit, first, limits, error=error)) for visit in later
        ),
        subject=subject,
        limits=limits,
        since_last=(
            changes_between(later[-1], later[-2], limits, error=error) if len(later) > 1 else None
        ),
        **about,
    )


def followup_of_study(
    study: Study, summary: RunSummary, reader: str | None = None, occasion: int = 1
) -> StudyFollowUp:
    """Follow each hip of a study.

    All films of a hip are taken from one reader and occasion, so that a reader's own habit does
    not look like a change of the hip. Films without a replaced index hip, such as those before
    the operation, do not enter.

    Parameters
    ----------
    study : Study
    summary : RunSummary
        Of this study as it stands.
    reader : str, optional
        Whose readings; by default what `standing_of` rules.
    occasion : int
        Which of the reader's occasions.

    Raises
    ------
    StudyError
        If the study has no such reader or occasion.
    """
    standing = standing_of(study, summary, reader, occasion)
    entries = {entry.place: entry for entry in summary.entries}
    hips: dict[tuple[str, Side], list[StudyFilm]] = defaultdict(list)
    for film in study.films:
        for side in sorted(_sides_read(film, entries, occasion)):
            hips[film.subject, side].append(film)
    followed, left_out = [], []
    methods = f"{run_methods(run_settings(study, summary))} {standing.why_of_changes}"
    for (subject, side), films in hips.items():
        if len(films) < 2:
            continue
        chosen, when = standing.of_hip([film.label for film in films], summary.kept)
        visits, dropped = [], []
        for film in films:
            place = film.label, chosen, when
            entry = entries.get(place)
            if place not in summary.kept or entry is None or entry.reading is None:
                dropped.append((film.label, summary.why_not_measured(film.label, [chosen])))
            elif film.day is None:
                dropped.append((film.label, "the table of films does not say its day"))
            elif entry.reading.operated_side != side:
                dropped.append((film.label, "the reading is of the other hip"))
            elif not has_cup(entry.reading, side):
                dropped.append((film.label, "no cup on it: before the operation"))
            else:
                visits.append(_visit(film, film.day, entry.reading, summary.kept[place]))
        visits, twins = _one_a_day(visits, study.same_day)
        dropped += twins
        try:
            followed.append(
                followup_of(
                    visits,
                    subject=subject,
                    stem_type=study.stem_type,
                    subsidence_threshold_mm=study.subsidence_threshold_mm,
                    limits=Comparable(**study.comparable),
                    left_out=tuple(dropped),
                    methods=methods,
                )
            )
        except StudyError as error:
            reasons = "; ".join(f"{label}: {why}" for label, why in dropped)
            # The hip is named beside it.
            why = str(error).removeprefix(f"hip of {subject}: ")
            left_out.append((f"{subject} {side}", f"{why}{f' ({reasons})' if reasons else ''}"))
    once = [(_hip(key), "filmed once") for key, films in hips.items() if len(films) < 2]
    return StudyFollowUp(
        tuple(followed),
        tuple(left_out),
        study.title,
        methods,
        (
            *flow_of_run(study, summary),
            Stage("hips read", "hips", len(hips), losses([*once, *left_out])),
            Stage("hips followed", "hips", len(followed)),
        ),
    )


def _hip(key: tuple[str, Side | None]) -> str:
    return " ".join(filter(None, key))


def _sides_read(
    film: StudyFilm, entries: dict[tuple[str, str, int], StudyReading], occasion: int
) -> set[Side]:
    """Return the hips that a film stands for: the study's word, else its readings'."""
    if film.side:
        return {film.side}
    return {
        entry.reading.operated_side
        for (label, _, when), entry in entries.items()
        if label == film.label and when == occasion and entry.reading is not None
    }


def _one_a_day(
    visits: Sequence[Visit], rule: Literal["first", "last"]
) -> tuple[list[Visit], list[tuple[str, str]]]:
    """Return one film a day, and the others with the reason why they do not stand."""
    kept: dict[float, Visit] = {}
    dropped = []
    for visit in visits:
        other = kept.setdefault(visit.years, visit)
        if other is visit:
            continue
        if rule == "last":
            kept[visit.years], other, visit = visit, visit, other
        why = f"of the same day as {other.label}, which stands (same_day = {rule!r} in study.toml)"
        dropped.append((visit.label, why))
    return list(kept.values()), dropped


def _visit(film: StudyFilm, day: int, reading: Reading, kept: Path) -> Visit:
    return visit_of(
        day / DAYS_PER_YEAR,
        kept_measurements(kept, reading),
        reading,
        label=film.time_point or film.label,
        view=read_kept(kept)["view"],
    )
