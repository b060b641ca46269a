"""The sheet of small pictures: every proposed hip, the doubtful ones first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from xraymeasure.detect.propose import METHOD
from xraymeasure.detect.text import TESTED
from xraymeasure.files.atomic import write_files
from xraymeasure.measuring.uncertainty import COVERAGE
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
from xraymeasure.report.layout.sheet import TEXT_MM
from xraymeasure.series.propose.proposing import Shown, StudyProposals

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_IN_A_ROW = 4
_WIDE_MM = TEXT_MM / _IN_A_ROW
_LINES_MM = 9.0
_CLOSED = ("femoral_head", "cup_rim")


def write_sheet(found: StudyProposals, folder: Path, title: str) -> list[Path]:
    """Write the sheet into a folder as PDF and HTML."""
    paper = Paper(title or "Proposals", (f"Method {METHOD}", str(found)), tuple(_blocks(found)))
    return write_files(folder, paper_files("proposals", paper))


def _blocks(found: StudyProposals) -> Iterator[Block]:
    yield Paragraph(TESTED, loud=True)
    doubtful = [each for each in found.shown if each.doubts]
    certain = [each for each in found.shown if not each.doubts]
    if doubtful:
        yield Heading("Doubtful")
        yield from _rows(doubtful)
        for each in doubtful:
            yield Paragraph(f"{each.film}, {each.hip.side}: {' '.join(each.doubts)}")
    if certain:
        yield Heading("To be confirmed")
        yield from _rows(certain)
    if found.nothing:
        yield Heading("Nothing found")
        yield from _by_what_is_said(found.nothing)
    if found.failed:
        yield Heading("Not looked at")
        yield from _by_what_is_said(found.failed)


def _by_what_is_said(films: Mapping[str, str]) -> Iterator[Paragraph]:
    """Yield a paragraph for each thing said, before it the films of which it is."""
    for said in dict.fromkeys(films.values()):
        of = ", ".join(film for film, why in films.items() if why == said)
        yield Paragraph(f"{of}: {said}")


def _rows(shown: list[Shown]) -> Iterator[Picture]:
    for start in range(0, len(shown), _IN_A_ROW):
        row = shown[start : start + _IN_A_ROW]
        says = "; ".join(" ".join(_lines(each)) for each in row)

        def draw(make: MakeAxes, row: list[Shown] = row) -> None:
            for number, each in enumerate(row):
                axes = make(number * _WIDE_MM, _LINES_MM, _WIDE_MM - 2.0, _WIDE_MM - 2.0)
                _draw(axes, each)

        yield Picture(_WIDE_MM + _LINES_MM, draw, says)


def _lines(each: Shown) -> tuple[str, str]:
    hip = each.hip
    inclination, anteversion = (COVERAGE * sd for sd in hip.angle_sd_deg)
    return (
        f"{each.film} {hip.side}{' (doubtful)' if each.doubts else ''}",
        f"RI {hip.inclination_deg:.1f}° ± {inclination:.1f}  "
        f"RA {hip.anteversion_deg:.1f}° ± {anteversion:.1f}",
    )


def _draw(axes: Axes, each: Shown) -> None:
    rows, columns = each.greys.shape
    axes.imshow(each.greys, cmap="gray", vmin=0, vmax=255, interpolation="bilinear")
    for name, points in each.outlines.items():
        closed = name.startswith(_CLOSED)
        path = [*points, points[0]] if closed else points
        y, x = zip(*path, strict=True)
        colour = style.SHARES["geometry"] if closed else style.SHARES["posture"]
        axes.plot(x, y, color=colour, linewidth=0.8, linestyle="--")
    axes.set_xlim(-0.5, columns - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_axis_off()
    axes.set_title("\n".join(_lines(each)), fontsize=5.5, loc="left", pad=2.0, color=style.INK)
