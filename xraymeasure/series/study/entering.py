"""Films get their labels and places in a study, persons their subjects, dates become days."""

from __future__ import annotations

import csv
import io
import os
import re
import secrets
import shutil
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from xraymeasure.errors import PlanError, StudyError
from xraymeasure.files.atomic import read_text
from xraymeasure.files.tables import as_meant
from xraymeasure.plan.plan import read_plan
from xraymeasure.series.study.key_file import KeyRow
from xraymeasure.series.study.sorting import OTHER, PLAN, Seen, plan_beside
from xraymeasure.vocabulary.landmarks import SIDES, Side

LEFT_OUT_FILE = "left_out.csv"
LEFT_OUT_COLUMNS = ("label", "kind", "reason")
# With what a film's file may go on in the study, where its own ending says what it is.
_ENDINGS = frozenset({".dcm", ".png", ".tif", ".tiff", ".jpg", ".jpeg"})
_SUBJECT = re.compile(r"S(\d+)")


@dataclass
class Person:
    """A subject and the day from which the days of its films are counted."""

    subject: str
    zero: date | None
    films: int = 0


class Entry:
    """Gives films their labels and places in a study's folder."""

    def __init__(
        self, folder: Path, people: dict[str, Person], labels: set[str], both_hips: bool
    ) -> None:
        self.folder, self.people, self.both_hips = folder, people, both_hips
        self.labels = {label.casefold() for label in labels}
        self.contradictions: list[str] = []

    def enter(self, films: Sequence[Seen]) -> tuple[list[dict[str, object]], list[KeyRow]]:
        """Return the rows of the table, and those of the key."""
        of_whom: dict[str, list[Seen]] = defaultdict(list)
        for film in films:
            of_whom[film.person or f"file {film.path}"].append(film)
        strangers = [person for person in of_whom if person not in self.people]
        # The order of the files would follow names or numbers of patients.
        secrets.SystemRandom().shuffle(strangers)
        numbers = [
            int(match[1])
            for each in self.people.values()
            if (match := _SUBJECT.fullmatch(each.subject))
        ]
        start = max(numbers, default=0) + 1
        digits = max(3, len(str(start + len(strangers) - 1)))
        for number, person in enumerate(strangers, start):
            dates = [film.taken for film in of_whom[person] if film.taken]
            zero = min(dates, default=None)
            self.people[person] = Person(f"S{number:0{digits}d}", zero)
        rows: list[dict[str, object]] = []
        keyed: list[KeyRow] = []
        for person, own in sorted(of_whom.items(), key=lambda item: self.people[item[0]].subject):
            who = self.people[person]
            if who.zero is None:
                who.zero = min((film.taken for film in own if film.taken), default=None)
            for film in sorted(own, key=lambda one: (one.taken or date.max, str(one.path))):
                self._enter(film, who, rows, keyed)
        return rows, keyed

    def _enter(
        self, film: Seen, who: Person, rows: list[dict[str, object]], keyed: list[KeyRow]
    ) -> None:
        who.films += 1
        while self._taken(f"{who.subject}-{who.films}"):
            who.films += 1
        stem = f"{who.subject}-{who.films}"
        ending = film.path.suffix.lower()
        file = f"films/{stem}{ending if ending in _ENDINGS else '.dcm'}"
        _place(film.path, self.folder / file)
        plan, planned = self._plan(film, stem)
        side = planned or film.side
        if planned and film.side and planned != film.side:
            side = None
            self.contradictions.append(stem)
        for hip in SIDES if self.both_hips else (side,):
            label = f"{stem}-{hip}" if self.both_hips else stem
            row: dict[str, object] = {
                "film": label,
                "file": file,
                "subject": who.subject,
                "side": hip,
            }
            if who.zero is not None and film.taken is not None:
                row["day"] = (film.taken - who.zero).days
            if plan and (not self.both_hips or planned in (hip, None)):
                row["plan"] = plan
            rows.append(row)
            self.labels.add(label.casefold())
            keyed.append(_key_row(label, who.subject, film))

    def _taken(self, stem: str) -> bool:
        return any(
            label in self.labels
            for label in (stem.casefold(), *(f"{stem}-{s}".casefold() for s in SIDES))
        )

    def _plan(self, film: Seen, stem: str) -> tuple[str | None, Side | None]:
        """Take the plan beside a film in; return its name in the study, and its hip."""
        beside = plan_beside(film.path)
        if not beside.is_file():
            return None, None
        name = f"plans/{stem}{PLAN}"
        _place(beside, self.folder / name)
        try:
            return name, read_plan(beside).operated_side
        except PlanError:
            # The run says what is wrong with it.
            return name, None


def _place(source: Path, target: Path) -> None:
    """Give a file its name in the study: a further name of it, or a copy."""
    try:
        target.unlink(missing_ok=True)
        try:
            os.link(os.path.realpath(source), target)
        except OSError:
            # Another disk, or one that knows no further names.
            shutil.copyfile(source, target)
    except OSError as error:
        raise StudyError(
            f"{target}: cannot be written ({error.strerror}); choose a folder you may write to or "
            "free some space"
        ) from error


def left_out_rows(
    left: Sequence[Seen], before: int, entered: Sequence[KeyRow]
) -> tuple[list[dict[str, str]], list[KeyRow]]:
    """Return the rows of the list of what was left out, and those of the key.

    Parameters
    ----------
    left : sequence of Seen
    before : int
        How many labels of that list are given already.
    entered : sequence of KeyRow
        The films that entered meanwhile, by whose labels copies are told.
    """
    labels = {row.file: row.label for row in reversed(entered)}
    rows, keyed = [], []
    digits = max(3, len(str(before + len(left))))
    for number, entry in enumerate(left, before + 1):
        label = f"X{number:0{digits}d}"
        reason = entry.reason
        if entry.twin is not None:
            twin = labels.get(str(entry.twin), entry.twin.stem)
            reason = reason.replace(OTHER, f"film {twin}")
        rows.append({"label": label, "kind": entry.kind, "reason": reason})
        keyed.append(_key_row(label, "", entry))
    return rows, keyed


def _key_row(label: str, subject: str, entry: Seen) -> KeyRow:
    return KeyRow(
        label, subject, str(entry.path), entry.taken, entry.person or "", entry.image, entry.pixels
    )


def rows_left_out(folder: Path) -> list[dict[str, str]]:
    """Return the rows of a study's list of what was left out; none where it has no such list."""
    path = folder / LEFT_OUT_FILE
    if not path.exists():
        return []
    rows = csv.DictReader(io.StringIO(read_text(path, StudyError), newline=""))
    if tuple(rows.fieldnames or ()) != LEFT_OUT_COLUMNS:
        raise StudyError(f"{path}: has other columns than {', '.join(LEFT_OUT_COLUMNS)}; mend it")
    return [{key: as_meant(row[key] or "") for key in LEFT_OUT_COLUMNS} for row in rows]
