"""What became of every film and reading of a study: how many at each stage, and why not more.

Nothing is lost between two stages without a reason: the count of a stage is that of the stage
before it less what the reasons between them add up to.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from xraymeasure.files.tables import csv_text
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.study.entering import rows_left_out
from xraymeasure.series.study.sorting import KINDS
from xraymeasure.series.study.study import Study

_KIND_WORDS = {str(kind): words for kind, words in KINDS.items()}
_CSV = ("stage", "counted", "n", "reason", "lost", "which")


@dataclass(frozen=True)
class Loss:
    """Why something did not reach the next stage, and what it was."""

    reason: str
    which: tuple[str, ...]


@dataclass(frozen=True)
class Stage:
    """One stage.

    Attributes
    ----------
    name, counted : str
        What it is, and what is counted: films, readings or hips.
    n : int
        How many there are.
    lost : tuple of Loss
        Why there are not as many at the next stage.
    """

    name: str
    counted: str
    n: int
    lost: tuple[Loss, ...] = ()

    @property
    def remaining(self) -> int:
        """How many go on to the next stage that counts the same."""
        return self.n - sum(len(loss.which) for loss in self.lost)


def losses(pairs: Iterable[tuple[str, str]]) -> tuple[Loss, ...]:
    """Return losses from pairs of what was lost and why, the most frequent reason first."""
    found: dict[str, list[str]] = defaultdict(list)
    for which, why in pairs:
        found[why].append(which)
    ranked = sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))
    return tuple(Loss(why, tuple(which)) for why, which in ranked)


def flow_of_run(study: Study, run: RunSummary) -> tuple[Stage, ...]:
    """Return the stages of a run: films listed, readings asked for, and readings measured.

    Every reader is asked for every film on every occasion that the study names, an adjudicator for
    those alone that they read. Where the study was sorted out of a folder, the files found come
    first.
    """
    there = {entry.place for entry in run.entries}
    asked = [
        (film.label, reader, occasion)
        for film in study.films
        for reader in study.readers
        for occasion in range(1, study.occasions + 1)
        if reader != study.adjudicator or (film.label, reader, occasion) in there
    ]
    faults = {(each.film, each.reader, each.occasion): each.reason for each in run.failed}

    def why(place: tuple[str, str, int]) -> str | None:
        film, reader, occasion = place
        if (film, reader) in run.exclusions:
            return f"excluded by {reader}: {run.exclusions[film, reader]}"
        if place not in there:
            return f"not read by {reader} on occasion {occasion}"
        if place in faults:
            # The name of the file is in the second column already.
            return faults[place].rpartition(".reading.json: ")[2] or faults[place]
        return None

    lost = losses((place[0], reason) for place in asked if (reason := why(place)))
    stray = losses((place[0], reason) for place, reason in faults.items() if place not in asked)
    left_out = rows_left_out(study.folder)
    files = {film.file for film in study.films}
    found = losses((row["label"], _KIND_WORDS.get(row["kind"], row["kind"])) for row in left_out)
    sorted_out = [Stage("files found", "files", len(files) + len(left_out), found)]
    stages = [
        *(sorted_out if left_out else ()),
        Stage("films in the study", "films", len(study.films)),
        Stage("readings asked for", "readings", len(asked), lost),
        Stage("readings measured", "readings", len(run.kept)),
    ]
    if stray:
        count = sum(len(loss.which) for loss in stray)
        stages.insert(-1, Stage("files that are no reading of the study", "files", count, stray))
    return tuple(stages)


def flow_csv(stages: Iterable[Stage]) -> str:
    """Return stages as a table: one row a stage, and one a reason after it."""
    return csv_text(_CSV, _rows(stages))


def _rows(stages: Iterable[Stage]) -> Iterator[dict[str, object]]:
    for stage in stages:
        yield {"stage": stage.name, "counted": stage.counted, "n": stage.n}
        for loss in stage.lost:
            yield {
                "stage": stage.name,
                "counted": stage.counted,
                "reason": loss.reason,
                "lost": len(loss.which),
                "which": " ".join(loss.which),
            }
