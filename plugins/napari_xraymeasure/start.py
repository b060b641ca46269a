"""What lets the window start sooner; done before napari and Qt are imported."""

from __future__ import annotations

import gc
import importlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from xraymeasure.film.apart import get_ready


@contextmanager
def no_garbage() -> Iterator[None]:
    """Look for no garbage meanwhile, nor later in what is made: it takes half a second of a start.

    Nothing of it is garbage.
    """
    gc.disable()
    try:
        yield
        gc.freeze()
    finally:
        gc.enable()


def make_ready(film: bool) -> None:
    """Prepare what the window will ask for, a `film` included.

    Qt's binding reads the source of every module that is imported after it: what does not need Qt
    comes first.
    """
    if film:
        get_ready("xraymeasure.film.dicom.frame")
    _quick_units()
    _quick_icons()
    for module in ("xraymeasure.examination", "napari.components", *("pydicom",) * film):
        importlib.import_module(module)


def _quick_units() -> None:
    """Give napari its table of units ready made: to read it anew takes as long as the film does."""
    import pint
    from pint.registry import LazyRegistry

    # Two tables would not know each other's units. Where no cache can be written, napari reads its.
    if isinstance(pint.application_registry.get(), LazyRegistry):
        with suppress(OSError):
            pint.set_application_registry(pint.UnitRegistry(cache_folder=":auto:"))


def _quick_icons() -> None:
    """Keep napari from writing the 300 icons of its themes at each start, where they are."""
    try:
        from napari.resources import _icons as icons

        made = icons.generate_colorized_svgs
    except (ImportError, AttributeError):
        return

    def write(folder: str | Path, *args: Any, **kwargs: Any) -> None:
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        for name, picture in made(*args, **kwargs):
            file = folder / Path(name).name
            if not file.exists() or file.read_text() != picture:
                file.write_text(picture)

    icons.write_colorized_svgs = write
