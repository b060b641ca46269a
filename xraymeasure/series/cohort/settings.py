"""With what the numbers of a cohort were made."""

from __future__ import annotations

import platform
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version

from xraymeasure import __version__
from xraymeasure.measuring.results import Measurements
from xraymeasure.plan.compare import Comparison
from xraymeasure.series.run.run import RunSummary, read_kept
from xraymeasure.series.study.readings import Place

CUP = ("radiographic_inclination", "radiographic_anteversion")


@dataclass(frozen=True)
class Settings:
    """With what the numbers were made, for the paragraph of methods.

    Attributes
    ----------
    readers, occasions
        Who read, and the greatest occasion on which somebody did: what happened, whatever
        ``study.toml`` intends.
    readings, blinded, open : int
        How many readings there are, and how many of them the worklist handed out without and with
        sight of plan and earlier readings. Of the others nothing is known.
    reader, occasion
        Whose numbers these are.
    draws, seed : int
        Of the Monte Carlo intervals; 0 draws are first-order intervals.
    placing : mapping of str to int
        How many of these readings rest on which placing spread: ``reading``, ``repeats``,
        ``default``.
    methods : mapping of str to mapping of str to int
        For each measurement, how many hips were measured by each method.
    references : mapping of str to int
        How many hips were measured to each reference line.
    tolerances : mapping of str to tuple of float
        The tolerances that occur, for each measurement.
    versions : mapping of str to str
        Of the programs.
    """

    readers: tuple[str, ...]
    occasions: int
    readings: int
    blinded: int
    open: int
    reader: str
    occasion: int
    draws: int
    seed: int
    placing: Mapping[str, int]
    methods: Mapping[str, Mapping[str, int]]
    references: Mapping[str, int]
    tolerances: Mapping[str, tuple[float, ...]]
    versions: Mapping[str, str]


def settings_of(
    cases: Sequence[Place],
    measured: Sequence[Measurements],
    comparisons: Sequence[Comparison],
    *,
    reader: str,
    occasion: int,
    summary: RunSummary,
) -> Settings:
    """Return the settings that films of a study were measured and compared with."""
    methods: dict[str, Counter[str]] = defaultdict(Counter)
    references: Counter[str] = Counter()
    tolerances: dict[str, set[float]] = defaultdict(set)
    for film in measured:
        for name in (*CUP, "leg_length_difference", "femoral_offset", "magnification"):
            if row := film.primary(name):
                methods[name][row.method] += 1
        if row := film.primary(CUP[0]):
            references[row.reference or "none"] += 1
    for comparison in comparisons:
        for compared in comparison.rows:
            if compared.tolerance is not None and compared.difference is not None:
                tolerances[compared.name].add(compared.tolerance)
    read = [entry for entry in summary.entries if entry.place in summary.kept]
    return Settings(
        readers=tuple(sorted({entry.reader for entry in read})),
        occasions=max(entry.occasion for entry in read),
        readings=len(read),
        blinded=sum(entry.handed_out == "blinded" for entry in read),
        open=sum(entry.handed_out == "open" for entry in read),
        reader=reader,
        occasion=occasion,
        draws=summary.draws,
        seed=summary.seed,
        placing=dict(Counter(read_kept(summary.kept[place])["placing"] for place in cases)),
        methods={name: dict(counts) for name, counts in methods.items()},
        references=dict(references),
        tolerances={name: tuple(sorted(values)) for name, values in tolerances.items()},
        versions={
            "xraymeasure": __version__,
            "Python": platform.python_version(),
            "numpy": version("numpy"),
            "scipy": version("scipy"),
        },
    )
