"""The study folder: which films, whose hips, who reads them, how often and how blinded.

::

    STUDY/
      study.toml                 what the study is; written once, edited by hand
      films.csv                  one row a film
      readings/                  one file a film, reader, occasion and version; only ever added to
      remarks/                   comments and exclusions; only ever added to
      drafts/                    readings that are still being placed
      placing/READER.toml        a reader's own placing spread, from repeats
      results/                   what `series run` made; may be deleted at any time

Nothing in ``readings/`` and ``remarks/`` is ever overwritten, and the name of each file carries a
tag of its content. So two readers can work on one share, and two copies of the folder are merged
by copying the files of one into the other.

``study.toml``::

    format = "xraymeasure-study"
    version = 1
    title = "..."                  # optional
    films = "films.csv"            # a table, or a pattern such as "films/**/*.dcm"
    readers = ["A", "B"]           # codes, not names
    occasions = 2                  # how often each reader reads each film
    blinded = true                 # earlier readings and the plan are hidden from a reader
    films_outside = false          # optional; whether films.csv may name files outside the folder
    seed = 1                       # of the order in which films are shown, and of all draws
    [stem]                         # optional; subsidence depends on the stem's type
    type = "collarless, proximally coated"
    subsidence_threshold_mm = 5
    [tolerance]                    # optional; stands where a film's plan names none
    inclination_deg = 5
    [comparable]                   # optional; how alike two films of one hip must be
    magnification_percent = 5

``films.csv`` has the columns ``film``, ``file`` and ``subject`` and, where known, ``time_point``,
``day`` (days since the subject's first film), ``side`` (the index hip), ``plan``,
``head_diameter_mm`` and ``cup_diameter_mm``. A film of which both hips are measured stands in two
rows, under two labels. Labels go into file names and tables, so they are short and say nothing
about the person; the name of the image file appears in ``films.csv`` only.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PositiveFloat

from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import read_text
from xraymeasure.files.formats import Form, parse_toml
from xraymeasure.files.tables import as_meant
from xraymeasure.vocabulary.landmarks import Side

FORMAT = "xraymeasure-study"
VERSION = 1
STUDY_FILE = "study.toml"
FILM_COLUMNS = (
    "film",
    "file",
    "subject",
    "time_point",
    "day",
    "side",
    "plan",
    "head_diameter_mm",
    "cup_diameter_mm",
)
_NEEDED_COLUMNS = FILM_COLUMNS[:3]

# Labels stand in file names between double underscores, on any file system.
_LABEL = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]|_(?!_))*(?<![._])")


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


@dataclass(frozen=True)
class Study:
    """What ``study.toml`` and the table of films say; valid by construction.

    Attributes
    ----------
    folder : Path
        Where the study lies.
    films : tuple of StudyFilm
        In the order of the table, or by path where a pattern names them.
    readers : tuple of str
        Codes of the readers.
    occasions : int
        How often each reader reads each film.
    blinded : bool
        Whether earlier readings and the plan are hidden from a reader.
    seed : int
        Of the order of the films and of all draws.
    stem_type : str or None
        The stem's type in words, and `subsidence_threshold_mm` what counts as subsidence for it.
    tolerance : mapping of str to float
        Tolerances that stand where a film's plan names none; keys as in a plan.
    comparable : mapping of str to float
        From where on a difference in the positioning of two films of one hip is pointed out, where
        it departs from the defaults.
    same_day : {"first", "last"}
        Which of several films of one hip on one day stands, in the order of the table.
    """

    folder: Path
    films: tuple[StudyFilm, ...]
    readers: tuple[str, ...]
    occasions: int
    blinded: bool
    seed: int
    title: str = ""
    stem_type: str | None = None
    subsidence_threshold_mm: float | None = None
    tolerance: Mapping[str, float] = field(default_factory=dict)
    comparable: Mapping[str, float] = field(default_factory=dict)
    same_day: Literal["first", "last"] = "first"

    def film(self, label: str) -> StudyFilm:
        """Return the film of that label, or raise `StudyError`."""
        for film in self.films:
            if film.label == label:
                return film
        raise StudyError(f"{self.folder}: the study has no film {label!r}")

    def check_reader(self, reader: str, occasion: int) -> None:
        """Raise `StudyError` unless the study has that reader and occasion."""
        where = self.folder / STUDY_FILE
        if reader not in self.readers:
            raise StudyError(
                f"{where}: readers: {reader!r} is not one of them "
                f"({', '.join(self.readers)}); add the code there"
            )
        if not 1 <= occasion <= self.occasions:
            raise StudyError(
                f"{where}: occasions: there is no occasion {occasion}; they are 1 to "
                f"{self.occasions}"
            )


_STRICT = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


class _Stem(BaseModel):
    model_config = _STRICT
    type: Annotated[str, Field(min_length=1)]
    subsidence_threshold_mm: PositiveFloat | None = None


class _Tolerance(BaseModel):
    model_config = _STRICT
    inclination_deg: PositiveFloat | None = None
    anteversion_deg: PositiveFloat | None = None
    leg_length_mm: PositiveFloat | None = None
    offset_mm: PositiveFloat | None = None


class _Comparable(BaseModel):
    model_config = _STRICT
    magnification_percent: PositiveFloat | None = None
    pelvic_tilt_mm: PositiveFloat | None = None
    pelvic_rotation_mm: PositiveFloat | None = None
    obturator_ratio: PositiveFloat | None = None
    femoral_rotation_deg: PositiveFloat | None = None
    centring_mm: PositiveFloat | None = None


class _Record(BaseModel):
    model_config = _STRICT
    format: Literal["xraymeasure-study"]
    version: Literal[1]
    films: Annotated[str, Field(min_length=1)]
    readers: Annotated[list[str], Field(min_length=1)]
    occasions: Annotated[int, Field(ge=1, le=99)]
    blinded: bool
    seed: Annotated[int, Field(ge=0)]
    title: str = ""
    films_outside: bool = False
    same_day: Literal["first", "last"] = "first"
    stem: _Stem | None = None
    tolerance: _Tolerance = _Tolerance()
    comparable: _Comparable = _Comparable()


_FORM = Form(FORMAT, VERSION, "a study", _Record, StudyError)


def read_study(path: str | os.PathLike[str]) -> Study:
    """Return the study in a folder (or of a ``study.toml``).

    Raises
    ------
    StudyError
        If there is none, a key is missing, unknown or of the wrong kind, the file is of a newer
        version, or two films share a label. A film whose image is missing is no error here: it
        becomes a row with its reason when the study is run.
    """
    path = Path(path)
    source = path if path.name == STUDY_FILE else path / STUDY_FILE
    if path.is_dir() and not source.exists():
        raise StudyError(
            f"{path}: is not a study (it has no {STUDY_FILE}); make one from a folder of films "
            f"with: xraymeasure series new {path}"
        )
    record = parse_toml(read_text(source, StudyError), str(source), _FORM)
    for reader in record.readers:
        _check_label(reader, f"{source}: readers")
    _check_unique(record.readers, f"{source}: readers")
    folder = source.parent
    return Study(
        folder=folder,
        films=_films(folder, record.films, record.films_outside),
        readers=tuple(record.readers),
        occasions=record.occasions,
        blinded=record.blinded,
        seed=record.seed,
        title=record.title,
        same_day=record.same_day,
        stem_type=record.stem.type if record.stem else None,
        subsidence_threshold_mm=record.stem.subsidence_threshold_mm if record.stem else None,
        tolerance=record.tolerance.model_dump(exclude_none=True),
        comparable=record.comparable.model_dump(exclude_none=True),
    )


def _films(folder: Path, films: str, outside: bool) -> tuple[StudyFilm, ...]:
    found = (
        _films_of_table(folder, folder / films, outside)
        if films.lower().endswith(".csv")
        else _films_of_pattern(folder, films)
    )
    _check_unique([film.label for film in found], f"{folder / STUDY_FILE}: films")
    return found


def _films_of_pattern(folder: Path, pattern: str) -> tuple[StudyFilm, ...]:
    where = f"{folder / STUDY_FILE}: films"
    try:
        paths = sorted(path for path in folder.glob(pattern) if path.is_file())
    except (ValueError, NotImplementedError):
        raise StudyError(f"{where}: {pattern!r} is not a pattern inside the folder") from None
    if not paths:
        raise StudyError(f"{where}: no file matches {pattern!r}")
    labels = [path.relative_to(folder).with_suffix("").name for path in paths]
    for label in labels:
        _check_label(label, where)
    return tuple(StudyFilm(label, path, label) for label, path in zip(labels, paths, strict=True))


def _films_of_table(folder: Path, source: Path, outside: bool) -> tuple[StudyFilm, ...]:
    text = read_text(source, StudyError)
    # Spreadsheets of many countries separate by semicolon.
    header = text.splitlines()[0]
    delimiter = ";" if header.count(";") > header.count(",") else ","
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter, restkey="")
    columns = [column.strip() for column in rows.fieldnames or ()]
    rows.fieldnames = columns
    unknown = [column for column in columns if column not in FILM_COLUMNS]
    missing = [column for column in _NEEDED_COLUMNS if column not in columns]
    if unknown or missing or len(set(columns)) < len(columns):
        raise StudyError(
            f"{source}: the columns must be {', '.join(_NEEDED_COLUMNS)} and any of "
            f"{', '.join(FILM_COLUMNS[3:])}, each once; "
            + (f"unknown: {', '.join(map(repr, unknown))}" if unknown else "")
            + (f" missing: {', '.join(missing)}" if missing else "")
        )
    films = tuple(
        _film_of_row(folder, row, outside, f"{source}: line {rows.line_num}")
        for row in rows
        if any(isinstance(value, str) and value.strip() for value in row.values())
    )
    if not films:
        raise StudyError(f"{source}: names no film")
    return films


def _film_of_row(folder: Path, row: Mapping[str, Any], outside: bool, where: str) -> StudyFilm:
    if "" in row:
        raise StudyError(f"{where}: has more cells than the header; quote cells with a separator")
    cell = {key: as_meant((value or "").strip()) for key, value in row.items()}
    for column in _NEEDED_COLUMNS:
        if not cell[column]:
            raise StudyError(f"{where}: {column}: is empty")
    _check_label(cell["film"], f"{where}: film")
    _check_label(cell["subject"], f"{where}: subject")
    return StudyFilm(
        label=cell["film"],
        file=_place(folder, cell["file"], outside, f"{where}: file"),
        subject=cell["subject"],
        time_point=cell.get("time_point") or None,
        day=_day(cell.get("day", ""), where),
        side=_side(cell.get("side", ""), where),
        plan=_place(folder, cell["plan"], outside, f"{where}: plan") if cell.get("plan") else None,
        head_diameter_mm=_length(cell, "head_diameter_mm", where),
        cup_diameter_mm=_length(cell, "cup_diameter_mm", where),
    )


def _place(folder: Path, name: str, outside: bool, where: str) -> Path:
    if not outside and (Path(name).is_absolute() or ".." in Path(name).parts):
        raise StudyError(
            f"{where}: {name!r} leads out of the study; move the file into the folder, or write "
            f"films_outside = true into {STUDY_FILE}"
        )
    return folder / name


def _side(text: str, where: str) -> Side | None:
    match text.lower():
        case "":
            return None
        case "left":
            return "left"
        case "right":
            return "right"
    raise StudyError(f"{where}: side: {text.lower()!r} is neither left nor right")


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


def _check_label(label: str, where: str) -> None:
    if not _LABEL.fullmatch(label) or len(label) > 64:
        raise StudyError(
            f"{where}: {label!r} cannot stand in a file name; a label has up to 64 letters, "
            "digits, '-', '.' and single '_', the first and last of them no '.' or '_'"
        )


def _check_unique(labels: list[str], where: str) -> None:
    seen: dict[str, str] = {}
    for label in labels:
        # Not every file system tells upper from lower case.
        twin = seen.get(label.casefold())
        if twin is not None:
            raise StudyError(f"{where}: {label!r} and {twin!r} are the same label; change one")
        seen[label.casefold()] = label
