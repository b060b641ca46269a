"""Every edit is on disk before the next one: where a reading is kept, and what stands in the way.

A reading lies beside its film as ``FILM.READER.reading.json``. A file that this window did not
write, or that has changed since, is never written over: the reading goes to a new name and the
window says so. Where the film's folder cannot be written to, it goes to the user's own folder,
under a name that is not the film's, which is often the patient's.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.film import Film
from xraymeasure.reading.binding import binding_fault
from xraymeasure.reading.file import read_reading, save_reading
from xraymeasure.reading.reading import Reading

SUFFIX = ".reading.json"


@dataclass(frozen=True)
class Beside:
    """A reading that was found on disk for a film."""

    path: Path
    reading: Reading
    modified: float


@dataclass(frozen=True)
class Found:
    """What lies on disk for a film.

    Attributes
    ----------
    own : Beside or None
        The reader's latest reading: the one that comes back.
    others : tuple of Beside
        Every other reading of this film.
    notes : tuple of str
        What a person should know: files that cannot be read, several of the reader's own.
    """

    own: Beside | None
    others: tuple[Beside, ...]
    notes: tuple[str, ...]


def find_readings(film: Film, film_path: Path, reader: str, folders: tuple[Path, ...]) -> Found:
    """Return the readings of a film that lie in `folders`, the reader's latest one apart."""
    found, notes = [], []
    for folder in dict.fromkeys(folders):
        stems = f"({re.escape(film_path.stem)}|{film.safe_name})"
        pattern = re.compile(stems + r"(\.[^.]+)?(\.\d+)?\.reading\.json")
        try:
            names = sorted(path for path in folder.iterdir() if pattern.fullmatch(path.name))
        except OSError:
            continue
        for path in names:
            try:
                reading = read_reading(path)
                modified = path.stat().st_mtime_ns
            except (XrayMeasureError, OSError) as error:
                notes.append(f"{path.name} was left alone: {error}")
                continue
            if binding_fault(film, reading) is None:
                found.append(Beside(path, reading, modified))
            else:
                notes.append(f"{path.name} was left alone: it belongs to another film.")
    own = [item for item in found if item.reading.reader == reader]
    latest = max(own, key=lambda item: item.modified, default=None)
    if len(own) > 1:
        notes.append(
            f"Reader {reader} has {len(own)} readings of this film; the latest one, "
            f"{latest.path.name}, came back. The others can be laid over it."
        )
    return Found(latest, tuple(item for item in found if item is not latest), tuple(notes))


@dataclass(frozen=True)
class Saved:
    """How the last save went.

    Attributes
    ----------
    path : pathlib.Path or None
        The file that now holds the reading; None if none does.
    notice : str
        What a person has to know, empty where all went as expected.
    """

    path: Path | None
    notice: str = ""


class Keeper:
    """Saves one window's work on one film after every edit.

    Parameters
    ----------
    path : pathlib.Path
        Where it should lie.
    fallback : pathlib.Path
        Where it lies if `path` cannot be written.
    known : bool
        Whether what lies there now came back from disk and may be written over.
    write, read, suffix
        How it is written to a path and read back, and how its files' names end.
    """

    def __init__(
        self,
        path: Path,
        fallback: Path,
        *,
        known: bool = False,
        write: Callable[[Any, Path], None] = save_reading,
        read: Callable[[Path], Any] = read_reading,
        suffix: str = SUFFIX,
    ) -> None:
        self._path, self._fallback = path, fallback
        self._writer, self._reader, self._suffix = write, read, suffix
        self._last: bytes | None = None
        if known:
            self.know()

    @property
    def path(self) -> Path:
        """Where the next save goes, unless something stands there."""
        return self._path

    @property
    def written_here(self) -> bool:
        """Whether the file holds what was last seen or written here."""
        return self._last is not None and read_bytes(self._path) == self._last

    def know(self) -> None:
        """Take what lies there now for what may be written over."""
        self._last = read_bytes(self._path)

    def save(self, work: Any) -> Saved:
        """Write the work and read it back; never raises for what a disk can do."""
        notice = ""
        if read_bytes(self._path) != self._last:
            taken = self._path
            self._path, self._last = free_name(taken, self._suffix), None
            notice = (
                f"{taken.name} was written by someone else, or by another window, since it was "
                f"last seen here. It was left alone; this is now kept in {self._path.name}."
            )
        try:
            self._write(work, self._path)
        except XrayMeasureError as error:
            return self._save_elsewhere(work, str(error))
        return Saved(self._path, notice)

    def _save_elsewhere(self, work: Any, reason: str) -> Saved:
        elsewhere = free_name(self._fallback, self._suffix)
        try:
            self._write(work, elsewhere)
        except XrayMeasureError as error:
            return Saved(
                None, f"NOT SAVED. {reason}. The folder {self._fallback.parent} failed too: {error}"
            )
        self._path = elsewhere
        return Saved(elsewhere, f"{reason}. It is kept in {elsewhere} instead.")

    def _write(self, work: Any, path: Path) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise XrayMeasureError(f"{path.parent}: cannot be made ({error.strerror})") from error
        self._writer(work, path)
        written = read_bytes(path)
        if written is None or self._reader(path) != work:
            raise XrayMeasureError(f"{path}: what was written does not read back")
        self._last = written


def read_bytes(path: Path) -> bytes | None:
    """Return the bytes of a file, None where there is none or it cannot be read."""
    try:
        return path.read_bytes()
    except OSError:
        return None


def free_name(path: Path, suffix: str = SUFFIX) -> Path:
    """Return `path`, or the first ``STEM.2``, ``STEM.3`` ... that no file has."""
    stem = path.name.removesuffix(suffix)
    stem = re.sub(r"\.\d+$", "", stem) if path.exists() else stem
    candidate, number = path, 2
    while candidate.exists():
        candidate = path.with_name(f"{stem}.{number}{suffix}")
        number += 1
    return candidate


def reading_path(film_path: Path, reader: str) -> Path:
    """Return where a reader's reading of a film lies.

    >>> reading_path(Path("films/hip-07.dcm"), "A").name
    'hip-07.A.reading.json'
    """
    return film_path.with_name(f"{film_path.stem}.{reader}{SUFFIX}")
