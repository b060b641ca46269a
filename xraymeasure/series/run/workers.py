"""The same map over processes of this machine or over a Dask cluster, bounded and unbreakable.

At most a few tasks are under way at a time, so memory does not grow with their number. A task
that kills its worker is told from its neighbours by running the suspects one at a time.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from xraymeasure.errors import StudyError

Task = TypeVar("Task")
_AHEAD = 4
ANSWERS_WITHIN = "5s"
"""How long a Dask scheduler may take to answer."""
# A film is small work: one thread each, or the workers fight over the cores.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class WorkerDied(Exception):
    """The process that worked on a task ended: out of memory, or a crash in a decoder."""


class TookTooLong(Exception):
    """A task took longer than it may."""


@contextmanager
def time_limit(seconds: float | None) -> Iterator[None]:
    """Raise `TookTooLong` in a block that takes longer; only in a main thread, where one can."""
    main = threading.current_thread() is threading.main_thread()
    if seconds is None or not main or not hasattr(signal, "setitimer"):
        yield
        return

    def stop(*_: object) -> None:
        raise TookTooLong

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def map_tasks(
    function: Callable[[Task], Any],
    tasks: Iterable[Task],
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    folder: Path | None = None,
    few: int = 0,
) -> Iterator[tuple[Task, Any | Exception]]:
    """Yield every task with its result, or with the exception it ended in, as they finish.

    Parameters
    ----------
    function : callable
        Of one task; importable by its name in another process, as are its arguments and result.
    tasks : iterable
        Taken up as workers become free.
    workers : int, optional
        Processes on this machine; as many as there are cores by default. With 0 the tasks run in
        this process, one after the other, where one that crashes takes everything with it.
    scheduler : str, optional
        Address of a Dask scheduler, ``tcp://host:8786`` for example, whose workers see the same
        files under the same paths; `workers` is then the cluster's affair.
    folder : Path, optional
        Which every worker of the cluster must see, before the first task is handed out.
    few : int
        Up to so many tasks are done in this process where nothing else is asked for: to start
        others would take longer.

    Raises
    ------
    StudyError
        If no process can be started here, the scheduler cannot be reached, is lost or has no
        workers, one of them does not see the folder, or the extra is not installed.
    """
    if scheduler is not None:
        with _cluster(scheduler, folder) as (executor, width):
            yield from _bounded(executor, function, iter(tasks), width)
        return
    if few and workers is None:
        tasks = list(tasks)
        workers = 0 if len(tasks) <= few else None
    if workers == 0:
        yield from ((task, _outcome(function, task)) for task in tasks)
        return
    width = workers or _cores()
    source = iter(tasks)
    while True:
        suspects: list[Task] = []
        with _pool(width) as executor:
            for task, outcome in _bounded(executor, function, source, width):
                if isinstance(outcome, BrokenProcessPool):
                    suspects.append(task)
                else:
                    yield task, outcome
        if not suspects:
            return
        _check_that_workers_start()
        for task in suspects:
            with _pool(1) as executor:
                for _, outcome in _bounded(executor, function, iter([task]), 1):
                    died = isinstance(outcome, BrokenProcessPool)
                    yield task, WorkerDied(WorkerDied.__doc__) if died else outcome


def _outcome(function: Callable[[Task], Any], task: Task) -> Any | Exception:
    try:
        return function(task)
    except Exception as error:
        return error


def _cores() -> int:
    # Where the system can tell, only the cores this process may use.
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def _bounded(
    executor: Executor, function: Callable[[Task], Any], source: Iterator[Task], width: int
) -> Iterator[tuple[Task, Any | Exception]]:
    """Keep `width` workers busy; stop taking tasks once the pool is broken."""
    running: dict[Future[Any], Task] = {}
    broken = False
    try:
        while True:
            while not broken and len(running) < _AHEAD * width:
                task = next(source, None)
                if task is None:
                    break
                try:
                    running[executor.submit(function, task)] = task
                except BrokenProcessPool as error:
                    broken = True
                    yield task, error
            if not running:
                return
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                task = running.pop(future)
                if future.cancelled():
                    # Nothing is cancelled here: the scheduler is gone, and would be waited for.
                    raise StudyError(
                        "the Dask scheduler was lost; run again, what was measured is kept"
                    )
                raised = future.exception()
                broken = broken or isinstance(raised, BrokenProcessPool)
                yield task, raised if raised is not None else future.result()
    finally:
        for future in running:
            future.cancel()


@contextmanager
def _pool(width: int) -> Iterator[Executor]:
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ |= dict.fromkeys(_ONE_THREAD, "1")
    # Fresh processes: a fork would copy the locks of whatever threads run here.
    executor = ProcessPoolExecutor(
        width, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_parent
    )
    try:
        yield executor
    finally:
        executor.shutdown(cancel_futures=True)
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _check_that_workers_start() -> None:
    """Raise where it is no task that ends a worker: each would be tried, one by one."""
    with _pool(1) as executor:
        try:
            executor.submit(int).result()
        except BrokenProcessPool:
            raise StudyError(
                "no worker process starts here. A script of your own must call this under "
                '`if __name__ == "__main__":`; or work without others (--workers 0, workers=0)'
            ) from None


def _end_with_parent() -> None:
    """Make sure that a worker does not outlive a run that was killed."""

    def watch() -> None:
        parent = multiprocessing.parent_process()
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@contextmanager
def _cluster(address: str, folder: Path | None) -> Iterator[tuple[Executor, int]]:
    distributed = _import_distributed()
    try:
        client = distributed.Client(address, timeout=ANSWERS_WITHIN, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise StudyError(
            f"{address}: no Dask scheduler answers there ({error}); check address and port"
        ) from None
    with client:
        width = sum(client.nthreads().values())
        if not width:
            raise StudyError(f"{address}: the Dask scheduler has no workers; start some")
        if folder is not None:
            blind = [
                who for who, sees in client.run(os.path.isdir, str(folder)).items() if not sees
            ]
            if blind:
                raise StudyError(
                    f"{folder}: {len(blind)} of the cluster's workers do not see this folder "
                    f"({', '.join(sorted(blind)[:3])}); mount it there under the same path"
                )
        executor = client.get_executor(pure=False)
        try:
            yield executor, width
        finally:
            executor.shutdown(wait=False)


def _import_distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise StudyError(
            "running over a cluster needs Dask's distributed; install it with: "
            "pip install 'xraymeasure[cluster]'"
        ) from None
    return distributed
