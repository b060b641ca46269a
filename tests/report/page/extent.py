"""How much room a line takes, by matplotlib's own layout and not by the widths of the project."""

from functools import cache

from matplotlib.text import Text


@cache
def extent(line, figure, renderer):
    """The box of a line on the screen, pixels."""
    text = Text(
        *line.place,
        line.text,
        fontproperties=line.face,
        ha=line.align,
        va="baseline",
        parse_math=False,
        transform=line.get_transform(),
    )
    text.set_figure(figure)
    return text.get_window_extent(renderer)
