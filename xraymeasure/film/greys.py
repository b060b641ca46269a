"""From stored pixel values to what is shown: DICOM's greyscale steps, for one film.

Stored value -> Modality LUT or rescale -> VOI LUT or window -> inversion. The result runs from 0
to 1 and brighter is denser (bone and metal bright), whatever the file's convention.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

WINDOW_FUNCTIONS = ("LINEAR", "LINEAR_EXACT", "SIGMOID")


@dataclass(frozen=True, eq=False)
class LookUpTable:
    """A DICOM LUT: `values[i]` for the input `first + i`, of `bits` bits; it ends extend."""

    first: int
    values: np.ndarray
    bits: int

    def __call__(self, inputs: np.ndarray) -> np.ndarray:
        """Return the output of every input (PS3.3 C.11.1.1.1: beyond the ends, the end values)."""
        index = np.clip(np.round(inputs) - self.first, 0, len(self.values) - 1)
        return np.asarray(self.values[index.astype(np.intp)].astype(float))


@dataclass(frozen=True)
class Window:
    """A VOI window in modality units, with one of DICOM's three functions."""

    centre: float
    width: float
    function: str = "LINEAR"

    def __call__(self, inputs: np.ndarray) -> np.ndarray:
        """Return 0 to 1 for every input (PS3.3 C.11.2.1.2 and C.11.2.1.3)."""
        if self.function == "SIGMOID":
            # Beyond +-60 the exponential is 0 or 1 to the last bit; the clip keeps it finite.
            slope = np.clip(4 * (inputs - self.centre) / self.width, -60, 60)
            return 1 / (1 + np.exp(-slope))
        if self.function == "LINEAR_EXACT":
            return np.clip((inputs - self.centre) / self.width + 0.5, 0, 1)
        if self.width == 1:
            return (inputs > self.centre - 0.5).astype(float)
        return np.clip((inputs - (self.centre - 0.5)) / (self.width - 1) + 0.5, 0, 1)


@dataclass(frozen=True, eq=False)
class Greys:
    """How one film's stored values become greys.

    Attributes
    ----------
    modality : LookUpTable or None
        Replaces `slope` and `intercept` where the film has one.
    slope, intercept : float
        Modality value = slope x stored value + intercept.
    voi : LookUpTable, Window or None
        None: the film's own range, darkest to brightest, is spread over 0 to 1.
    inverted : bool
        Whether low values are the dense ones; applied last.
    """

    modality: LookUpTable | None = None
    slope: float = 1.0
    intercept: float = 0.0
    voi: LookUpTable | Window | None = None
    inverted: bool = False

    def shown(self, pixels: np.ndarray) -> np.ndarray:
        """Return `pixels` (integers of 8 or 16 bits, any shape) as float32 in 0 to 1."""
        words = np.ascontiguousarray(pixels).view(f"u{pixels.dtype.itemsize}")
        # Every step acts on values one by one: of many pixels once for each possible word.
        possible = 2 ** (8 * words.itemsize)
        many = words.size > possible
        each = np.arange(possible, dtype=words.dtype) if many else words
        values = each.view(pixels.dtype).astype(float)
        values = self.modality(values) if self.modality else self.slope * values + self.intercept
        if isinstance(self.voi, Window):
            greys = self.voi(values)
        else:
            if self.voi is not None:
                values = self.voi(values)
                low, high = 0.0, float(2**self.voi.bits - 1)
            else:
                there = values
                if many:
                    occurs = np.zeros(possible, dtype=bool)
                    occurs[words] = True
                    there = values[occurs]
                low, high = float(there.min()), float(there.max())
            greys = np.clip((values - low) / (high - low), 0, 1) if high > low else values * 0
        if self.inverted:
            greys = 1 - greys
        return np.asarray(greys.astype(np.float32)[words if many else ...])


def luminance(colour: np.ndarray) -> np.ndarray:
    """Return grey, shape (rows, columns), of red, green and blue, shape (rows, columns, 3).

    The weights of ITU-R BT.601, in whole numbers, so that a grey picture saved in colour comes
    back unchanged.
    """
    red, green, blue = (colour[..., band].astype(np.uint32) for band in range(3))
    return ((299 * red + 587 * green + 114 * blue + 500) // 1000).astype(colour.dtype)


def usable_window(centre: float, width: float, function: str) -> Window | None:
    """Return the window, or None if DICOM does not allow its width or function."""
    if function not in WINDOW_FUNCTIONS or not (math.isfinite(centre) and math.isfinite(width)):
        return None
    narrowest_ok = width >= 1 if function == "LINEAR" else width > 0
    return Window(centre, width, function) if narrowest_ok else None
