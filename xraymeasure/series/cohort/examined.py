"""The films of a cohort held against their plans, each as on its own page.

One film is examined as a run measures it: the same reading, placing spread, draws and seed. What
was found is kept beside what the run kept, under a hash of everything it depends on.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from xraymeasure.files.atomic import write_atomically
from xraymeasure.plan.compare import Comparison, Plan
from xraymeasure.series.run.task import Task, is_whole, kept_text, read_kept
from xraymeasure.series.run.task import opened as film_and_reading
from xraymeasure.series.run.workers import map_tasks

_COMPARISON = TypeAdapter(Comparison)
_PLAN = TypeAdapter(Plan)
_FEW = 16


@dataclass(frozen=True)
class Against:
    """A reading, its plan, and the reading of the film before, where there is one."""

    task: Task
    plan: Plan
    before: Task | None = None

    @property
    def kept(self) -> Path:
        """Where the comparison is kept."""
        parts = (
            self.task.kept.name,
            self.before.kept.name if self.before else None,
            _PLAN.dump_python(self.plan, mode="json"),
        )
        key = hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()
        return self.task.kept.with_name(f"{key[:32]}.comparison.json")


def comparisons(
    tasks: Iterable[Against], *, workers: int | None = None, scheduler: str | None = None
) -> Iterator[tuple[Against, Comparison | Exception]]:
    """Yield each reading with what it is against its plan, or with why that cannot be said.

    Parameters
    ----------
    tasks : iterable of Against
    workers, scheduler
        As in `map_tasks`.
    """
    todo = []
    for task in tasks:
        if is_whole(task.kept):
            yield task, _COMPARISON.validate_python(read_kept(task.kept))
        else:
            todo.append(task)
    if todo:
        # What a run measured harms no process.
        done = map_tasks(_compare_task, todo, workers=workers, scheduler=scheduler, few=_FEW)
        for task, found in done:
            if isinstance(found, Comparison):
                record = _COMPARISON.dump_python(found, mode="json")
                write_atomically(task.kept, kept_text(record))
            yield task, found


def _compare_task(against: Against) -> Any:
    from xraymeasure.examination import examine

    task, before = against.task, None
    if against.before:
        film, reading, _ = film_and_reading(against.before)
        old = against.before
        before = examine(film, reading, draws=old.draws, seed=old.seed, cup_opens=old.opens)
    film, reading, _ = film_and_reading(task)
    return examine(
        film, reading, against.plan, before, draws=task.draws, seed=task.seed, cup_opens=task.opens
    ).comparison
