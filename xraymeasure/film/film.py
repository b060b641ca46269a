"""A film: its pixels, where they lie in the patient frame, and what is not known about them.

Everything that a file says is settled here, once: which plane its spacing belongs to, whether it
is mirrored or turned, where the central ray is assumed to meet the detector. What it does not say
is recorded in words and never guessed.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Any, Literal

import numpy as np

from xraymeasure.errors import FilmError
from xraymeasure.film.greys import Greys
from xraymeasure.film.spacing import (
    Pair,
    Spacing,
    as_pitch,
    detector_spacing,
    no_spacing,
    not_square,
)

Axes = tuple[tuple[int, int], tuple[int, int]]

# Rows run caudally and columns to the patient's left: the viewer faces the patient.
STANDARD_AXES: Axes = ((0, 1), (1, 0))
CENTRE_ASSUMED = "The central ray is assumed to meet the detector at the centre of the image."

# From the hand-held to the longest upright stand; beyond, the number has another unit.
PLAUSIBLE_SOURCE_DETECTOR_MM = (500.0, 3000.0)


@dataclass(frozen=True, eq=False)
class Film:
    """One radiograph, read and placed in the patient frame.

    Attributes
    ----------
    source : str
        The file's name, without its folder, for messages.
    pixels : numpy.ndarray
        Stored values, shape (rows, columns), integers of 8 or 16 bits, decoded and otherwise
        untouched (colour is turned to grey). Read-only.
    spacing : Spacing
        The distance between pixels and the plane in which it holds.
    patient_axes : ((x_per_row, x_per_column), (y_per_row, y_per_column))
        How a step down one row, and along one column, moves in the patient frame: entries are -1,
        0 or 1, x is to the patient's left and y caudal.
    orientation_note : str
        What Patient Orientation said, or that the usual display was assumed.
    source_detector_mm : float or None
        Distance Source to Detector (0018,1110), where plausible.
    beam_centre : (row, column)
        Where the central ray is assumed to meet the detector, pixels.
    beam_centre_note : str
        What that assumption rests on.
    view : str or None
        View Position, such as AP or PA.
    laterality : {"left", "right"} or None
        The side that the film says it shows; None where it shows both or does not say.
    person : str or None
        A digest by which two films of one person are known as such; it names nobody, and is
        written nowhere.
    modality : str or None
        DICOM modality.
    bits_stored : int
        Bits that carry the pixel value.
    acquired_on : datetime.date or None
        When the film was taken.
    sop_instance_uid : str or None
        DICOM's name for this image.
    identity : tuple of str
        Keywords of the attributes that hold identity; never their values.
    burned_in : bool or None
        Whether the file says that text is burned into the pixels.
    notes : tuple of str
        Everything else that was missing, contradictory or assumed, as sentences.
    greys : Greys
        How stored values become what is shown.
    """

    source: str
    pixels: np.ndarray
    spacing: Spacing
    beam_centre: tuple[float, float]
    beam_centre_note: str
    patient_axes: Axes = STANDARD_AXES
    orientation_note: str = (
        "The film says nothing of its orientation; the usual display is assumed."
    )
    source_detector_mm: float | None = None
    view: str | None = None
    laterality: Literal["left", "right"] | None = None
    person: str | None = field(default=None, repr=False)
    modality: str | None = None
    bits_stored: int = 16
    acquired_on: date | None = None
    sop_instance_uid: str | None = None
    identity: tuple[str, ...] = ()
    burned_in: bool | None = None
    notes: tuple[str, ...] = ()
    greys: Greys = field(default=Greys(), repr=False)

    def __post_init__(self) -> None:
        if self.pixels.ndim != 2 or 0 in self.pixels.shape:
            raise FilmError(f"{self.source}: has no rows or no columns; export the film again")
        if self.pixels.dtype.kind not in "iu" or self.pixels.dtype.itemsize > 2:
            raise FilmError(
                f"{self.source}: its pixels are {self.pixels.dtype.name}, not whole numbers of 8 "
                "to 16 bits; export the film as it was taken"
            )
        self.pixels.setflags(write=False)

    def __repr__(self) -> str:
        rows, columns = self.shape
        return f"<Film {rows} x {columns}, pixels {self.pixel_sha256[:12]}>"

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.pixels.shape

    @cached_property
    def pixel_sha256(self) -> str:
        """SHA-256, in hexadecimal, of `pixels`: row by row, each value little-endian.

        The values are those stored in the file after decompression and before any look-up table,
        so the hash does not change when a film is compressed without loss, re-windowed or stripped
        of identity. It is computed when first asked for.
        """
        little = self.pixels.astype(self.pixels.dtype.newbyteorder("<"), copy=False)
        return hashlib.sha256(np.ascontiguousarray(little).data).hexdigest()

    @property
    def safe_name(self) -> str:
        """A name for files about the film that keeps back its own, which is often a person's."""
        return f"film_{self.pixel_sha256[:12]}"

    def density(self, points: np.ndarray) -> np.ndarray:
        """Return how dense the film is at points, whatever its window.

        Parameters
        ----------
        points : array_like, shape (..., 2)
            Rows and columns; the nearest pixel is taken, beyond the edge that of the edge.

        Returns
        -------
        numpy.ndarray, shape (...)
            0 and 1 where all but half a percent of the film is denser, or less dense.
        """
        last = np.array(self.shape) - 1
        rows, columns = np.moveaxis(np.clip(np.rint(points), 0, last).astype(np.intp), -1, 0)
        low, high = self._thin_and_dense
        return np.asarray((self.pixels[rows, columns] - low) / ((high - low) or 1.0))

    @cached_property
    def _thin_and_dense(self) -> tuple[float, float]:
        """The stored values between which all but half a percent lies to both sides."""
        step = max(1, int((self.pixels.size / 40_000) ** 0.5))
        rising = np.sort(self.pixels[::step, ::step], axis=None, kind="stable")
        ends = rising[np.rint(np.array([0.005, 0.995]) * (rising.size - 1)).astype(int)]
        first, last = self.greys.shown(ends)
        if last < first or (last == first and self.greys.inverted):
            ends = ends[::-1]
        return float(ends[0]), float(ends[1])

    def display(self) -> np.ndarray:
        """Return the film as shown: float32 in 0 to 1, shape as `pixels`, brighter is denser.

        Modality LUT or rescale, VOI LUT or window (the whole range where there is none), then
        inversion where low values are the dense ones. Rows and columns stay where they are.
        """
        return self.greys.shown(self.pixels)

    def to_patient_mm(
        self,
        points: np.ndarray,
        beam_centre: tuple[float, float] | None = None,
        pitch_mm: float | Pair | None = None,
    ) -> np.ndarray:
        """Map image points to the patient frame on the detector.

        Parameters
        ----------
        points : array_like, shape (..., 2)
            Rows and columns, zero-based, pixel centres at whole numbers.
        beam_centre : (row, column), optional
            Overrides the film's own.
        pitch_mm : float or (row, column), optional
            Overrides the film's spacing at the detector.

        Returns
        -------
        numpy.ndarray, shape (..., 2)
            x (to the patient's left) and y (caudal) in mm, zero where the central ray lands.

        Raises
        ------
        FilmError
            If neither the film nor the call says how large a pixel is.

        Examples
        --------
        >>> import numpy as np
        >>> film = film_from_array(np.zeros((101, 201), np.uint16), pitch_mm=(0.2, 0.1))
        >>> film.to_patient_mm([[60, 100], [50, 120]])
        array([[0., 2.],
               [2., 0.]])
        """
        centre = np.asarray(self.beam_centre if beam_centre is None else beam_centre, dtype=float)
        steps = (np.asarray(points, dtype=float) - centre) * self._pitch(pitch_mm)
        return np.asarray(steps @ np.array(self.patient_axes, dtype=float).T)

    def to_pixels(
        self,
        xy: np.ndarray,
        beam_centre: tuple[float, float] | None = None,
        pitch_mm: float | Pair | None = None,
    ) -> np.ndarray:
        """Map points of the patient frame, mm, shape (..., 2), back to rows and columns.

        The inverse of `to_patient_mm`, with the same parameters and errors.
        """
        centre = np.asarray(self.beam_centre if beam_centre is None else beam_centre, dtype=float)
        # The axes are a signed permutation, so the transpose is the inverse.
        steps = np.asarray(xy, dtype=float) @ np.array(self.patient_axes, dtype=float)
        return np.asarray(steps / self._pitch(pitch_mm) + centre)

    def _pitch(self, pitch_mm: float | Pair | None) -> np.ndarray:
        if pitch_mm is None:
            pitch_mm = self.spacing.detector_mm
        if pitch_mm is None:
            raise FilmError(
                f"{self.source}: the pixel spacing at the detector is not known "
                f"({self.spacing.reason.rstrip('.')}); give the pitch in mm, or calibrate on an "
                "object of known size"
            )
        try:
            return np.array(as_pitch(pitch_mm))
        except ValueError as error:
            raise FilmError(f"{self.source}: {error}") from None


def image_centre(shape: tuple[int, int]) -> tuple[float, float]:
    """Return row and column of the middle of an image, pixel centres at whole numbers."""
    return (shape[0] - 1) / 2, (shape[1] - 1) / 2


def film_from_array(
    pixels: np.ndarray,
    *,
    source: str = "array",
    pitch_mm: float | Pair | None = None,
    beam_centre: tuple[float, float] | None = None,
    **known: Any,
) -> Film:
    """Make a film of an array, for films that do not come from a file.

    Parameters
    ----------
    pixels : numpy.ndarray
        Integers of 8 or 16 bits, shape (rows, columns), brighter is denser.
    source : str
        The name to use in messages.
    pitch_mm : float or (row, column), optional
        Pixel spacing at the detector, mm.
    beam_centre : (row, column), optional
        Where the central ray meets the detector, pixels; the image centre by default.
    **known
        Any other attribute of `Film`.

    Raises
    ------
    FilmError
        If the array is empty, not two-dimensional, or not of 8 or 16 bit integers.

    See Also
    --------
    read_film : The same from a file.

    Examples
    --------
    >>> import numpy as np
    >>> film_from_array(np.zeros((101, 201), np.uint16), pitch_mm=0.2).beam_centre
    (50.0, 100.0)
    """
    pixels = np.array(pixels)
    pixels = pixels.astype(pixels.dtype.newbyteorder("="), copy=False)
    if pixels.ndim != 2:
        raise FilmError(f"{source}: has {pixels.ndim} dimensions; a film has rows and columns")
    spacing = (
        no_spacing("The film carries no pixel spacing.")
        if pitch_mm is None
        else detector_spacing(pitch_mm, "The spacing at the detector was given.")
    )
    if beam_centre is None:
        beam_centre, note = image_centre(pixels.shape), CENTRE_ASSUMED
    else:
        note = "The beam centre was given."
    known.setdefault("bits_stored", 8 * pixels.dtype.itemsize)
    known["notes"] = (*known.get("notes", ()), *not_square(spacing))
    return Film(source, pixels, spacing, beam_centre, note, **known)
