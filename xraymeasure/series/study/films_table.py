"""The table of a study's films, ``films.csv``: one row a film, strictly read."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from xraymeasure.errors import StudyError, nearest
from xraymeasure.files.atomic import read_text
from xraymeasure.files.tables import as_meant
from xraymeasure.reading.reading import Opens
from xraymeasure.vocabulary.landmarks import SIDES, Side

FILM_COLUMNS = (
    "film", "file", "subject", "time_point", "day", "side", "plan", "head_diameter_mm",
    "cup_diameter_mm", "cup_opens",
)  # fmt: skip
_NEEDED_COLUMNS = FILM_COLUMNS[:3]

_OPENS: tuple[Opens, Opens] = ("anterior", "posterior")
_NO_SLIPS = ("site", "size")
_GROUP = re.compile(r"[^\W\d_][\w -]{0,39}")
# Labels stand in file names between double underscores, on any file system.
_LABEL = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]|_(?!_))*(?<![._])")
Word = TypeVar("Word", bound=str)


@dataclass(frozen=True)
class StudyFilm:
    """One film of a study.

    Attributes
    ----------
    label : str
        The film's name in the study; what tables and file names show.
    file : Path
        The image.
    subject : str
        Pseudonym of the person.
    time_point : str or None
        What the study calls the moment, ``post`` or ``1y`` for example.
    day : int or None
        Days since the subject's first film.
    side : {"left", "right"} or None
        The index hip, if the study says.
    plan : Path or None
        The plan the film is held against.
    head_diameter_mm, cup_diameter_mm : float or None
        Known sizes at the index hip, which a reader needs even while the plan is hidden.
    cup_opens : {"anterior", "posterior"} or None
        How the cup of this hip opens, from an operation note for example; a reading that says it
        goes before.
    groups : mapping of str to str
        The further columns of the table that are filled in, by which a cohort may be divided.
    """

    label: str
    file: Path
    subject: str
    time_point: str | None = None
    day: int | None = None
    side: Side | None = None
    plan: Path | None = None
    head_diameter_mm: float | None = None
    cup_diameter_mm: float | None = None
    cup_opens: Opens | None = None
    groups: Mapping[str, str] = field(default_factory=dict, hash=False)


def films_of_table(folder: Path, source: Path, outside: bool) -> tuple[StudyFilm, ...]:
    """Return the films that a table of a study's folder names.

    Parameters
    ----------
    folder : Path
        To which the names of files in the table are relative.
    source : Path
        The table.
    outside : bool
        Whether it may name files outside the folder.

    Raises
    ------
    StudyError
        If a column is missing, misspelt or given twice, or a cell is not what its column says.
    """
    text = read_text(source, StudyError)
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter_of(text), restkey="")
    columns = [column.strip() for column in rows.fieldnames or ()]
    rows.fieldnames = columns
    _check_columns(columns, source)
    films = tuple(
        _film_of_row(folder, row, outside, f"{source}: line {rows.line_num}")
        for row in rows
        if any(isinstance(value, str) and value.strip() for value in row.values())
    )
    if not films:
        raise StudyError(f"{source}: names no film")
    return films


def delimiter_of(table: str) -> str:
    """Return what separates the cells of a table; in many countries it is the semicolon."""
    header = table.splitlines()[0]
    return ";" if header.count(";") > header.count(",") else ","


def _check_columns(columns: list[str], source: Path) -> None:
    for column in columns:
        if column in FILM_COLUMNS:
            continue
        plain = re.sub(r"[\W_]", "", column.lower())
        known = {each.replace("_", ""): each for each in FILM_COLUMNS}
        meant = nearest(plain, known)
        if meant and plain not in _NO_SLIPS:
            raise StudyError(
                f"{source}: the column {column!r} is unknown; {known[meant]!r} is meant, or "
                "give a grouping of your own another name"
            )
        if not _GROUP.fullmatch(column):
            raise StudyError(
                f"{source}: {column!r} is no name of a column; a name has up to 40 letters, "
                "digits, spaces, '-' and '_', and begins with a letter"
            )
    missing = [column for column in _NEEDED_COLUMNS if column not in columns]
    if missing or len(set(columns)) < len(columns):
        raise StudyError(
            f"{source}: the columns must be {', '.join(_NEEDED_COLUMNS)} and any of "
            f"{', '.join(FILM_COLUMNS[3:])} or of your own, each once;"
            + (f" missing: {', '.join(missing)}" if missing else " one stands twice")
        )


def _film_of_row(folder: Path, row: Mapping[str, Any], outside: bool, where: str) -> StudyFilm:
    if "" in row:
        raise StudyError(f"{where}: has more cells than the header; quote cells with a separator")
    cell = {key: as_meant((value or "").strip()) for key, value in row.items()}
    for column in _NEEDED_COLUMNS:
        if not cell[column]:
            raise StudyError(f"{where}: {column}: is empty")
    check_label(cell["film"], f"{where}: film")
    check_label(cell["subject"], f"{where}: subject")
    return StudyFilm(
        label=cell["film"],
        file=_place(folder, cell["file"], outside, f"{where}: file"),
        subject=cell["subject"],
        time_point=cell.get("time_point") or None,
        day=_day(cell.get("day", ""), where),
        side=_one_of(SIDES, cell.get("side", ""), f"{where}: side"),
        plan=_place(folder, cell["plan"], outside, f"{where}: plan") if cell.get("plan") else None,
        head_diameter_mm=_length(cell, "head_diameter_mm", where),
        cup_diameter_mm=_length(cell, "cup_diameter_mm", where),
        cup_opens=_one_of(_OPENS, cell.get("cup_opens", ""), f"{where}: cup_opens"),
        groups={name: value for name, value in cell.items() if value and name not in FILM_COLUMNS},
    )


def _place(folder: Path, name: str, outside: bool, where: str) -> Path:
    if not outside and (Path(name).is_absolute() or ".." in Path(name).parts):
        raise StudyError(
            f"{where}: {name!r} leads out of the study; move the file into the folder, or write "
            f"films_outside = true into study.toml"
        )
    return folder / name


def _one_of(words: tuple[Word, Word], text: str, where: str) -> Word | None:
    found = next((word for word in words if word == text.lower()), None)
    if text and found is None:
        raise StudyError(f"{where}: {text!r} is neither {' nor '.join(words)}")
    return found


def _day(text: str, where: str) -> int | None:
    if not text:
        return None
    try:
        return int(text)
    except ValueError:
        raise StudyError(
            f"{where}: day: {text!r} is not a whole number of days since the subject's first film"
        ) from None


def _length(cell: Mapping[str, str], column: str, where: str) -> float | None:
    text = cell.get(column, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 < value < 1000:
        raise StudyError(f"{where}: {column}: {text!r} is not a length in mm")
    return value


def check_label(label: str, where: str) -> None:
    """Raise `StudyError` unless a label can stand in a file name."""
    if not _LABEL.fullmatch(label) or len(label) > 64:
        raise StudyError(
            f"{where}: {label!r} cannot stand in a file name; a label has up to 64 letters, "
            "digits, '-', '.' and single '_', the first and last of them no '.' or '_'"
        )


def check_unique(labels: list[str], where: str) -> None:
    """Raise `StudyError` if two labels are the same on some file system."""
    seen: dict[str, str] = {}
    for label in labels:
        # Not every file system tells upper from lower case.
        twin = seen.get(label.casefold())
        if twin is not None:
            raise StudyError(f"{where}: {label!r} and {twin!r} are the same label; change one")
        seen[label.casefold()] = label
