"""What of a measurement is fixed before anything is varied: `xraymeasure.measuring.fits` makes it.

The film's frame, the curves that were fitted, the scale that was chosen, the known geometry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.anchored import Anchor
from xraymeasure.geometry.least_squares import Fit
from xraymeasure.geometry.outlines import Outline
from xraymeasure.measuring.calibration import Scale
from xraymeasure.measuring.cup import FlatRim
from xraymeasure.measuring.uncertainty import placing_sd_px
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import Side, lateral_sign

Reference = Literal["inter_teardrop", "bi_ischial"]

REFERENCE_LANDMARKS: dict[Reference, str] = {"inter_teardrop": "teardrop", "bi_ischial": "ischium"}
"""The reference lines and the landmark that each runs through on both sides."""

Line = tuple[np.ndarray, np.ndarray]
"""A point on a line and its unit direction, in film units."""

AXES = ("femoral_shaft", "stem_axis", "neck_axis")
"""Landmarks of a hip that lie on a line."""

PLAUSIBLE_TUBE_MM, PLAUSIBLE_MAGNIFIED = 1150.0, 1.18
"""Where nobody states the tube; see `xraymeasure.measuring.inputs`, which gives both a spread."""


@dataclass(frozen=True, eq=False)
class PreparedHip:
    """One side: what was fitted to its outlines, and the sizes that are known.

    Attributes
    ----------
    head, shell, rim : Fit or None
        Circle, circle and ellipse in film units, not shifted to the beam's foot.
    anchor : Anchor or None
        What is known of a rim that is placed on one arc, from the head and the cup's size.
    flat : FlatRim or None
        What is known of the rim's short half-axis where it is seen nearly edge on.
    axes : mapping of str to (point, direction) or None
        Lines through `AXES`, in film units.
    cone : Fit or None
        The head as a sphere seen from the tube, about the beam's foot; where geometry is known.
    head_mm, cup_mm, neck_shaft_angle_deg : float or None
        Known sizes; `head_mm` may be a native head's.
    native : bool
        Whether the known head is a native one.
    opens : {1, -1}
        1 when the cup opens anteriorly.
    no_ellipse : bool
        Whether a rim is placed near whose points no ellipse passes.
    """

    side: Side
    head: Fit | None
    shell: Fit | None
    rim: Fit | None
    anchor: Anchor | None
    flat: FlatRim | None
    axes: Mapping[str, Line | None]
    cone: Fit | None
    head_mm: float | None
    native: bool
    cup_mm: float | None
    neck_shaft_angle_deg: float | None
    opens: int
    no_ellipse: bool = False

    @property
    def axis_of_the_shaft(self) -> Line:
        """A point on the shaft's axis and its direction; the stem's where the shaft is not placed.

        Raises
        ------
        MeasureError
            If neither is placed.
        """
        axis = self.axes["femoral_shaft"] or self.axes["stem_axis"]
        if axis is None:
            raise MeasureError(f"no line along the {self.side} femur is placed; place its shaft")
        return axis

    @property
    def lateral_sign(self) -> int:
        """1 where lateral is the patient's left."""
        return lateral_sign(self.side)


@dataclass(frozen=True, eq=False)
class Setting:
    """Film and reading, ready to be measured.

    Film units are millimetres on the detector where its pitch is known, else the millimetres of
    a calibrated spacing, else pixels (of equal height and width).

    Attributes
    ----------
    to_units : numpy.ndarray, shape (2, 2)
        From (row, column) to (x, y) in film units, patient frame.
    units_per_px : float
        Film units for one pixel, geometric mean of row and column.
    unit : {"detector", "patient", "px"}
        What a film unit is.
    beam_px : tuple of float
        Row and column of the beam's foot.
    source_detector_mm : float or None
        Distance from source to detector.
    geometry_known : bool
        Whether pitch and tube are stated; else the plausible ones stand for them.
    cropped : bool
        Whether the middle of the picture cannot be where the beam was centred.
    reference : str or None
        The reference line in use.
    scale : Scale or None
        The scale that stands for the film.
    openings : mapping of side to str
        Who states how a cup opens.
    outlines : mapping of str to Outline
        Which clicks of each outline count; `reading` holds those alone.
    as_placed : Reading
        The reading with every click.
    """

    reading: Reading
    to_units: np.ndarray
    units_per_px: float
    unit: Literal["detector", "patient", "px"]
    beam_px: tuple[float, float]
    beam_from_reading: bool
    source_detector_mm: float | None
    source_from_reading: bool
    geometry_known: bool
    cropped: bool
    hips: Mapping[Side, PreparedHip]
    marker: Fit | None
    reference: Reference | None
    scale: Scale | None
    scales: tuple[Scale, ...]
    openings: Mapping[Side, str]
    outlines: Mapping[str, Outline]
    as_placed: Reading

    @property
    def operated(self) -> Side:
        """The index side."""
        return self.reading.operated_side

    @cached_property
    def placed(self) -> frozenset[str]:
        """The names of the landmarks that have as many points as they need."""
        return frozenset(name for name in self.reading.landmarks if self.reading.has(name))

    @cached_property
    def on_film(self) -> Mapping[str, np.ndarray]:
        """The points of each landmark that has any, in film units, shape (n, 2)."""
        placed = {name: points for name, points in self.reading.landmarks.items() if points}
        every = np.array([point for points in placed.values() for point in points], dtype=float)
        every = every.reshape(-1, 2) @ self.to_units.T
        ends = np.cumsum([len(points) for points in placed.values()], dtype=int)
        return dict(zip(placed, np.split(every, ends), strict=False))

    @cached_property
    def middles_mm(self) -> Mapping[str, tuple[float, float]]:
        """The middle of each placed landmark, x (patient's left) and y (caudal), in mm."""
        scale = self.mm_per_px_for_placing / self.units_per_px
        found = {}
        for name, points in self.on_film.items():
            if name in self.placed:
                x, y = zip(*points.tolist(), strict=True)
                found[name] = sum(x) * scale / len(x), sum(y) * scale / len(y)
        return found

    @property
    def mm_per_unit(self) -> float | None:
        """Scale in the plane of the index hip, or None."""
        return self.scale.mm_per_px / self.units_per_px if self.scale else None

    @property
    def mm_per_px_for_placing(self) -> float:
        """Scale for the default placing spreads, which are in millimetres."""
        return placing_mm_per_px(self.scale, self.units_per_px, self.unit)

    def spread_px(self, name: str) -> float:
        """Return the placing spread of one point of a landmark, wider where its clicks are."""
        outline = self.outlines.get(name)
        factor = outline.spread_factor if outline else 1.0
        return factor * placing_sd_px(self.reading, name, self.mm_per_px_for_placing)

    def units(self, points_px: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return (x, y) in film units from (row, column), each (n, 2, draws), by name."""
        if not points_px:
            return {}
        every = np.concatenate(list(points_px.values()))
        every = self.to_units.astype(every.dtype) @ every
        found, start = {}, 0
        for name, points in points_px.items():
            found[name] = every[start : start + len(points)]
            start += len(points)
        return found

    def pixels(self, points: ArrayLike) -> np.ndarray:
        """Return (row, column) from (x, y) in film units, shape (n, 2)."""
        return np.asarray(points @ self._to_pixels.T)

    @cached_property
    def _to_pixels(self) -> np.ndarray:
        return np.linalg.inv(self.to_units)


def placing_mm_per_px(scale: Scale | None, units_per_px: float, unit: str) -> float:
    """Return the scale of the default placing spreads, which are in millimetres.

    Without any scale they still need one: that of a digital film of the pelvis.
    """
    if scale:
        return scale.mm_per_px
    return units_per_px / PLAUSIBLE_MAGNIFIED if unit == "detector" else 0.2
