"""Measure every film of a study that has a reading; only what changed is measured again.

What was measured is kept in ``results/cache/``, one file a reading, named by a hash of everything
it depends on: the reading, the film (its content), the reader's placing spread, seed and number of
draws, and the versions of this program and of the numerical libraries. Each file is
whole or not there. The table is then put together in the order of the study, so it is the same
bytes however often the run was interrupted and in whatever order the workers finished.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from xraymeasure import __version__
from xraymeasure.errors import XrayMeasureError
from xraymeasure.files.atomic import make_folder, replaced_together, write_atomically
from xraymeasure.measuring.measure import DRAWS
from xraymeasure.series.run.summary import Failure, RunSummary
from xraymeasure.series.run.task import Task, is_whole, measure_task, read_kept
from xraymeasure.series.run.tidy_table import Row, describe_columns, write_tables
from xraymeasure.series.run.values import values_table
from xraymeasure.series.run.wide_table import wide_files
from xraymeasure.series.run.workers import TookTooLong, WorkerDied, map_tasks
from xraymeasure.series.study.frozen import freeze
from xraymeasure.series.study.placing import read_placings
from xraymeasure.series.study.readings import StudyReading, study_readings
from xraymeasure.series.study.remarks import excluded_films, study_remarks
from xraymeasure.series.study.study import Study

RESULTS = "results"
CSV_FILE = "measurements.csv"
PARQUET_FILE = "measurements.parquet"
COLUMNS_FILE = "columns.txt"
VALUES_FILE = "values.csv"
_LAYOUT = 4

FILM_SECONDS = 120.0
"""How long one reading may take to be measured; it takes about a tenth of a second."""

Progress = Callable[[int, int], None]


def run_study(
    study: Study,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    draws: int = DRAWS,
    seed: int | None = None,
    progress: Progress | None = None,
    reader: str | None = None,
    occasion: int | None = None,
    film_seconds: float | None = FILM_SECONDS,
    results: Path | None = None,
) -> RunSummary:
    """Measure what is new or changed in a study and write its table.

    Parameters
    ----------
    study : Study
        From `read_study`.
    workers : int, optional
        Processes on this machine; as many as there are cores by default, 0 for none but this one.
    scheduler : str, optional
        Address of a Dask scheduler, instead of processes here. Its workers must see the films
        under the same paths.
    draws : int
        Monte Carlo draws for the intervals; 0 gives first-order intervals.
    seed : int, optional
        The study's by default. Every reading draws from a seed of its own, derived from it.
    progress : callable, optional
        Called with the number of readings done in this run, and how many it has to do.
    reader, occasion : str, int, optional
        Measure and tabulate only that reader's readings, or those of that occasion.
    film_seconds : float, optional
        How long one reading may take; one that takes longer fails with that reason. In a worker
        that is not the main thread of its process (a Dask cluster's) only decoding is limited.
    results : pathlib.Path, optional
        Where the tables go and what was measured is kept; ``results`` in the study by default.
        Elsewhere the study is only read, and not frozen.

    Returns
    -------
    RunSummary
        A film or reading that is broken, and one whose worker died, is a failure with its reason;
        it does not end the run.

    Raises
    ------
    StudyError
        If a remark or a placing spread is broken, or the scheduler cannot be reached.

    See Also
    --------
    read_study : Reads the folder of a study.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from xraymeasure.samples import sample_folder
    >>> from xraymeasure.series.study.study import read_study
    >>> with TemporaryDirectory() as folder:
    ...     _ = Path(folder, "F1.dcm").write_bytes((sample_folder() / "before.dcm").read_bytes())
    ...     _ = Path(folder, "study.toml").write_text('''
    ...         format = "xraymeasure-study"
    ...         version = 1
    ...         films = "*.dcm"
    ...         readers = ["A"]
    ...         occasions = 1
    ...         blinded = true
    ...         seed = 1
    ...     ''')
    ...     done = run_study(read_study(folder), workers=0, draws=0)
    >>> done.measured, done.unread
    (0, 1)
    """
    started = time.monotonic()
    entries = tuple(
        entry
        for entry in study_readings(study)
        if reader in (None, entry.reader) and occasion in (None, entry.occasion)
    )
    if entries and results is None:
        freeze(study)
    excluded = excluded_films(study_remarks(study))
    # Workers may stand in another folder.
    study = replace(
        study,
        folder=study.folder.resolve(),
        films=tuple(replace(film, file=film.file.resolve()) for film in study.films),
    )
    results = results.resolve() if results else study.folder / RESULTS
    cache = make_folder(results / "cache")
    base = study.seed if seed is None else seed

    reasons: dict[Path, str] = {}
    tasks: dict[Path, Task] = {}
    films = {film.label: film for film in study.films}
    placing = read_placings(study)
    content = lru_cache(maxsize=1)(_content)  # of one film its readings follow one another
    for entry in entries:
        if (entry.film, entry.reader) in excluded:
            continue
        if entry.reading is None:
            reasons[entry.path] = entry.fault
        else:
            # A reading that states its own spread takes no other.
            own = placing[entry.reader] if entry.reading.placing_sd_px is None else None
            film = films[entry.film]
            opens = study.opens(film)
            own_seed = int.from_bytes(_hash(base, *entry.place)[:4], "big")
            key = _hash(
                *_versions(),
                entry.place,
                entry.digest,
                content(film.file),
                asdict(own) if own else None,
                opens,
                draws,
                own_seed,
            ).hex()
            tasks[entry.path] = Task(
                entry.place,
                film.file,
                entry.reading,
                own,
                draws,
                own_seed,
                cache / f"{key[:32]}.json",
                opens,
                film_seconds,
            )

    todo = {path: task for path, task in tasks.items() if not is_whole(task.kept)}
    unchanged = len(tasks) - len(todo)
    if todo:
        done = 0
        if progress:
            progress(done, len(todo))
        paths = {task.place: path for path, task in todo.items()}
        for task, outcome in map_tasks(
            measure_task, todo.values(), workers=workers, scheduler=scheduler, folder=study.folder
        ):
            if isinstance(outcome, Exception):
                reasons[paths[task.place]] = _reason(outcome, task)
            else:
                write_atomically(task.kept, outcome)
            done += 1
            if progress:
                progress(done, len(todo))

    rows = _rows(study, entries, tasks, reasons, excluded)
    summary = RunSummary(
        measured=sum(path not in reasons for path in todo),
        unchanged=unchanged,
        failed=tuple(
            Failure(*entry.place, reasons[entry.path]) for entry in entries if entry.path in reasons
        ),
        excluded=sum((entry.film, entry.reader) in excluded for entry in entries),
        unread=len(films.keys() - {entry.film for entry in entries}),
        csv=results / CSV_FILE,
        parquet=results / PARQUET_FILE,
        tasks={task.place: task for path, task in tasks.items() if path not in reasons},
        entries=entries,
        exclusions=excluded,
        draws=draws,
        seed=base,
        rows=0,
        seconds=0.0,
    )
    # One set: a wide table never stands beside the tidy table of another run.
    with replaced_together(results) as stage:
        count = write_tables(rows, stage / CSV_FILE, stage / PARQUET_FILE)
        texts = {COLUMNS_FILE: describe_columns(), VALUES_FILE: values_table(study, summary)}
        for name, text in (texts | wide_files(study, summary)).items():
            (stage / name).write_bytes(text.encode("utf-8"))
    return replace(summary, rows=count, seconds=time.monotonic() - started)


@lru_cache(maxsize=1)
def _versions() -> tuple[Any, ...]:
    return _LAYOUT, __version__, version("numpy"), version("scipy")


def _content(film: Path) -> str | None:
    """Return a hash of a film's file; two files of one size and time are still two films."""
    try:
        with film.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        # Nothing was ever kept for a film that is not there: measuring it will say why.
        return None


def _hash(*parts: Any) -> bytes:
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).digest()


def _rows(
    study: Study,
    entries: tuple[StudyReading, ...],
    tasks: dict[Path, Task],
    reasons: dict[Path, str],
    excluded: dict[tuple[str, str], str],
) -> Iterator[Row]:
    films = {film.label: film for film in study.films}
    for entry in entries:
        film = films.get(entry.film)
        head = {
            "film": entry.film,
            "subject": film.subject if film else None,
            "time_point": film.time_point if film else None,
            "day": film.day if film else None,
            "reader": entry.reader,
            "occasion": entry.occasion,
        }
        if (entry.film, entry.reader) in excluded:
            reason = excluded[entry.film, entry.reader]
            yield {**head, "status": "excluded", "reason": reason}
        elif entry.path in reasons:
            yield {**head, "status": "failed", "reason": reasons[entry.path]}
        else:
            kept = read_kept(tasks[entry.path].kept)
            for row in kept["rows"]:
                yield {**head, "placing": kept["placing"], **row}


def _reason(error: Exception, task: Task) -> str:
    if isinstance(error, WorkerDied):
        return str(error)
    if isinstance(error, TookTooLong):
        return (
            f"film {task.place[0]}: took longer than {task.seconds:g} s; look at the file, or "
            "allow more with --film-seconds"
        )
    known = isinstance(error, XrayMeasureError)
    text = str(error) if known else f"unexpected {type(error).__name__}: {error}"
    # The name of an image file may be that of a person; tables show the film's label.
    for name in (str(task.film), task.film.name):
        text = text.replace(name, f"film {task.place[0]}")
    return " ".join(text.split())
