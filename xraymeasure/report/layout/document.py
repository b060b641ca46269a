"""What every HTML document is made with: its template, and pictures that it carries itself."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Template
    from matplotlib.axes import Axes
    from PIL.Image import Image

# Of 9: within a fifth of the smallest, in a third of the time.
_COMPRESSION = 2


@lru_cache
def template(name: str) -> Template:
    """Return a template of the folder ``templates``; what is put into it is text, not markup."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("xraymeasure", "report/layout/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def data_address(
    axes: Sequence[Axes], part: tuple[float, float, float, float], *, paper: bool = True
) -> str:
    """Return axes of one figure as a PNG in a data address.

    Parameters
    ----------
    axes : sequence of matplotlib.axes.Axes
        All that is drawn of the figure.
    part : (left, bottom, width, height)
        Which part of the figure is returned.
    paper : bool
        Whether it stands on the figure's paper; else it can be laid over another picture.
    """
    import numpy as np
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL.Image import fromarray

    from xraymeasure.report.layout.type import type_settings

    figure: Any = axes[0].get_figure(root=True)
    canvas: Any = FigureCanvasAgg(figure)
    renderer = canvas.get_renderer()
    with rc_context(type_settings()):
        for artist in (figure.patch, *axes) if paper else axes:
            artist.draw(renderer)
    drawn = np.asarray(renderer.buffer_rgba())
    rows, columns = drawn.shape[:2]
    left, bottom, width, height = part
    top, right = 1.0 - bottom - height, left + width
    drawn = drawn[
        round(top * rows) : round((top + height) * rows),
        round(left * columns) : round(right * columns),
        : 3 if paper else 4,
    ]
    image = fromarray(np.ascontiguousarray(drawn))
    return address(image, "png", compress_level=_COMPRESSION)


def address(picture: Image, kind: str, **how: Any) -> str:
    """Return a picture as a data address, in a format and with the settings of Pillow."""
    stream = io.BytesIO()
    picture.save(stream, format=kind, **how)
    return f"data:image/{kind};base64," + base64.b64encode(stream.getvalue()).decode("ascii")
