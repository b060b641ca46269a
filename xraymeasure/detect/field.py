"""The film as the search sees it: greys as they were stored, brighter denser, the patient upright.

Frame: patient frame on the detector in mm, x to the patient's left, y caudal, the origin where the
central ray meets the detector. Rows of a field run caudally and its columns to the patient's left,
whatever the film's own orientation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.measuring.inputs import PLAUSIBLE_MAGNIFICATION, PLAUSIBLE_SOURCE_DETECTOR_MM

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

UNKNOWN_FIELD_MM = 400.0
"""Long side of a pelvis film whose pixel spacing is not known. Working default, no source."""


@dataclass(frozen=True, eq=False)
class Field:
    """Greys on a regular grid in the patient frame.

    Attributes
    ----------
    greys : numpy.ndarray of float32, shape (rows, columns)
        Brighter is denser; 0 to 1 is the range of the whole film. The window is not applied.
    pitch_mm : (row, column)
        Distance between grid points on the detector.
    first_mm : (x, y)
        Where the first grid point lies.
    white : numpy.ndarray of float32, shape as `greys`
        How much of each is as white as the film can be, 0 to 1.
    """

    greys: np.ndarray
    pitch_mm: tuple[float, float]
    first_mm: tuple[float, float]
    white: np.ndarray

    @property
    def clipped(self) -> np.ndarray:
        """Where the film is as white as it can be: the grey is at least this."""
        found: np.ndarray = self.white > 0.0
        return found

    @property
    def x_mm(self) -> np.ndarray:
        """Of the columns."""
        return self.first_mm[0] + self.pitch_mm[1] * np.arange(self.greys.shape[1])

    @property
    def y_mm(self) -> np.ndarray:
        """Of the rows."""
        return self.first_mm[1] + self.pitch_mm[0] * np.arange(self.greys.shape[0])

    def at(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return the greys at points of the detector; those beyond the film are NaN."""
        from scipy.ndimage import map_coordinates

        row = (np.asarray(y_mm) - self.first_mm[1]) / self.pitch_mm[0]
        column = (np.asarray(x_mm) - self.first_mm[0]) / self.pitch_mm[1]
        found: np.ndarray = map_coordinates(
            self.greys, [row, column], order=1, mode="constant", cval=np.nan
        )
        return found

    def clipped_at(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Return whether the film is clipped at points of the detector; beyond it, not."""
        row = np.rint((np.asarray(y_mm) - self.first_mm[1]) / self.pitch_mm[0]).astype(np.intp)
        column = np.rint((np.asarray(x_mm) - self.first_mm[0]) / self.pitch_mm[1]).astype(np.intp)
        rows, columns = self.greys.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        found: np.ndarray = (
            inside & self.clipped[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)]
        )
        return found


@dataclass(frozen=True, eq=False)
class Plate:
    """A film turned upright, with its geometry: known, or assumed and said so.

    Attributes
    ----------
    values : numpy.ndarray, shape (rows, columns)
        Stored values as a view; rows caudal, columns to the patient's left.
    sense : float
        1 where high values are dense, -1 where low ones are.
    low, high : float
        Range of ``sense * values``.
    pitch_mm : (row, column)
    foot : (row, column)
        Where the central ray meets the detector, in the upright grid.
    source_detector_mm : float
    assumed : tuple of {"pitch", "source_detector", "beam_centre"}
        What was not stated by film or reader.
    """

    values: np.ndarray
    sense: float
    low: float
    high: float
    pitch_mm: tuple[float, float]
    foot: tuple[float, float]
    source_detector_mm: float
    assumed: tuple[str, ...]

    def field(
        self, step_mm: float, box_mm: tuple[float, float, float, float] | None = None
    ) -> Field:
        """Return the greys averaged over blocks of about `step_mm`, in a box or everywhere.

        Parameters
        ----------
        step_mm : float
            Wanted distance between grid points; a whole number of pixels is taken, at least one.
        box_mm : (x from, x to, y from, y to), optional
            Part of the detector, cut where the film ends.
        """
        shape = self.values.shape
        by = [max(1, round(step_mm / pitch)) for pitch in self.pitch_mm]
        start, stop = [0, 0], list(shape)
        if box_mm is not None:
            for axis, (low, high) in enumerate((box_mm[2:], box_mm[:2])):
                pitch, foot = self.pitch_mm[axis], self.foot[axis]
                start[axis] = int(np.clip(np.floor(low / pitch + foot), 0, shape[axis]))
                stop[axis] = int(np.clip(np.ceil(high / pitch + foot) + 1, 0, shape[axis]))
        count = [max((b - a) // n, 0) for a, b, n in zip(start, stop, by, strict=True)]
        part = self.values[
            start[0] : start[0] + count[0] * by[0], start[1] : start[1] + count[1] * by[1]
        ]
        # Rows first: they lie together in memory.
        rows = np.zeros((2, count[0], part.shape[1]), dtype=np.float32)
        whitest = part.dtype.type(self.sense * self.high)
        for i in range(by[0]):
            rows[0] += part[i :: by[0]]
            rows[1] += part[i :: by[0]] == whitest
        total, white = reduce(np.add, (rows[..., j :: by[1]] for j in range(by[1])))
        greys = (self.sense / (by[0] * by[1])) * total - np.float32(self.low)
        greys /= np.float32(max(self.high - self.low, 1e-9))
        first = [
            (a + (n - 1) / 2 - foot) * pitch
            for a, n, foot, pitch in zip(start, by, self.foot, self.pitch_mm, strict=True)
        ]
        return Field(
            greys.astype(np.float32, copy=False),
            (by[0] * self.pitch_mm[0], by[1] * self.pitch_mm[1]),
            (first[1], first[0]),
            white / np.float32(by[0] * by[1]),
        )


def plate(
    film: Film,
    beam_centre: tuple[float, float] | None = None,
    source_detector_mm: float | None = None,
) -> Plate:
    """Return a film turned upright; geometry that is not stated is that of a usual film.

    Parameters
    ----------
    film : Film
    beam_centre : (row, column), optional
        On the film, where the caller knows better than the film.
    source_detector_mm : float, optional
        Likewise.
    """
    assumed = []
    pitch = working_pitch_mm(film)
    if film.spacing.detector_mm is None:
        assumed.append("pitch")
    sid = source_detector_mm or film.source_detector_mm
    if sid is None:
        sid = PLAUSIBLE_SOURCE_DETECTOR_MM[0]
        assumed.append("source_detector")
    if beam_centre is None:
        assumed.append("beam_centre")
    greys = film.greys
    values, sense = film.pixels, 1.0
    if greys.modality is not None:
        values = greys.modality(values).astype(np.float32)
    elif greys.slope < 0:
        sense = -1.0
    if greys.inverted:
        sense = -sense
    foot = [float(value) for value in (beam_centre or film.beam_centre)]
    axes = np.array(film.patient_axes)
    if axes[0, 0] != 0:
        # A step down one row moves along x: rows and columns change places.
        values, foot, pitch, axes = values.T, foot[::-1], pitch[::-1], axes[:, ::-1]
    if axes[1, 0] < 0:
        values, foot[0] = values[::-1], values.shape[0] - 1 - foot[0]
    if axes[0, 1] < 0:
        values, foot[1] = values[:, ::-1], values.shape[1] - 1 - foot[1]
    ends = sense * float(values.min()), sense * float(values.max())
    return Plate(
        values, sense, min(ends), max(ends), pitch, (foot[0], foot[1]), float(sid), tuple(assumed)
    )


def working_pitch_mm(film: Film) -> tuple[float, float]:
    """Return the pixel pitch on the detector (row, column), assumed where it is not stated."""
    spacing = film.spacing
    if spacing.detector_mm is not None:
        return spacing.detector_mm
    if spacing.patient_mm is not None:
        row, column = spacing.patient_mm
        return row * PLAUSIBLE_MAGNIFICATION[0], column * PLAUSIBLE_MAGNIFICATION[0]
    side = UNKNOWN_FIELD_MM / max(film.shape)
    return side * spacing.aspect**0.5, side / spacing.aspect**0.5
