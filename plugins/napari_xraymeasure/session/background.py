"""What takes longer than a frame, done beside the window: the drawn intervals, and the page.

An error that leaves a worker makes napari raise another one in its place, so that each worker
returns its error as a sentence.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from napari.qt.threading import thread_worker

from napari_xraymeasure.session.numbers import Numbers, numbers
from xraymeasure.detect.propose import Proposals, propose
from xraymeasure.errors import XrayMeasureError
from xraymeasure.examination import Examination
from xraymeasure.film.film import Film
from xraymeasure.plan.plan import Plan
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import Side


@thread_worker
def final_numbers(
    film: Film, reading: Reading, plan: Plan | None, before: Examination | None
) -> Numbers:
    """Return the numbers as the command line gives them."""
    try:
        return numbers(film, reading, plan, before, final=True)
    except Exception as error:
        return Numbers(problem=f"Measuring failed ({type(error).__name__}: {error}); report this")


@thread_worker
def write_page(
    film: Film,
    reading: Reading,
    plan: Plan | None,
    before: Examination | None,
    folder: Path,
    stem: str,
) -> list[Path] | str:
    """Write page and tables; return the files, or why there are none."""
    try:
        result = numbers(film, reading, plan, before, final=True)
        if result.found is None:
            return result.problem or "nothing is placed yet"
        return result.found.write(folder / stem, stem)
    except XrayMeasureError as error:
        return str(error)
    except Exception as error:
        return f"{type(error).__name__}: {error}; report this"


@thread_worker
def found_implants(film: Film, head_diameter_mm: Mapping[Side, float]) -> Proposals | None:
    """Return what the program proposes on a film, None where it fails; it is only an offer."""
    try:
        return propose(film, head_diameter_mm=head_diameter_mm)
    except Exception:
        return None
