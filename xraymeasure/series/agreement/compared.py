"""Which readings of a study agreement holds against one another, and which it cannot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from xraymeasure.series.run.flow import Stage, flow_of_run, losses
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.study.study import Study

Column = tuple[str, int]
"""Reader and occasion."""


def comparisons_of(
    study: Study, reader: str | None, occasion: int
) -> list[tuple[str, tuple[Column, ...]]]:
    """Return what is compared, as a person calls it, and by which readers and occasions."""
    found: list[tuple[str, tuple[Column, ...]]] = []
    if len(study.peers) > 1 and reader is None:
        label = f"between readers {', '.join(study.peers)}"
        found.append((label, tuple((who, occasion) for who in study.peers)))
    if study.occasions > 1:
        found += [
            (f"within reader {who}", tuple((who, n + 1) for n in range(study.occasions)))
            for who in ((reader,) if reader else study.peers)
        ]
    return found


def flow_of_agreement(
    study: Study, summary: RunSummary, compared: Sequence[set[Column]]
) -> tuple[Stage, ...]:
    """Return the stages of a run, and how many readings were held against another."""
    hips: dict[str, dict[Column, str]] = defaultdict(dict)
    for (film, reader, occasion), task in summary.tasks.items():
        hips[film][reader, occasion] = task.reading.operated_side
    alone = []
    for film, read in hips.items():
        for column, side in read.items():
            beside = {
                other
                for columns in compared
                if column in columns
                for other in columns & read.keys() - {column}
            }
            if not any(column in columns for columns in compared):
                alone.append((film, "of a reader or occasion that is not compared"))
            elif not beside:
                alone.append((film, "no other reading of the film to hold it against"))
            elif side not in {read[other] for other in beside}:
                alone.append((film, "of the other hip than what it would be held against"))
    *stages, measured = flow_of_run(study, summary)
    stages.append(replace(measured, lost=losses(alone)))
    return (*stages, Stage("readings compared", "readings", measured.n - len(alone)))


def second_rows(study: Study, summary: RunSummary) -> frozenset[str]:
    """Return the labels of films that were read under an earlier label too."""
    read = {label for label, _, _ in summary.kept}
    first: dict[Path, str] = {}
    for film in study.films:
        if film.label in read:
            first.setdefault(film.file, film.label)
    return frozenset(read - set(first.values()))
