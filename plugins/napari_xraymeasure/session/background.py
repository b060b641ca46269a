"""What takes longer than a frame, done beside the window: the drawn intervals, and the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from qtpy.QtCore import QObject, QTimer

from napari_xraymeasure.session.numbers import Numbers, numbers
from xraymeasure.carry.carry import Carried, carry
from xraymeasure.detect.propose import Proposals, propose
from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.film import Film
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import Side

LOOK_MS = 20
"""How often it is looked whether something has come."""


class Background(QObject):
    """Work in threads, whose results are fetched by the window when it has time for them.

    Fetched and not sent: a thread that outlives the window has nobody to send anything to.
    """

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._threads = ThreadPoolExecutor(2)
        self._awaited: list[tuple[Future[Any], Callable[[Any], None]]] = []
        self._timer = QTimer(self)
        self._timer.setInterval(LOOK_MS)
        self._timer.timeout.connect(self._fetch)

    def start(self, then: Callable[[Any], None], work: Callable[..., Any], *given: Any) -> None:
        """Do `work` with what is given, then `then` with its result, here."""
        self._awaited.append((self._threads.submit(work, *given), then))
        self._timer.start()

    def end(self) -> None:
        """Wait for nothing any longer."""
        self._timer.stop()
        self._awaited.clear()
        self._threads.shutdown(wait=False, cancel_futures=True)

    def _fetch(self) -> None:
        # One after the other: what a receiver that fails leaves behind comes the next time.
        while come := next((each for each in self._awaited if each[0].done()), None):
            self._awaited.remove(come)
            future, then = come
            then(future.result())
        if not self._awaited:
            self._timer.stop()


def final_numbers(*inputs: Any) -> Numbers:
    """Return the numbers of a session's inputs as the command line gives them."""
    try:
        return numbers(*inputs, final=True)
    except Exception as error:
        return Numbers(problem=f"Measuring failed ({type(error).__name__}: {error}); report this")


def write_page(inputs: tuple[Any, ...], folder: Path, stem: str) -> list[Path] | str:
    """Write page and tables; return the files, or why there are none."""
    try:
        result = numbers(*inputs, final=True)
        if result.found is None:
            return result.problem or "nothing is placed yet"
        return result.found.write(folder / stem, stem)
    except XrayMeasureError as error:
        return str(error)
    except Exception as error:
        return f"{type(error).__name__}: {error}; report this"


def found_implants(film: Film, head_diameter_mm: Mapping[Side, float]) -> Proposals | None:
    """Return what the program proposes, None where it fails: an offer."""
    try:
        return propose(film, head_diameter_mm=head_diameter_mm)
    except Exception:
        return None


def found_bones(before: tuple[Film, Reading], film: Film, reading: Reading) -> Carried | None:
    """Return what is carried over from an earlier film, None where that fails: an offer."""
    try:
        return carry(before, film, reading)
    except Exception:
        return None
