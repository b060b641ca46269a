"""A study from a folder of films: sorted, under labels, with intervals instead of dates."""

from __future__ import annotations

import csv
import io
import os
import re
import secrets
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import make_folder, read_text, write_atomically
from xraymeasure.files.tables import csv_text, defused
from xraymeasure.series.study.entering import (
    LEFT_OUT_COLUMNS,
    LEFT_OUT_FILE,
    Entry,
    Person,
    left_out_rows,
    rows_left_out,
)
from xraymeasure.series.study.films_table import FILM_COLUMNS, delimiter_of
from xraymeasure.series.study.key_file import KeyRow, key_path, read_key, write_key
from xraymeasure.series.study.sorting import (
    KINDS,
    PLAN,
    Kind,
    Seen,
    files_below,
    look_at,
    look_at_all,
    without_twins,
)
from xraymeasure.series.study.study import STUDY_FILE, Study
from xraymeasure.vocabulary.wording import counted

FILMS_FILE = "films.csv"
_LEFT_OUT = re.compile(r"X(\d+)")

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Sorted:
    """What became of the files of a folder.

    Attributes
    ----------
    study : Path
        The study's folder.
    key : Path
        The key, outside of it.
    seen : tuple of Seen
        The files.
    persons, sides : int
        Of how many persons the films are that entered, and of how many of them the side is known.
    contradictions : tuple of str
        Labels of films of which plan and laterality name different sides.
    """

    study: Path
    key: Path
    seen: tuple[Seen, ...]
    persons: int
    sides: int
    contradictions: tuple[str, ...]

    @property
    def entered(self) -> list[Seen]:
        """The films that entered."""
        return [entry for entry in self.seen if entry.kind == "film"]

    @property
    def kinds(self) -> dict[Kind, int]:
        """How many files there were of each of `sorting.KINDS`."""
        counts = Counter(entry.kind for entry in self.seen)
        return {kind: counts[kind] for kind in KINDS}

    def __str__(self) -> str:
        """Return a summary for a terminal."""
        films = self.entered
        days = Counter((film.person, film.taken) for film in films if film.person and film.taken)
        lines = [
            f"{counted(len(self.seen), 'file')} looked at: "
            f"{counted(len(films), 'film')} of {counted(self.persons, 'person')} entered"
        ]
        lines += [
            f"  left out, {KINDS[kind]}: {count}"
            for kind, count in self.kinds.items()
            if kind != "film" and count
        ]
        if len(self.seen) > len(films):
            lines.append(f"  each with its reason in {self.study / LEFT_OUT_FILE}")
        remarks = (
            (
                sum(film.view is None for film in films),
                "without a stated view, taken as AP: look at them",
            ),
            (sum(film.taken is None for film in films), "undated: their day is empty"),
            (
                sum(count for count in days.values() if count > 1),
                "of one day with another of the person: same_day in study.toml says which stands",
            ),
            (len(films) - self.sides, "of unknown side: fill it in, or the reader does"),
            (
                sum(film.named for film in films),
                "with the patient's name in their attributes: de-identify before sharing",
            ),
        )
        lines += [f"  of the films, {said}: {count}" for count, said in remarks if count]
        if self.contradictions:
            lines.append(
                "  plan and film name different sides, which stay empty: "
                + ", ".join(self.contradictions)
            )
        lines.append(f"  names and dates are in {self.key} only, outside the study; keep it apart")
        return "\n".join(lines)


def new_study(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    both_hips: bool = False,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Sorted:
    """Make a study of the films in a folder and those below it.

    Every file is looked at and sorted. Films of one patient number (and issuer) share a subject;
    a film without one is a subject of its own. Subjects are called ``S001`` and so on in an order
    drawn at random. The films, and plans that lie beside them under the same name, go into the
    study under their labels (as further names of the same files where the disk can do that, else
    as copies); of dates only the days since a subject's first film are written. Which file stands
    behind which label is written into one key file beside the study. The originals are not
    touched.

    Parameters
    ----------
    folder : path-like
        Where the films lie.
    out : path-like, optional
        The study's folder; beside `folder` and called after it by default.
    both_hips : bool
        Whether each film stands in two rows, one a hip.
    workers : int, optional
        Processes that look at the films; as many as there are cores by default.
    progress : callable, optional
        Called with how many files were looked at, and how many there are.

    Returns
    -------
    Sorted
        What became of the files.

    Raises
    ------
    StudyError
        If the folder does not exist, is a study already, or holds no film, or there is a study or
        key where the new one is to be.
    """
    source = Path(folder)
    if not source.is_dir():
        raise StudyError(f"{source}: is not a folder; name the folder of the films")
    if (source / STUDY_FILE).exists():
        raise StudyError(f"{source}: is a study already; add films with: xraymeasure series add")
    whole = source.resolve()
    study = Path(out) if out is not None else whole.with_name(f"{whole.name}-study")
    key = key_path(study)
    if study.exists() and (not study.is_dir() or any(study.iterdir())):
        raise StudyError(f"{study}: exists already; it is not overwritten, name another with --out")
    if key.exists():
        raise StudyError(f"{key}: the key of another study; move it to where it belongs")
    seen = without_twins(look_at_all(_found(source, study), workers, progress))
    _check_any(seen, f"{source}: holds no film (DICOM, PNG, TIFF or JPEG)")
    for name in ("films", "plans", "readings", "remarks"):
        make_folder(study / name)
    rows, made = _entered(study, key, Entry(study, {}, set(), both_hips), seen, ())
    write_atomically(study / FILMS_FILE, csv_text(FILM_COLUMNS, rows))
    # Last: a folder is a study once this file is there.
    text = Path(__file__).with_name("template.toml").read_text("utf-8")
    seeded = text.replace("seed = 0", f"seed = {secrets.randbelow(2**31)}")
    write_atomically(study / STUDY_FILE, seeded)
    return made


def add_films(
    study: Study,
    folder: str | os.PathLike[str],
    *,
    key: str | os.PathLike[str] | None = None,
    both_hips: bool = False,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Sorted:
    """Add the films of another folder to a study, sorted as for a new one; nothing there changes.

    A person known to the key stays the same subject, and days go on from that subject's first
    film. A film that is in the study already is left out as a copy.

    Parameters
    ----------
    study : Study
        From `read_study`.
    folder : path-like
        Where the films lie.
    key : path-like, optional
        The study's key, if it does not lie beside the study.
    both_hips, workers, progress
        As for `new_study`.

    Raises
    ------
    StudyError
        If the folder holds no new film, the key is missing, or the study names its films by a
        pattern.
    """
    source, table = Path(folder), study.folder / FILMS_FILE
    if not source.is_dir():
        raise StudyError(f"{source}: is not a folder; name the folder of the films")
    if not table.exists():
        raise StudyError(f"{table}: is not there; films are added to a study that has this table")
    keyfile = Path(key) if key is not None else key_path(study.folder)
    labels = {film.label for film in study.films}
    # Of an addition that was stopped half-way the table knows nothing.
    old = [row for row in read_key(keyfile) if row.label in labels or not row.subject]
    seen = look_at_all(_found(source, study.folder), workers, progress)
    seen = without_twins(seen, _standing(study, old, seen))
    _check_any(seen, f"{source}: holds no film that is new to the study")
    for name in ("films", "plans"):
        make_folder(study.folder / name)
    entry_of = Entry(study.folder, _people(study, old), labels, both_hips)
    rows, made = _entered(study.folder, keyfile, entry_of, seen, old)
    write_atomically(table, _with_rows(read_text(table, StudyError), rows))
    return made


def _check_any(seen: Sequence[Seen], fault: str) -> None:
    """Raise `StudyError` where no file is a film that enters, with why not the first of them."""
    if not any(entry.kind == "film" for entry in seen):
        raise StudyError(
            "; ".join([fault, *(f"{entry.path.name}: {entry.reason}" for entry in seen[:3])])
        )


def _entered(
    study: Path, key: Path, entry_of: Entry, seen: Sequence[Seen], old: Sequence[KeyRow]
) -> tuple[list[dict[str, object]], Sorted]:
    """Enter the films, write the key and what was left out; return the rows of the table."""
    rows, keyed = entry_of.enter([entry for entry in seen if entry.kind == "film"])
    gone = rows_left_out(study)
    labels = (row["label"] for row in gone if _LEFT_OUT.fullmatch(row["label"]))
    taken = max((int(label[1:]) for label in labels), default=0)
    left = [entry for entry in seen if entry.kind != "film"]
    left_rows, left_keyed = left_out_rows(left, taken, keyed)
    write_key(key, [*old, *keyed, *left_keyed])
    write_atomically(study / LEFT_OUT_FILE, csv_text(LEFT_OUT_COLUMNS, [*gone, *left_rows]))
    return rows, Sorted(
        study,
        key,
        tuple(seen),
        persons=len({row.subject for row in keyed}),
        sides=len({row["file"] for row in rows if row["side"]}),
        contradictions=tuple(entry_of.contradictions),
    )


def _found(source: Path, study: Path) -> list[Path | Seen]:
    """Return the files below a folder; a plan beside a film is not looked at as one."""
    found = list(files_below(source, (study,)))
    films = {str(each.with_suffix("")) for each in found if isinstance(each, Path)}
    return [
        each
        for each in found
        if not isinstance(each, Path)
        or not each.name.endswith(PLAN)
        or str(each).removesuffix(PLAN) not in films
    ]


def _people(study: Study, key: Sequence[KeyRow]) -> dict[str, Person]:
    """Return the subjects of a study by person, with the day from which their days count."""
    keyed = {row.label: row for row in key}
    people: dict[str, Person] = {}
    for number, film in enumerate(study.films):
        row = keyed.get(film.label)
        person = row.person if row and row.person else f"film {number}"
        who = people.setdefault(person, Person(film.subject, None))
        if row and row.taken and film.day is not None and who.zero is None:
            who.zero = row.taken - timedelta(days=film.day)
    return people


def _standing(study: Study, key: Sequence[KeyRow], seen: Sequence[Seen]) -> list[Seen]:
    """Return the films of a study as far as a new one may be the same; few are looked at again."""
    keyed = {row.label: row for row in key}
    known = []
    arrived = {(entry.person, entry.taken) for entry in seen}
    for film in {film.file: film for film in study.films}.values():
        row = keyed.get(film.label)
        if row is None:
            known.append(look_at(film.file))
            continue
        entry = Seen(
            film.file, "film", "", row.person or None, row.taken, image=row.image, pixels=row.pixels
        )
        alike = (entry.person, entry.taken) in arrived or None in {person for person, _ in arrived}
        known.append(look_at(film.file) if alike else entry)
    return [entry for entry in known if entry.pixels]


def _with_rows(table: str, rows: Sequence[Mapping[str, object]]) -> str:
    """Return a table of films with further rows; what stands in it stays as it is."""
    delimiter = delimiter_of(table)
    line_end = "\r\n" if "\r\n" in table else "\n"
    columns = [cell.strip() for cell in next(csv.reader(io.StringIO(table), delimiter=delimiter))]
    text = io.StringIO()
    writer = csv.DictWriter(
        text,
        columns,
        restval="",
        delimiter=delimiter,
        lineterminator=line_end,
        extrasaction="ignore",
    )
    missing = sorted({key for row in rows for key, value in row.items() if value} - {*columns})
    if missing:
        raise StudyError(f"{FILMS_FILE}: has no column {', '.join(missing)}; add it to the header")
    writer.writerows({key: defused(value) for key, value in row.items()} for row in rows)
    return f"{table}{'' if table.endswith(line_end) else line_end}{text.getvalue()}"
