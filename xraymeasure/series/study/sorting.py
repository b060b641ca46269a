"""Every file of a folder looked at, and told what it is: a film for a study, or why it is none.

A folder from an archive holds more than the films of a study: lateral and chest films, copies,
the same film exported twice, broken files, files of other kinds. Nothing is passed over in
silence: each file has a kind, and each that does not enter a reason.
"""

from __future__ import annotations

import os
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Literal

from xraymeasure.errors import FilmError
from xraymeasure.film.dicom.attributes import Attributes
from xraymeasure.film.film import Film
from xraymeasure.film.read import read_film
from xraymeasure.series.run.workers import map_tasks
from xraymeasure.series.study.traits import ALIKE, EXPOSED_ONCE, THROUGH, Traits, traits_of
from xraymeasure.vocabulary.landmarks import Side

Kind = Literal[
    "film", "lateral", "other view", "other part", "copy", "re-export", "unreadable", "no film"
]
KINDS: dict[Kind, str] = {
    "film": "AP films of the pelvis or a hip",
    "lateral": "lateral films",
    "other view": "films of another view",
    "other part": "films of another part of the body",
    "copy": "copies of the same pixels",
    "re-export": "the same picture, exported once more",
    "unreadable": "films that cannot be read",
    "no film": "files that are no film",
}
"""What a file may be, and what a person reads of several of them."""

PLAN = ".plan.toml"
"""With what the name of a plan ends that lies beside its film under the same name."""

_BESIDE = {
    PLAN: "a plan, with no film of its name beside it",
    ".reading.json": "a reading; it goes into readings/ as LABEL__READER__OCCASION.reading.json",
    ".truth.json": "the truth of a synthetic film, which no study takes in",
}
"""What a file of this program's own is, by the end of its name."""

_TAGS = (
    "BodyPartExamined",
    "SeriesDescription",
    "StudyDescription",
    "ProtocolName",
    "ImageType",
    "SourceImageSequence",
)
_HERE = re.compile(r"PELV|HIP|FEMUR|THIGH|BECKEN|H(UE|Ü)FT|COXA|BASSIN|HANCHE|CADERA")
_ELSEWHERE = re.compile(
    r"CHEST|THORAX|KNEE|SPINE|ABDOMEN|HAND|FOOT|ANKLE|SHOULDER|ELBOW|WRIST|SKULL"
)
_SIDEWAYS = re.compile(r"\bLAT(ERAL)?\b|AXIAL|FROG|CROSS.?TABLE|LAUENSTEIN")
_LATERAL = frozenset({"LL", "RL", "LLD", "RLD", "LAT", "LATERAL", "LLO", "RLO"})
_FEW = 8
_OF_8_BITS = 256


@dataclass(frozen=True, eq=False)
class Seen:
    """One file, and what a study needs to know of it.

    Attributes
    ----------
    path : Path
        The file.
    kind : str
        A key of `KINDS`.
    reason : str
        Why it does not enter; empty for a film. It does not repeat the file's name.
    person : str or None
        A digest of who the film says it is of.
    taken : datetime.date or None
        When it was taken.
    side : {"left", "right"} or None
        The side that the film says it shows.
    view : str or None
        AP or PA; None where the film does not say.
    image, pixels : str
        DICOM's name for the image, and the SHA-256 of its pixels; empty where there is none.
    source : str
        DICOM's name for the image that this one was derived from.
    named : bool
        Whether attributes of the file still hold identity.
    original : bool
        Whether the file is not said to be derived from another.
    depth : int
        Bits of the whole picture.
    twin : Path or None
        The file that stands for a copy or re-export.
    traits : Traits or None
        By which the picture is known again; None for no picture.
    """

    path: Path
    kind: Kind
    reason: str = ""
    person: str | None = None
    taken: date | None = None
    side: Side | None = None
    view: str | None = None
    image: str = ""
    pixels: str = ""
    source: str = ""
    named: bool = False
    original: bool = True
    depth: int = 0
    twin: Path | None = None
    traits: Traits | None = field(default=None, repr=False)


def files_below(folder: Path, but: Sequence[Path] = ()) -> Iterator[Path | Seen]:
    """Yield every file below a folder, sorted; what cannot be gone into is seen already.

    Parameters
    ----------
    folder : Path
    but : sequence of Path
        Folders that are passed over.
    """
    refused: list[Seen] = []

    def refuse(error: OSError) -> None:
        where = Path(os.fsdecode(error.filename or folder))
        refused.append(Seen(where, "unreadable", f"the folder cannot be opened ({error.strerror})"))

    passed = {each.resolve() for each in but}
    for here, folders, names in os.walk(folder, onerror=refuse):
        at = Path(here)
        folders[:] = sorted(name for name in folders if (at / name).resolve() not in passed)
        for name in list(folders):
            if (at / name).is_symlink():
                folders.remove(name)
                yield Seen(at / name, "no film", "a link to a folder; name that folder")
        yield from (at / name for name in sorted(names))
    yield from refused


def look_at_all(
    found: Sequence[Path | Seen],
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Seen]:
    """Return what each file is, in their order; processes here share the work.

    A file that kills the process that looks at it is unreadable.
    """
    paths = [entry for entry in found if isinstance(entry, Path)]
    seen: dict[Path, Seen] = {}
    for path, outcome in map_tasks(look_at, paths, workers=workers, few=_FEW):
        if isinstance(outcome, Exception):
            outcome = Seen(path, "unreadable", f"looking at it ended in {type(outcome).__name__}")
        seen[path] = outcome
        if progress:
            progress(len(seen), len(paths))
    return [seen[entry] if isinstance(entry, Path) else entry for entry in found]


def look_at(path: Path) -> Seen:
    """Return what one file is, whatever is in it."""
    for end, what in _BESIDE.items():
        if path.name.endswith(end):
            return Seen(path, "no film", f"is {what}")
    try:
        film = read_film(path)
    except FilmError as error:
        reason = str(error).removeprefix(f"{path}: ")
        if "lateral film" in reason:
            return Seen(path, "lateral", reason)
        no_film = "neither DICOM nor" in reason or "ordinary file" in reason
        return Seen(path, "no film" if no_film else "unreadable", reason)
    except Exception as error:
        # Whatever a file does to a parser, the others are still to be sorted.
        return Seen(path, "unreadable", f"reading it ended in {type(error).__name__}")
    said = _header(path)
    kind, reason = _kind(film, said)
    sources = said.values("SourceImageSequence")
    return Seen(
        path=path,
        kind=kind,
        reason=reason,
        person=film.person,
        taken=film.acquired_on,
        side=film.laterality,
        view=film.view,
        image=film.sop_instance_uid or "",
        pixels=film.pixel_sha256,
        source=str(sources[0].get("ReferencedSOPInstanceUID", "")) if sources else "",
        named=bool(film.identity),
        original="DERIVED" not in said.texts("ImageType"),
        depth=film.pixels.size * film.bits_stored,
        traits=traits_of(film.pixels),
    )


def _header(path: Path) -> Attributes:
    import pydicom

    with warnings.catch_warnings():
        # The parser's remarks quote values.
        warnings.simplefilter("ignore")
        try:
            return Attributes(
                pydicom.dcmread(
                    path, stop_before_pixels=True, specific_tags=list(_TAGS), force=True
                )
            )
        except Exception:
            # A picture without attributes; as a film it could be read.
            return Attributes(pydicom.Dataset())


def _kind(film: Film, said: Attributes) -> tuple[Kind, str]:
    described = " ".join(
        said.text(key) or "" for key in ("SeriesDescription", "ProtocolName", "StudyDescription")
    )
    part = said.text("BodyPartExamined") or ""
    if part and not _HERE.search(part):
        return "other part", "shows another part of the body"
    if not part and _ELSEWHERE.search(described) and not _HERE.search(described):
        return "other part", "its description names another part of the body"
    if film.view in _LATERAL:
        return "lateral", f"its view is {film.view}, that of a lateral film"
    if film.view not in ("AP", "PA", None):
        return "other view", f"its view is {film.view}; an AP film is needed"
    if film.view is None and _SIDEWAYS.search(described):
        return "lateral", "its description is that of a lateral film"
    return "film", ""


def without_twins(seen: Sequence[Seen], known: Sequence[Seen] = ()) -> list[Seen]:
    """Return the files with copies and re-exports marked as such; of each picture one stands.

    That is the one in the study already, else the one that says whose and of when it is before the
    one that does not, one with a plan beside it before one without, the finer greys before 8 bits,
    the original before the derived, the larger before the smaller.

    Parameters
    ----------
    seen : sequence of Seen
    known : sequence of Seen
        Films that are in the study.
    """
    standing = list(known)
    told: dict[Path, Seen] = {}
    for entry in sorted(
        (entry for entry in seen if entry.kind == "film"),
        key=lambda one: (
            one.person is None,
            one.taken is None,
            # Of copies the one that somebody planned on.
            not plan_beside(one.path).exists(),
            # An export may call itself original, be larger than its film, or lie in a file of 16.
            not one.traits or one.traits.levels <= _OF_8_BITS,
            bool(one.source),
            not one.original,
            -one.depth,
            -(one.traits.levels if one.traits else 0),
            str(one.path),
        ),
    ):
        told[entry.path] = twin = _marked(entry, standing)
        if twin.kind == "film":
            standing.append(entry)
    return [told.get(entry.path, entry) for entry in seen]


def plan_beside(film: Path) -> Path:
    """Return where the plan of a film lies, if it has one."""
    return film.with_suffix(PLAN)


OTHER = "another film"
"""Stands in a reason for the film that stands for a copy or re-export."""


def _marked(entry: Seen, standing: Sequence[Seen]) -> Seen:
    for other in standing:
        if entry.pixels == other.pixels:
            reason = f"holds the same pixels as {OTHER}"
            return replace(entry, kind="copy", reason=reason, twin=other.path)
    for other in standing:
        if reason := _re_export(entry, other):
            return replace(entry, kind="re-export", reason=reason, twin=other.path)
    return entry


def _re_export(entry: Seen, other: Seen) -> str:
    if entry.image and entry.image == other.image:
        return f"bears the same image number as {OTHER}, with other pixels"
    if entry.source and entry.source == other.image:
        return f"is derived from {OTHER}"
    if _may_be_one(entry, other) and entry.traits and other.traits:
        one, two = entry.traits, other.traits
        # Two exposures one after the other are two films, however little lies between them.
        exposures = entry.original and other.original and entry.image and other.image
        apart = EXPOSED_ONCE if exposures and one.size == two.size else THROUGH
        same = one.through(two) > apart or one.seen_through(two)
        # A part cut out of a film lies elsewhere on its grid; what is exposed in it does not.
        if not (exposures and one.is_whole(two)):
            same = same or one.likeness(two) > ALIKE
        if same:
            return f"shows the same picture as {OTHER}, exported otherwise"
    return ""


def _may_be_one(one: Seen, other: Seen) -> bool:
    same_person = None in (one.person, other.person) or one.person == other.person
    same_day = None in (one.taken, other.taken) or one.taken == other.taken
    return same_person and same_day
