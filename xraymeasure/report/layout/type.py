"""The type that sheets are set in, and one line of it, set without asking again what is known.

Most of the time of a page goes into its letters. So the font is cut down once, not for every page
(``tests/report/make_type.py``), and a line is drawn without being laid out first.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matplotlib.font_manager import FontProperties, fontManager
from matplotlib.text import Text

if TYPE_CHECKING:
    from matplotlib.backend_bases import RendererBase

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


class Line(Text):
    """A line that ends or begins at its place on the baseline.

    It is neither rotated nor broken, holds no formula and stands on the paper itself. So nothing
    has to be laid out before it is drawn.
    """

    def draw(self, renderer: RendererBase) -> None:
        """Draw the line."""
        text, font = self.get_text(), self.get_fontproperties()
        if not text:
            return
        x, y = self.get_transform().transform(self.get_position())
        if self.get_horizontalalignment() == "right":
            x -= renderer.get_text_width_height_descent(text, font, False)[0]
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        context = renderer.new_gc()
        context.set_foreground(self.get_color())
        renderer.draw_text(context, x, y, text, font, 0.0)
        context.restore()
