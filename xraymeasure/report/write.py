"""Write the page and the tables of one film."""

from __future__ import annotations

import os
from pathlib import Path

from xraymeasure.files.atomic import write_files
from xraymeasure.report.measurements_file import format_measurements
from xraymeasure.report.subject import Subject


def write_report(found: Subject, out_dir: str | os.PathLike[str], stem: str) -> list[Path]:
    """Write the page and the tables of one film.

    Parameters
    ----------
    found : Subject
    out_dir : path-like
        Made if it is not there; files of the same name are replaced.
    stem : str
        Name of the PDF and the HTML file.

    Returns
    -------
    list of Path
        ``stem.pdf``, ``stem.html``, ``measurements.json`` and ``measurements.csv``.

    Raises
    ------
    XrayMeasureError
        If the folder cannot be made or written to.

    See Also
    --------
    examine : Makes what is written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> import xraymeasure as xm
    >>> found = xm.examine(*xm.sample("well_placed"), draws=0, helps=False)
    >>> with TemporaryDirectory() as folder:
    ...     sorted(path.name for path in write_report(found, folder, "page"))
    ['measurements.csv', 'measurements.json', 'page.html', 'page.pdf']
    """
    from xraymeasure.report.measurements_table import format_csv
    from xraymeasure.report.page.html import html_page
    from xraymeasure.report.page.page import pdf_pages, report_pages

    pages = report_pages(found)
    files: dict[str, bytes | str] = {
        f"{stem}.pdf": pdf_pages(pages),
        f"{stem}.html": html_page(pages),
        "measurements.json": format_measurements(found),
        "measurements.csv": format_csv(found.measurements, found.reading.proposed),
    }
    return write_files(out_dir, files)
