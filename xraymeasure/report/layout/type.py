"""The type that sheets are set in: a line and filled boxes, drawn without asking what is known.

Most of the time of a page goes into its letters. So the font is cut down once, not for every page
(``tests/report/make_type.py``), without kerning, and a line is as wide as its letters: nothing has
to be laid out.
"""

from __future__ import annotations

from functools import cache, lru_cache
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast
from weakref import WeakKeyDictionary

import numpy as np
from matplotlib.artist import Artist
from matplotlib.colors import to_rgba
from matplotlib.font_manager import FontPath, FontProperties, fontManager, get_font
from matplotlib.ft2font import LoadFlags
from matplotlib.path import Path as Outline

from xraymeasure.report.layout.style import INK

if TYPE_CHECKING:
    from matplotlib.backend_bases import GraphicsContextBase, RendererBase
    from matplotlib.ft2font import FT2Font
    from matplotlib.transforms import Transform

NAME = "Sheet Sans"
FAMILY = [NAME, "DejaVu Sans"]
"""What the first lacks, the second has."""
FOLDER = Path(__file__).with_name("fonts")

for _file in sorted(FOLDER.glob("*.ttf")):
    fontManager.addfont(_file)


def type_settings(size: float = 10.0) -> Any:
    """Return the settings of matplotlib under which anything is drawn and printed.

    Parameters
    ----------
    size : float
        Of type that names none, points.
    """
    return {
        "font.family": FAMILY,
        "font.size": size,
        "axes.unicode_minus": True,
        # Letters that are pulled onto the pixels of a screen make lines longer than on paper.
        "text.hinting": "no_hinting",
        "pdf.fonttype": 42,
        # The setting for PostScript decides how many parts a font falls into.
        "ps.fonttype": 42,
        "pdf.compression": 2,
    }


@lru_cache
def face(size: float, bold: bool = False) -> FontProperties:
    """Return the type of a size in points."""
    return FontProperties(family=FAMILY, weight="bold" if bold else "normal", size=size)


@lru_cache
def _font(bold: bool) -> FT2Font:
    return get_font(FOLDER / ("bold.ttf" if bold else "regular.ttf"))


@cache
def _letter(character: str, bold: bool) -> tuple[int, float]:
    """Return the number of a letter in the font, 0 where it is not there, and its width, em."""
    font = _font(bold)
    number = font.get_char_index(ord(character))
    width = font.load_glyph(number, flags=LoadFlags.NO_SCALE).horiAdvance
    return number, width / font.units_per_EM


def width_pt(text: str, size: float, bold: bool = False) -> float:
    """Return how wide a line of text is, points."""
    letters = [_letter(character, bold) for character in text]
    if all(number for number, _ in letters):
        return size * sum(width for _, width in letters)
    from matplotlib.textpath import text_to_path

    return text_to_path.get_text_width_height_descent(text, face(size, bold), ismath=False)[0]


class Line(Artist):
    """A line that begins, ends or has its middle at its place on the baseline.

    It is neither rotated nor broken, holds no formula and stands on the paper itself. So nothing
    has to be laid out before it is drawn, which an ordinary text of matplotlib is.

    Parameters
    ----------
    place : (x, y)
        Of its baseline, in what `transform` brings to the screen.
    text : str
    size : float
        Points.
    """

    def __init__(
        self,
        place: tuple[float, float],
        text: str,
        size: float,
        transform: Transform,
        *,
        bold: bool = False,
        colour: str = INK,
        align: str = "left",
        zorder: float = 3.0,
    ) -> None:
        super().__init__()
        self.place, self.text, self.face, self.bold = place, text, face(size, bold), bold
        self.colour, self.align, self.zorder = colour, align, zorder
        self.set_transform(transform)

    def draw(self, renderer: RendererBase) -> None:
        """Draw the line."""
        if not self.text:
            return
        x, y = self.get_transform().transform(self.place)
        if share := {"right": 1.0, "center": 0.5}.get(self.align):
            width = width_pt(self.text, self.face.get_size_in_points(), self.bold)
            # An array for arrays of points only.
            x -= share * cast("float", renderer.points_to_pixels(width))
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        context = renderer.new_gc()
        context.set_foreground(self.colour)
        if hasattr(renderer, "file"):
            self._print(renderer, context, x, y)
        else:
            renderer.draw_text(context, x, y, self.text, self.face, 0.0)
        context.restore()

    def _print(self, printer: Any, context: GraphicsContextBase, x: float, y: float) -> None:
        """Print into a PDF: what stands there already in one piece, a new letter the long way."""
        from matplotlib.backends.backend_pdf import Op

        font, size = _font(self.bold), self.face.get_size_in_points()
        known = _printed.setdefault(printer.file, (set(), set()))[self.bold]
        for old, letters in groupby(self.text, known.copy().__contains__):
            piece = "".join(letters)
            if not old:
                printer.draw_text(context, x, y, piece, self.face, 0.0)
                # Beyond these the font falls into parts.
                known.update(
                    letter
                    for letter in piece
                    if _letter(letter, self.bold)[0] and letter < "\uffff"
                )
            else:
                printer.check_gc(context, context.get_rgb())
                printer.file.output(
                    Op.begin_text,
                    printer.file.fontName(FontPath(str(font.fname), font.face_index), 0),
                    size,
                    Op.selectfont,
                    x,
                    y,
                    Op.textpos,
                    printer.encode_string(piece, 42),
                    Op.show,
                    Op.end_text,
                )
            x += width_pt(piece, size, self.bold)


_printed: WeakKeyDictionary[Any, tuple[set[str], set[str]]] = WeakKeyDictionary()
"""For each PDF that is being written, the letters of the regular and the bold font in it."""


class Boxes(Artist):
    """Filled rectangles of one sheet; hundreds of artists of their own take far longer."""

    zorder = 1.0

    def __init__(self) -> None:
        super().__init__()
        self.filled: list[tuple[tuple[float, float, float, float], str]] = []
        """Left, bottom, width and height as parts of the sheet, and colour."""

    def draw(self, renderer: RendererBase) -> None:
        """Draw the boxes, all of one colour at once."""
        figure = self.get_figure(root=True)
        assert figure is not None
        of_colour: dict[str, list[tuple[float, float, float, float]]] = {}
        for bounds, colour in self.filled:
            of_colour.setdefault(colour, []).append(bounds)
        context = renderer.new_gc()
        context.set_linewidth(0.0)
        for colour, boxes in of_colour.items():
            left, bottom, width, height = np.array(boxes).T
            right, top = left + width, bottom + height
            corners = np.array([[left, bottom], [right, bottom], [right, top], [left, top]])
            outline = Outline.make_compound_path_from_polys(
                np.moveaxis(np.concatenate([corners, corners[:1]]), -1, 0)
            )
            renderer.draw_path(context, outline, figure.transFigure, to_rgba(colour))
        context.restore()
