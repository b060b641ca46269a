"""With what the numbers of a cohort were made."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from xraymeasure.measuring.results import Measurements
from xraymeasure.plan.compare import Comparison
from xraymeasure.series.run.methods import RunSettings, run_settings
from xraymeasure.series.run.standing import Standing
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.study.readings import Place
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.quantities import CUP_ANGLES
from xraymeasure.vocabulary.wording import counted


@dataclass(frozen=True)
class Settings:
    """With what the numbers of a cohort were made, for the paragraph of methods.

    Attributes
    ----------
    adjudicated : int
        How many hips the adjudicator read.
    methods : mapping of str to mapping of str to int
        For each measurement, how many hips were measured by each method.
    references : mapping of str to int
        How many hips were measured to each reference line.
    tolerances : mapping of str to tuple of float
        The tolerances that occur, for each measurement.
    """

    run: RunSettings
    standing: Standing
    adjudicated: int
    methods: Mapping[str, Mapping[str, int]]
    references: Mapping[str, int]
    tolerances: Mapping[str, tuple[float, ...]]

    @property
    def whose(self) -> str:
        """Whose numbers these are, in words."""
        words, judge = str(self.standing), self.standing.adjudicator
        if judge is None:
            return words
        return f"{words}; of {counted(self.adjudicated, 'hip')} adjudicator {judge}"


def settings_of(
    places: Sequence[Place],
    measured: Sequence[Measurements],
    comparisons: Sequence[Comparison],
    standing: Standing,
    study: Study,
    summary: RunSummary,
) -> Settings:
    """Return the settings that films of a study were measured and compared with."""
    methods: dict[str, Counter[str]] = defaultdict(Counter)
    references: Counter[str] = Counter()
    tolerances: dict[str, set[float]] = defaultdict(set)
    for film in measured:
        for name in (*CUP_ANGLES, "leg_length_difference", "femoral_offset", "magnification"):
            if row := film.primary(name):
                methods[name][row.method] += 1
        if row := film.primary(CUP_ANGLES[0]):
            references[row.reference or "none"] += 1
    for comparison in comparisons:
        for compared in comparison.rows:
            if compared.tolerance is not None and compared.difference is not None:
                tolerances[compared.name].add(compared.tolerance)
    return Settings(
        run=run_settings(study, summary, places),
        standing=standing,
        adjudicated=sum(reader == standing.adjudicator for _, reader, _ in places),
        methods={name: dict(counts) for name, counts in methods.items()},
        references=dict(references),
        tolerances={name: tuple(sorted(values)) for name, values in tolerances.items()},
    )
