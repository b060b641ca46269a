"""The page on agreement: tables, Bland and Altman's plots, and how it was reckoned."""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from xraymeasure.errors import StudyError
from xraymeasure.files import write_atomically
from xraymeasure.measurements import QUANTITIES
from xraymeasure.report import style, words
from xraymeasure.report.sheet import (
    HEIGHT_MM,
    MARGIN_MM,
    TEXT_MM,
    Sheet,
    line_height,
    text_width,
    wrapped,
)
from xraymeasure.series.agreement import Limits
from xraymeasure.series.agreement_content import (
    AgreementContent,
    Group,
    TextTable,
    agreement_content,
    agreement_csv,
    shown_measurements,
)
from xraymeasure.series.reliability import AgreementReport, MeasurementAgreement

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_FOOT_MM = HEIGHT_MM - 19.0
_TYPE = 6.8
# Left edges of the columns, mm from the left margin, by the number of columns.
_EDGES = {
    8: (0.0, 37.0, 47.0, 75.0, 103.0, 112.5, 123.0, 155.0),
    6: (0.0, 48.0, 58.0, 92.0, 126.0, 160.0),
}
_PANELS = 3
_PANEL_MM = 49.0
_UNITS = {"deg": "°", "mm": "mm", "px": "px", "1": ""}


def write_agreement(report: AgreementReport, out: str | os.PathLike[str]) -> list[Path]:
    """Write ``agreement.pdf``, ``.html`` and ``.csv`` into a folder and return their paths.

    The same report gives the same bytes.

    Raises
    ------
    StudyError
        If the folder cannot be made.
    """
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StudyError(f"{folder}: cannot be made ({error.strerror}); name another") from None
    made = {
        folder / "agreement.pdf": agreement_pdf(report),
        folder / "agreement.html": agreement_html(report),
        folder / "agreement.csv": agreement_csv(report),
    }
    for path, data in made.items():
        write_atomically(path, data)
    return list(made)


_KEY = (
    "Solid: mean difference. Dashed: limits of agreement. Grey bands: the 95 % interval of each. "
    "Dotted: zero."
)


def draw_bland_altman(
    axes: Axes, limits: Limits, unit: str, decimals: int = 1, reach: float | None = None
) -> None:
    """Draw differences over means, the mean difference, the limits, and the interval of each.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Its limits and labels are set.
    limits : Limits
        What is drawn.
    unit : str
        For the labels; may be empty.
    decimals : int
        Of the numbers beside the lines.
    reach : float, optional
        How far the axis of the differences goes to either side; as far as needed by default.
    """
    for estimate, dash in ((limits.bias, "-"), (limits.lower, "--"), (limits.upper, "--")):
        axes.axhspan(estimate.low, estimate.high, color=style.BAND, linewidth=0, zorder=0)
        axes.axhline(estimate.value, color=style.INK, linewidth=0.8, linestyle=dash, zorder=2)
        axes.annotate(
            words.number(estimate.value, decimals, signed=True),
            (1.0, estimate.value),
            xycoords=("axes fraction", "data"),
            xytext=(2, 0),
            textcoords="offset points",
            va="center",
            fontsize=6,
            color=style.INK,
            annotation_clip=False,
        )
    axes.axhline(0.0, color=style.FAINT, linewidth=0.6, linestyle=":", zorder=1)
    axes.plot(
        limits.means,
        limits.differences,
        "o",
        markersize=2.6,
        markerfacecolor="none",
        markeredgecolor=style.MEASURED,
        markeredgewidth=0.8,
        zorder=3,
    )
    reach = reach or _reach([limits])
    axes.set_ylim(-reach, reach)
    axes.margins(x=0.08)
    suffix = f" ({unit})" if unit else ""
    axes.set_xlabel(f"mean{suffix}", fontsize=6.5, labelpad=1)
    axes.set_ylabel(f"difference{suffix}", fontsize=6.5, labelpad=1)
    axes.tick_params(labelsize=6, length=2, pad=1.5, colors=style.GREY)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(style.RULE)


def _reach(several: Sequence[Limits]) -> float:
    """Return how far an axis must go to show all limits, their intervals and all differences."""
    ends = (
        abs(end)
        for limits in several
        for end in (limits.lower.low, limits.upper.high, *limits.differences)
    )
    return 1.08 * max(*ends, 1e-9)


def agreement_pdf(report: AgreementReport) -> bytes:
    """Return the page as a PDF of A4 sheets."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages

    content = agreement_content(report)
    stream = io.BytesIO()
    metadata = {"CreationDate": None, "Creator": "xraymeasure", "Title": content.title}
    with rc_context({"font.family": style.FONT, "pdf.fonttype": 42, "axes.unicode_minus": True}):
        flow = _Flow(content)
        flow.y = flow.sheet.paragraph(MARGIN_MM, flow.y, TEXT_MM, content.summary, 9) + 1
        for table in content.tables:
            _draw_table(flow, table)
        _draw_plots(flow, report)
        flow.heading("How it was reckoned", 12)
        for note in content.notes:
            flow.room_for(line_height(7.4) * len(wrapped(note, TEXT_MM, 7.4)))
            flow.y = flow.sheet.paragraph(MARGIN_MM, flow.y, TEXT_MM, note, 7.4) + 0.8
        with PdfPages(stream, metadata=metadata) as pages:
            for number, sheet in enumerate(flow.sheets, start=1):
                _foot(sheet, content, number, len(flow.sheets))
                pages.savefig(sheet.figure)
    return stream.getvalue()


class _Flow:
    """Sheets that are filled from top to bottom; a new one begins where one is full."""

    def __init__(self, content: AgreementContent) -> None:
        self._content = content
        self.sheets: list[Sheet] = []
        self.turn()

    @property
    def sheet(self) -> Sheet:
        return self.sheets[-1]

    def turn(self) -> None:
        self.sheets.append(Sheet())
        self.sheet.text(MARGIN_MM, 10.5, self._content.title, 15, bold=True)
        right = MARGIN_MM + TEXT_MM
        identity = "  ·  ".join(self._content.identity)
        self.sheet.text(right, 12.6, identity, 7, colour=style.GREY, align="right")
        self.sheet.rule(18.5)
        self.y = 21.0

    def room_for(self, height: float) -> bool:
        """Turn the page if it has no room; say whether it was turned."""
        full = self.y + height > _FOOT_MM + 1
        if full:
            self.turn()
        return full

    def heading(self, text: str, following: float) -> None:
        """Write a heading that stays with what follows it."""
        self.room_for(8 + following)
        self.y = self.sheet.paragraph(MARGIN_MM, self.y + 2.5, TEXT_MM, text, 10, bold=True) + 0.8


def _foot(sheet: Sheet, content: AgreementContent, number: int, count: int) -> None:
    sheet.rule(_FOOT_MM + 3)
    sheet.paragraph(MARGIN_MM, _FOOT_MM + 4.5, TEXT_MM - 20, content.caution, 7, bold=True)
    right = MARGIN_MM + TEXT_MM
    page = f"page {number} of {count}"
    sheet.text(right, _FOOT_MM + 4.5, page, 7, colour=style.GREY, align="right")


def _draw_table(flow: _Flow, table: TextTable) -> None:
    edges = [MARGIN_MM + edge for edge in _EDGES[len(table.columns)]]
    flow.heading(table.heading, 6 + _group_height(table.groups[0]) if table.groups else 0)
    _draw_columns(flow, table.columns, edges)
    for group in table.groups:
        # A group longer than a sheet would never find room.
        if flow.room_for(min(_group_height(group), 60.0)):
            _draw_columns(flow, table.columns, edges)
        _draw_group(flow, table, group, edges)


def _draw_columns(flow: _Flow, columns: Sequence[str], edges: Sequence[float]) -> None:
    for edge, column in zip(edges, columns, strict=True):
        flow.sheet.text(edge, flow.y, column, 6.4, colour=style.GREY)
    flow.y += 4.0


def _group_height(group: Group) -> float:
    return 5.6 + 3.4 * len(group.lines)


def _draw_group(flow: _Flow, table: TextTable, group: Group, edges: Sequence[float]) -> None:
    flow.sheet.rule(flow.y)
    flow.sheet.text(edges[0], flow.y + 0.9, group.title, 7.8, bold=True)
    flow.sheet.text(
        MARGIN_MM + TEXT_MM, flow.y + 1.0, group.subtitle, 6.4, colour=style.GREY, align="right"
    )
    flow.y += 4.6
    for line in group.lines:
        if flow.room_for(3.4):
            _draw_columns(flow, table.columns, edges)
        reason = len(line) == 2
        for edge, cell in zip(edges, line, strict=False):
            colour = style.GREY if reason and edge != edges[0] else style.INK
            width = edges[1] - edges[0] - 1 if edge == edges[0] else TEXT_MM
            flow.sheet.text(edge, flow.y, _shortened(cell, width), _TYPE, colour=colour)
        flow.y += 3.4
    flow.y += 1.0


def _shortened(text: str, width: float) -> str:
    """Return as much of a label as has room; codes of readers may be long."""
    if text_width(text, _TYPE) <= width:
        return text
    while text and text_width(f"{text}…", _TYPE) > width:
        text = text[:-1]
    return f"{text}…"


def _draw_plots(flow: _Flow, report: AgreementReport) -> None:
    entries = [(entry, plots) for entry in shown_measurements(report) if (plots := _plots(entry))]
    if not entries:
        return
    height = 36.0
    flow.heading("Differences between readings over their means", height + 14)
    flow.y = flow.sheet.paragraph(MARGIN_MM, flow.y, TEXT_MM, _KEY, 7, colour=style.GREY) + 1
    for entry, plots in entries:
        quantity, reach = QUANTITIES[entry.name], _reach([limits for _, limits in plots])
        for start in range(0, len(plots), _PANELS):
            flow.room_for(height + 6)
            flow.y = flow.sheet.paragraph(
                MARGIN_MM, flow.y + 1, TEXT_MM, entry.title, 7.8, bold=True
            )
            for column, (pair, limits) in enumerate(plots[start : start + _PANELS]):
                left = MARGIN_MM + 9 + column * (TEXT_MM / _PANELS)
                flow.sheet.text(left, flow.y + 0.6, f"{pair}   n = {limits.n}", 6.6)
                axes = flow.sheet.axes(left, flow.y + 4.4, _PANEL_MM - 5, height - 9)
                draw_bland_altman(axes, limits, _UNITS[quantity.unit], quantity.decimals, reach)
            flow.y += height + 3


def _plots(entry: MeasurementAgreement) -> list[tuple[str, Limits]]:
    return [
        (pair, limits)
        for comparison in entry.comparisons
        for pair, limits in comparison.limits
        if isinstance(limits, Limits)
    ]


def agreement_html(report: AgreementReport) -> str:
    """Return the page as one HTML document that carries its plots."""
    return _template().render(
        content=agreement_content(report), plots=list(_html_plots(report)), key=_KEY, style=style
    )


def _html_plots(report: AgreementReport) -> Iterator[tuple[str, str]]:
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    for entry in shown_measurements(report):
        plots = _plots(entry)
        if not plots:
            continue
        quantity, reach = QUANTITIES[entry.name], _reach([limits for _, limits in plots])
        rows = -(-len(plots) // _PANELS)
        with rc_context({"font.family": style.FONT, "axes.unicode_minus": True}):
            figure = Figure(figsize=(8.4, 2.1 * rows), dpi=160, facecolor=style.PAPER)
            for position, (pair, limits) in enumerate(plots, start=1):
                axes = figure.add_subplot(rows, _PANELS, position)
                axes.set_title(f"{pair}   n = {limits.n}", fontsize=7, loc="left")
                draw_bland_altman(axes, limits, _UNITS[quantity.unit], quantity.decimals, reach)
            figure.subplots_adjust(0.06, 0.18 / rows, 0.96, 1 - 0.1 / rows, 0.38, 0.5)
            yield entry.title, _data_address(figure)


def _data_address(figure: Figure) -> str:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode("ascii")


@lru_cache(maxsize=1)
def _template():
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("xraymeasure", "series"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("agreement.html.j2")
