"""With what a study was read and measured, counted and in words that every page carries."""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import version

from xraymeasure import __version__
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.run.task import read_kept
from xraymeasure.series.study.frozen import frozen_words
from xraymeasure.series.study.readings import Place
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.wording import counted


@dataclass(frozen=True, kw_only=True)
class RunSettings:
    """With what the numbers of a run were made.

    Attributes
    ----------
    readers, occasions
        Who read, and the greatest occasion on which somebody did: what happened, whatever
        ``study.toml`` intends.
    readings, blinded, open : int
        How many readings there are, and how many of them the worklist handed out without and with
        sight of plan and earlier readings. Of the others nothing is known.
    draws, seed : int
        Of the Monte Carlo intervals; 0 draws are first-order intervals.
    placing : mapping of str to int
        How many of these readings rest on which placing spread: ``reading``, ``repeats``,
        ``default``.
    versions : mapping of str to str
        Of the programs.
    frozen : str
        Since when ``study.toml`` stands, and what was changed in it since.
    """

    readers: tuple[str, ...]
    occasions: int
    readings: int
    blinded: int
    open: int
    draws: int
    seed: int
    placing: Mapping[str, int]
    versions: Mapping[str, str]
    frozen: str = ""


def run_settings(
    study: Study, summary: RunSummary, places: Collection[Place] | None = None
) -> RunSettings:
    """Return the settings of a run; the placing spread is that of `places`, of all by default."""
    read = [entry for entry in summary.entries if entry.place in summary.kept]
    counted = summary.kept if places is None else places
    return RunSettings(
        readers=tuple(sorted({entry.reader for entry in read})),
        occasions=max((entry.occasion for entry in read), default=0),
        readings=len(read),
        blinded=sum(entry.handed_out == "blinded" for entry in read),
        open=sum(entry.handed_out == "open" for entry in read),
        draws=summary.draws,
        seed=summary.seed,
        placing=dict(Counter(read_kept(summary.kept[place])["placing"] for place in counted)),
        versions={
            "xraymeasure": __version__,
            "Python": platform.python_version(),
            "numpy": version("numpy"),
            "scipy": version("scipy"),
        },
        frozen=frozen_words(study),
    )


def run_methods(settings: RunSettings) -> str:
    """Return how a study was read and measured, as a paragraph for a paper."""
    words = program_words(settings), reading_words(settings), interval_words(settings)
    return " ".join(filter(None, (*words, settings.frozen)))


def program_words(settings: RunSettings) -> str:
    """Return with which program."""
    versions = dict(settings.versions)
    own = versions.pop("xraymeasure")
    under = ", ".join(f"{name} {number}" for name, number in versions.items())
    return f"Plain films were measured with xraymeasure {own} ({under})."


_PLACING = {
    "default": "the program's default",
    "repeats": "the reader's own, from repeats on the same films",
    "reading": "that stated in the reading",
}


def reading_words(settings: RunSettings, whose: str = "") -> str:
    """Return who read, how often, and what is known of blinding and order."""
    return " ".join(_reading(settings, whose))


def _reading(settings: RunSettings, whose: str) -> Iterator[str]:
    yield (
        f"Landmarks were placed by {counted(len(settings.readers), 'reader')} on "
        f"{counted(settings.occasions, 'occasion')} ({counted(settings.readings, 'reading')})"
        f"{whose}."
    )
    unknown = settings.readings - settings.blinded - settings.open
    handed = (
        (settings.blinded, "without sight of the plan and of earlier readings"),
        (settings.open, "with sight of the plan and of earlier readings"),
    )
    for count, how in handed:
        if count:
            of_all = "All" if count == settings.readings else f"{count} of the"
            yield (
                f"{of_all} readings were handed out by the worklist {how}, in an order drawn at "
                "random for each reader and occasion."
            )
    if unknown:
        of_all = "these" if unknown == settings.readings else f"{unknown}"
        yield f"Of {of_all} readings neither blinding nor order is recorded."


def interval_words(settings: RunSettings) -> str:
    """Return what stands behind the intervals of single measurements."""
    total = sum(settings.placing.values())
    spread = " and ".join(
        _PLACING[key] + ("" if count == total else f" ({count} readings)")
        for key, count in sorted(settings.placing.items(), key=lambda item: (-item[1], item[0]))
    )
    held = (
        "from the spread of placing, the tolerance of known sizes, the position of the tube, the "
        "depth of landmarks and the rotation of pelvis and legs. The spread of placing was "
        f"{spread}"
    )
    if settings.draws:
        return (
            f"Single measurements have 95 % intervals from {settings.draws} Monte Carlo draws "
            f"(JCGM 101:2008; seed {settings.seed}), {held}."
        )
    return f"Single measurements have first-order 95 % intervals (GUM, JCGM 100:2008), {held}."
