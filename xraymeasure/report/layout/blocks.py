"""A page made of blocks, set as PDF on A4 sheets or as one HTML document; both say the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from xraymeasure.about import CAUTION
from xraymeasure.report.layout import style
from xraymeasure.report.layout.document import data_address, template
from xraymeasure.report.layout.sheet import (
    FOOT_MM,
    MARGIN_MM,
    TEXT_MM,
    Part,
    Sheet,
    line_height,
    pdf_of,
    wrapped,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MakeAxes = Callable[[float, float, float, float], "Axes"]
"""Axes from left, top, width and height in mm, within a picture."""

_TEXT_PT = 7.8
_CELL_PT = 7.8
_SMALL_PT = 6.8
_GAP_MM = 2.0
_TITLED_MM = 9.0
"""Room for a line below a title within a table."""


@dataclass(frozen=True)
class Heading:
    """What the following blocks are about."""

    text: str


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; `quiet` is grey and small, `loud` the first thing to be read."""

    text: str
    quiet: bool = False
    loud: bool = False
    glyph: str = ""
    colour: str = style.INK

    @property
    def size(self) -> float:
        """Of the type, points."""
        return 11.0 if self.loud else _SMALL_PT if self.quiet else _TEXT_PT

    @property
    def indent_mm(self) -> float:
        """Room for the glyph."""
        return 0.0 if not self.glyph else 6.0 if self.loud else 4.0

    @property
    def height_mm(self) -> float:
        """On a sheet."""
        lines = wrapped(self.text, TEXT_MM - self.indent_mm, self.size, self.loud)
        return len(lines) * line_height(self.size)


@dataclass(frozen=True)
class Cell:
    """A cell of a table, and what stands small and grey below it."""

    text: str
    below: str = ""
    bold: bool = False
    colour: str = style.INK


@dataclass(frozen=True)
class Table:
    """A table.

    Attributes
    ----------
    columns : sequence of (str, float)
        Title and left edge, mm.
    rows : sequence of sequence of Cell
        From the left; a row may end early.
    """

    columns: Sequence[tuple[str, float]]
    rows: Sequence[Sequence[Cell]]


@dataclass(frozen=True)
class Picture:
    """A drawing as wide as the text.

    Attributes
    ----------
    height_mm : float
        Its height.
    draw : callable
        Draws it, from a function that makes axes.
    says : str
        The same in words, for who cannot see it.
    """

    height_mm: float
    draw: Callable[[MakeAxes], None]
    says: str


Block = Heading | Paragraph | Table | Picture


@dataclass(frozen=True)
class Paper:
    """A title, who and what it is about, and blocks in reading order."""

    title: str
    identity: tuple[str, ...]
    blocks: tuple[Block, ...]
    caution: str = CAUTION


def paper_files(stem: str, paper: Paper) -> dict[str, bytes | str]:
    """Return a paper as its files: ``STEM.pdf`` and ``STEM.html``; pictures are drawn once."""
    setter = _set(paper)
    return {f"{stem}.pdf": pdf_of(setter.sheets, paper.title), f"{stem}.html": _html(paper, setter)}


def _set(paper: Paper) -> Setter:
    from matplotlib import rc_context

    from xraymeasure.report.layout.type import type_settings

    with rc_context(type_settings()):
        setter = Setter(paper.title, paper.identity)
        for position, block in enumerate(paper.blocks):
            setter.set(block, paper.blocks[position + 1 :])
        for number, sheet in enumerate(setter.sheets, start=1):
            sheet.foot(paper.caution, number, len(setter.sheets))
    return setter


def _html(paper: Paper, setter: Setter) -> str:
    return str(
        template("blocks.html.j2").render(
            paper=paper,
            kind=lambda block: type(block).__name__,
            image=lambda block: data_address(*setter.drawn[id(block)]),
            style=style,
        )
    )


def _beginning(blocks: Sequence[Block]) -> float:
    """Return the height of what a heading stays with, mm: a key and what it is the key of."""
    if not blocks:
        return 0.0
    first, *rest = blocks
    if isinstance(first, Picture):
        return _with_key(first, rest)
    if not isinstance(first, Paragraph):
        return 24.0
    of_what_follows = first.quiet and rest and not isinstance(rest[0], Paragraph)
    return first.height_mm + (_beginning(rest) if of_what_follows else 0.0)


def _with_key(picture: Picture, following: Sequence[Block]) -> float:
    """Return the height of a picture and of the key below it, mm."""
    key = [each for each in following[:1] if isinstance(each, Paragraph) and each.quiet]
    return picture.height_mm + sum(1.0 + each.height_mm for each in key)


class Setter:
    """Fills sheets from top to bottom; a new one begins where one is full.

    `y` is where the next block begins on the last of its `sheets`, mm.
    """

    def __init__(self, title: str, identity: Sequence[str]) -> None:
        self.title, self.identity = title, identity
        self.sheets: list[Sheet] = []
        # The axes of each picture, and which part of the sheet they are on it is.
        self.drawn: dict[int, tuple[list[Axes], Part]] = {}
        self.y = 0.0
        self.turn()

    def set(self, block: Block, following: Sequence[Block] = ()) -> None:
        """Set a block; a heading stays with what follows it, a picture with its key below."""
        if isinstance(block, Heading):
            self.room_for(8.0 + _beginning(following))
            self.y = self._write(block.text, 10, self.y + 2.5, bold=True) + 0.8
        elif isinstance(block, Paragraph):
            self._paragraph(block)
        elif isinstance(block, Table):
            self._table(block)
        else:
            self.room_for(_with_key(block, following))
            top, sheet = self.y, self.sheets[-1]
            made: list[Axes] = []

            def make(x: float, y: float, width: float, height: float) -> Axes:
                made.append(sheet.axes(MARGIN_MM + x, top + y, width, height))
                return made[-1]

            block.draw(make)
            self.drawn[id(block)] = made, sheet.part(MARGIN_MM, top, TEXT_MM, block.height_mm)
            self.y += block.height_mm + 1.0

    def turn(self) -> None:
        """Begin a new sheet."""
        sheet = Sheet()
        self.sheets.append(sheet)
        self.y = sheet.head(self.title, self.identity)

    def room_for(self, height: float) -> bool:
        """Begin a new sheet if the last has no room for a height, mm; say whether it was so."""
        full = self.y + height > FOOT_MM + 1
        if full:
            self.turn()
        return full

    def _write(self, text: str, size: float, y: float, **look: Any) -> float:
        return self.sheets[-1].paragraph(MARGIN_MM, y, TEXT_MM, text, size, **look)

    def _paragraph(self, block: Paragraph) -> None:
        size, indent = block.size, block.indent_mm
        width = TEXT_MM - indent
        self.room_for(block.height_mm)
        sheet = self.sheets[-1]
        colour = style.GREY if block.quiet else block.colour
        if block.glyph:
            sheet.text(MARGIN_MM, self.y, block.glyph, size, colour=block.colour)
            colour = block.colour if block.loud else style.INK
        y = sheet.paragraph(
            MARGIN_MM + indent, self.y, width, block.text, size, colour=colour, bold=block.loud
        )
        self.y = y + 0.6

    def _table(self, table: Table) -> None:
        edges = [edge for _, edge in table.columns]
        widths = [
            after - edge - _GAP_MM
            for edge, after in zip(edges, [*edges[1:], TEXT_MM + _GAP_MM], strict=True)
        ]
        # The last cell of a row that ends early has the rest of the line.
        self.room_for(12.0)
        self._head_of(table)
        for number, row in enumerate(table.rows):
            # A line that is a title stays with the line below it.
            title = len(row) == 1 and number + 1 < len(table.rows)
            room = [*widths[: len(row) - 1], TEXT_MM - edges[len(row) - 1]]
            set_in = [
                (
                    wrapped(cell.text, width, _CELL_PT, cell.bold),
                    wrapped(cell.below, width, _SMALL_PT),
                )
                for cell, width in zip(row, room, strict=True)
            ]
            height = 1.4 + max(
                len(text) * line_height(_CELL_PT) + len(below) * line_height(_SMALL_PT)
                for text, below in set_in
            )
            if self.room_for(height + (_TITLED_MM if title else 0.0)):
                self._head_of(table)
            sheet = self.sheets[-1]
            sheet.rule(self.y, pt=0.4)
            for cell, edge, (text, below) in zip(row, edges, set_in, strict=False):
                y = self.y + 0.7
                for line in text:
                    sheet.text(
                        MARGIN_MM + edge, y, line, _CELL_PT, bold=cell.bold, colour=cell.colour
                    )
                    y += line_height(_CELL_PT)
                for line in below:
                    sheet.text(MARGIN_MM + edge, y, line, _SMALL_PT, colour=style.GREY)
                    y += line_height(_SMALL_PT)
            self.y += height
        self.sheets[-1].rule(self.y, pt=0.4)
        self.y += 1.5

    def _head_of(self, table: Table) -> None:
        for title, edge in table.columns:
            self.sheets[-1].text(MARGIN_MM + edge, self.y, title, 6.6, colour=style.GREY)
        self.y += 4.0
