"""Whose word stands: one rule for a study's values, its cohort, its follow-up and their pages.

One reader gives the numbers: the one who is asked for, else the one with most readings on that
occasion that could be measured, the first in ``study.toml`` where two have as many. Unless a reader
is asked for, two things go before. On the films that the study's adjudicator read, their first
reading stands. On all others the mean of the readers stands where ``study.toml`` says
``value = "mean"``.

A change is the difference of two films, in which a reader's own habit must cancel: all films of a
hip are one reader's. That is the adjudicator where they read all that the reader did; it is never
a mean.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Literal

from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.study.readings import Place
from xraymeasure.series.study.study import Study

Rule = Literal["reader", "mean", "adjudicated"]


@dataclass(frozen=True)
class Standing:
    """Whose readings stand for the films of a study.

    Attributes
    ----------
    reader, occasion
        The reader whose numbers these are, and on which of the reader's occasions.
    adjudicator : str or None
        Whose first reading stands on the films that they read.
    averaged : tuple of str
        The readers whose mean stands on all other films; empty where it is the reader alone.
    asked : bool
        Whether the reader was asked for.
    """

    reader: str
    occasion: int
    adjudicator: str | None = None
    averaged: tuple[str, ...] = ()
    asked: bool = False

    def places(self, film: str, there: Collection[Place]) -> tuple[Place, ...]:
        """Return the readings that stand for a film; of several of them the mean does."""
        if self.adjudicator and (film, self.adjudicator, 1) in there:
            return ((film, self.adjudicator, 1),)
        wanted = ((film, who, self.occasion) for who in self.averaged or (self.reader,))
        return tuple(place for place in wanted if place in there)

    def of_hip(self, films: Sequence[str], there: Collection[Place]) -> tuple[str, int]:
        """Return the one reader, and the occasion, that all films of a hip are taken from."""
        judge = self.adjudicator
        read = [film for film in films if (film, self.reader, self.occasion) in there]
        if judge and len(films) > 1 and all((film, judge, 1) in there for film in read or films):
            return judge, 1
        return self.reader, self.occasion

    def rule(self, places: Sequence[Place]) -> Rule:
        """Return by which rule the readings of one film stand."""
        if len(places) > 1:
            return "mean"
        return "adjudicated" if places[0][1] == self.adjudicator else "reader"

    def __str__(self) -> str:
        """Return whose numbers these are, in words."""
        whose = f"reader {self.reader}"
        if self.averaged:
            whose = f"the mean of readers {', '.join(self.averaged)}"
        return f"{whose}, occasion {self.occasion}"

    @property
    def why(self) -> str:
        """Why these, as sentences for a page."""
        said = (
            f"Reader {self.reader} was asked for."
            if self.asked
            else f"No reader was asked for: {self.reader} has most readings on occasion "
            f"{self.occasion} (the first named in study.toml where several have as many)."
        )
        if self.averaged:
            said = (
                "study.toml names the mean of the readers as the study's value (value = "
                '"mean"). What the readings of one film share does not average out, so the '
                "interval of a mean goes from the mean of the lower ends to that of the upper, and "
                "at least from the lowest reader's value to the highest."
            )
        if self.adjudicator:
            said += f" On films that adjudicator {self.adjudicator} read, that reading stands."
        return said

    @property
    def why_of_changes(self) -> str:
        """Why these stand for changes, as sentences for a page."""
        said = self.why
        if self.averaged:
            said = f"Changes are those of reader {self.reader}, who has most readings."
        return f"{said} All films of a hip are one reader's, so that a reader's habit cancels."


def standing_of(
    study: Study, summary: RunSummary, reader: str | None = None, occasion: int = 1
) -> Standing:
    """Return whose word stands in a study.

    Parameters
    ----------
    study : Study
    summary : RunSummary
        Of this study as it stands.
    reader : str, optional
        Who is asked for.
    occasion : int
        Which of the readers' occasions; an adjudicator's is the first.

    Raises
    ------
    StudyError
        If the study has no such reader or occasion.
    """
    study.check_reader(reader or study.readers[0], occasion)
    if reader is not None:
        return Standing(reader, occasion, asked=True)
    peers = study.peers or study.readers
    read = Counter(who for _, who, when in summary.kept if when == occasion)
    return Standing(
        max(peers, key=lambda who: read[who]),
        occasion,
        study.adjudicator if occasion == 1 else None,
        tuple(who for who in peers if read[who]) if study.value == "mean" else (),
    )


def mean_of(numbers: Sequence[tuple[float, float, float]]) -> tuple[float, float, float]:
    """Return the mean of values with their intervals, each ``(value, low, high)``.

    Errors that the readings share (of the known diameter, the tube, the depth) do not average out,
    and how much they share is not known. The standard deviation of a mean is at most the mean of
    the standard deviations, whatever the correlation, so the interval is that of wholly shared
    errors; where readers lie further apart than that, it reaches from the lowest to the highest.

    Examples
    --------
    >>> mean_of([(40.0, 37.0, 43.0), (42.0, 40.0, 44.0)])
    (41.0, 38.5, 43.5)
    >>> mean_of([(40.0, 39.5, 40.5), (46.0, 45.5, 46.5)])
    (43.0, 40.0, 46.0)
    """
    values, lows, highs = zip(*numbers, strict=True)
    return (fmean(values), min(fmean(lows), min(values)), max(fmean(highs), max(values)))
