"""The page on agreement: tables, Bland and Altman's plots, and how it was reckoned."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from xraymeasure.files.atomic import write_files
from xraymeasure.report.layout import style
from xraymeasure.report.layout.blocks import (
    Block,
    Cell,
    Heading,
    Paper,
    Paragraph,
    Table,
    paper_files,
)
from xraymeasure.report.layout.sheet import TEXT_MM
from xraymeasure.report.page.content import CORE
from xraymeasure.series.agreement.components import Components
from xraymeasure.series.agreement.copied import Same
from xraymeasure.series.agreement.plots import UNITS, pictures
from xraymeasure.series.agreement.reliability import (
    POSITIONING,
    AgreementReport,
    MeasurementAgreement,
    ReaderComparison,
)
from xraymeasure.series.agreement.statistics import Coefficient, Estimate, Limits
from xraymeasure.series.agreement.table import agreement_csv
from xraymeasure.series.run.flow import flow_csv
from xraymeasure.series.run.flow_page import flow_blocks
from xraymeasure.series.study.placing import MINIMUM_FREEDOM, Placing
from xraymeasure.vocabulary import wording
from xraymeasure.vocabulary.landmarks import LANDMARKS
from xraymeasure.vocabulary.quantities import QUANTITIES, Unit


def estimate_cell(
    found: Estimate | Coefficient,
    decimals: int = 1,
    unit: Unit = "1",
    *,
    signed: bool = False,
    bold: bool = False,
    colour: str = style.INK,
) -> Cell:
    """Return the cell of a number, with its interval below it."""
    return Cell(
        wording.with_unit(found.value, unit, decimals, signed),
        wording.interval(found.low, found.high, decimals, signed),
        bold,
        colour,
    )


# Titles of the columns and their left edges, mm.
_RELIABILITY = (
    ("", 0.0),
    ("n", 38.0),
    ("ICC(2,1) agreement", 48.0),
    ("ICC(3,1) consistency", 75.0),
    ("SEM", 103.0),
    ("MDC95", 124.0),
    ("within-film SD", 145.0),
    ("repeatability", 166.0),
)
_RESULT = (
    ("", 0.0),
    ("n", 52.0),
    ("ICC(2,1)", 62.0),
    ("SEM", 90.0),
    ("MDC95", 116.0),
    ("limits of agreement", 144.0),
)
_LIMITS = (
    ("", 0.0),
    ("n", 48.0),
    ("mean difference", 62.0),
    ("lower limit", 92.0),
    ("upper limit", 122.0),
    ("SD of differences", 152.0),
)
_PLACING = (
    ("", 0.0),
    ("px", 60.0),
    ("95 % interval", 74.0),
    ("mm", 104.0),
    ("films", 122.0),
    ("used", 138.0),
)
_KEY = (
    "Solid: mean difference. Dashed: limits of agreement. Grey bands: the 95 % interval of each. "
    "Dotted: zero."
)


def write_agreement(report: AgreementReport, out: str | os.PathLike[str]) -> list[Path]:
    """Write ``agreement.pdf``, ``.html``, ``.csv`` and ``flow.csv``; return their paths."""
    page = paper_files("agreement", agreement_paper(report))
    return write_files(
        out, {**page, "agreement.csv": agreement_csv(report), "flow.csv": flow_csv(report.flow)}
    )


def agreement_paper(report: AgreementReport) -> Paper:
    """Return the page: one method of each measurement, and no conversions of what is shown."""
    shown = [
        entry
        for entry in report.measurements
        if entry.primary
        and QUANTITIES[entry.name].unit != "px"
        and not entry.name.startswith(("operative_", "anatomical_"))
    ]
    shown, not_compared = _told_once(shown)
    blocks: list[Block] = [
        Paragraph(_summary(report), loud=True),
        *(_same(same) for same in report.same),
        *(
            Paragraph(f"Not compared {label}: {reason}.", glyph="△")
            for label, reason in not_compared.items()
        ),
    ]
    if shown:
        blocks += [
            *_result(shown),
            Heading("Reliability and error of measurement, with 95 % intervals"),
            Table(_RELIABILITY, [row for entry in shown for row in _reliability_rows(entry)]),
            Heading("Limits of agreement, with 95 % intervals"),
            Table(_LIMITS, [row for entry in shown for row in _limits_rows(entry)]),
        ]
    drawn = [picture for entry in shown for picture in pictures(entry)]
    if drawn:
        heading = Heading("Differences between readings over their means")
        blocks += [heading, Paragraph(_KEY, quiet=True), *drawn]
    if report.placing:
        rows = [row for placing in report.placing for row in _placing_rows(placing)]
        blocks += [
            Heading("Placing spread of the readers, from repeats"),
            Table(_PLACING, rows),
            Paragraph(
                "One standard deviation of each coordinate of a point, with its 95 % interval; of "
                "outlines and axes across the curve that is common to the repeats, because points "
                f"slide along it. Below {MINIMUM_FREEDOM} degrees of freedom it is not used.",
                quiet=True,
            ),
        ]
    blocks += _components(report)
    blocks += flow_blocks(report.flow)
    blocks.append(Heading("How it was reckoned"))
    blocks += [Paragraph(note) for note in report.notes]
    if report.methods:
        blocks += [Heading("Methods, for a paper"), Paragraph(report.methods)]
    identity = (report.title, f"readers {', '.join(report.readers)}")
    return Paper("Agreement of readings", tuple(filter(None, identity)), tuple(blocks))


def _told_once(
    shown: Sequence[MeasurementAgreement],
) -> tuple[list[MeasurementAgreement], dict[str, str]]:
    """Take out comparisons that no measurement allows; return what is left, and why not those."""
    compared: set[str] = set()
    why: dict[str, str] = {}
    for comparison in (comparison for entry in shown for comparison in entry.comparisons):
        found = (comparison.reliability, *(each for _, each in comparison.limits))
        if all(isinstance(each, str) for each in found):
            why.setdefault(comparison.label, str(comparison.reliability))
        else:
            compared.add(comparison.label)
    left = [
        replace(
            entry, comparisons=tuple(each for each in entry.comparisons if each.label in compared)
        )
        for entry in shown
    ]
    return (
        [entry for entry in left if entry.comparisons],
        {label: reason for label, reason in why.items() if label not in compared},
    )


def _summary(report: AgreementReport) -> str:
    text = (
        f"{wording.counted(report.films, 'film')} of "
        f"{wording.counted(report.subjects, 'subject')}, read by "
        f"{wording.counted(len(report.readers), 'reader')} on "
        f"{wording.counted(report.occasions, 'occasion')}."
    )
    asked, measured = (
        next(stage for stage in report.flow if stage.name == name)
        for name in ("readings asked for", "readings measured")
    )
    text += f" {measured.n} of the {asked.n} readings asked for could be measured"
    text += "." if measured.n == asked.n else "; why not the others stands at the end."
    return text


def _same(same: Same) -> Paragraph:
    glyph, colour = style.SEVERITIES["warning" if same.proposed else "strong"]
    return Paragraph(str(same), loud=not same.proposed, glyph=glyph, colour=colour)


def _result(shown: Sequence[MeasurementAgreement]) -> Iterator[Block]:
    """Yield the numbers that are asked first: one line a measurement and comparison."""
    entries = {entry.name: entry for entry in shown}
    asked = [entries[name] for name in CORE if name in entries]
    if not asked:
        return
    yield Heading("The result, with 95 % intervals")
    rows = []
    for entry in asked:
        rows.append(_title_row(entry))
        rows += [_result_row(entry, comparison) for comparison in entry.comparisons]
    yield Table(_RESULT, rows)
    yield Paragraph(
        "ICC(2,1): reliability among these films. SEM: standard error of a single reading, between "
        "readers with the differences of their means, within one the within-film standard "
        "deviation. MDC95: what two single readings must differ by to be more than error. "
        "Limits: 95 % of the differences of two readings lie between them; the widest pair where "
        "there are several.",
        quiet=True,
    )


def _result_row(entry: MeasurementAgreement, comparison: ReaderComparison) -> tuple[Cell, ...]:
    decimals, found = _decimals(entry), comparison.reliability
    if isinstance(found, str):
        return _reason_row(comparison.label, found)
    sem, change = found.sem_agreement, found.mdc95_agreement
    if len({reader for reader, _ in comparison.columns}) == 1:
        # One reader's occasions are interchangeable: nothing is to be told of their means.
        sem, change = found.within_sd, found.repeatability
    limits = Cell("too few films")
    pairs = [(pair, each) for pair, each in comparison.limits if isinstance(each, Limits)]
    if pairs:
        pair, widest = max(pairs, key=lambda item: item[1].sd)
        low, high = widest.lower.value, widest.upper.value
        limits = Cell(wording.interval(low, high, decimals, signed=True), pair, bold=True)
    return (
        Cell(comparison.label),
        Cell(str(found.n)),
        replace(_coefficient(found.icc("ICC(2,1)")), bold=True),
        estimate_cell(sem, decimals, bold=True),
        estimate_cell(change, decimals, bold=True),
        limits,
    )


def _coefficient(coefficient: Coefficient) -> Cell:
    # Near one a second decimal says nothing.
    return estimate_cell(coefficient, 3 if coefficient.value > 0.99 else 2)


def _title_row(entry: MeasurementAgreement) -> tuple[Cell, ...]:
    return (Cell(_with_its_unit(entry.name), entry.method_title, bold=True),)


def _with_its_unit(name: str) -> str:
    quantity = QUANTITIES[name]
    unit = UNITS[quantity.unit]
    return f"{quantity.label} ({unit})" if unit else quantity.label


def _reason_row(label: str, reason: str) -> tuple[Cell, ...]:
    return Cell(label), Cell(reason, colour=style.GREY)


def _decimals(entry: MeasurementAgreement) -> int:
    # A spread is read with one figure more than what it is the spread of.
    return QUANTITIES[entry.name].decimals + 1


def _reliability_rows(entry: MeasurementAgreement) -> Iterator[tuple[Cell, ...]]:
    decimals = _decimals(entry)
    yield _title_row(entry)
    for comparison in entry.comparisons:
        found = comparison.reliability
        if isinstance(found, str):
            yield _reason_row(comparison.label, found)
            continue
        left_out = f"{found.left_out} left out" if found.left_out else ""
        yield (
            Cell(comparison.label),
            Cell(str(found.n), left_out),
            *(
                Cell("") if entry.name in POSITIONING else _coefficient(found.icc(name))
                for name in ("ICC(2,1)", "ICC(3,1)")
            ),
            estimate_cell(found.sem_agreement, decimals),
            estimate_cell(found.mdc95_agreement, decimals),
            estimate_cell(found.within_sd, decimals),
            estimate_cell(found.repeatability, decimals),
        )


def _limits_rows(entry: MeasurementAgreement) -> Iterator[tuple[Cell, ...]]:
    decimals = _decimals(entry)
    yield _title_row(entry)
    for comparison in entry.comparisons:
        for pair, found in comparison.limits:
            if isinstance(found, str):
                yield _reason_row(pair, found)
                continue
            yield (
                Cell(pair),
                Cell(str(found.n)),
                *(
                    estimate_cell(estimate, decimals, signed=True)
                    for estimate in (found.bias, found.lower, found.upper)
                ),
                Cell(wording.number(found.sd, decimals)),
            )


def _components(report: AgreementReport) -> Iterator[Block]:
    """Yield a standard deviation for everything that varied, by the mixed model."""
    told = {
        name: found for name, found in report.components.items() if isinstance(found, Components)
    }
    if not report.components:
        return
    yield Heading("Where the spread comes from, as standard deviations")
    factors = list(dict.fromkeys(key for found in told.values() for key in found.variances))
    rows: list[tuple[Cell, ...]] = []
    for name, found in report.components.items():
        label = Cell(_with_its_unit(name), bold=True)
        if isinstance(found, str):
            rows.append((label, Cell(found, colour=style.GREY)))
            continue
        decimals = QUANTITIES[name].decimals + 1
        every = {**found.variances, "residual": found.residual}
        spreads = [
            _component(found, key, every[key], decimals) if key in every else Cell("")
            for key in (*factors, "residual")
        ]
        rows.append((label, *spreads))
    step = (TEXT_MM - 52.0) / (len(factors) + 1)
    columns = [(key, 52.0 + step * place) for place, key in enumerate([*factors, "the rest"])]
    yield Table((("", 0.0), *columns), rows)
    yield Paragraph(
        "A mixed model with everything random (restricted maximum likelihood; Patterson and "
        "Thompson 1971); below each its 95 % interval (Satterthwaite 1946) and how many there "
        "were; two readers say too little of how readers differ for an interval. What each "
        "reading adds of its own is the rest. For a table without gaps it equals the analysis of "
        "variance.",
        quiet=True,
    )


def _component(found: Components, key: str, variance: float, decimals: int) -> Cell:
    ends = found.intervals.get(key)
    told = "no interval"
    if ends:
        told = wording.interval(math.sqrt(ends[0]), math.sqrt(ends[1]), decimals)
    return Cell(
        wording.number(math.sqrt(variance), decimals), f"{told}; {found.levels.get(key, found.n)}"
    )


def _placing_rows(placing: Placing) -> Iterator[tuple[Cell, ...]]:
    yield (Cell(f"Reader {placing.reader}", bold=True),)
    for name, spread in placing.landmarks.items():
        yield (
            Cell(LANDMARKS[name].title),
            Cell(wording.number(spread.sd_px, 2)),
            Cell(wording.interval(spread.low_px, spread.high_px, 2)),
            Cell("" if spread.sd_mm is None else wording.number(spread.sd_mm, 2)),
            Cell(str(spread.films)),
            Cell("yes" if spread.usable else "too few repeats"),
        )
