"""A click moved to the nearest edge: nothing is recognised, the person still chooses which edge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.detect.field import working_pitch_mm
from xraymeasure.reading.reading import Point

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

RADIUS_MM = 2.0
"""On the detector. Working default, no source: enough for an unsteady hand, and too little to reach
from the rim of a cup to its head."""
_SMOOTH_MM, _SMOOTH_LEAST_PX = 0.35, 1.0
_ABOVE_NOISE = 6.0
_SHARE_OF_STRONGEST = 0.4


def snap(film: Film, row_column: Point, radius_mm: float = RADIUS_MM) -> Point:
    """Return the nearest edge point within a radius of a click, or the click where there is none.

    An edge point is where the grey changes fastest across the edge (Canny J, IEEE Trans Pattern
    Anal Mach Intell 1986;8:679-698; from memory). What does not stand out of the noise is none, nor
    what is less than two fifths as steep as the steepest within reach.

    Parameters
    ----------
    film : Film
    row_column : (row, column)
        The click, in pixels.
    radius_mm : float
        How far a click may be moved, mm on the detector.

    Returns
    -------
    (row, column)
        To a fraction of a pixel.
    """
    from scipy.ndimage import gaussian_filter

    click = np.array(row_column, dtype=float)
    pitch = np.array(working_pitch_mm(film))
    smooth = np.maximum(_SMOOTH_MM / pitch, _SMOOTH_LEAST_PX)
    low = np.floor(click - radius_mm / pitch - 3.0 * smooth).astype(int)
    high = np.ceil(click + radius_mm / pitch + 3.0 * smooth).astype(int) + 1
    low, high = np.maximum(low, 0), np.minimum(high, film.shape)
    if np.any(high - low < 5):
        return row_column
    part = film.pixels[low[0] : high[0], low[1] : high[1]].astype(float)
    slope = np.stack(
        [
            gaussian_filter(part, smooth, order=order, truncate=3.0) / step
            for order, step in zip(((1, 0), (0, 1)), pitch, strict=True)
        ],
        axis=-1,
    )
    steep = np.hypot(slope[..., 0], slope[..., 1])
    rows, columns = np.ogrid[low[0] : high[0], low[1] : high[1]]
    away = np.hypot((rows - click[0]) * pitch[0], (columns - click[1]) * pitch[1])
    # White noise cancels all but itself in a twisted difference; what a derivative of a Gaussian
    # leaves of it is known.
    twisted = part[1:, 1:] - part[1:, :-1] - part[:-1, 1:] + part[:-1, :-1]
    noise = 1.4826 * float(np.median(np.abs(twisted))) / 2.0
    noise *= 0.2 / float(np.prod(smooth) * np.sqrt(np.prod(pitch)))
    within = away <= radius_mm + pitch.max()
    within[[0, -1]] = within[:, [0, -1]] = False
    least = max(_ABOVE_NOISE * noise, _SHARE_OF_STRONGEST * float(steep[within].max(initial=0.0)))
    r, c = np.nonzero(within & (steep >= least) & (steep > 0))
    # Compared with its neighbours along the greater part of the slope, in pixels.
    along = slope[r, c] / pitch / steep[r, c, None]
    upright = np.abs(along[:, 0]) >= np.abs(along[:, 1])
    before = np.where(upright, steep[r - 1, c], steep[r, c - 1])
    after = np.where(upright, steep[r + 1, c], steep[r, c + 1])
    here = steep[r, c]
    top = (here >= before) & (here > after)
    if not top.any():
        return row_column
    bend = (before - 2.0 * here + after)[top]
    part_of_pixel = 0.5 * (before - after)[top] / np.where(bend < 0, bend, -1.0)
    found = low + np.stack([r[top], c[top]], axis=1).astype(float)
    found[np.arange(len(found)), np.where(upright[top], 0, 1)] += part_of_pixel
    gaps = np.hypot(*((found - click) * pitch).T)
    nearest = int(gaps.argmin())
    if gaps[nearest] > radius_mm:
        return row_column
    return float(found[nearest, 0]), float(found[nearest, 1])
