"""Where the planned cup would stand on the film."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.geometry.cup_angles import along_line, cup_axis
from xraymeasure.geometry.projection import project
from xraymeasure.measuring.results import Measurements
from xraymeasure.reading.reading import Reading

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

COMMON_CUP_MM = 52.0
"""Size at which a planned opening is drawn where no cup's diameter is known (common practice, no
source)."""

_TURN = np.linspace(0.0, 2.0 * np.pi, 97)


def planned_cup_outline(
    film: Film,
    reading: Reading,
    measurements: Measurements,
    angles_deg: tuple[float, float],
    diameter_mm: float,
) -> np.ndarray | None:
    """Return the outline that the planned opening would have at the measured hip centre.

    Parameters
    ----------
    film, reading, measurements
        The film being looked at; the reading may know the beam better than the film.
    angles_deg : (inclination, anteversion)
        Radiographic, to the film's coronal plane and the reference line.
    diameter_mm : float
        Of the opening.

    Returns
    -------
    numpy.ndarray, shape (n, 2), or None
        Rows and columns. From the tube where its place and the hip centre's are known, else by
        parallel rays at the measured scale; None where hip centre or scale were not measured.
    """
    side = measurements.operated_side
    x, y, z = cup_axis(*angles_deg, side)
    # The plan's long axis is square to the reference line, which may lie obliquely on the film.
    line = measurements.primary("pelvic_obliquity")
    tilt = np.radians(line.value if line else 0.0)
    axis = np.array([*along_line(x, y, -tilt), z])
    across = np.cross(axis, [0.0, 0.0, 1.0])
    across /= np.linalg.norm(across)
    along = np.cross(axis, across)
    ring = 0.5 * diameter_mm * (np.outer(np.cos(_TURN), across) + np.outer(np.sin(_TURN), along))
    centre = [
        measurements.primary(f"hip_centre_{name}", side)
        for name in ("left_of_beam", "caudal_of_beam", "above_detector")
    ]
    tube = reading.source_detector_mm or film.source_detector_mm
    known = [row.value for row in centre if row]
    if tube and film.spacing.detector_mm and len(known) == len(centre):
        points = ring + known
        return film.to_pixels(project(points.T, tube).T, reading.beam_centre)
    hip_centres = [
        drawing.path[0]
        for drawing in measurements.drawings
        if drawing.kind == "hip_centre" and drawing.side == side
    ]
    if not hip_centres or measurements.mm_per_px is None:
        return None
    pitch = film.spacing.detector_mm or (measurements.mm_per_px, measurements.mm_per_px)
    scale = measurements.mm_per_px / np.sqrt(pitch[0] * pitch[1])
    flat = film.to_pixels(ring[:, :2], (0.0, 0.0), (pitch[0] * scale, pitch[1] * scale))
    return np.asarray(hip_centres[0] + flat)
