"""The page of a cohort: against plan, against the record of the theatre, and how it was made."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

from xraymeasure.files.atomic import write_files
from xraymeasure.plan.compare import LABELS, WITHHELD
from xraymeasure.report.layout import style
from xraymeasure.report.layout.blocks import (
    Block,
    Cell,
    Heading,
    Paper,
    Paragraph,
    Picture,
    Table,
    paper_files,
)
from xraymeasure.report.page.content import CT_REMARK, LENGTHS_REMARK, ZONE_REMARK
from xraymeasure.series.agreement.page import estimate_cell
from xraymeasure.series.agreement.statistics import Limits
from xraymeasure.series.cohort.cases import Case
from xraymeasure.series.cohort.cohort import Cohort, Outcome, Share, cup_share
from xraymeasure.series.cohort.methods import methods_text
from xraymeasure.series.cohort.plots import draw_histograms, draw_record, draw_scatter
from xraymeasure.series.cohort.tables import cohort_csv, format_cohort
from xraymeasure.series.run.flow import flow_csv
from xraymeasure.series.run.flow_page import flow_blocks
from xraymeasure.vocabulary import wording
from xraymeasure.vocabulary.quantities import CUP_ANGLES


def write_cohort(cohort: Cohort, out: str | os.PathLike[str]) -> list[Path]:
    """Write ``cohort.pdf``, ``.html``, ``.json``, ``.csv`` and ``flow.csv``; return their paths."""
    page = paper_files("cohort", cohort_paper(cohort))
    tables = {
        "cohort.json": format_cohort(cohort),
        "cohort.csv": cohort_csv(cohort),
        "flow.csv": flow_csv(cohort.flow),
    }
    return write_files(out, {**page, **tables})


def cohort_paper(cohort: Cohort) -> Paper:
    """Return the page of a cohort as blocks."""
    settings = cohort.settings
    hips = len(cohort.cases)
    identity = (
        wording.counted(hips, "hip"),
        settings.whose,
        f"xraymeasure {settings.run.versions['xraymeasure']}",
    )
    title = f"{cohort.title}: against plan" if cohort.title else "Cohort against plan"
    return Paper(title, identity, tuple(_blocks(cohort)))


def _blocks(cohort: Cohort) -> Iterator[Block]:
    if cohort.cup_share:
        yield Paragraph(f"Both cup angles within tolerance: {_share(cohort.cup_share)}.", loud=True)
        outside = [case for case in cohort.cases if set(case.outside) & set(CUP_ANGLES)]
        if outside:
            yield Paragraph(
                f"Outside: {'; '.join(map(_case_outside, outside[:_NAMED]))}{_more(outside)}."
            )
    withheld = [case for case in cohort.cases if case.withheld]
    if withheld:
        named = "; ".join(f"film {case.film} ({_words_withheld(case)})" for case in withheld)
        yield Paragraph(
            f"Verdict withheld, and in no share: {named}.",
            glyph=style.SEVERITIES["strong"][0],
            colour=style.SEVERITIES["strong"][1],
        )
    yield from _against_plan(cohort)
    yield Heading("Cup orientation, and its distance from plan")
    yield Picture(77.0, partial(draw_scatter, cohort), _scatter_in_words(cohort))
    yield Paragraph(ZONE_REMARK, glyph="·", colour=style.GREY)
    shown = [
        (outcome, outcome.against_plan)
        for outcome in cohort.outcomes
        if isinstance(outcome.against_plan, Limits)
    ]
    if shown:
        rows = -(-len(shown) // 3)
        yield Heading("Achieved minus planned")
        yield Picture(38.0 * rows, partial(draw_histograms, cohort, shown), _plan_in_words(shown))
        yield Paragraph(
            "Bars: hips. Line: mean difference. Dashed: limits of agreement (1.96 standard "
            "deviations). Grey: tolerance, where it is the same for all. Dotted: as planned.",
            quiet=True,
        )
    yield from _against_record(cohort)
    yield Paragraph(LENGTHS_REMARK, glyph="·", colour=style.GREY)
    yield Paragraph(CT_REMARK, glyph="·", colour=style.GREY)
    yield from flow_blocks(cohort.flow)
    yield from _subgroups(cohort)
    yield from _hips(cohort)
    yield from _left_out(cohort)
    yield Heading("Methods, for a paper")
    yield Paragraph(methods_text(cohort))
    if cohort.subjects < len(cohort.cases):
        yield Paragraph(
            f"{len(cohort.cases)} hips are of {cohort.subjects} persons: two hips of one person "
            "are alike, so the intervals are somewhat too narrow.",
            glyph="·",
            colour=style.GREY,
        )


_NAMED = 6


def _more(cases: Sequence[Case]) -> str:
    rest = len(cases) - _NAMED
    return f"; and {rest} more, listed below" if rest > 0 else ""


def _case_outside(case: Case) -> str:
    return f"film {case.film}, {case.side} hip ({_words_outside(case, CUP_ANGLES)})"


def _words_outside(case: Case, names: Sequence[str] | None = None) -> str:
    said = []
    for name in case.outside:
        row = case.comparison.row(name)
        if row and row.difference is not None and (names is None or name in names):
            off = wording.with_unit(row.difference, row.unit, signed=True)
            said.append(f"{LABELS[name].lower()} {off}")
    return ", ".join(said)


def _words_withheld(case: Case) -> str:
    """Return the findings that forbid verdicts, and of what."""
    of: dict[str, list[str]] = defaultdict(list)
    for name, why in case.withheld.items():
        of[why.removeprefix(f"{WITHHELD}: ")].append(LABELS[name].lower())
    return "; ".join(f"{finding}: {', '.join(names)}" for finding, names in of.items())


# More levels than this are an order or a label, not a grouping.
_MOST_LEVELS = 6


def _subgroups(cohort: Cohort) -> Iterator[Block]:
    """Yield the share of cups within tolerance by each column of the study's own."""
    rows: list[tuple[Cell, ...]] = []
    for name in dict.fromkeys(name for case in cohort.cases for name in case.groups):
        levels: dict[str, list[Case]] = defaultdict(list)
        for case in cohort.cases:
            levels[case.groups.get(name, "not stated")].append(case)
        if not 2 <= len(levels) <= min(_MOST_LEVELS, len(cohort.cases) - 1):
            continue
        rows.append((Cell(name, bold=True),))
        for level, cases in sorted(levels.items()):
            share = cup_share([case.comparison for case in cases])
            told = _share(share) if share else "no plan of both cup angles, or verdicts withheld"
            rows.append((Cell(level), Cell(str(len(cases))), Cell(told)))
    if rows:
        yield Heading("Both cup angles within tolerance, by subgroup")
        yield Table((("", 0.0), ("hips", 60.0), ("", 76.0)), tuple(rows))
        yield Paragraph(
            "Described, not tested: groups that were not drawn at random differ in more than their "
            "name, and among several groupings one will look remarkable by chance.",
            quiet=True,
        )


def _hips(cohort: Cohort) -> Iterator[Block]:
    yield Heading("The hips, and the film that stands for each")
    yield Table(
        (
            ("subject and side", 0.0),
            ("film", 34.0),
            ("why this one", 62.0),
            ("out of tolerance", 122.0),
        ),
        tuple(
            (
                Cell(f"{case.subject} {case.side}", bold=True),
                Cell(case.film),
                Cell(case.why),
                Cell(
                    _words_outside(case) or ("" if case.withheld else "none"),
                    f"withheld, {_words_withheld(case)}" if case.withheld else "",
                ),
            )
            for case in cohort.cases
        ),
    )


def _share(share: Share) -> str:
    return (
        f"{share.within} of {share.n} ({100 * share.value:.0f} %, 95 % interval "
        f"{100 * share.low:.0f} to {100 * share.high:.0f} %)"
    )


def _against_plan(cohort: Cohort) -> Iterator[Block]:
    columns = (
        ("achieved minus planned", 0.0),
        ("n", 44.0),
        ("mean (95 %)", 53.0),
        ("standard deviation", 80.0),
        ("within tolerance (95 %)", 115.0),
        ("within / undecided / outside", 148.0),
    )
    rows: list[tuple[Cell, ...]] = []
    for outcome in cohort.outcomes:
        limits = outcome.against_plan
        label = Cell(outcome.label, bold=True)
        if isinstance(limits, str):
            rows.append((label, Cell("", limits)))
            continue
        share = outcome.share
        counts = [str(outcome.verdicts.get(key, 0)) for key in ("within", "undecided", "outside")]
        rows.append(
            (
                label,
                Cell(str(limits.n)),
                estimate_cell(
                    limits.bias, 1, outcome.unit, signed=True, bold=True, colour=style.MEASURED
                ),
                Cell(
                    wording.with_unit(limits.sd, outcome.unit),
                    ""
                    if outcome.measuring_sd is None
                    else f"measuring alone {wording.with_unit(outcome.measuring_sd, outcome.unit)}",
                ),
                Cell(
                    f"{100 * share.value:.0f} %  ({share.within} of {share.n})",
                    f"{100 * share.low:.0f} to {100 * share.high:.0f} %",
                    True,
                )
                if share
                else Cell("", "all withheld" if outcome.verdicts else "no tolerance"),
                Cell(
                    " / ".join(counts) if outcome.verdicts else "",
                    f"{outcome.verdicts['withheld']} withheld"
                    if outcome.verdicts.get("withheld")
                    else "",
                ),
            )
        )
    yield Table(columns, tuple(rows))
    yield Paragraph(
        "Within tolerance by the measured value alone; within, undecided and outside by the whole "
        "95 % interval of each hip. Where a strong finding forbids the verdict, as on the film's "
        "own page, the hip is in neither, but its difference is in mean and standard deviation. "
        "The standard deviation holds that of measuring, which stands below it: the hips "
        "themselves differ from plan by less. Of both hips of one film leg length counts once.",
        quiet=True,
    )


def _scatter_in_words(cohort: Cohort) -> str:
    share = f" Within tolerance: {_share(cohort.cup_share)}." if cohort.cup_share else ""
    return f"Inclination and anteversion of {len(cohort.cases)} hips over their plans.{share}"


def _plan_in_words(shown: Sequence[tuple[Outcome, Limits]]) -> str:
    return "Achieved minus planned. " + " ".join(
        f"{outcome.label}: mean {wording.with_unit(limits.bias.value, outcome.unit, signed=True)}, "
        f"standard deviation {wording.with_unit(limits.sd, outcome.unit)}."
        for outcome, limits in shown
    )


def _against_record(cohort: Cohort) -> Iterator[Block]:
    rows: list[tuple[Cell, ...]] = []
    plotted: list[tuple[Outcome, Limits]] = []
    for outcome in cohort.outcomes:
        limits = outcome.against_record
        if isinstance(limits, str):
            if not limits.startswith("no hip"):
                rows.append((Cell(outcome.label, bold=True), Cell("", limits)))
            continue
        plotted.append((outcome, limits))
        ends = (
            estimate_cell(end, 1, outcome.unit, signed=True, bold=end is limits.bias)
            for end in (limits.bias, limits.lower, limits.upper)
        )
        rows.append((Cell(outcome.label, bold=True), Cell(str(limits.n)), *ends))
    yield Heading("Recorded in theatre minus measured on the film")
    if not rows:
        yield Paragraph("No plan of these hips holds what was recorded in theatre.")
        return
    yield Table(
        (
            ("", 0.0),
            ("n", 46.0),
            ("mean (95 %)", 56.0),
            ("lower limit of agreement (95 %)", 96.0),
            ("upper limit of agreement (95 %)", 142.0),
        ),
        tuple(rows),
    )
    if plotted:
        height = 42.0 * -(-len(plotted) // 3)
        yield Picture(height, partial(draw_record, plotted), _record_in_words(plotted))
    yield Paragraph(
        "How far the numbers of the operating room can be believed: 95 % of them lie between the "
        "limits of what the film shows. The film's own uncertainty is in these differences.",
        quiet=True,
    )


def _record_in_words(plotted: Sequence[tuple[Outcome, Limits]]) -> str:
    return "Recorded minus measured over their mean, with limits of agreement: " + "; ".join(
        f"{outcome.label} {_span(limits)}" for outcome, limits in plotted
    )


def _span(limits: Limits) -> str:
    return wording.interval(limits.lower.value, limits.upper.value, signed=True)


def _left_out(cohort: Cohort) -> Iterator[Block]:
    if not cohort.left_out:
        return
    films: dict[str, list[str]] = defaultdict(list)
    for film, why in cohort.left_out:
        films[why].append(film)
    yield Heading(f"What did not enter: {len(cohort.left_out)} films")
    yield Table(
        (("reason", 0.0), ("films", 90.0), ("", 102.0)),
        tuple(
            (Cell(why[0].upper() + why[1:]), Cell(str(len(some))), Cell("", ", ".join(some)))
            for why, some in sorted(films.items(), key=lambda item: -len(item[1]))
        ),
    )
