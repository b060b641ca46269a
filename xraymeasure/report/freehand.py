"""A distance or an angle between points that belong to no landmark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xraymeasure.film.film import Film
from xraymeasure.measuring.results import Measurements
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.reading.reading import Point
from xraymeasure.vocabulary.landmarks import LANDMARKS
from xraymeasure.vocabulary.quantities import Unit
from xraymeasure.vocabulary.wording import interval, with_unit

PLACING_SD_MM = LANDMARKS["teardrop_left"].kind.placing_sd_mm
"""Spread of a freely placed point: that of a point landmark."""
PLACING_SD_PX = 2.0
"""The same on a film without a scale. Common practice, no source."""


@dataclass(frozen=True)
class Freehand:
    """A free distance or angle with its 95 % interval, in degrees, mm, or pixels of the film."""

    value: float
    low: float
    high: float
    unit: Unit

    @property
    def text(self) -> str:
        """The number with its unit and interval."""
        return f"{with_unit(self.value, self.unit)} ({interval(self.low, self.high)})"


def freehand(film: Film, points: Sequence[Point], measured: Measurements | None) -> Freehand:
    """Return the distance of two points, or the angle at the second of three.

    A distance is in mm in the coronal plane of the index hip centre where the film is calibrated,
    else in pixels. Its interval holds the placing of both ends and the uncertainty of the scale.

    Parameters
    ----------
    film : Film
        For the ratio of its pixels' sides.
    points : sequence of (row, column)
        Two or three.
    measured : Measurements or None
        For the scale.
    """
    aspect = float(np.sqrt(film.spacing.aspect))
    scale = measured.mm_per_px if measured else None
    xy = np.asarray(points, dtype=float) * (aspect, 1.0 / aspect) * (scale or 1.0)
    sd = PLACING_SD_MM if scale else PLACING_SD_PX
    if len(points) == 2:
        value = float(np.hypot(*(xy[1] - xy[0])))
        u = float(np.hypot(sd * np.sqrt(2.0), value * _relative_u_of_scale(measured)))
        unit: Unit = "mm" if scale else "px"
        return Freehand(value, max(value - COVERAGE * u, 0.0), value + COVERAGE * u, unit)
    arms = xy[[0, 2]] - xy[1]
    a, b = np.maximum(np.hypot(*arms.T), 1e-9)
    cosine = float(np.clip(arms[0] @ arms[1] / (a * b), -1.0, 1.0))
    # Each end turns its arm; the corner turns both, in part together.
    variance = 1 / a**2 + 1 / b**2 + max(1 / a**2 + 1 / b**2 - 2 * cosine / (a * b), 0.0)
    value = float(np.degrees(np.arccos(cosine)))
    u = float(np.degrees(sd * np.sqrt(variance)))
    return Freehand(value, max(value - COVERAGE * u, 0.0), min(value + COVERAGE * u, 180.0), "deg")


def _relative_u_of_scale(measured: Measurements | None) -> float:
    row = measured.primary("magnification") if measured else None
    return row.standard_uncertainty / row.value if row else 0.0
