"""The key of a study: which file, of whom and when, stands behind which label.

It is the one file that knows. It lies beside the study's folder, never in it, so that the study
can be given to readers without it; adding later films of the same people needs it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import read_text, write_atomically
from xraymeasure.files.tables import as_meant, csv_text

_COLUMNS = ("label", "subject", "file", "taken", "person", "image", "pixels")
REMARK = (
    "Key of a study: keep it apart from the study and from whoever reads the films. person: a "
    "digest of the patient number; pixels: SHA-256 of the pixels."
)


@dataclass(frozen=True)
class KeyRow:
    """What stands behind one label.

    Attributes
    ----------
    label : str
        Of a film, or of a file that was left out.
    subject : str
        Pseudonym of the person; empty for what was left out.
    file : str
        Where the file lay.
    taken : datetime.date or None
        When the film was taken.
    person : str
        A digest of the patient number and its issuer; empty where the film does not say.
    image, pixels : str
        DICOM's name for the image, and the SHA-256 of its pixels.
    """

    label: str
    subject: str
    file: str
    taken: date | None
    person: str
    image: str
    pixels: str


def key_path(study_folder: Path) -> Path:
    """Return where the key of a study lies: beside its folder."""
    folder = study_folder.resolve()
    return folder.with_name(f"{folder.name}.key.csv")


def write_key(path: Path, rows: Iterable[KeyRow]) -> None:
    """Write a key; names that are no text are written with escapes."""
    table = (
        {**vars(row), "taken": row.taken.isoformat() if row.taken else "", "file": _text(row.file)}
        for row in rows
    )
    write_atomically(path, csv_text(_COLUMNS, table, remark=REMARK))


def read_key(path: Path) -> list[KeyRow]:
    """Return the rows of a key.

    Raises
    ------
    StudyError
        If there is none, or it is no key.
    """
    if not path.exists():
        raise StudyError(
            f"{path}: is not there; films are added with the key that was written when the study "
            "was made, name it with --key"
        )
    lines = [line for line in read_text(path, StudyError).splitlines(True) if line[:1] != "#"]
    rows = csv.DictReader(io.StringIO("".join(lines), newline=""))
    if tuple(rows.fieldnames or ()) != _COLUMNS:
        raise StudyError(f"{path}: is no key of a study; name the one that was written with it")
    return [_row({key: as_meant(row[key] or "") for key in _COLUMNS}, path) for row in rows]


def _row(cell: dict[str, str], path: Path) -> KeyRow:
    said = cell.pop("taken")
    try:
        return KeyRow(taken=date.fromisoformat(said) if said else None, **cell)
    except ValueError:
        raise StudyError(
            f"{path}: label {cell['label']}: taken: {said!r} is not a date such as 2026-01-31"
        ) from None


def _text(name: str) -> str:
    return name.encode("utf-8", "backslashreplace").decode()
