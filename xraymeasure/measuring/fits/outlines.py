"""Which clicks of an outline count, and the curves through them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import as_key, fit_circle, fitted
from xraymeasure.geometry.least_squares import Fit
from xraymeasure.geometry.outlines import Outline, Shape, sound_clicks
from xraymeasure.geometry.projection import fit_sphere_outline
from xraymeasure.measuring.prepared import placing_mm_per_px
from xraymeasure.measuring.uncertainty import placing_sd_px
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side, landmark_name


@dataclass(frozen=True, eq=False)
class Fits:
    """Fits curves to landmarks, and says which landmark it was when one fails."""

    reading: Reading
    to_units: np.ndarray

    def units(self, stem: str, side: Side | None) -> np.ndarray:
        """Return the points of a landmark in film units, shape (n, 2)."""
        return np.asarray(self.reading.points(landmark_name(stem, side)) @ self.to_units.T)

    def key(self, stem: str, side: Side | None) -> tuple[tuple[float, ...], ...]:
        """Return the same points as `fitted` wants them."""
        return as_key(self.units(stem, side))

    def of(self, stem: str, side: Side | None, fit: Callable[[np.ndarray], Any]) -> Any:
        """Return what `fit` makes of the points; None where the landmark is not placed."""
        name = landmark_name(stem, side)
        if not self.reading.has(name):
            return None
        try:
            return fitted(fit, self.key(stem, side))
        except MeasureError as error:
            raise type(error)(f"landmarks.{name}: {error}") from None


@lru_cache(maxsize=16)
def cone_of(
    placed: tuple[tuple[float, ...], ...], foot: tuple[float, ...], source_detector_mm: float
) -> Fit:
    """Return the head as a sphere seen from the tube, about the beam's foot."""
    start = fitted(fit_circle, placed).parameters - np.array([*foot, 0.0])
    return fit_sphere_outline(np.array(placed) - foot, start, source_detector_mm)


def circles_of(reading: Reading) -> list[str]:
    """Return the names of the placed outlines that are circles."""
    return [name for name in reading.landmarks if LANDMARKS[name].kind.shape == "circle"]


def spread_of_circle(
    reading: Reading, name: str, to_units: np.ndarray, units_per_px: float, unit: str
) -> float:
    """Return the placing spread of a circle's points, in film units, by the circle's own size.

    The default spread is in mm and no scale is chosen yet.
    """
    mm_per_px = placing_mm_per_px(None, units_per_px, unit)
    side = LANDMARKS[name].side
    diameter = reading.head_diameter_mm.get(side) if side else None
    if diameter and LANDMARKS[name].kind.stem == "femoral_head" and reading.has(name):
        try:
            head = Fits(reading, to_units).of("femoral_head", side, fit_circle)
            mm_per_px = diameter / (2.0 * head.parameters[2]) * units_per_px
        except MeasureError:
            pass  # said where the head is fitted
    return placing_sd_px(reading, name, mm_per_px) * units_per_px


def keep_sound(
    reading: Reading,
    name: str,
    to_units: np.ndarray,
    units_per_px: float,
    spread: float,
    shape: Shape,
    outlines: dict[str, Outline],
    longest: float = np.inf,
) -> Reading:
    """Return the reading with those clicks of an outline that count, and note which."""
    if not reading.has(name):
        return reading
    points = reading.points(name)
    minimum = LANDMARKS[name].kind.minimum
    outline = sound_clicks(points @ to_units.T, spread, units_per_px, shape, minimum, longest)
    outlines[name] = outline
    if len(outline.used) == len(points):
        return reading
    return reading.with_points(name, points[list(outline.used)].tolist())
