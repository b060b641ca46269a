"""The study folder: which films, whose hips, who reads them, how often and how blinded.

::

    STUDY/
      study.toml                 what the study is; written once, edited by hand
      films.csv                  one row a film
      films/, plans/             the films and plans under their labels, where `series new` made it
      left_out.csv               what `series new` and `series add` left out, and why
      frozen/                    study.toml and films.csv as they stood at the first reading, and
                                 after each change
      readings/                  one file a film, reader, occasion and version; only ever added to
      remarks/                   comments and exclusions; only ever added to
      drafts/                    readings that are still being placed
      placing/READER.toml        a reader's own placing spread, from repeats
      results/                   what `series run` made; may be deleted at any time

Nothing in ``readings/`` and ``remarks/`` is ever overwritten, and the name of each file carries a
tag of its content. So two readers can work on one share, and two copies of the folder are merged
by copying the files of one into the other.

The keys of ``study.toml`` stand with what they mean in ``template.toml`` beside this module, which
`series new` writes; and ``films_outside = true`` lets ``films.csv`` name files outside the folder.
``title``, ``same_day``, ``adjudicator``, ``value``, ``cup_opens`` and the sections are optional.

``films.csv`` has the columns ``film``, ``file`` and ``subject`` and, where known, ``time_point``,
``day`` (days since the subject's first film), ``side`` (the index hip), ``plan``,
``head_diameter_mm``, ``cup_diameter_mm`` and ``cup_opens`` (``anterior`` or ``posterior``, of this
hip). Any further column, ``sex``, ``age_group`` or ``approach`` for example, is a grouping: its
values are the subgroups that a cohort is told by. A film of which both hips are measured stands in
two rows, under two labels. Labels go into file names and tables, so they are short and say nothing
about the person; the name of the image file appears in ``films.csv`` only.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, PositiveFloat

from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import read_text
from xraymeasure.files.formats import Form, parse_toml
from xraymeasure.reading.reading import Opens
from xraymeasure.series.study.films_table import (
    StudyFilm,
    check_label,
    check_unique,
    films_of_table,
)

FORMAT = "xraymeasure-study"
VERSION = 1
STUDY_FILE = "study.toml"


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
    adjudicator : str or None
        The reader whose reading stands for a film that the others did not agree on.
    value : {"reader", "mean"}
        What stands for a film that no adjudicator read: one reader's reading, or their mean.
    same_day : {"first", "last"}
        Which of several films of one hip on one day stands, in the order of the table.
    cup_opens : {"anterior", "posterior"} or None
        What is stated of all cups of which neither the reading nor the table of films says it.
    table : Path or None
        The table of films; None where a pattern names them.
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
    adjudicator: str | None = None
    value: Literal["reader", "mean"] = "reader"
    cup_opens: Opens | None = None
    table: Path | None = None

    def opens(self, film: StudyFilm) -> Opens | None:
        """Return how the index cup of a film opens by the study's word, None where it has none."""
        return film.cup_opens or self.cup_opens

    def film(self, label: str) -> StudyFilm:
        """Return the film of that label, or raise `StudyError`."""
        for film in self.films:
            if film.label == label:
                return film
        raise StudyError(f"{self.folder}: the study has no film {label!r}")

    @property
    def peers(self) -> tuple[str, ...]:
        """The readers who read every film: all but the adjudicator."""
        return tuple(reader for reader in self.readers if reader != self.adjudicator)

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
    cup_opens: Opens | None = None
    adjudicator: str | None = None
    value: Literal["reader", "mean"] = "reader"
    stem: _Stem | None = None
    tolerance: _Tolerance = _Tolerance()
    comparable: _Comparable = _Comparable()


_FORM = Form(FORMAT, VERSION, "a study", _Record, StudyError)


def read_study(path: str | os.PathLike[str]) -> Study:
    r"""Return the study in a folder (or of a ``study.toml``).

    Parameters
    ----------
    path : path-like
        The folder or the file.

    Raises
    ------
    StudyError
        If there is none, a key is missing, unknown or of the wrong kind, the file is of a newer
        version, or two films share a label. A film whose image is missing is no error here: it
        becomes a row with its reason when the study is run.

    See Also
    --------
    run_study : Measures what the study's readers read.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     _ = Path(folder, "films.csv").write_text("film,file,subject\nF1,F1.dcm,S1\n")
    ...     _ = Path(folder, "study.toml").write_text('''
    ...         format = "xraymeasure-study"
    ...         version = 1
    ...         films = "films.csv"
    ...         readers = ["A", "B"]
    ...         occasions = 1
    ...         blinded = true
    ...         seed = 1
    ...     ''')
    ...     study = read_study(folder)
    >>> study.readers, [film.label for film in study.films]
    (('A', 'B'), ['F1'])
    """
    path = Path(path)
    source = path if path.name == STUDY_FILE else path / STUDY_FILE
    if path is not source and not path.is_dir():
        fault = "is a file" if path.exists() else "no such folder"
        raise StudyError(f"{path}: {fault}; name the study's folder")
    if path.is_dir() and not source.exists():
        raise StudyError(
            f"{path}: is not a study (it has no {STUDY_FILE}); make one from a folder of films "
            f"with: xraymeasure series new {path}"
        )
    record = parse_toml(read_text(source, StudyError), str(source), _FORM)
    for reader in record.readers:
        check_label(reader, f"{source}: readers")
    check_unique(record.readers, f"{source}: readers")
    if record.adjudicator is not None and record.adjudicator not in record.readers:
        raise StudyError(
            f"{source}: adjudicator: {record.adjudicator!r} is not one of the readers; add the code"
        )
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
        adjudicator=record.adjudicator,
        value=record.value,
        cup_opens=record.cup_opens,
        table=folder / record.films if _is_table(record.films) else None,
        stem_type=record.stem.type if record.stem else None,
        subsidence_threshold_mm=record.stem.subsidence_threshold_mm if record.stem else None,
        tolerance=record.tolerance.model_dump(exclude_none=True),
        comparable=record.comparable.model_dump(exclude_none=True),
    )


def _films(folder: Path, films: str, outside: bool) -> tuple[StudyFilm, ...]:
    found = (
        films_of_table(folder, folder / films, outside)
        if _is_table(films)
        else _films_of_pattern(folder, films)
    )
    check_unique([film.label for film in found], f"{folder / STUDY_FILE}: films")
    return found


def _is_table(films: str) -> bool:
    return films.lower().endswith(".csv")


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
        check_label(label, where)
    return tuple(StudyFilm(label, path, label) for label, path in zip(labels, paths, strict=True))
