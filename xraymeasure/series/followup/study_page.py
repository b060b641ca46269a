"""One page over all hips of a study: which changed, by how much on average, and what was lost."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import median

from xraymeasure import __version__
from xraymeasure.change.kinds import KINDS
from xraymeasure.change.result import Change
from xraymeasure.errors import StudyError
from xraymeasure.files.atomic import write_files
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
from xraymeasure.series.agreement.components import mean_over_hips
from xraymeasure.series.agreement.page import estimate_cell
from xraymeasure.series.agreement.statistics import Estimate
from xraymeasure.series.followup.followup import FLAGS, FollowUp, StudyFollowUp
from xraymeasure.series.followup.page import VERDICTS, years_in_words
from xraymeasure.series.followup.plots import PANELS, PANELS_MM, draw_hips
from xraymeasure.series.followup.tables import changes_csv, changes_parquet
from xraymeasure.series.run.flow import flow_csv
from xraymeasure.series.run.flow_page import flow_blocks
from xraymeasure.vocabulary import wording
from xraymeasure.vocabulary.quantities import Unit


@dataclass(frozen=True)
class Overall:
    """One kind of change over all hips, from the first film of each to its last.

    Attributes
    ----------
    name : str
        A key of `KINDS`.
    hips, shown : int
        How many were asked, and on how many it is shown.
    mean, per_year : Estimate or str
        Mean change, and mean change a year, hips within patients; or why there is none.
    detectable : float or None
        The median of the smallest changes that the pairs would have shown.
    """

    name: str
    hips: int
    shown: int
    mean: Estimate | str
    per_year: Estimate | str
    detectable: float | None


def overall(hips: Sequence[FollowUp]) -> tuple[Overall, ...]:
    """Return every kind of change over all hips, in the order of `KINDS`.

    The rate of a hip with three films or more is its slope, with the readings' own spread; with
    two it is the change over the time between them.
    """
    found = []
    for name in KINDS:
        rows = [(hip, row) for hip in hips if (row := hip.last.changes.row(name))]
        rows = [(hip, row) for hip, row in rows if row.verdict != "not comparable"]
        if not rows:
            continue
        patients = [hip.subject for hip, _ in rows]
        rates = [(hip.subject, rate) for hip, row in rows if (rate := _rate(hip, row)) is not None]
        least = [row.detectable for _, row in rows if row.detectable is not None]
        found.append(
            Overall(
                name,
                len(rows),
                sum(row.verdict in FLAGS for _, row in rows),
                _mean([row.value for _, row in rows], patients),
                _mean([rate for _, rate in rates], [patient for patient, _ in rates]),
                median(least) if least else None,
            )
        )
    return tuple(found)


def _rate(hip: FollowUp, row: Change) -> float | None:
    for trend in hip.trends:
        if trend.name == row.name:
            return trend.per_year[0]
    return row.value / row.years if row.years else None


def _mean(values: Sequence[float], patients: Sequence[str]) -> Estimate | str:
    try:
        return mean_over_hips(values, patients)
    except StudyError as error:
        return str(error)


def write_followup_study(found: StudyFollowUp, out: str | os.PathLike[str]) -> list[Path]:
    """Write the page over all hips, their changes as one table, and what was lost.

    The files are ``followup.pdf``, ``followup.html``, ``changes.csv``, ``changes.parquet`` and
    ``followup_flow.csv``; without a hip that was followed there is no page.
    """
    tables: dict[str, bytes | str] = {
        "changes.csv": changes_csv(found.hips),
        "changes.parquet": changes_parquet(found.hips),
        "followup_flow.csv": flow_csv(found.flow),
    }
    if found.hips:
        tables |= paper_files("followup", followup_study_paper(found))
    return write_files(out, tables)


def followup_study_paper(found: StudyFollowUp) -> Paper:
    """Return the page over all hips as blocks."""
    patients = len({hip.subject for hip in found.hips})
    # One reader a hip; which one, where they differ, stands on the page of the hip.
    readers = sorted({hip.first.measurements.reader for hip in found.hips})
    identity = (
        f"{wording.counted(len(found), 'hip')} of {wording.counted(patients, 'patient')}",
        f"reader{'' if len(readers) == 1 else 's'} {', '.join(readers)}",
        f"xraymeasure {__version__}",
    )
    title = f"{found.title}: follow-up" if found.title else "Follow-up"
    return Paper(title, identity, tuple(_blocks(found)))


def _blocks(found: StudyFollowUp) -> Iterator[Block]:
    hips = found.hips
    flagged = [hip for hip in hips if hip.flagged]
    glyph, _, colour = VERDICTS["changed" if flagged else "not shown"]
    yield Paragraph(
        f"A change is shown on {len(flagged)} of {wording.counted(len(hips), 'hip')}.",
        loud=True,
        glyph=glyph,
        colour=colour if flagged else style.INK,
    )
    longest = [hip.years_to(hip.last) for hip in hips]
    yield Paragraph(
        f"Followed over {years_in_words(min(longest))} to {years_in_words(max(longest))}. Of hips "
        "on which nothing moved at most one in twenty carries any flag; where no change is shown, "
        "the smallest one that would have been shown stands beside it."
    )
    kinds = overall(hips)
    yield Heading("From the first film to the last, with 95 % intervals")
    yield _overall_table(kinds)
    yield Paragraph(
        "Means over hips by their measured values, whatever the verdict; where a patient has two "
        "hips, of a mixed model with hips within patients (restricted maximum likelihood), else "
        "the plain mean with the interval of t. The rate of a hip with three films or more is the "
        "slope of its films weighted by their own uncertainty. Head penetration is a length, so "
        "its mean is above nought where nothing wore.",
        quiet=True,
    )
    yield Heading("Every hip over time")
    yield Picture(PANELS_MM, partial(draw_hips, hips), _in_words(kinds))
    yield Paragraph(
        "One line a hip, from its first film. ▲ changed, △ below what films resolve, ○ no change "
        "shown, × films not comparable.",
        quiet=True,
    )
    yield Heading("The hips")
    yield _hips_table(hips)
    yield from flow_blocks(found.flow)
    yield Heading("Methods, for a paper")
    yield Paragraph(
        f"{found.methods} Every later film of a hip was held against its first; how changes are "
        "reckoned stands on the page of each hip. The error of calling an unmoved hip changed was "
        "held at 5 % for the hip (Holm S, Scand J Stat 1979;6:65-70)."
    )


def _overall_table(kinds: Sequence[Overall]) -> Table:
    rows = []
    for each in kinds:
        kind = KINDS[each.name]

        rows.append(
            (
                Cell(kind.label, bold=True),
                Cell(str(each.hips)),
                Cell(str(each.shown)),
                _mean_cell(each.mean, kind.unit),
                _mean_cell(each.per_year, kind.unit),
                Cell(
                    ""
                    if each.detectable is None
                    else wording.with_unit(each.detectable, kind.unit, 1)
                ),
            )
        )
    return Table(
        (
            ("", 0.0),
            ("hips", 54.0),
            ("shown on", 66.0),
            ("mean change", 84.0),
            ("mean a year", 118.0),
            ("smallest shown (median)", 152.0),
        ),
        tuple(rows),
    )


def _mean_cell(mean: Estimate | str, unit: Unit) -> Cell:
    if isinstance(mean, str):
        return Cell("", "three hips needed" if "three" in mean else mean)
    return estimate_cell(mean, 2, unit, signed=True, bold=True, colour=style.MEASURED)


def _hips_table(hips: Sequence[FollowUp]) -> Table:
    rows = []
    for hip in sorted(hips, key=lambda each: not each.flagged):
        last = hip.last.changes
        said = [
            f"{row.kind.label.lower()} {wording.with_unit(row.value, row.unit, row.kind.decimals)}"
            for row in last.rows
            if row.verdict in FLAGS
        ]
        if said:
            verdict = Cell(f"▲ {'; '.join(said)}", "", True, VERDICTS["changed"][2])
        elif hip.flagged:
            verdict = Cell("▲ on an earlier film only", "", True, VERDICTS["changed"][2])
        elif last.comparability.other_view:
            verdict = Cell("× films not comparable", last.comparability.other_view)
        else:
            least = [
                f"{row.kind.label.lower()} {wording.with_unit(row.detectable, row.unit, 1)}"
                for row in last.rows
                if row.detectable is not None and row.name in PANELS
            ]
            verdict = Cell("○ no change shown", f"would have shown {', '.join(least)}")
        rows.append(
            (
                Cell(f"{hip.subject} {hip.side}".strip(), bold=True),
                Cell(str(len(hip.steps) + 1), f"{len(hip.left_out)} left out" * bool(hip.left_out)),
                Cell(years_in_words(hip.years_to(hip.last))),
                verdict,
            )
        )
    return Table(
        (("hip", 0.0), ("films", 34.0), ("over", 54.0), ("at the last film", 76.0)), tuple(rows)
    )


def _in_words(kinds: Sequence[Overall]) -> str:
    return "Change since the first film of every hip. " + " ".join(
        f"{KINDS[each.name].label}: shown on {each.shown} of {each.hips}."
        for each in kinds
        if each.name in PANELS
    )
