"""The agreement of a study's readers, measurement by measurement, and their placing spread.

Between readers, each reader's first occasion counts; within a reader, that reader's occasions.
A film counts where all readings that are compared gave the measurement by the same method on the
same hip: numbers of two methods, or of two sides, are never held against one another. Only the
index hip of a film enters, because the two hips of one person are not independent. Where a film
stands in two rows, one a hip, what belongs to it (leg length, how the pelvis lay) counts once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import TypeVar

import numpy as np

from xraymeasure.errors import StudyError
from xraymeasure.report.page.content import CORE
from xraymeasure.series.agreement.compared import (
    Column,
    comparisons_of,
    flow_of_agreement,
    second_rows,
)
from xraymeasure.series.agreement.components import Components, variance_components
from xraymeasure.series.agreement.copied import Same, same_readings
from xraymeasure.series.agreement.statistics import (
    Limits,
    Reliability,
    limits_of_agreement,
    reliability,
)
from xraymeasure.series.run.flow import Stage
from xraymeasure.series.run.methods import run_methods, run_settings
from xraymeasure.series.run.summary import RunSummary
from xraymeasure.series.run.task import read_kept
from xraymeasure.series.study.placing import Placing, Repeats, placing_spread
from xraymeasure.series.study.readings import StudyReading
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.quantities import METHODS, QUANTITIES

Target = tuple[str, str | None]
"""Film and side."""
Values = Mapping[Target, Mapping[Column, float]]
Result = TypeVar("Result")

POSITIONING = frozenset(
    {
        "pelvic_tilt_indicator",
        "pelvic_rotation_indicator",
        "obturator_ratio",
        "pelvic_obliquity",
        "hip_centre_left_of_beam",
        "hip_centre_caudal_of_beam",
    }
)
"""What says how the patient lay, of which a reliability among patients has no meaning."""


@dataclass(frozen=True)
class ReaderComparison:
    """Readings of the same films that are held against one another.

    Attributes
    ----------
    label : str
        What a person reads, ``between readers A, B`` for example.
    columns : tuple of (reader, occasion)
        What is compared.
    reliability : Reliability or str
        Or why there is none.
    limits : tuple of (str, Limits or str)
        For each pair, what is subtracted from what, and its limits of agreement or why there are
        none.
    """

    label: str
    columns: tuple[Column, ...]
    reliability: Reliability | str
    limits: tuple[tuple[str, Limits | str], ...]


@dataclass(frozen=True)
class MeasurementAgreement:
    """The agreement on one measurement by one method.

    Attributes
    ----------
    name, method : str
        Keys of `QUANTITIES` and `METHODS`.
    primary : bool
        Whether this method stood for the measurement in most of the readings that have it.
    comparisons : tuple of ReaderComparison
        Between readers first, then within each.
    """

    name: str
    method: str
    primary: bool
    comparisons: tuple[ReaderComparison, ...]

    @property
    def title(self) -> str:
        """What a person reads."""
        return QUANTITIES[self.name].label

    @property
    def method_title(self) -> str:
        """What a person reads of the method."""
        return METHODS.get(self.method, self.method)


@dataclass(frozen=True)
class AgreementReport:
    """All that a study says about the agreement of its readings.

    Attributes
    ----------
    title : str
        Of the study.
    readers : tuple of str
        Codes of those who read.
    occasions : int
        The greatest on which somebody read.
    films, subjects : int
        How many were measured at least once.
    flow : tuple of Stage
        From films to readings, with what was lost on the way.
    measurements : tuple of MeasurementAgreement
        In the order of `QUANTITIES`.
    placing : tuple of Placing
        One for each reader with repeats.
    notes : tuple of str
        What a person should know of the numbers, as sentences.
    methods : str
        How the films were read and measured, for a paper.
    same : tuple of Same
        Readings that are the same to the last digit.
    components : mapping of str to Components or str
        For each measurement of `CORE`, where the spread of its readings comes from, or why that
        cannot be told; empty where it was not asked for.
    """

    title: str
    readers: tuple[str, ...]
    occasions: int
    films: int
    subjects: int
    flow: tuple[Stage, ...]
    measurements: tuple[MeasurementAgreement, ...]
    placing: tuple[Placing, ...]
    notes: tuple[str, ...]
    methods: str = ""
    same: tuple[Same, ...] = ()
    components: Mapping[str, Components | str] = field(default_factory=dict)


def agreement_of(
    study: Study,
    summary: RunSummary,
    reader: str | None = None,
    occasion: int = 1,
    *,
    components: bool = False,
) -> AgreementReport:
    """Return how well the readings of a study agree.

    Parameters
    ----------
    study : Study
    summary : RunSummary
        Of this study as it stands.
    reader : str, optional
        Compare only this reader's occasions with one another.
    occasion : int
        Which of their occasions readers are compared by.
    components : bool
        Whether to fit the mixed model; see `variance_components`.

    Raises
    ------
    StudyError
        If no film was read twice, be it by two readers or on two occasions, or the study has no
        such reader or occasion.
    """
    study.check_reader(reader or study.readers[0], occasion)
    comparisons = comparisons_of(study, reader, occasion)
    tables, primary = _gather(summary, second_rows(study, summary))
    if not any(len(columns) > 1 for values in tables.values() for columns in values.values()):
        raise StudyError(
            f"{study.folder}: no film was read twice; agreement needs two readers or two occasions"
        )
    measurements = tuple(
        MeasurementAgreement(
            name,
            method,
            2 * primary[name, method] > sum(map(len, values.values())),
            tuple(_compare(label, columns, values) for label, columns in comparisons),
        )
        for (name, method), values in sorted(
            tables.items(), key=lambda item: (_position(item[0][0]), item[0][1])
        )
    )
    films = {film for film, _, _ in summary.kept}
    subjects = {film.subject for film in study.films if film.label in films}
    return AgreementReport(
        title=study.title,
        readers=tuple(
            code for code in study.readers if any(who == code for _, who, _ in summary.kept)
        ),
        occasions=max(occasion for _, _, occasion in summary.kept),
        films=len(films),
        subjects=len(subjects),
        flow=flow_of_agreement(study, summary, [set(columns) for _, columns in comparisons]),
        measurements=measurements,
        placing=tuple(
            placing
            for reader in study.readers
            if (placing := placing_of(reader, summary)).landmarks
        ),
        notes=_notes(len(films), len(subjects), occasion),
        methods=run_methods(run_settings(study, summary)),
        same=same_readings(entry for entry in summary.entries if entry.place in summary.kept),
        components=_components(study, tables, measurements) if components else {},
    )


def _components(
    study: Study,
    tables: Mapping[tuple[str, str], Values],
    measurements: Iterable[MeasurementAgreement],
) -> dict[str, Components | str]:
    subjects = {film.label: film.subject for film in study.films}
    found: dict[str, Components | str] = {}
    for entry in measurements:
        if entry.name not in CORE or not entry.primary:
            continue
        rows = [
            (subjects[film], side or "", film, reader, occasion, value)
            for (film, side), columns in tables[entry.name, entry.method].items()
            for (reader, occasion), value in columns.items()
        ]
        factors = {
            "patient": [subject for subject, *_ in rows],
            "hip": [f"{subject} {side}" for subject, side, *_ in rows],
            "film": [f"{film} {side}" for _, side, film, *_ in rows],
            "reader": [reader for *_, reader, _, _ in rows],
            "occasion": [f"{reader} {occasion}" for *_, reader, occasion, _ in rows],
            "reader and film": [f"{reader} {film} {side}" for _, side, film, reader, *_ in rows],
        }
        try:
            found[entry.name] = variance_components([row[-1] for row in rows], factors)
        except StudyError as error:
            found[entry.name] = str(error)
    return found


def _position(name: str) -> int:
    return list(QUANTITIES).index(name)


def _gather(
    summary: RunSummary, second: frozenset[str]
) -> tuple[dict[tuple[str, str], dict[Target, dict[Column, float]]], dict[tuple[str, str], int]]:
    """Return values by measurement, target and column, and how often each method was primary."""
    tables: dict[tuple[str, str], dict[Target, dict[Column, float]]] = defaultdict(
        lambda: defaultdict(dict)
    )
    primary: dict[tuple[str, str], int] = defaultdict(int)
    for (film, reader, occasion), path in summary.kept.items():
        for row in read_kept(path)["rows"]:
            # The film's own measurements have no side, and then no index side either.
            if row["status"] != "measured" or row["index_side"] is False:
                continue
            name = row["measurement"]
            of_film = name == "leg_length_difference" or (name in POSITIONING and not row["side"])
            if of_film and film in second:
                continue
            key = name, row["method"]
            tables[key][film, row["side"]][reader, occasion] = row["value"]
            primary[key] += row["primary"]
    return tables, primary


def _compare(label: str, columns: tuple[Column, ...], values: Values) -> ReaderComparison:
    rows: dict[str, list[list[float]]] = defaultdict(list)
    for (film, _), found in values.items():
        rows[film].append([found.get(column, np.nan) for column in columns])
    # A film that only one of them read has nothing to say and is no loss; one on which they read
    # different hips is.
    read = {film: np.isfinite(several) for film, several in rows.items()}
    table = np.array(
        [
            several[read[film].sum(axis=1).argmax()]
            for film, several in rows.items()
            if read[film].any(axis=0).sum() > 1
        ]
    ).reshape(-1, len(columns))
    return ReaderComparison(
        label,
        columns,
        _or_reason(reliability, table),
        tuple(
            (
                _pair_name(columns[i], columns[j]),
                _or_reason(limits_of_agreement, table[:, i], table[:, j]),
            )
            for i, j in combinations(range(len(columns)), 2)
        ),
    )


def _pair_name(first: Column, second: Column) -> str:
    if first[0] == second[0]:
        return f"{first[0]}, occasion {first[1]} − {second[1]}"
    return f"{first[0]} − {second[0]}"


def _or_reason(function: Callable[..., Result], *tables: np.ndarray) -> Result | str:
    try:
        return function(*tables)
    except StudyError as error:
        return str(error)


def placing_of(reader: str, summary: RunSummary) -> Placing:
    """Return a reader's placing spread from all readings of a run that repeat one another."""
    films: dict[str, list[StudyReading]] = defaultdict(list)
    for entry in summary.entries:
        if entry.reader == reader and entry.place in summary.kept:
            films[entry.film].append(entry)
    return placing_spread(reader, _repeats(films.values(), summary))


def _repeats(films: Iterable[list[StudyReading]], summary: RunSummary) -> Iterable[Repeats]:
    for entries in films:
        kept = read_kept(summary.kept[entries[0].place])
        pitch = kept["pitch_mm"]
        yield Repeats(
            tuple(entry.reading for entry in entries if entry.reading is not None),
            tuple(pitch) if pitch else None,
            kept["mm_per_px"],
        )


def _notes(films: int, subjects: int, occasion: int) -> tuple[str, ...]:
    notes = [
        f"Between readers each reader's occasion {occasion} counts. Only films with all readings "
        "that are compared enter (complete cases); n says how many, and how many films with some "
        "of the readings were left out.",
        "ICC(2,1): two-way random effects, absolute agreement, single reading. ICC(3,1): two-way "
        "mixed effects, consistency, single reading (Shrout and Fleiss 1979; intervals after "
        "McGraw and Wong 1996). A coefficient depends on how much the films differ: it does not "
        "carry over to another series. With two readers whose means differ as much as single "
        "readings do, the interval of ICC(2,1) covers about 89 % instead of 95 %.",
        "Limits of agreement: mean difference and 1.96 standard deviations (Bland and Altman "
        "1986), each limit with an interval that is exact for normal differences (noncentral t; "
        "Carkeet 2015).",
        "SEM: standard error of measurement of a single reading, differences between readers' or "
        "occasions' means included (agreement). MDC95 = 1.96 √2 SEM: what two single readings "
        "must differ by. Their intervals: Graybill and Wang 1980; with two readers the upper end "
        "is far off, because two say little of how readers differ. Repeatability coefficient = "
        "1.96 √2 times the within-film standard deviation.",
        "All intervals are 95 % intervals.",
    ]
    if subjects < films:
        notes.append(
            f"{films} films are of {subjects} subjects: films of one person are alike, so the "
            "intervals are somewhat too narrow."
        )
    return tuple(notes)
