"""A study from a folder of films: pseudonymous subjects, and intervals instead of dates."""

from __future__ import annotations

import os
import secrets
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import write_atomically
from xraymeasure.files.tables import csv_text
from xraymeasure.series.study.films_table import FILM_COLUMNS
from xraymeasure.series.study.study import STUDY_FILE

FILMS_FILE = "films.csv"
_PICTURES = frozenset({".png", ".tif", ".tiff", ".jpg", ".jpeg"})
_DATES = ("AcquisitionDateTime", "AcquisitionDate", "ContentDate", "SeriesDate", "StudyDate")

_STUDY = """\
format = "xraymeasure-study"
version = 1
title = ""
# A table of films, or a pattern such as "films/**/*.dcm". In the table, check `subject` (films
# without a patient number count as one person each), fill in `side` (the index hip) and, where
# known, `time_point`, `plan`, `head_diameter_mm` and `cup_diameter_mm`.
films = "{films}"
# Codes, not names.
readers = ["A", "B"]
# How often each reader reads each film.
occasions = 2
# While true, earlier readings and the plan are hidden from a reader.
blinded = true
# Of the order in which films are shown, and of all draws.
seed = {seed}

# What counts as subsidence depends on the stem's type.
# [stem]
# type = "..."
# subsidence_threshold_mm = 5.0

# Tolerances that stand where a film's plan names none.
# [tolerance]
# inclination_deg = 5.0
# anteversion_deg = 5.0
# leg_length_mm = 5.0
# offset_mm = 5.0
"""


@dataclass(frozen=True)
class _Found:
    path: Path
    person: object
    taken: date | None
    side: str


def new_study(folder: str | os.PathLike[str]) -> Path:
    """Make a study of the films in a folder and those below it.

    Films of one patient number (and issuer) share a subject; a film without one is a subject of
    its own. Subjects are called ``S001`` and so on in an order drawn at random; which number
    became which label is not kept. Of dates only the days since a subject's first film are
    written. The image files themselves are not touched: de-identify them before the folder is
    given away, and mind that ``films.csv`` repeats their names.

    Parameters
    ----------
    folder : path-like
        Where the films lie; the study is made in it.

    Returns
    -------
    Path
        The new ``study.toml``.

    Raises
    ------
    StudyError
        If the folder does not exist, is a study already, or holds no film.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise StudyError(f"{folder}: is not a folder; name the folder of the films")
    for name in (STUDY_FILE, FILMS_FILE):
        if (folder / name).exists():
            raise StudyError(f"{folder / name}: exists already; it is not overwritten")
    found = [film for path in _candidates(folder) if (film := _look_at(path)) is not None]
    if not found:
        raise StudyError(f"{folder}: holds no film (DICOM, PNG, TIFF or JPEG)")
    for name in ("readings", "remarks"):
        (folder / name).mkdir(exist_ok=True)
    write_atomically(folder / FILMS_FILE, _films_table(folder, found))
    # Last: a folder is a study once this file is there.
    study = folder / STUDY_FILE
    write_atomically(study, _STUDY.format(films=FILMS_FILE, seed=secrets.randbelow(2**31)))
    return study


def _candidates(folder: Path) -> list[Path]:
    return sorted(
        path
        for path in folder.rglob("*")
        if path.is_file()
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        and path.name.upper() != "DICOMDIR"
    )


def _look_at(path: Path) -> _Found | None:
    """Return what the study needs to know of a film; None if the file is none."""
    try:
        with path.open("rb") as stream:
            is_dicom = stream.read(132)[128:] == b"DICM"
    except OSError as error:
        raise StudyError(f"{path}: cannot be read ({error.strerror})") from error
    # Some archives write films without the preamble that says what they are.
    if is_dicom or path.suffix.lower() in (".dcm", ".dicom"):
        return _look_at_dicom(path)
    if path.suffix.lower() in _PICTURES:
        return _Found(path, path, None, "")
    return None


def _look_at_dicom(path: Path) -> _Found:
    import pydicom
    from pydicom.errors import BytesLengthException, InvalidDicomError

    keywords = ["PatientID", "IssuerOfPatientID", "ImageLaterality", "Laterality", *_DATES]
    try:
        header = pydicom.dcmread(path, stop_before_pixels=True, specific_tags=keywords, force=True)
        values = {keyword: str(header.get(keyword) or "").strip() for keyword in keywords}
    except (InvalidDicomError, BytesLengthException, OSError, ValueError, KeyError, EOFError):
        # It stays in the table and becomes a row with its reason when the study is run.
        return _Found(path, path, None, "")
    number = values["PatientID"]
    person = (number, values["IssuerOfPatientID"]) if number else path
    laterality = values["ImageLaterality"] or values["Laterality"]
    return _Found(path, person, _taken(values), {"L": "left", "R": "right"}.get(laterality, ""))


def _taken(values: dict[str, str]) -> date | None:
    for keyword in _DATES:
        try:
            return datetime.strptime(values[keyword][:8], "%Y%m%d").date()
        except ValueError:
            continue
    return None


def _films_table(folder: Path, found: list[_Found]) -> str:
    films_of: dict[object, list[_Found]] = defaultdict(list)
    for film in found:
        films_of[film.person].append(film)
    people = list(films_of.values())
    # The order of the files would follow names or numbers of patients.
    secrets.SystemRandom().shuffle(people)
    rows = []
    digits = max(3, len(str(len(people))))
    for number, films in enumerate(people, start=1):
        subject = f"S{number:0{digits}d}"
        films.sort(key=lambda film: (film.taken or date.max, film.path))
        first = films[0].taken
        for position, film in enumerate(films, start=1):
            plan = film.path.with_suffix(".plan.toml")
            row: dict[str, object] = {
                "film": f"{subject}-{position}",
                "file": film.path.relative_to(folder).as_posix(),
                "subject": subject,
                "side": film.side,
            }
            if first is not None and film.taken is not None:
                row["day"] = (film.taken - first).days
            if plan.exists():
                row["plan"] = plan.relative_to(folder).as_posix()
            rows.append(row)
    return csv_text(FILM_COLUMNS, rows)
