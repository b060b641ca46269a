"""The page and the table of learning curves."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

from xraymeasure.about import CAUTION
from xraymeasure.files.atomic import write_files
from xraymeasure.files.tables import csv_text
from xraymeasure.report.layout import style
from xraymeasure.report.layout.blocks import (
    Block,
    Heading,
    MakeAxes,
    Paper,
    Paragraph,
    Picture,
    paper_files,
)
from xraymeasure.report.layout.plain_axes import frame, write_beside
from xraymeasure.series.cohort.cohort import Cohort
from xraymeasure.series.cohort.learning import Curve, Target
from xraymeasure.series.cohort.methods import methods_text

_CSV = ("surgeon", "number", "film", "outside", "sum", "lower_line", "upper_line")
_HEIGHT_MM = 46.0


def write_learning(
    cohort: Cohort, curves: Sequence[Curve], target: Target, out: str | os.PathLike[str]
) -> list[Path]:
    """Write ``learning.pdf``, ``.html`` and ``.csv``; return their paths."""
    title = f"{cohort.title}: learning curve" if cohort.title else "Learning curve"
    identity = (cohort.settings.whose,)
    paper = Paper(title, identity, tuple(_blocks(cohort, curves, target)))
    rows = (
        {
            "surgeon": curve.who,
            "number": number,
            "film": film,
            "outside": str(outside).lower(),
            "sum": total,
            "lower_line": target.lower,
            "upper_line": target.upper,
        }
        for curve in curves
        for number, (film, outside, total) in enumerate(
            zip(curve.films, curve.outside, curve.sums, strict=True), start=1
        )
    )
    table = csv_text(_CSV, rows, remark=CAUTION)
    return write_files(out, {**paper_files("learning", paper), "learning.csv": table})


def _blocks(cohort: Cohort, curves: Sequence[Curve], target: Target) -> Iterator[Block]:
    for curve in curves:
        yield Paragraph(_said(curve), loud=True)
        yield Picture(_HEIGHT_MM, partial(_draw, curve, target), _said(curve))
    yield Paragraph(
        "A cup with either angle outside its tolerance, by the measured value, raises the sum by "
        f"{1 - target.step:.3f}; one with both within lowers it by {target.step:.3f}. Cups whose "
        "verdict is withheld do not count. The sum reaches the upper line where "
        f"{100 * target.unacceptable:g} % outside is likelier than {100 * target.acceptable:g} %, "
        "the lower one in the reverse case "
        f"(errors of {100 * target.alpha:g} and {100 * target.beta:g} %; Kestin IG, Br J Anaesth "
        "1995;75:805-809). A curve that falls is better than aimed at; one that levels out "
        "after a rise has been learnt. What is difficult about a hip is not allowed for, and the "
        "error of measuring makes a cup near the edge count either way.",
        quiet=True,
    )
    yield Heading("Methods, for a paper")
    yield Paragraph(methods_text(cohort))


def _said(curve: Curve) -> str:
    outside = sum(curve.outside)
    text = f"Surgeon {curve.who}: {outside} of {len(curve.films)} cups outside"
    if curve.reached is None:
        return f"{text}; neither line is reached, so nothing is decided."
    return f"{text}; called {curve.reached} after {curve.at} cups."


def _draw(curve: Curve, target: Target, make: MakeAxes) -> None:
    axes = make(9.0, 3.0, 160.0, _HEIGHT_MM - 12.0)
    count = range(len(curve.sums) + 1)
    axes.plot(count, [0.0, *curve.sums], color=style.MEASURED, linewidth=1.1, zorder=2)
    outside = [number for number, each in enumerate(curve.outside, start=1) if each]
    axes.plot(
        outside,
        [curve.sums[number - 1] for number in outside],
        "^",
        color=style.VERDICTS["outside"][2],
        markersize=3.4,
        zorder=3,
    )
    for line, word in ((target.upper, "unacceptable"), (target.lower, "acceptable")):
        axes.axhline(line, color=style.GREY, linewidth=0.8, linestyle="--", zorder=1)
        write_beside(axes, line, word, gap_pt=3, letters_pt=6.5, colour=style.GREY)
    axes.axhline(0.0, color=style.RULE, linewidth=0.6, zorder=0)
    axes.set_xlim(0.0, max(len(curve.sums), 1))
    frame(axes, along="cups in order", up="cumulative sum")
