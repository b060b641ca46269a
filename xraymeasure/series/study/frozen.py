"""``study.toml`` frozen at the first reading, and what was changed in it afterwards.

A study says beforehand what it will do. So the text of ``study.toml`` is kept when the first
reading is handed in, and again whenever a run or a reading finds it changed: each as a copy of its
own in ``frozen/``, named ``MOMENT__TAG.study.toml`` with a tag of its content. As with readings
and remarks nothing there is ever overwritten, and two copies of a study are merged by copying.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import make_folder, read_text, write_atomically
from xraymeasure.files.formats import load_toml
from xraymeasure.series.study.study import STUDY_FILE, Study

FROZEN = "frozen"
_SUFFIX = f".{STUDY_FILE}"
_NAME = re.compile(r"(?P<moment>\d{8}T\d{12}Z)__(?P<tag>[0-9a-f]{16})\.study\.toml")
_MOMENT = "%Y%m%dT%H%M%S%fZ"


@dataclass(frozen=True)
class Frozen:
    """``study.toml`` as it stood at one moment.

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


@dataclass(frozen=True)
class StudyChange:
    """One key of ``study.toml`` that was changed after the first reading.

    Attributes
    ----------
    at : datetime or None
        When the change was found; None for one that no run has found yet.
    key : str
        ``tolerance.inclination_deg`` for example.
    before, after : str
        The values; empty where there was none.
    """

    at: datetime | None
    key: str
    before: str
    after: str

    def __str__(self) -> str:
        """Return the change as a few words."""
        return f"{self.key}: {self.before or 'not stated'} became {self.after or 'not stated'}"


def freeze(study: Study) -> None:
    """Keep ``study.toml`` as it stands, if it does not stand so already."""
    if not (study.folder / STUDY_FILE).exists():
        # A study that was made in a program has no file.
        return
    text = _text(study)
    kept = frozen_versions(study)
    if kept and kept[-1].digest == digest_of(text):
        return
    folder = make_folder(study.folder / FROZEN)
    moment = datetime.now(UTC).strftime(_MOMENT)
    write_atomically(folder / f"{moment}__{digest_of(text)[:16]}{_SUFFIX}", text)


def frozen_versions(study: Study) -> tuple[Frozen, ...]:
    """Return what was kept of ``study.toml``, the earliest first.

    Raises
    ------
    StudyError
        If a copy was changed after it was kept.
    """
    found = []
    for path in sorted((study.folder / FROZEN).glob(f"[!.]*{_SUFFIX}")):
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


def study_changes(study: Study) -> tuple[StudyChange, ...]:
    """Return what was changed in ``study.toml`` after the first reading, in order of time.

    What a run has not yet found is compared too, and has no moment.
    """
    versions = frozen_versions(study)
    if not versions:
        return ()
    now = _text(study)
    steps: list[tuple[datetime | None, str]] = [(each.at, each.text) for each in versions]
    if versions[-1].digest != digest_of(now):
        steps.append((None, now))
    tables = [dict(_flat(load_toml(text, FROZEN, "a study", StudyError))) for _, text in steps]
    return tuple(
        StudyChange(at, key, before.get(key, ""), after.get(key, ""))
        for (at, _), before, after in zip(steps[1:], tables[:-1], tables[1:], strict=True)
        for key in sorted(before.keys() | after.keys())
        if before.get(key) != after.get(key)
    )


def frozen_words(study: Study) -> str:
    """Return in a few sentences since when a study stands, and what was changed in it since."""
    versions = frozen_versions(study)
    if not versions:
        return "study.toml was not frozen: no reading was handed in yet."
    first, changes = versions[0], study_changes(study)
    said = f"study.toml was frozen on {first.at:%Y-%m-%d} (SHA-256 {first.digest[:16]})"
    if not changes:
        return f"{said} and not changed since."
    listed = "; ".join(
        f"{change}{f' ({change.at:%Y-%m-%d})' if change.at else ''}" for change in changes
    )
    return f"{said}; changed since: {listed}."


def _text(study: Study) -> str:
    return read_text(study.folder / STUDY_FILE, StudyError)


def digest_of(text: str) -> str:
    """Return the SHA-256 of a text of the study, whatever its line ends."""
    # Line ends may be changed on the way through a version control system or a mail.
    return hashlib.sha256(text.replace("\r\n", "\n").encode("utf-8")).hexdigest()


def _flat(table: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{above}{key}.")
        else:
            yield f"{above}{key}", str(value)
