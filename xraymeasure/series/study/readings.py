"""The readings of a study: one file a film, reader, occasion and version, only ever added to.

A file is named ``FILM__READER__OCCASION__TAG.reading.json``; the tag is the beginning of the
SHA-256 of its content. Two different readings can therefore never meet in one name, the same
reading copied twice is one file, and a file that was changed afterwards is noticed. Where a film
was read again on the same occasion, the reading with the latest ``read_at`` counts and the earlier
ones stay.

A reading that comes from elsewhere may be put into the folder without a tag, as
``FILM__READER__OCCASION.reading.json``.

A reading that was handed out by the worklist says so after its tag, ``__TAG-blinded`` where
neither the plan nor earlier readings were shown and ``__TAG-open`` where they were. Only of such
readings is it known that their film came in the order drawn at random.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from xraymeasure.errors import ReadingError, StudyError
from xraymeasure.files.atomic import make_folder, read_text, write_atomically
from xraymeasure.reading.file import format_reading, parse_reading
from xraymeasure.reading.moment import moment_from
from xraymeasure.reading.reading import Reading
from xraymeasure.series.study.films_table import StudyFilm
from xraymeasure.series.study.frozen import digest_of, freeze
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.landmarks import Side

READINGS = "readings"
DRAFTS = "drafts"
_SUFFIX = ".reading.json"
# Programs that synchronise folders append to names ("... (copy)"): what follows the tag is free.
_NAME = re.compile(
    r"(?P<film>.+?)__(?P<reader>.+?)__(?P<occasion>[1-9]\d?)"
    r"(?:__(?P<tag>[0-9a-f]{16})(?P<copy>.*))?\.reading\.json"
)

Place = tuple[str, str, int]
"""Film, reader, occasion."""

HandedOut = Literal["blinded", "open"]
"""How the worklist handed a film out: without or with sight of plan and earlier readings."""


@dataclass(frozen=True)
class StudyReading:
    """A reading and its place in the study.

    Attributes
    ----------
    film, reader : str
        Label of the film and code of the reader.
    occasion : int
        From 1.
    path : Path
        The file.
    reading : Reading or None
        None where the file cannot be used, and then `fault` says why.
    fault : str
        Empty where the reading can be used.
    digest : str
        SHA-256 of the file's text.
    handed_out : {"blinded", "open"} or None
        How the worklist handed the film out; None for a reading that did not come from it, or of
        which that is not recorded.
    """

    film: str
    reader: str
    occasion: int
    path: Path
    reading: Reading | None
    fault: str = ""
    digest: str = ""
    handed_out: HandedOut | None = None

    @property
    def place(self) -> Place:
        """Film, reader, occasion."""
        return self.film, self.reader, self.occasion


def content_tag(text: str) -> str:
    """Return the tag that stands in the name of a file with this text."""
    return digest_of(text)[:16]


def add_reading(
    study: Study, film: str, occasion: int, reading: Reading, handed_out: HandedOut | None = None
) -> Path:
    """Add a finished reading to the study; nothing that is there is changed.

    Parameters
    ----------
    study : Study
        The study.
    film : str
        Label of the film.
    occasion : int
        From 1.
    reading : Reading
        Its `reader` must be one of the study's.
    handed_out : {"blinded", "open"}, optional
        How the worklist handed the film out; not for readings from elsewhere.

    Returns
    -------
    Path
        The file; the same for the same content.

    Raises
    ------
    StudyError
        If the study has no such film, reader or occasion, or names the other hip as index.
    ReadingError
        If the reading would not read back the same.
    """
    study.check_reader(reading.reader, occasion)
    _check_side(study.film(film), reading, f"film {film}")
    text = format_reading(reading)
    mark = f"-{handed_out}" if handed_out else ""
    name = f"{film}__{reading.reader}__{occasion}__{content_tag(text)}{mark}{_SUFFIX}"
    path = study.folder / READINGS / name
    if parse_reading(text, str(path)) != reading:
        raise ReadingError(f"{path}: the reading would not read back the same; not written")
    freeze(study)
    make_folder(path.parent)
    write_atomically(path, text)
    draft_path(study, film, reading.reader, occasion).unlink(missing_ok=True)
    return path


def draft_path(study: Study, film: str, reader: str, occasion: int) -> Path:
    """Return where a reading that is still being placed is kept; the folder is made."""
    folder = make_folder(study.folder / DRAFTS)
    return folder / f"{film}__{reader}__{occasion}{_SUFFIX}"


def study_readings(study: Study) -> tuple[StudyReading, ...]:
    """Return the reading that counts for every film, reader and occasion that has one.

    A file that cannot be used is returned with its fault; if another version of the same place can
    be used, that one counts and the fault is dropped with the superseded.

    Returns
    -------
    tuple of StudyReading
        In the order of the study's films, then readers, then occasions; files whose name fits no
        film of the study come last.
    """
    films = {film.label: film for film in study.films}
    order = {label: position for position, label in enumerate(films)}
    versions: dict[Place, list[StudyReading]] = {}
    for path in sorted((study.folder / READINGS).glob(f"[!.]*{_SUFFIX}")):
        found = _study_reading(study, films, path)
        versions.setdefault(found.place, []).append(found)
    counting = [_latest(entries) for entries in versions.values()]
    last = len(order)
    return tuple(sorted(counting, key=lambda e: (order.get(e.film, last), *e.place, e.path.name)))


def _study_reading(study: Study, films: Mapping[str, StudyFilm], path: Path) -> StudyReading:
    match = _NAME.fullmatch(path.name)
    if match is None:
        return StudyReading(
            path.name,
            "",
            0,
            path,
            None,
            f"readings/{path.name}: is not named FILM__READER__OCCASION{_SUFFIX}",
        )
    film, reader, occasion = match["film"], match["reader"], int(match["occasion"])
    digest, reading = "", None
    try:
        if film not in films:
            raise StudyError(f"readings/{path.name}: the study has no film {film!r}")
        study.check_reader(reader, occasion)
        text = read_text(path, ReadingError)
        digest = digest_of(text)
        if match["tag"] and match["tag"] != digest[:16]:
            raise StudyError(
                f"readings/{path.name}: was changed after it was saved; if that is meant, rename "
                f"it to {film}__{reader}__{occasion}{_SUFFIX}"
            )
        reading = parse_reading(text, f"readings/{path.name}")
        if reading.reader != reader:
            raise StudyError(
                f"readings/{path.name}: is named for reader {reader} but was placed by "
                f"{reading.reader!r}"
            )
        _check_side(films[film], reading, f"readings/{path.name}")
    except (ReadingError, StudyError) as error:
        fault = str(error).replace(f"{study.folder}/", "")
        return StudyReading(film, reader, occasion, path, None, fault, digest=digest)
    mark = re.match("-(blinded|open)", match["copy"] or "")
    handed_out: HandedOut | None = None
    if mark:
        handed_out = "blinded" if mark[1] == "blinded" else "open"
    return StudyReading(film, reader, occasion, path, reading, digest=digest, handed_out=handed_out)


def _check_side(film: StudyFilm, reading: Reading, where: str) -> None:
    if film.side and film.side != reading.operated_side:
        raise StudyError(
            f"{where}: the reading's index hip is the {reading.operated_side} one, that of film "
            f"{film.label} in the study the {film.side}; list a film with two hips twice"
        )


def _latest(versions: list[StudyReading]) -> StudyReading:
    usable = [
        (moment_from(entry.reading.read_at), entry.digest, place)
        for place, entry in enumerate(versions)
        if entry.reading is not None
    ]
    return versions[max(usable)[-1] if usable else -1]


def has_cup(reading: Reading, side: Side | None = None) -> bool:
    """Return whether a hip, the index hip by default, has a cup: only then it was operated on."""
    side = side or reading.operated_side
    return reading.has(f"cup_rim_{side}") or reading.has(f"cup_shell_{side}")
