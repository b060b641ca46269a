"""The page for the notes, with what matters, and with it the pages that follow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from xraymeasure.measuring.results import Measurements
from xraymeasure.plan.compare import Comparison
from xraymeasure.report.layout import style
from xraymeasure.report.layout.plain_axes import frame, key_to_marks
from xraymeasure.report.layout.sheet import (
    FOOT_MM,
    MARGIN_MM,
    TEXT_MM,
    Part,
    Sheet,
    line_height,
    pdf_of,
    text_width,
    wrapped,
)
from xraymeasure.report.page.content import Content, TableLine, Whisker, report_content
from xraymeasure.report.page.figure import draw_film, show_film
from xraymeasure.report.page.further_pages import Line, further_pages
from xraymeasure.report.page.orientation_plot import draw_orientation_plot
from xraymeasure.report.subject import Subject
from xraymeasure.vocabulary.quantities import CUP_ANGLES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_PLOT_MM = 78.0
_FILM_MM = 72.0
"""Least height of the film on the first page."""
_BOTTOM_MM, _BOTTOM_WITHOUT_PLOT_MM = 73.0, 42.0

# Left edges of the columns of the first page's table, mm from the left margin, and its right edge.
_COLUMNS = {
    "label": 0.0,
    "planned": 47.0,
    "recorded": 65.0,
    "measured": 87.0,
    "difference": 112.0,
    "tolerance": 137.0,
    "verdict": 163.5,
}
_WHISKER_MM = 14.0
_HEADS = {
    "planned": "planned",
    "recorded": "recorded in theatre",
    "measured": "measured (95 %)",
    "difference": "difference (95 %)",
    "tolerance": "tolerance",
    "verdict": "verdict",
}


@dataclass(frozen=True)
class Pages:
    """The pages of a report as they are printed, and the pictures on the first of them.

    A picture is its axes and which part of its sheet it takes; without a cup there is no plot.
    """

    found: Subject
    content: Content
    sheets: list[Sheet]
    film: tuple[Axes, Part]
    plot: tuple[Axes, Part] | None


def report_pages(found: Subject) -> Pages:
    """Return the pages of a report: one for the notes, and those with all the rest."""
    from matplotlib import rc_context

    from xraymeasure.report.layout.type import type_settings

    content = report_content(found)
    with rc_context(type_settings()):
        first, film, plot, left_over = _first_page(content, found)
        sheets = [first, *further_pages(content, left_over)]
        for number, sheet in enumerate(sheets, start=1):
            sheet.foot(content.caution, number, len(sheets))
    return Pages(found, content, sheets, film, plot)


def pdf_pages(pages: Pages) -> bytes:
    """Return a report as a PDF of A4 pages; the same input gives the same bytes."""
    return pdf_of(pages.sheets, pages.content.title)


def _first_page(
    content: Content, found: Subject
) -> tuple[Sheet, tuple[Axes, Part], tuple[Axes, Part] | None, list[Line]]:
    """Return the page for the notes, its pictures, and the findings that had no room on it."""
    sheet, measurements = Sheet(), found.measurements
    y = sheet.head(content.title, content.identity)
    for verdict, text in content.headlines:
        glyph, _, colour = style.VERDICTS.get(verdict or "", ("", "", style.INK))
        if glyph:
            sheet.text(MARGIN_MM, y, glyph, 11.5, colour=colour)
        y = sheet.paragraph(
            MARGIN_MM + (6 if glyph else 0), y, TEXT_MM - 6, text, 11.5, colour=colour, bold=True
        )
    y = _table(sheet, y + 4.5, content)
    y += 1.2
    cup = all(measurements.primary(name) for name in CUP_ANGLES)
    bottom = FOOT_MM - (_BOTTOM_MM if cup else _BOTTOM_WITHOUT_PLOT_MM)
    key = _key_to_lines(sheet, bottom, measurements)
    bottom -= key
    # What there is no room for above a film that can be read goes on to the next page.
    later: list[Line] = []
    changes = [(_since(content), 7.8)] if content.changes else []
    notes = [(note, 7.2) for note in content.conversions]
    for note, size in (*changes, *notes, (content.remarks[0], 6.8)):
        height = len(wrapped(note, TEXT_MM, size)) * line_height(size) + 0.5
        if y + height > bottom - _FILM_MM:
            later.append(("·", style.GREY, note))
        else:
            y = sheet.paragraph(MARGIN_MM, y, TEXT_MM, note, size) + 0.5
    top = y + 1.3
    shown = show_film(found.film, measurements.drawings, TEXT_MM / (bottom - top))
    film = sheet.axes(MARGIN_MM, top, TEXT_MM, bottom - top)
    draw_film(film, shown, found.reading, measurements)
    low = bottom + key + 3
    plot = _plot(sheet, low, measurements, found.comparison) if cup else None
    return (
        sheet,
        (film, film.get_position().bounds),
        plot,
        [*later, *_below_the_film(sheet, low, content, _PLOT_MM + 4 if cup else 0.0)],
    )


def _since(content: Content) -> str:
    """Return the changes since the earlier film as one sentence."""
    said = [f"{line.label.lower()} {line.change} ({line.interval})" for line in content.changes]
    return f"Since the earlier film (95 %): {'; '.join(said)}."


def _key_to_lines(sheet: Sheet, bottom: float, measurements: Measurements) -> float:
    """Write what the lines on the film are, above `bottom`; return how high it is."""
    kinds = {drawing.kind for drawing in measurements.drawings}
    rows: list[list[style.Line]] = [[]]
    x = 0.0
    for kind, line in style.LINES.items():
        if kind in kinds:
            width = 10.5 + text_width(line.title, 6.8)
            if x + width > TEXT_MM:
                rows.append([])
                x = 0.0
            rows[-1].append(line)
            x += width
    height = 4.0 * len(rows) + 1.0 if kinds else 0.0
    for number, row in enumerate(rows):
        x, y = MARGIN_MM, bottom - height + 1.2 + 4.0 * number
        for line in row:
            sheet.stroke(x, y + 1.3, 6.0, line)
            sheet.text(x + 7.0, y + 0.1, line.title, 6.8)
            x += 10.5 + text_width(line.title, 6.8)
    return height


def _table(sheet: Sheet, y: float, content: Content) -> float:
    for key, head in _HEADS.items():
        if content.compared or key == "measured":
            lines = wrapped(head, 21 if key == "recorded" else 40, 7)
            for step, line in enumerate(lines):
                sheet.text(
                    MARGIN_MM + _COLUMNS[key],
                    y + line_height(7) * (step + 2 - len(lines)) - 2.2,
                    line,
                    7,
                    colour=style.GREY,
                )
    y += 5.2
    for row in content.table:
        sheet.rule(y)
        y = _table_line(sheet, y + 0.7, row, content.compared)
    sheet.rule(y)
    return y


def _table_line(sheet: Sheet, y: float, line: TableLine, compared: bool) -> float:
    def at(key: str) -> float:
        return MARGIN_MM + _COLUMNS[key]

    sheet.text(at("label"), y + 0.2, line.label, 9, bold=True)
    for beside in line.beside:
        sheet.text(at("label"), y + 4.1, beside, 6.8, colour=style.GREY)
    for key, text, absent, colour in (
        ("planned", line.planned, line.planned.startswith("not "), style.INK),
        ("recorded", line.recorded, line.recorded.startswith("not "), style.INK),
        ("measured", line.measured, not line.measured_interval, style.MEASURED),
    ):
        bold = key == "measured" and not absent
        size, down = (7.0, 0.7) if absent else (9.0, 0.2)
        ink = style.GREY if absent else colour
        sheet.text(at(key), y + down, text, size, bold=bold, colour=ink)
    sheet.text(at("measured"), y + 4.1, line.measured_interval, 6.8, colour=style.GREY)
    sheet.text(at("difference"), y + 0.2, line.difference, 9)
    sheet.text(at("difference"), y + 4.1, line.difference_interval, 6.8, colour=style.GREY)
    if line.whisker:
        left = at("verdict") - _WHISKER_MM - 2
        _whisker(sheet, left, y + 3.3, _WHISKER_MM, line.whisker, line.verdict)
    if line.verdict:
        glyph, word, colour = style.VERDICTS[line.verdict]
        sheet.text(at("tolerance"), y + 1.6, line.tolerance, 8)
        sheet.text(at("verdict"), y + 1.4, glyph, 9.5, colour=colour)
        sheet.text(at("verdict") + 4.2, y + 1.6, word, 8.5, bold=True, colour=colour)
        if not line.reason:
            return y + 7.4
        start, end = at("tolerance"), MARGIN_MM + TEXT_MM
        below = sheet.paragraph(start, y + 6.0, end - start, line.reason, 6.8, colour=style.GREY)
        return below + 0.6
    # Without a verdict its place, and that of the missing difference, holds the reason.
    start = at("tolerance" if line.difference else "difference") if compared else at("difference")
    end = MARGIN_MM + TEXT_MM
    below = sheet.paragraph(start, y + 0.9, end - start, line.reason, 6.8, colour=style.GREY)
    return max(y + (7.4 if line.measured_interval or line.beside else 5.2), below + 0.6)


def _whisker(
    sheet: Sheet, x: float, y: float, width: float, whisker: Whisker, verdict: str | None
) -> None:
    """Draw the interval of a difference over the band of its tolerance."""
    colour = style.VERDICTS[verdict][2] if verdict else style.INK

    def along(percent: float) -> float:
        return x + width * percent / 100

    band = along(whisker.band_high) - along(whisker.band_low)
    sheet.box(along(whisker.band_low), y - 1.3, band, 2.6, "#cfd6dd")
    sheet.box(along(50) - 0.1, y - 1.3, 0.2, 2.6, style.GREY)
    reach = along(whisker.high) - along(whisker.low)
    sheet.box(along(whisker.low), y - 0.25, reach, 0.5, colour)
    sheet.dot(along(whisker.at), y, 4.2, colour)


def _plot(
    sheet: Sheet, y: float, measurements: Measurements, comparison: Comparison | None
) -> tuple[Axes, Part]:
    axes = sheet.axes(MARGIN_MM + 9, y, _PLOT_MM - 11, 53)
    draw_orientation_plot(axes, measurements, comparison)
    frame(
        axes,
        along="radiographic inclination, degrees",
        up="radiographic anteversion, degrees",
        letters_pt=7.0,
        label_pt=7.2,
        grid=True,
    )
    key_to_marks(axes, 3, letters_pt=6.8, left_pt=-9 * 72 / 25.4, above_pt=-10.5 * 72 / 25.4)
    return axes, sheet.part(MARGIN_MM, y - 1, _PLOT_MM, FOOT_MM + 2 - y)


def _below_the_film(sheet: Sheet, y: float, content: Content, left: float) -> list[Line]:
    """Write findings and methods beside the plot; return the findings that had no room."""
    x, width = MARGIN_MM + left, TEXT_MM - left
    end = FOOT_MM + 1
    findings = [(*style.SEVERITIES[each.severity], each.text) for each in content.findings]
    blocks = [("Before you rely on it", findings)] if findings else []
    if content.methods:
        blocks.append(("How it was measured", [("", style.INK, " ".join(content.methods))]))
    for heading, lines in blocks:
        if heading:
            y = sheet.paragraph(x, y, width, heading, 9, bold=True) + 0.6
        for number, (glyph, colour, text) in enumerate(lines):
            indent = 4.0 if glyph else 0.0
            need = len(wrapped(text, width - indent, 7.2)) * line_height(7.2)
            # One line is kept for saying that there is more.
            if y + need > end - line_height(7.2):
                rest = lines[number:]
                sheet.text(x, y, f"{len(rest)} more on a further page", 7.2, colour=style.GREY)
                return rest if rest[0] in findings else []
            if glyph:
                sheet.text(x, y, glyph, 7.2, colour=colour)
            ink = style.INK if glyph else colour
            y = sheet.paragraph(x + indent, y, width - indent, text, 7.2, colour=ink) + 0.7
        y += 1.2
    # It stands on a further page too, and may give way here.
    remark = content.remarks[1]
    if y + len(wrapped(remark, width, 6.8)) * line_height(6.8) <= end:
        sheet.paragraph(x, y, width, remark, 6.8, colour=style.GREY)
    return []
