"""A study frozen at the first reading, and what was changed in it afterwards.

A study says beforehand what it will do, and with which films. So the texts of ``study.toml`` and of
the table of films are kept when the first reading is handed in, and again whenever a run or a
reading finds them changed: each as a copy of its own in ``frozen/``, named
``MOMENT__TAG.study.toml`` and ``MOMENT__TAG.films.csv`` with a tag of its content. As with readings
and remarks nothing there is ever overwritten, and two copies of a study are merged by copying.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, NamedTuple

from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import make_folder, read_text, write_atomically
from xraymeasure.files.formats import load_toml
from xraymeasure.series.study.films_table import delimiter_of
from xraymeasure.series.study.study import STUDY_FILE, Study

FROZEN = "frozen"
What = Literal["study.toml", "films.csv"]
_NAME = re.compile(r"(?P<moment>\d{8}T\d{12}Z)__(?P<tag>[0-9a-f]{16})\.(study\.toml|films\.csv)")
_MOMENT = "%Y%m%dT%H%M%S%fZ"


@dataclass(frozen=True)
class Frozen:
    """A file as it stood at one moment.

    Attributes
    ----------
    at : datetime
        When it was found so.
    digest : str
        SHA-256 of its text.
    text : str
        The whole of it.
    """

    at: datetime
    digest: str
    text: str


class _Part(NamedTuple):
    """One file that is frozen: what it is called there, where it lies, and what it says by key."""

    what: What
    path: Path
    table: Callable[[str], dict[str, str]]


def _parts(study: Study) -> Iterator[_Part]:
    # A study that was made in a program has no file.
    if (study.folder / STUDY_FILE).exists():
        yield _Part("study.toml", study.folder / STUDY_FILE, _keys)
    if study.table is not None and study.table.exists():
        yield _Part("films.csv", study.table, _cells)


def freeze(study: Study) -> None:
    """Keep ``study.toml`` and the table of films as they stand, if they do not stand so already."""
    for what, path, _ in _parts(study):
        text = read_text(path, StudyError)
        kept = frozen_versions(study, what)
        if kept and kept[-1].digest == digest_of(text):
            continue
        moment = datetime.now(UTC).strftime(_MOMENT)
        folder = make_folder(study.folder / FROZEN)
        write_atomically(folder / f"{moment}__{digest_of(text)[:16]}.{what}", text)


def frozen_versions(study: Study, what: What = "study.toml") -> tuple[Frozen, ...]:
    """Return what was kept of a file of the study, the earliest first.

    Raises
    ------
    StudyError
        If a copy was changed after it was kept.
    """
    found = []
    for path in sorted((study.folder / FROZEN).glob(f"[!.]*.{what}")):
        match = _NAME.fullmatch(path.name)
        if match is None:
            raise StudyError(f"{path}: is not named as what was frozen of a study; move it away")
        text = read_text(path, StudyError)
        digest = digest_of(text)
        if not digest.startswith(match["tag"]):
            raise StudyError(f"{path}: was changed after it was kept; bring back the original")
        moment = datetime.strptime(match["moment"], _MOMENT).replace(tzinfo=UTC)
        found.append(Frozen(moment, digest, text))
    return tuple(found)


def _changes(part: _Part, versions: Sequence[Frozen]) -> Iterator[str]:
    """Yield in words what was changed in a file since it was first kept, in order of time."""
    now = read_text(part.path, StudyError)
    steps: list[tuple[str, str]] = [(f" ({each.at:%Y-%m-%d})", each.text) for each in versions]
    # What no run has found yet has no moment.
    if versions[-1].digest != digest_of(now):
        steps.append(("", now))
    tables = [part.table(text) for _, text in steps]
    for (at, _), before, after in zip(steps[1:], tables[:-1], tables[1:], strict=True):
        for key in sorted(before.keys() | after.keys()):
            if before.get(key) == after.get(key):
                continue
            film, comma, _ = key.partition(",")
            # Of a film that came or went, that is all there is to say.
            if comma and not (film in before and film in after):
                continue
            told = before.get(key, ""), after.get(key, "")
            if comma and key.endswith(_UNTOLD):
                told = "one" * bool(told[0]), "another" * bool(told[1])
            yield f"{key}: {told[0] or 'not stated'} became {told[1] or 'not stated'}{at}"


# More than this are not read on a page.
_MOST = 12


def frozen_words(study: Study) -> str:
    """Return in a few sentences since when a study stands, and what was changed in it since."""
    said = []
    for part in _parts(study):
        versions = frozen_versions(study, part.what)
        if not versions:
            continue
        first, changes = versions[0], list(_changes(part, versions))
        told = f"{part.what} was frozen on {first.at:%Y-%m-%d} (SHA-256 {first.digest[:16]})"
        listed = changes[:_MOST]
        if len(changes) > _MOST:
            listed.append(f"and {len(changes) - _MOST} more, to be seen in {FROZEN}/")
        if listed:
            said.append(f"{told}; changed since: {'; '.join(listed)}.")
        else:
            said.append(f"{told} and not changed since.")
    return " ".join(said) or "study.toml was not frozen: no reading was handed in yet."


def digest_of(text: str) -> str:
    """Return the SHA-256 of a text of the study, whatever its line ends."""
    # Line ends may be changed on the way through a version control system or a mail.
    return hashlib.sha256(text.replace("\r\n", "\n").encode("utf-8")).hexdigest()


def _keys(text: str) -> dict[str, str]:
    return dict(_flat(load_toml(text, FROZEN, "a study", StudyError)))


# In these may stand the name of a person: that they changed is said, not what they hold.
_UNTOLD = (", file", ", plan")


def _cells(text: str) -> dict[str, str]:
    """Return what a table says of each film, ``film LABEL, COLUMN``."""
    found: dict[str, str] = {}
    for row in csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter_of(text)):
        cells = {(key or "").strip(): str(value or "").strip() for key, value in row.items()}
        film = f"film {cells.pop('film', '')}"
        found[film] = "listed"
        for column, value in cells.items():
            if value:
                found[f"{film}, {column}"] = value
    return found


def _flat(table: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{above}{key}.")
        else:
            yield f"{above}{key}", str(value)
