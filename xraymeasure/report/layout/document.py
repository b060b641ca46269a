"""What every HTML document is made with: its template, and pictures that it carries itself."""

from __future__ import annotations

import base64
import io
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Template
    from matplotlib.figure import Figure

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


def data_address(figure: Figure) -> str:
    """Return a figure as a PNG in a data address."""
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    stream = io.BytesIO()
    # Paper is opaque.
    drawn = np.ascontiguousarray(np.asarray(canvas.buffer_rgba())[..., :3])
    Image.fromarray(drawn).save(stream, format="png", compress_level=_COMPRESSION)
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode("ascii")
