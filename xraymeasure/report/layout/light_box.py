"""A film on paper or on a screen: brought once to the resolution that it is drawn with."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.image import AxesImage
from matplotlib.transforms import Affine2D
from PIL import Image

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Shares of the film, percent, that are shown black and white.
_BLACK, _WHITE = 0.5, 99.8


class LightBox(AxesImage):
    """A grey picture that fills axes; the general machinery does the same in colour, and longer.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        With the limits and the shape that they are drawn with.
    grey : numpy.ndarray, shape (rows, columns)
        Brightness, the first row at the top.
    """

    def __init__(self, axes: Axes, grey: np.ndarray) -> None:
        super().__init__(axes, extent=(*axes.get_xlim(), *axes.get_ylim()), origin="upper")
        low, high = np.percentile(grey[::4, ::4], [_BLACK, _WHITE])
        scaled = (grey - np.float32(low)) * np.float32(255.0 / max(high - low, 1e-3))
        self.set_data(np.clip(scaled + np.float32(0.5), 0, 255).astype(np.uint8))

    def picture(self, columns: int, rows: int) -> Image.Image:
        """Return the picture in a size in pixels."""
        whole = Image.fromarray(np.asarray(self.get_array()))
        return whole.resize((columns, rows), Image.Resampling.BICUBIC)

    def make_image(
        self, renderer: Any, magnification: float = 1.0, unsampled: bool = False
    ) -> tuple[np.ndarray, float, float, Affine2D]:
        """Return the picture as wide as the axes are, from the lowest row up, and its place."""
        place = self.axes.bbox
        columns, rows = round(place.width * magnification), round(place.height * magnification)
        shown = self.picture(max(columns, 1), max(rows, 1))
        # A PDF keeps grey as grey, in a third of the room; pixels on a screen have colours.
        if not hasattr(renderer, "file"):
            shown = shown.convert("RGBA")
        pixels = np.asarray(shown)[::-1]
        return pixels.reshape(*pixels.shape[:2], -1), place.x0, place.y0, Affine2D()
