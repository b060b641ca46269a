"""What of a film is compared with another one: how it stands out from its surroundings, less metal.

Tone, exposure and polarity of two films differ; what is dense beside what is thin does not. So each
grey counts by how far it lies from the mean about it, over the spread about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.detect.accept import may_be_axis
from xraymeasure.detect.femur import STEM, find_axis
from xraymeasure.detect.field import Field, Plate, plate, working_pitch_mm
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, lateral_sign

if TYPE_CHECKING:
    from xraymeasure.film.film import Film
    from xraymeasure.reading.reading import Reading

STEP_MM = 1.2
"""Of the grid; landmarks come out no better on a finer one."""
COARSER = 3
"""By how much the grid is thinned for the first search."""
_SMOOTH_MM, _ABOUT_MM = 0.9, 8.0
_LEAST_SPREAD = 0.004
"""Of greys that are 0 to 1 over the film: below it there is noise."""
_MOST = 2.5
_MARGIN_MM, _STEM_MM, _SHOULDER_MM = 2.0, 10.0, 15.0
_STEM_DOWN_MM = (20.0, 50.0, 190.0)
"""By how much more than the outlines is left out; half the width of a stem, and of its shoulder;
how far below the head shoulder, its lower end and the longest tip lie, on the detector."""


@dataclass(frozen=True, eq=False)
class Sight:
    """A film as it is compared.

    Attributes
    ----------
    contrast : numpy.ndarray of float32, shape (rows, columns)
        How far each point stands out, 0 where there is metal.
    seen : numpy.ndarray of float32, shape as `contrast`
        0 where there is metal, 1 elsewhere.
    first_mm : (x, y)
        Where the first point lies, in the patient frame on the detector.
    pitch_mm : (row, column)
    """

    contrast: np.ndarray
    seen: np.ndarray
    first_mm: tuple[float, float]
    pitch_mm: tuple[float, float]

    def at(self, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return contrast at points in mm, (..., 2), and whether each lies on what is compared."""
        from scipy.ndimage import map_coordinates

        where = [
            (xy[..., 1] - self.first_mm[1]) / self.pitch_mm[0],
            (xy[..., 0] - self.first_mm[0]) / self.pitch_mm[1],
        ]
        contrast = map_coordinates(self.contrast, where, order=1)
        return contrast, map_coordinates(self.seen, where, order=1) > 0.99

    def thinned(self) -> Sight:
        """Return every third point, of blocks."""
        from scipy.ndimage import uniform_filter

        start = COARSER // 2
        contrast, seen = (
            uniform_filter(each, COARSER)[start::COARSER, start::COARSER]
            for each in (self.contrast, self.seen)
        )
        row, column = self.pitch_mm
        first = self.first_mm[0] + start * column, self.first_mm[1] + start * row
        return Sight(contrast, seen, first, (COARSER * row, COARSER * column))


def sight(film: Film, reading: Reading) -> Sight:
    """Return a film as it is compared, without the metal that a reading outlines."""
    from scipy.ndimage import gaussian_filter

    upright = plate(film)
    field = upright.field(STEP_MM)
    seen = (~_metal(upright, field, film, reading)).astype(np.float32)

    def mean(values: np.ndarray, about_mm: float) -> np.ndarray:
        about = [about_mm / pitch for pitch in field.pitch_mm]
        share = np.maximum(gaussian_filter(seen, about, truncate=2.5), 1e-3)
        found: np.ndarray = gaussian_filter(values * seen, about, truncate=2.5) / share
        return found

    greys = mean(field.greys, _SMOOTH_MM)
    off = greys - mean(greys, _ABOUT_MM)
    contrast = off / (np.sqrt(mean(off * off, _ABOUT_MM)) + _LEAST_SPREAD)
    return Sight(np.clip(contrast, -_MOST, _MOST) * seen, seen, field.first_mm, field.pitch_mm)


def placed_mm(film: Film, reading: Reading, name: str) -> np.ndarray:
    """Return the points of a landmark in the patient frame on the detector, mm, shape (n, 2)."""
    return film.to_patient_mm(reading.points(name), None, working_pitch_mm(film))


def replaced(reading: Reading, side: Side) -> bool:
    """Whether a reading says that a hip is replaced."""
    prosthetic = (name for name, each in LANDMARKS.items() if each.kind.prosthetic)
    return side in reading.head_diameter_mm or any(
        reading.has(name) for name in prosthetic if name.endswith(side)
    )


def _metal(upright: Plate, field: Field, film: Film, reading: Reading) -> np.ndarray:
    """Return where outlined metal lies, widely."""
    grid = np.stack(np.meshgrid(field.x_mm, field.y_mm), axis=-1)
    metal = np.zeros(grid.shape[:2], dtype=bool)
    for side in SIDES:
        head, rim = (
            placed_mm(film, reading, f"{each}_{side}") for each in ("femoral_head", "cup_rim")
        )
        if len(rim) >= LANDMARKS["cup_rim_left"].kind.minimum:
            metal |= _cup(grid, rim, side)
        if not len(head) or not replaced(reading, side):
            continue
        centre = head.mean(axis=0)
        reach = float(np.linalg.norm(head - centre, axis=1).max()) + _MARGIN_MM
        metal |= _near(grid, centre, centre, reach)
        stem = placed_mm(film, reading, f"stem_axis_{side}")
        if len(stem) < 2:
            axis = find_axis(upright, centre[0], centre[1], side, STEM)
            stem = np.array(axis.points_mm if axis and may_be_axis(axis) else [])
        if len(stem):
            along = (stem[-1] - stem[0]) / np.linalg.norm(stem[-1] - stem[0])
            beside = stem[0] + (centre - stem[0]) @ along * along
            shoulder, middle, tip = (beside + down * along for down in _STEM_DOWN_MM)
            for start, end, wide in (
                (shoulder, tip, _STEM_MM),
                (shoulder, middle, _SHOULDER_MM),
                (centre, middle, _STEM_MM),
            ):
                metal |= _near(grid, start, end, wide)
    return metal


def _cup(grid: np.ndarray, rim: np.ndarray, side: Side) -> np.ndarray:
    """Return where the ellipse of a rim lies, and the ball behind it."""
    centre = rim.mean(axis=0)
    _, spread, axes = np.linalg.svd(rim - centre, full_matrices=False)
    long, short = spread * np.sqrt(2.0 / len(rim)) + _MARGIN_MM
    inward = axes[1] if axes[1] @ [-lateral_sign(side), -1.0] > 0 else -axes[1]
    x, y = (grid - centre) @ axes[0], (grid - centre) @ inward
    return np.asarray(((np.hypot(x, y) < long) & (y > 0)) | (np.hypot(x / long, y / short) < 1))


def _near(grid: np.ndarray, start: np.ndarray, end: np.ndarray, reach_mm: float) -> np.ndarray:
    """Return what lies within reach of a stretch between two points."""
    way = end - start
    share = np.clip((grid - start) @ way / max(way @ way, 1e-9), 0.0, 1.0)
    off = grid - start - share[..., None] * way
    return np.asarray(np.hypot(off[..., 0], off[..., 1]) < reach_mm)
