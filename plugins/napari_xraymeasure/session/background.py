"""What takes longer than a frame, done beside the window: the drawn intervals, and the page.

An error that leaves a worker makes napari raise another one in its place, so that each worker
returns its error as a sentence.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from napari.qt.threading import thread_worker

from napari_xraymeasure.session.numbers import Numbers, numbers
from xraymeasure.detect.propose import Proposals, propose
from xraymeasure.errors import XrayMeasureError
from xraymeasure.examination import Examination
from xraymeasure.film.film import Film
from xraymeasure.plan.plan import Plan
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import Side


class _Given:
    """What a worker works on, to be taken once: napari keeps workers that have ended."""

    def __init__(self, *what: Any) -> None:
        self._what = what

    def take(self) -> tuple[Any, ...]:
        what, self._what = self._what, ()
        return what


def final_numbers(
    film: Film, reading: Reading, plan: Plan | None, before: Examination | None
) -> Any:
    """Return a worker that returns the numbers as the command line gives them."""
    return _final_numbers(_Given(film, reading, plan, before))


def write_page(
    film: Film,
    reading: Reading,
    plan: Plan | None,
    before: Examination | None,
    folder: Path,
    stem: str,
) -> Any:
    """Return a worker that writes page and tables and returns the files, or why there are none."""
    return _write_page(_Given(film, reading, plan, before), folder, stem)


def found_implants(film: Film, head_diameter_mm: Mapping[Side, float]) -> Any:
    """Return a worker that returns what the program proposes, None where it fails: an offer."""
    return _found_implants(_Given(film), head_diameter_mm)


@thread_worker
def _final_numbers(given: _Given) -> Numbers:
    try:
        return numbers(*given.take(), final=True)
    except Exception as error:
        return Numbers(problem=f"Measuring failed ({type(error).__name__}: {error}); report this")


@thread_worker
def _write_page(given: _Given, folder: Path, stem: str) -> list[Path] | str:
    try:
        result = numbers(*given.take(), final=True)
        if result.found is None:
            return result.problem or "nothing is placed yet"
        return result.found.write(folder / stem, stem)
    except XrayMeasureError as error:
        return str(error)
    except Exception as error:
        return f"{type(error).__name__}: {error}; report this"


@thread_worker
def _found_implants(given: _Given, head_diameter_mm: Mapping[Side, float]) -> Proposals | None:
    try:
        return propose(*given.take(), head_diameter_mm=head_diameter_mm)
    except Exception:
        return None
