"""What readers say about films: comments, and exclusions with their reason; only ever added to.

Each remark is a file of its own in ``remarks/``, named
``FILM__READER__OCCASION__TAG.remark.json`` with a tag of its content, so that two readers on one
share, or two copies of a study that are merged, never overwrite one another. The latest word
counts: a film that was excluded may be taken in again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, ConfigDict, Field

from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import make_folder, read_text, write_atomically
from xraymeasure.files.formats import Form, parse_json
from xraymeasure.reading.moment import moment_from
from xraymeasure.series.study.readings import content_tag
from xraymeasure.series.study.study import Study

REMARKS = "remarks"
FORMAT = "xraymeasure-remark"
VERSION = 1
_SUFFIX = ".remark.json"

Kind = Literal["comment", "exclude", "include"]


def _with_zone(value: str) -> str:
    try:
        zone = datetime.fromisoformat(value).tzinfo
    except ValueError:
        zone = None
    if zone is None:
        raise ValueError("is not a date and time in ISO 8601 with a zone")
    return value


@dataclass(frozen=True)
class Remark:
    """One reader's word about one film.

    Attributes
    ----------
    occasion : int
        On which it was said.
    at : str
        When, ISO 8601 with a zone.
    kind : {"comment", "exclude", "include"}
        ``exclude`` takes the film out for this reader on all occasions, ``include`` takes it in
        again.
    """

    __pydantic_config__: ClassVar = ConfigDict(extra="forbid", strict=True)

    film: str
    reader: str
    occasion: Annotated[int, Field(ge=1)]
    at: Annotated[str, AfterValidator(_with_zone)]
    kind: Kind
    text: Annotated[str, Field(min_length=1)]


_FORM = Form(FORMAT, VERSION, "a remark", Remark, StudyError, dict)


def add_remark(study: Study, remark: Remark) -> Path:
    """Add a remark to the study and return its file.

    Raises
    ------
    StudyError
        If the study has no such film, reader or occasion, or the remark has no text: a film is
        not excluded without a reason.
    """
    study.film(remark.film)
    study.check_reader(remark.reader, remark.occasion)
    if not remark.text.strip():
        raise StudyError(f"film {remark.film}: say why; a remark needs a text")
    record = {"format": FORMAT, "version": VERSION, **asdict(remark)}
    text = json.dumps(record, indent=1, ensure_ascii=False) + "\n"
    folder = make_folder(study.folder / REMARKS)
    stem = f"{remark.film}__{remark.reader}__{remark.occasion}__{content_tag(text)}"
    path = folder / f"{stem}{_SUFFIX}"
    parse_json(text, str(path), _FORM)
    write_atomically(path, text)
    return path


def study_remarks(study: Study) -> tuple[Remark, ...]:
    """Return all remarks in the order in which they were made.

    Raises
    ------
    StudyError
        If a remark's file is broken: an exclusion that cannot be read must not be passed over.
    """
    remarks = {
        parse_json(read_text(path, StudyError), str(path), _FORM)
        for path in (study.folder / REMARKS).glob(f"[!.]*{_SUFFIX}")
    }
    return tuple(sorted(remarks, key=lambda one: (moment_from(one.at), *vars(one).values())))


def excluded_films(remarks: Iterable[Remark]) -> dict[tuple[str, str], str]:
    """Return why films are excluded, by film and reader, from remarks in their order in time."""
    excluded: dict[tuple[str, str], str] = {}
    for remark in remarks:
        if remark.kind == "exclude":
            excluded[remark.film, remark.reader] = remark.text
        elif remark.kind == "include":
            excluded.pop((remark.film, remark.reader), None)
    return excluded
