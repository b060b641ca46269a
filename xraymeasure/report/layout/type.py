"""The type that sheets are set in: a line and filled boxes, drawn without asking what is known.

Most of the time of a page goes into its letters. So the font is cut down once, not for every page
(``tests/report/make_type.py``), without kerning, and a line is as wide as its letters: nothing has
to be laid out.
"""

from __future__ import annotations

from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from matplotlib.artist import Artist
from matplotlib.colors import to_rgba
from matplotlib.font_manager import FontPath, FontProperties, fontManager, get_font
from matplotlib.ft2font import LoadFlags
from matplotlib.path import Path as Outline
from matplotlib.text import Text
from matplotlib.transforms import Bbox, BboxTransformTo

if TYPE_CHECKING:
    from matplotlib.backend_bases import GraphicsContextBase, RendererBase
    from matplotlib.ft2font import FT2Font

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


class Line(Text):
    """A line that begins, ends or has its middle at its place on the baseline.

    It is neither rotated nor broken, holds no formula and stands on the paper itself. So nothing
    has to be laid out before it is drawn.
    """

    def draw(self, renderer: RendererBase) -> None:
        """Draw the line."""
        text, font = self.get_text(), self.get_fontproperties()
        if not text:
            return
        x, y = self.get_transform().transform(self.get_position())
        if share := {"right": 1.0, "center": 0.5}.get(self.get_horizontalalignment()):
            width = width_pt(text, font.get_size_in_points(), self._bold)
            # An array for arrays of points only.
            x -= share * cast("float", renderer.points_to_pixels(width))
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        context = renderer.new_gc()
        context.set_foreground(self.get_color())
        if not self._printed(renderer, context, x, y):
            renderer.draw_text(context, x, y, text, font, 0.0)
        context.restore()

    @property
    def _bold(self) -> bool:
        return self.get_fontproperties().get_weight() == "bold"

    def _printed(
        self, renderer: RendererBase, context: GraphicsContextBase, x: float, y: float
    ) -> bool:
        """Print into a PDF, letter for letter; say whether that could be done."""
        from matplotlib.backends.backend_pdf import Op

        file: Any = getattr(renderer, "file", None)
        if file is None:
            return False
        font, text = _font(self._bold), self.get_text()
        for character in set(text):
            number, _ = _letter(character, self._bold)
            # Elsewhere than in the first part of a font a letter has another code.
            if not number or file._character_tracker.track_glyph(font, character, number)[0]:
                return False
        name = file.fontName(FontPath(str(font.fname), font.face_index), 0)
        printer: Any = renderer
        printer.check_gc(context, context.get_rgb())
        file.output(
            Op.begin_text,
            name,
            self.get_fontproperties().get_size_in_points(),
            Op.selectfont,
            x,
            y,
            Op.textpos,
        )
        file.output(printer.encode_string(text, 42), Op.show, Op.end_text)
        return True


class Boxes(Artist):
    """Filled rectangles of one sheet; hundreds of artists of their own take far longer."""

    zorder = 1.0

    def __init__(self) -> None:
        super().__init__()
        self.filled: list[tuple[tuple[float, float, float, float], str]] = []
        """Left, bottom, width and height as parts of the sheet, and colour."""

    def draw(self, renderer: RendererBase) -> None:
        """Draw the boxes."""
        figure = self.get_figure(root=True)
        assert figure is not None
        context = renderer.new_gc()
        context.set_linewidth(0.0)
        for bounds, colour in self.filled:
            place = BboxTransformTo(Bbox.from_bounds(*bounds)) + figure.transFigure
            renderer.draw_path(context, Outline.unit_rectangle(), place, to_rgba(colour))
        context.restore()
