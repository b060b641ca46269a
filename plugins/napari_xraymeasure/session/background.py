"""What takes longer than a frame, done beside the window: the drawn intervals, and the page.

An error that leaves a worker makes napari raise another one in its place, so that each worker
returns its error as a sentence.
"""

from __future__ import annotations

from pathlib import Path

from napari.qt.threading import thread_worker

from napari_xraymeasure.session.numbers import Numbers, numbers
from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.film import Film
from xraymeasure.plan.compare import Plan
from xraymeasure.reading.reading import Reading
from xraymeasure.report.subject import Subject


@thread_worker
def final_numbers(film: Film, reading: Reading, plan: Plan | None) -> Numbers:
    """Return the numbers as the command line gives them."""
    try:
        return numbers(film, reading, plan, final=True)
    except Exception as error:
        return Numbers(problem=f"Measuring failed ({type(error).__name__}: {error}); report this")


@thread_worker
def write_page(
    film: Film, reading: Reading, plan: Plan | None, folder: Path, stem: str
) -> list[Path] | str:
    """Write page and tables; return the files, or why there are none."""
    try:
        from xraymeasure.report.write import write_report

        result = numbers(film, reading, plan, final=True)
        if result.measurements is None:
            return result.problem or "nothing is placed yet"
        found = Subject(film, reading, result.measurements, plan, comparison=result.comparison)
        return write_report(found, folder / stem, stem)
    except XrayMeasureError as error:
        return str(error)
    except Exception as error:
        return f"{type(error).__name__}: {error}; report this"
