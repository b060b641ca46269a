"""By what a picture is known again that was exported otherwise: smaller, inverted, windowed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

_GRID = 96
_NEAR = 15
_BORDER = 0.1
ALIKE = 0.991
"""Correlation of what stands out in two pictures from which on they are one picture, only exported
otherwise: of the ranks of their exposed parts on a grid of 96 by 96, less the mean of the 15 by 15
about each. Working default, from the sample films and six of another program: in 8 bits, with
another gamma, inverted, or as a JPEG 500 pixels wide they correlate with themselves by 0.9929 and
more, moved by 1 mm by at most 0.9899, and with one another by at most 0.80. Plain ranks will not
do: two films within one dark border correlate by 0.9998, and a film moved by 2 mm by 0.998."""

THROUGH = 0.98
"""Correlation of two whole pictures on a grid of 160 by 160, less the mean of 5 by 5 about each,
one of them through the window that makes it most like the other, from which on they are one picture
where one of them is no original, or they are of different size. Working default, from six films of
two programs: exports of a quarter to one and a half times the size, as JPEG, with another gamma, a
third of the greys clipped or no pixel averaged, correlate with their film by 0.982 and more; taken
anew and moved by 0.5 mm by at most 0.975, by 0.7 mm 0.952, and by 0.3 mm by at most 0.991, so that
exposures of different size which lie so close are called one."""

EXPOSED_ONCE = 0.997
"""The same for two films of one size that both say they are original: moved by 0.2 mm they
correlate by at most 0.9961, with their own JPEG of quality 50 by 0.9980."""

_SAMPLED = 64
_ROUNDED = 0.01
_MEANS, _ABOUT = 160, 5
_LEVELS, _INNER = 16, 0.1
"""What a picture must show to be taken for another through a window: so many levels, and so much of
it neither black nor white. One that is all clipped is a function of any other."""


@dataclass(frozen=True, eq=False)
class Traits:
    """What is kept of a picture to know it again.

    Attributes
    ----------
    size : (rows, columns)
        Of the picture.
    samples : numpy.ndarray of int32
        Its stored values at places that are those of every picture of its size.
    grid : numpy.ndarray of float32
        What stands out in it, on a coarse grid, of length 1; empty for one that is too small.
    means : numpy.ndarray of float32
        The whole of it on a grid of 160 by 160.
    """

    size: tuple[int, ...]
    samples: np.ndarray
    grid: np.ndarray
    means: np.ndarray

    def is_whole(self, other: Traits) -> bool:
        """Return whether both are of one shape, so that neither is a part cut out of the other."""
        (rows, columns), (other_rows, other_columns) = self.size, other.size
        return abs(rows * other_columns / (columns * other_rows) - 1.0) < _ROUNDED

    @property
    def levels(self) -> int:
        """How many values there are among the samples."""
        return len(np.unique(self.samples))

    def likeness(self, other: Traits) -> float:
        """Return how what stands out in both correlates, whatever their greys and sizes are."""
        if not len(self.grid) == len(other.grid) > 0:
            return 0.0
        return abs(float(self.grid @ other.grid))

    def seen_through(self, other: Traits) -> bool:
        """Return whether one is the other, pixel for pixel, through a window or a table.

        Such a table rises or falls throughout, so the values of one, in the order of those of the
        other, do too, but for rounding. Of two exposures each has noise of its own.
        """
        if self.size != other.size:
            return False
        coarse, fine = sorted((self, other), key=lambda each: each.levels)
        seen = coarse.samples
        inner = (seen > seen.min()) & (seen < seen.max())
        if coarse.levels < _LEVELS or inner.mean() < _INNER:
            return False
        return any(
            np.percentile(np.abs(seen - fit), 99) <= 1 for fit in _through(fine.samples, seen)
        )

    def through(self, other: Traits) -> float:
        """Return how both correlate, one through a window or table, whatever their sizes are."""
        from scipy.ndimage import uniform_filter

        coarse, fine = sorted((self, other), key=lambda each: each.levels)
        seen = coarse.means
        edge = 0.02 * np.ptp(seen)
        inner = (seen > seen.min() + edge) & (seen < seen.max() - edge)
        if coarse.levels < _LEVELS or inner.mean() < _INNER:
            return 0.0
        found = (seen - uniform_filter(seen, _ABOUT))[inner]
        best = 0.0
        for fit in _through(fine.means, seen):
            expected = (fit - uniform_filter(fit, _ABOUT))[inner]
            if expected.any():
                best = max(best, float(np.corrcoef(expected, found)[0, 1]))
        return best


def _through(fine: np.ndarray, seen: np.ndarray) -> Iterator[np.ndarray]:
    """Yield a picture through the rising and the falling window that make it most like another."""
    from scipy.optimize import isotonic_regression

    order = np.lexsort((seen.ravel(), fine.ravel()))
    for rising in (True, False):
        fit = np.empty(seen.size, np.float32)
        fit[order] = isotonic_regression(seen.ravel()[order], increasing=rising).x
        yield fit.reshape(seen.shape)


def traits_of(pixels: np.ndarray) -> Traits:
    """Return by what a picture, shape (rows, columns), is known again."""
    from PIL import Image

    rows, columns = (np.linspace(0, last - 1, _SAMPLED).astype(int) for last in pixels.shape)
    samples = pixels[np.ix_(rows, columns)].ravel().astype(np.int32)
    whole = Image.fromarray(np.asarray(pixels, np.float32))
    means = np.asarray(whole.resize((_MEANS, _MEANS), Image.Resampling.HAMMING))
    return Traits(pixels.shape, samples, _standing_out(pixels), means)


def _standing_out(pixels: np.ndarray) -> np.ndarray:
    """Return what stands out in the exposed part of a picture, whatever its greys are."""
    from scipy.ndimage import uniform_filter
    from scipy.stats import rankdata

    pixels = _exposed(pixels)
    if min(pixels.shape) < _GRID:
        return np.zeros(0, np.float32)
    rows, columns = (np.linspace(0, length, _GRID + 1).astype(int) for length in pixels.shape)
    sums = np.add.reduceat(np.add.reduceat(pixels, rows[:-1], 0, float), columns[:-1], 1)
    means = sums / np.outer(np.diff(rows), np.diff(columns))
    ranks = rankdata(means).reshape(means.shape)
    ranks = (ranks - uniform_filter(ranks, _NEAR)).ravel()
    size = float(np.linalg.norm(ranks))
    return (ranks / size).astype(np.float32) if size else np.zeros(0, np.float32)


def _exposed(pixels: np.ndarray) -> np.ndarray:
    """Return a picture without a border in which nothing is to be seen."""
    low, high = np.percentile(pixels[::4, ::4], [0.5, 99.5])
    for axis in (1, 0):
        spread = np.ptp(np.clip(pixels, low, high), axis=axis) > _BORDER * (high - low)
        seen = np.flatnonzero(spread)
        if len(seen):
            part = slice(seen[0], seen[-1] + 1)
            pixels = pixels[part] if axis == 1 else pixels[:, part]
    return pixels
