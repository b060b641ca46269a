"""Write the page and the tables of one film."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from xraymeasure.files.atomic import write_files
from xraymeasure.report.measurements_file import (
    format_measurements,
)

if TYPE_CHECKING:
    from xraymeasure.film.film import Film
    from xraymeasure.measuring.results import Measurements
    from xraymeasure.plan.compare import Comparison
    from xraymeasure.reading.reading import Reading


def write_report(
    film: Film,
    reading: Reading,
    measurements: Measurements,
    comparison: Comparison | None,
    out_dir: str | os.PathLike[str],
    stem: str,
    *,
    show_date: bool = False,
    changes: Sequence[Mapping[str, Any]] = (),
) -> list[Path]:
    """Write the page and the tables of one film.

    Parameters
    ----------
    film, reading : Film, Reading
        What is drawn.
    measurements : Measurements
    comparison : Comparison or None
        None where there is no plan.
    out_dir : path-like
        Made if it is not there; files of the same name are replaced.
    stem : str
        Name of the PDF and the HTML file.
    show_date : bool
        Whether the page says when the film was taken.
    changes : sequence of mapping
        Since an earlier film, for the JSON file.

    Returns
    -------
    list of Path
        ``stem.pdf``, ``stem.html``, ``measurements.json`` and ``measurements.csv``.

    Raises
    ------
    XrayMeasureError
        If the folder cannot be made or written to.
    """
    from xraymeasure.report.measurements_table import format_csv
    from xraymeasure.report.page.html import html_page
    from xraymeasure.report.page.page import pdf_pages

    subject = film, reading, measurements, comparison, show_date
    files = {
        f"{stem}.pdf": pdf_pages(*subject),
        f"{stem}.html": html_page(*subject),
        "measurements.json": format_measurements(measurements, comparison, changes),
        "measurements.csv": format_csv(measurements),
    }
    return write_files(out_dir, files)
