"""An A4 sheet to write on, measured in mm from its upper left corner."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from xraymeasure.report.layout import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from xraymeasure.report.layout.type import Line

Part = tuple[float, float, float, float]
"""Left, bottom, width and height of a rectangle as parts of a sheet."""

WIDTH_MM, HEIGHT_MM = 210.0, 297.0
MARGIN_MM = 12.0
TEXT_MM = WIDTH_MM - 2 * MARGIN_MM
FOOT_MM = HEIGHT_MM - 19.0
"""Where the foot of a page begins."""
_MM_PER_PT = 25.4 / 72
_LEADING = 1.32


class Sheet:
    """One page; `figure` is what is printed, `lines` what is written on it outside its plots.

    Every length is in mm from the upper left corner, y downward; sizes of type are in points.
    """

    figure: Figure

    def __init__(self) -> None:
        from matplotlib.figure import Figure

        from xraymeasure.report.layout.type import Boxes

        self.figure = Figure(
            figsize=(WIDTH_MM / 25.4, HEIGHT_MM / 25.4), facecolor=style.PAPER, dpi=160
        )
        self.lines: list[Line] = []
        self._boxes = Boxes()
        self.figure.add_artist(self._boxes)

    def head(self, title: str, identity: Sequence[str]) -> float:
        """Write title and identity; return where the text may begin."""
        self.text(MARGIN_MM, 10.5, title, 15, bold=True)
        who = "  ·  ".join(identity)
        beside = text_width(title, 15, bold=True) + text_width(who, 7) + 4.0 <= TEXT_MM
        # Below the title where there is no room beside it.
        down = 0.0 if beside else 4.6
        right = MARGIN_MM + TEXT_MM
        self.text(right, 12.6 + down, who, 7, colour=style.GREY, align="right")
        self.rule(18.5 + down)
        return 21.0 + down

    def foot(self, caution: str, number: int, count: int) -> None:
        """Write the caution and which of how many pages this is."""
        self.rule(FOOT_MM + 3)
        self.paragraph(MARGIN_MM, FOOT_MM + 4.5, TEXT_MM - 20, caution, 7, bold=True)
        page = f"page {number} of {count}"
        right = MARGIN_MM + TEXT_MM
        self.text(right, FOOT_MM + 4.5, page, 7, colour=style.GREY, align="right")

    def axes(self, x: float, y: float, width: float, height: float) -> Axes:
        """Return axes that fill a rectangle."""
        return self.figure.add_axes(self.part(x, y, width, height))

    def part(self, x: float, y: float, width: float, height: float) -> Part:
        """Return left, bottom, width and height of a rectangle as parts of the sheet."""
        return x / WIDTH_MM, 1 - (y + height) / HEIGHT_MM, width / WIDTH_MM, height / HEIGHT_MM

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        colour: str = style.INK,
        bold: bool = False,
        align: str = "left",
    ) -> None:
        """Write one line; its first baseline lies one size below `y`."""
        from xraymeasure.report.layout.type import Line

        place = x / WIDTH_MM, 1 - (y + size * _MM_PER_PT) / HEIGHT_MM
        where = self.figure.transFigure
        line = Line(place, text, size, where, bold=bold, colour=colour, align=align)
        self.lines.append(line)
        self.figure.add_artist(line)

    def paragraph(
        self,
        x: float,
        y: float,
        width: float,
        text: str,
        size: float,
        *,
        colour: str = style.INK,
        bold: bool = False,
    ) -> float:
        """Write a paragraph, broken to `width`; return where the next may begin."""
        for line in wrapped(text, width, size, bold):
            self.text(x, y, line, size, colour=colour, bold=bold)
            y += line_height(size)
        return y

    def rule(self, y: float, pt: float = 0.6) -> None:
        """Draw a thin horizontal line."""
        self.box(MARGIN_MM, y - pt * _MM_PER_PT / 2, TEXT_MM, pt * _MM_PER_PT, style.RULE)

    def box(self, x: float, y: float, width: float, height: float, colour: str) -> None:
        """Fill a rectangle, below all lines and words."""
        self._boxes.filled.append((self.part(x, y, width, height), colour))

    def dot(self, x: float, y: float, size: float, colour: str) -> None:
        """Draw a round dot of `size` points."""
        from matplotlib.lines import Line2D

        self.figure.add_artist(
            Line2D(
                [x / WIDTH_MM],
                [1 - y / HEIGHT_MM],
                marker="o",
                markersize=size,
                color=colour,
                markeredgewidth=0,
                transform=self.figure.transFigure,
            )
        )

    def stroke(self, x: float, y: float, width: float, line: style.Line) -> None:
        """Draw a sample of a line as it looks on a film."""
        from matplotlib.lines import Line2D

        self.box(x, y - 1.3, width, 2.6, "#303030")
        inner = [x + 0.8, x + width / 2, x + width - 0.8]
        self.figure.add_artist(
            Line2D(
                [at / WIDTH_MM for at in inner],
                [1 - y / HEIGHT_MM] * 3,
                color=line.colour,
                linewidth=0 if line.marker else line.width,
                linestyle=(0, line.dash) if line.dash else "-",
                marker=line.marker,
                markevery=[1],
                markersize=5,
                transform=self.figure.transFigure,
            )
        )


def pdf_of(sheets: Sequence[Sheet], title: str) -> bytes:
    """Return sheets as one PDF; the same sheets give the same bytes."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages

    from xraymeasure.report.layout.type import type_settings

    stream = io.BytesIO()
    metadata = {"CreationDate": None, "Creator": "xraymeasure", "Title": title}
    with rc_context(type_settings()), PdfPages(stream, metadata=metadata) as pages:
        for sheet in sheets:
            pages.savefig(sheet.figure)
    return stream.getvalue()


def line_height(size: float) -> float:
    """Return the distance between lines of a size of type, mm."""
    return size * _MM_PER_PT * _LEADING


def wrapped(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than `width` mm; a longer word stands alone."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


@lru_cache(maxsize=8192)
def text_width(text: str, size: float, bold: bool = False) -> float:
    """Return how wide a line of text is, mm."""
    from xraymeasure.report.layout.type import width_pt

    return width_pt(text, size, bold) * _MM_PER_PT
