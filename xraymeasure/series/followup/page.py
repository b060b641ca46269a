"""The page of one hip over time."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path

from xraymeasure import __version__
from xraymeasure.change.kinds import KINDS
from xraymeasure.change.positioning import Check
from xraymeasure.change.result import Change, Changes
from xraymeasure.change.trend import Trend
from xraymeasure.change.verdicts import WEAR_RESOLVED_MM
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
from xraymeasure.series.followup.followup import FLAGS, FollowUp, Step
from xraymeasure.series.followup.plots import PANELS, PANELS_MM, draw_trends
from xraymeasure.series.followup.tables import followup_csv, format_followup
from xraymeasure.series.run.workers import map_tasks
from xraymeasure.vocabulary import wording
from xraymeasure.vocabulary.quantities import METHODS

VERDICTS: dict[str, tuple[str, str, str]] = {
    "changed": ("▲", "changed", style.VERDICTS["outside"][2]),
    "not resolved": ("△", "not resolved", style.VERDICTS["undecided"][2]),
    "not shown": ("○", "no change shown", style.GREY),
    "not comparable": ("×", "films not comparable", style.GREY),
}
"""For each verdict: shape, word and colour."""

WEAR_REMARK = (
    f"A pair of plain films does not resolve wear below about {WEAR_RESOLVED_MM:g} mm (Wan Z et "
    "al., Clin Orthop Relat Res 2006;449:267-274, abstract read): 0.55 mm a year over two years, "
    "0.22 over five, 0.11 over ten. Two-dimensional wear is the part of the head's movement that "
    "the film shows; movement toward the tube is not seen. A liner that is offset by design does "
    "not count, for it is the same on both films."
)
BEDDING_REMARK = (
    "The first one to two years hold the bedding-in of the liner: a rate from a film soon after "
    "the operation is higher than the wear that follows."
)
STEM_REMARK = (
    "What counts as subsidence depends on the stem's type: more than 5 mm is a common definition "
    "and 1 mm or less is noise (both from memory), while polished tapered stems settle by 1 to "
    "1.6 mm (means of one and of ten years) with excellent results, and no threshold of failure "
    "was found for them (Baryeh K et al., EFORT Open Rev 2021;6:331-342, abstract read)."
)
RADIOSTEREOMETRY_REMARK = (
    "These are plain films: migration at the scale of radiostereometry (tenths of a millimetre) is "
    "not resolved, and limits that were found with it do not apply here."
)


def write_followup(followup: FollowUp, out: str | os.PathLike[str]) -> list[Path]:
    """Write ``followup_SUBJECT_SIDE`` as ``.pdf``, ``.html``, ``.json`` and ``.csv``."""
    stem = "_".join(part for part in ("followup", followup.subject, followup.side) if part)
    page = paper_files(stem, followup_paper(followup))
    tables = {f"{stem}.json": format_followup(followup), f"{stem}.csv": followup_csv(followup)}
    return write_files(out, {**page, **tables})


# To start a process takes as long as so many pages.
_FEW = 3


def write_followups(
    hips: Iterable[FollowUp],
    out: str | os.PathLike[str],
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write the pages of several hips, in parallel, and return their paths.

    Parameters
    ----------
    hips : iterable of FollowUp
    out : path-like
        As for `write_followup`.
    workers, scheduler
        As for `map_tasks`; a few pages are written in this process by default.
    progress : callable, optional
        Called after each hip with how many are done and how many there are.
    """
    folder, hips = Path(out).resolve(), list(hips)
    write, paths = partial(write_followup, out=folder), []
    written = map_tasks(write, hips, workers=workers, scheduler=scheduler, few=_FEW)
    for done, (_, found) in enumerate(written, start=1):
        if isinstance(found, Exception):
            raise found
        paths += found
        if progress:
            progress(done, len(hips))
    return paths


def followup_paper(followup: FollowUp) -> Paper:
    """Return the page of a hip as blocks."""
    side = followup.side.capitalize()
    identity = (
        *((f"hip of {followup.subject}",) if followup.subject else ()),
        f"reader {followup.first.measurements.reader}",
        f"xraymeasure {__version__}",
    )
    return Paper(
        f"{side} hip: follow-up over {years_in_words(followup.years_to(followup.last))}",
        identity,
        tuple(_blocks(followup)),
    )


def years_in_words(years: float) -> str:
    """Return a time in months or years."""
    if years < 2.0:
        return f"{12 * years:.0f} months"
    return f"{years:.1f}".removesuffix(".0") + " years"


def _blocks(followup: FollowUp) -> Iterator[Block]:
    last = followup.last
    yield from _headlines(followup)
    first, latest = _film(followup.first.label), _film(last.visit.label)
    yield Heading(f"From {first} to {latest}, {_since(followup, last)} later")
    yield _table(followup, last, meanings=True)
    yield Paragraph(
        "Later minus earlier film, each in mm on its own scale, with 95 % intervals; angles less "
        "what the pelvis's lying differently made of them. A change is flagged where it is shown "
        "among all that were asked of this hip: at most one unmoved hip in twenty carries any "
        f"flag (Holm; {_judged(followup)} numbers asked). Smallest shown: a change of that size "
        "would have been flagged in nine of ten cases.",
        quiet=True,
    )
    yield Heading("Every film against the first")
    yield Picture(PANELS_MM, partial(draw_trends, followup), _trend_in_words(followup))
    yield Paragraph(_KEY, quiet=True)
    yield from _remarks(followup)
    if followup.trends:
        yield Heading("Slope over all films")
        yield _trends(followup)
    if followup.since_last:
        yield Heading(f"From {_film(followup.steps[-2].visit.label)} to {latest}")
        yield _table(followup, Step(last.visit, followup.since_last))
    for step in followup.steps[:-1]:
        yield Heading(f"From {first} to {_film(step.visit.label)}, {_since(followup, step)} later")
        yield _table(followup, step)
    for step in followup.steps:
        yield Heading(f"How alike {first} and {_film(step.visit.label)} were taken")
        yield _checks(step)
    if followup.left_out:
        yield Heading("Films of this hip that did not enter")
        for film, why in followup.left_out:
            yield Paragraph(f"{film}: {why}.", glyph="·", colour=style.GREY)
    if followup.methods:
        yield Heading("Methods, for a paper")
        yield Paragraph(followup.methods)
    yield Heading("How it was reckoned")
    for text in _METHODS:
        yield Paragraph(text, quiet=True)


def _film(label: str) -> str:
    return f"film {label}" if label else "the film"


def _since(followup: FollowUp, step: Step) -> str:
    return years_in_words(followup.years_to(step))


def _judged(followup: FollowUp) -> int:
    return sum(row.verdict is not None for changes in followup.pairs for row in changes.rows)


def _headlines(followup: FollowUp) -> Iterator[Paragraph]:
    changes = followup.last.changes
    for verdict, said in (("changed", "Changed"), ("not resolved", "Below what films resolve")):
        rows = [row for row in changes.rows if row.verdict == verdict]
        if rows:
            glyph, _, colour = VERDICTS[verdict]
            listed = ", ".join(f"{_lower(row.kind.label)} {_value(row)}" for row in rows)
            yield Paragraph(f"{said}: {listed}.", loud=True, glyph=glyph, colour=colour)
    if other := changes.comparability.other_view:
        glyph, _, colour = VERDICTS["not comparable"]
        yield Paragraph(
            f"The films cannot be compared: {other}.", loud=True, glyph=glyph, colour=colour
        )
    elif not any(row.verdict in FLAGS for row in changes.rows):
        glyph, _, colour = VERDICTS["not shown"]
        yield Paragraph("No change shown.", loud=True, glyph=glyph, colour=style.INK)
        yield Paragraph(f"These films would have shown {_least(changes)}.")
    yield Paragraph(f"Between the films {changes.position.text}.")
    row = changes.row("stem_subsidence")
    if row and (against := followup.subsidence(row)):
        yield Paragraph(
            f"Subsidence is {against} the {followup.subsidence_threshold_mm:g} mm that the study "
            f"names for this stem ({followup.stem_type})."
            if against != "undecided"
            else f"Whether subsidence is beyond the {followup.subsidence_threshold_mm:g} mm that "
            f"the study names for this stem ({followup.stem_type}) is undecided."
        )


def _least(changes: Changes) -> str:
    return ", ".join(
        f"{_lower(row.kind.label)} from {wording.with_unit(row.detectable, row.unit, 1)} on"
        for row in changes.rows
        if row.detectable is not None
    )


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]


def _value(row: Change) -> str:
    signed = row.name != "head_penetration"
    return wording.with_unit(row.value, row.unit, row.kind.decimals, signed)


_COLUMNS = (
    ("", 0.0),
    ("first film", 50.0),
    ("later film", 68.0),
    ("change (95 %)", 86.0),
    ("a year", 112.0),
    ("smallest shown", 131.0),
    ("", 150.0),
)


def _table(followup: FollowUp, step: Step, meanings: bool = False) -> Table:
    rows = []
    for row in step.changes.rows:
        decimals, signed = row.kind.decimals, row.name != "head_penetration"
        interval = wording.interval(row.low, row.high, decimals, signed)
        ends = [
            Cell("" if value is None else wording.with_unit(value, row.unit, decimals))
            for value in (row.before, row.after)
        ]
        rate = Cell("")
        if row.per_year:
            value, low, high = row.per_year
            rate = Cell(wording.with_unit(value, "mm", 2), wording.interval(low, high, 2))
        if row.verdict:
            glyph, word, colour = VERDICTS[row.verdict]
            told = row.verdict in FLAGS
            because = row.reason if told or row.low > 0.0 or row.high < 0.0 else ""
            because = because or _against(followup, row)
            verdict = Cell(f"{glyph} {word}", because, True, colour)
        else:
            verdict = Cell("", row.reason)
        whole = row.verdict is not None
        believed = whole and row.verdict != "not comparable"
        colour = style.MEASURED if believed else style.GREY
        label = Cell(row.kind.label, row.kind.meaning if meanings else "", whole)
        change = Cell(_value(row), interval, whole, colour)
        least = Cell(
            "" if row.detectable is None else wording.with_unit(row.detectable, row.unit, 1)
        )
        rows.append((label, *ends, change, rate, least, verdict))
    for name, why in step.changes.missing.items():
        rows.append((Cell(KINDS[name].label), Cell("", f"not measured: {why}")))
    return Table(_COLUMNS, tuple(rows))


def _trends(followup: FollowUp) -> Table:
    def row(trend: Trend) -> tuple[Cell, ...]:
        kind = KINDS[trend.name]
        value, low, high = trend.per_year
        return (
            Cell(kind.label),
            Cell(str(trend.films)),
            Cell(wording.with_unit(value, kind.unit, 2, signed=True)),
            Cell(wording.interval(low, high, 2, signed=True)),
        )

    return Table(
        (("", 0.0), ("films", 60.0), ("a year", 78.0), ("95 % interval", 104.0)),
        tuple(row(trend) for trend in followup.trends),
    )


def _against(followup: FollowUp, row: Change) -> str:
    if row.name != "stem_subsidence":
        return ""
    limit = followup.subsidence_threshold_mm
    if limit is None:
        return "the study names no threshold for its stem"
    against = followup.subsidence(row)
    return f"{against}: {limit:g} mm is the stem's threshold" if against else ""


def _remarks(followup: FollowUp) -> Iterator[Paragraph]:
    stem = (
        f"The study names this stem: {followup.stem_type}."
        if followup.stem_type
        else "The study does not name the stem's type."
    )
    for text in (WEAR_REMARK, BEDDING_REMARK, f"{STEM_REMARK} {stem}", RADIOSTEREOMETRY_REMARK):
        yield Paragraph(text, glyph="·", colour=style.GREY)


def _checks(step: Step) -> Table:
    def row(check: Check) -> tuple[Cell, ...]:
        said = {True: "alike", False: "differs", None: "not checked"}[check.passed]
        colour = {True: style.INK, False: style.INK, None: style.GREY}[check.passed]
        only = "bears on the femur only" if check.bears_on == "femur" else ""
        return (
            Cell(check.label, only),
            Cell(said, "", check.passed is False, colour),
            Cell(check.text),
        )

    checks = step.changes.comparability.checks
    return Table(
        (("criterion", 0.0), ("", 57.0), ("", 78.0)), tuple(row(check) for check in checks)
    )


_KEY = (
    "Bars: 95 % intervals of the change since the first film, which stands at zero. ▲ changed, "
    "△ below what films resolve, ○ no change shown, × films not comparable. "
    f"Dotted: {WEAR_RESOLVED_MM:g} mm, below which films do not resolve wear. Dashed: the stem's "
    "threshold of subsidence, where the study names one."
)


def _trend_in_words(followup: FollowUp) -> str:
    said = []
    for step in followup.steps:
        for row in step.changes.rows:
            if row.name in PANELS:
                said.append(
                    f"{row.kind.label} after {_since(followup, step)}: {_value(row)} "
                    f"({wording.interval(row.low, row.high, row.kind.decimals)})"
                )
    return "Change since the first film. " + "; ".join(said) + "."


_METHODS = (
    "Every film has its own scale, from the known diameter of the head; a change is the difference "
    "of two lengths in mm, each in the plane of the hip of its own film. Angles are radiographic, "
    "lengths along and across the reference line. "
    "The two readings are taken as independent. What both share (the depth of the patient's "
    "landmarks, the true diameter of the head) cancels in a difference but is counted in both "
    "intervals: they are rather too wide than too narrow.",
    "How the pelvis lay differently is an input of every change: 4 degrees of tilt and 3 of "
    "rotation (one standard deviation; 8 of tilt between a supine and a standing film) before "
    "anything is seen, weighed against where the sacrococcygeal joint lies against the symphysis "
    "on both films (120 ± 20 mm behind it). What is left turns the cup and moves what does not lie "
    "in one plane. Subsidence does not depend on the pelvis; it is allowed 3 degrees of flexion of "
    "the femur, which the film does not show. A bony point is allowed 0.3 mm for not being quite "
    "the same piece of bone where it lies differently. These are working defaults, without a "
    "source. "
    "Not held by the interval: that another shape is taken for the landmark on one of the films. "
    "A change that matters is worth a second reading.",
    "Cup migration is that of the cup's centre: hip centre less the place of the head in the cup. "
    "Head penetration is the length of a vector of two numbers: its 95 % interval comes from the "
    "box that holds both together whatever their correlation (each at 97.5 %, Bonferroni), and "
    "noise across the vector, which can only lengthen it, is taken off the value. "
    f"Angles: {METHODS['perspective']}; where the tube is not stated it is a plausible one, and "
    "the interval holds what that leaves open.",
)
