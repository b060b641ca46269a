"""Propose landmarks on every film of a study, for a person to look through and confirm.

The proposals go to ``results/proposals/``, never to ``readings/``: what nobody confirmed is no
reading of anybody, and a blinded reader does not see it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from xraymeasure.detect.propose import HipProposal, propose, proposed_reading
from xraymeasure.detect.text import nothing_text, proposal_text
from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import make_folder, write_atomically
from xraymeasure.film.film import Film
from xraymeasure.film.read import read_film
from xraymeasure.reading.file import format_reading
from xraymeasure.series.run.workers import map_tasks
from xraymeasure.series.study.readings import Place, study_readings
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side

PROPOSALS = "results/proposals"
_HALF_MM, _PICTURE_PX = 62.0, 220
UNKNOWN_HEAD = "The head's diameter is not in the study's table: the scale is a usual one."


@dataclass(frozen=True)
class _Task:
    label: str
    file: Path
    head_diameter_mm: float | None
    side: Side | None


@dataclass(frozen=True, eq=False)
class Shown:
    """One proposed hip as a small picture.

    Attributes
    ----------
    film : str
        The film's label in the study.
    hip : HipProposal
    greys : numpy.ndarray of uint8, shape (rows, columns)
        The film about the hip.
    outlines : mapping of str to numpy.ndarray
        Landmarks as rows and columns of `greys`.
    doubts : tuple of str
        Why it is doubtful; empty when it is not.
    """

    film: str
    hip: HipProposal
    greys: np.ndarray
    outlines: dict[str, np.ndarray]
    doubts: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Found:
    reading: str
    text: str
    shown: tuple[Shown, ...]


@dataclass(frozen=True, eq=False)
class StudyProposals:
    """What was proposed in a study.

    Attributes
    ----------
    shown : tuple of Shown
        Every proposed hip, the doubtful ones first.
    nothing : mapping of str to str
        Labels of the films on which nothing was found, and what there is to say of that.
    failed : mapping of str to str
        Labels of the films that could not be looked at, and why.
    """

    shown: tuple[Shown, ...]
    nothing: dict[str, str]
    failed: dict[str, str]

    def __str__(self) -> str:
        """Return what was done as one line."""
        doubtful = sum(bool(each.doubts) for each in self.shown)
        parts = [
            f"hips proposed: {len(self.shown)}, of them doubtful: {doubtful}",
            f"films with nothing found: {len(self.nothing)}",
        ]
        parts += [f"films that failed: {len(self.failed)}"] if self.failed else []
        return ", ".join(parts)


def propose_study(
    study: Study,
    *,
    reader: str | None = None,
    occasion: int = 1,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> StudyProposals:
    """Look for replaced hips on every film of a study and write what is proposed.

    Parameters
    ----------
    study : Study
    reader, occasion : str, int, optional
        Look only at films that this reader has not read on that occasion.
    workers, scheduler, progress
        As in `run_study`.

    Raises
    ------
    StudyError
        If the study has no films or no such reader or occasion, or the scheduler cannot be reached.
    """
    if not study.films:
        raise StudyError(f"{study.folder}: the study has no films to propose on")
    read: set[Place] = set()
    if reader is not None:
        study.check_reader(reader, occasion)
        read = {entry.place for entry in study_readings(study)}
    tasks = [
        _Task(film.label, film.file, film.head_diameter_mm, film.side)
        for film in study.films
        if (film.label, reader, occasion) not in read
    ]
    order = {task.label: number for number, task in enumerate(tasks)}
    shown: list[Shown] = []
    nothing, failed = {}, {}
    for done, (task, outcome) in enumerate(
        map_tasks(_propose_task, tasks, workers=workers, scheduler=scheduler), start=1
    ):
        if isinstance(outcome, Exception):
            failed[task.label] = str(outcome)
        elif isinstance(outcome, str):
            nothing[task.label] = outcome
        else:
            path = study.folder / PROPOSALS / f"{task.label}.reading.json"
            make_folder(path.parent)
            write_atomically(path, outcome.reading)
            shown += outcome.shown
        if progress:
            progress(done, len(tasks))
    shown.sort(key=lambda each: (-len(each.doubts), -each.hip.misfit * bool(each.doubts),
                                 order[each.film], each.hip.side))  # fmt: skip
    return StudyProposals(
        tuple(shown),
        {label: nothing[label] for label in sorted(nothing, key=order.__getitem__)},
        failed,
    )


def _propose_task(task: _Task) -> _Found | str:
    """Return what is proposed on one film, or why nothing; importable in another process."""
    film = read_film(task.file)
    known = task.head_diameter_mm
    heads = {task.side: known} if task.side and known else known
    found = propose(film, head_diameter_mm=heads, side=task.side)
    if not found.hips:
        return nothing_text(found)
    reading = proposed_reading(film, found, head_diameter_mm=heads)
    further = () if known else (UNKNOWN_HEAD,)
    shown = tuple(_shown(task.label, film, hip, (*hip.doubts, *further)) for hip in found.hips)
    return _Found(format_reading(reading), proposal_text(found), shown)


def _shown(label: str, film: Film, hip: HipProposal, doubts: tuple[str, ...]) -> Shown:
    head = np.array(hip.landmarks[f"femoral_head_{hip.side}"])
    pixel = hip.head_diameter_on_film_mm / float(np.ptp(head[:, 0]))
    half = _HALF_MM / pixel
    step = max(1, round(2.0 * half / _PICTURE_PX))
    low = np.maximum(np.floor(head.mean(axis=0) - half), 0).astype(int)
    high = np.minimum(low + int(2 * half), film.shape)
    part = film.display()[low[0] : high[0] : step, low[1] : high[1] : step]
    outlines = {
        name: (np.array(points) - low) / step
        for name, points in hip.landmarks.items()
        if LANDMARKS[name].side == hip.side
    }
    return Shown(label, hip, np.round(255 * part).astype(np.uint8), outlines, doubts)
