"""Where everything on the film lies, for one reading or many draws of it.

Landmarks in film units, the heads seen from the tube, the scale, and the step into the plane of
the hip.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from xraymeasure.geometry.cup_angles import along_line
from xraymeasure.geometry.curves import fit_line, refit_circle
from xraymeasure.geometry.ellipses import refit_ellipse
from xraymeasure.geometry.projection import refit_sphere_outline, sphere_centre_mm
from xraymeasure.measuring.inputs import PLAUSIBLE_MAGNIFICATION
from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS, Line, Setting
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, landmark_name

ALONG_THE_FEMUR = ("femoral_shaft", "stem_axis")
"""Landmarks that lie along a femur, the preferred one first."""

Inputs = Mapping[str, np.ndarray]
"""Inputs by name, each ``(k, draws)``; see `xraymeasure.measuring.inputs.input_terms`."""


@dataclass(frozen=True, eq=False)
class Scene:
    """One evaluation: landmarks in film units, heads, scale and geometry, for every draw."""

    setting: Setting
    inputs: Inputs
    units: Mapping[str, np.ndarray]
    beam: np.ndarray
    source_detector_mm: np.ndarray
    head_centre: Mapping[Side, np.ndarray]
    cone: Mapping[Side, np.ndarray]
    head_radius: Mapping[Side, np.ndarray]
    shell: Mapping[Side, np.ndarray]
    mm_per_unit: np.ndarray | None
    magnification: np.ndarray

    @property
    def source_units(self) -> np.ndarray:
        """Height of the tube, stated or plausible, in film units."""
        source = self.source_detector_mm
        if self.setting.unit == "detector":
            return source
        # Without a detector pitch it follows from scale and magnification.
        per_unit = self.mm_per_unit if self.mm_per_unit is not None else np.full(1, 0.2)
        return np.asarray(source / (per_unit * self.magnification))

    @property
    def tube_above_hip_mm(self) -> np.ndarray:
        """Height of the tube above the plane of the index hip; plausible where nobody states it."""
        return np.asarray(self.source_detector_mm / self.magnification)

    def on_hip_plane(self, points: np.ndarray) -> np.ndarray:
        """Return where the rays of points in film units pass the plane of the index hip, in mm.

        Shape (..., 2, draws), about the beam's foot.
        """
        return np.asarray((points - self.beam) * self.mm_per_unit)

    def with_outlines(self, setting: Setting, inputs: Inputs, names: Sequence[str]) -> Scene:
        """Return the scene of a setting that differs from this one's in some outlines alone."""
        moved = {name: inputs[name] for name in names if name in self.units}
        units = setting.units({name: on.reshape(-1, 2, on.shape[1]) for name, on in moved.items()})
        return replace(self, setting=setting, inputs=inputs, units={**self.units, **units})

    def in_hip_plane(self, name: str) -> np.ndarray:
        """Return a landmark's points in mm, as if read in the plane of the index hip.

        Shape (n, 2, draws), about the beam's foot. As read, every landmark is taken to lie in
        that plane; for the intervals it is carried there from the height it may have.
        """
        return self._carried[1][self._carried[0][name]]

    def turned(self, origin: np.ndarray, tilt: np.ndarray) -> dict[str, np.ndarray]:
        """Return every landmark `in_hip_plane`, about another point and along a line."""
        places, points = self._carried
        points = points - origin
        points = np.stack(along_line(points[:, 0], points[:, 1], tilt), axis=1)
        return {name: points[place] for name, place in places.items()}

    @cached_property
    def lines(self) -> Mapping[str, Line]:
        """A point on the axis of each shaft and stem in film units, and its distal direction."""
        names = [name for name in self.units if LANDMARKS[name].kind.stem in ALONG_THE_FEMUR]
        return {name: distally(self.units[name]) for name in names}

    @cached_property
    def _carried(self) -> tuple[dict[str, slice], np.ndarray]:
        """Where each landmark stands among all points that were carried, and these points."""
        places: dict[str, slice] = {}
        heights, counts, count = [], [], 0
        for name, points in self.units.items():
            if (key := f"depth_{LANDMARKS[name].kind.stem}") in self.inputs:
                places[name] = slice(count, count + len(points))
                heights.append((self.inputs[key] + self.inputs[f"side_depth_{name}"])[0])
                counts.append(len(points))
                count += len(points)
        if not places:
            return places, np.zeros((0, 2, 1))
        points = np.concatenate([self.units[name] for name in places]) - self.beam
        height = np.repeat(np.array(heights), counts, axis=0)[:, None] + self._rotated(points)
        return places, np.asarray(points * self.mm_per_unit * (1.0 - self._relative(height)))

    @cached_property
    def heads_in_space(self) -> Mapping[Side, np.ndarray]:
        """Each head's centre likewise, with its height above that plane, shape (3, draws)."""
        found = {}
        for side, landed in self.head_centre.items():
            centre = (landed - self.beam)[None]
            lift = np.zeros_like(centre[:, :1])
            if side != self.setting.operated:
                lift = lift + self._rotated(centre)
            across = (centre * self.mm_per_unit * (1.0 - self._relative(lift)))[0]
            found[side] = np.concatenate([across, lift[0] + np.zeros_like(across[:1])])
        return found

    def _rotated(self, points: np.ndarray) -> np.ndarray:
        """Return how much the rotation about the long axis lifts points above the index hip."""
        hip = self.head_centre.get(self.setting.operated)
        across = (points[:, :1] - (hip - self.beam)[0]) if hip is not None else points[:, :1]
        return np.asarray(across * self.mm_per_unit * np.tan(np.radians(self.inputs["rotation"])))

    def _relative(self, height_mm: np.ndarray) -> np.ndarray:
        """Return a height above the hip relative to the hip's distance from the tube."""
        return np.asarray(height_mm * self.magnification / self.source_detector_mm)


def distally(points: np.ndarray) -> Line:
    """Return the line through points, (n, 2, draws), and its direction caudally."""
    on_line, along = fit_line(points)
    return on_line, caudal_end(along)


def caudal_end(direction: np.ndarray) -> np.ndarray:
    """Return a direction turned so that it points caudally, whichever end was placed first."""
    return np.where(direction[1] < 0, -direction, direction)


def build_scene(setting: Setting, inputs: Inputs) -> Scene:
    """Return where everything lies, for every draw of the inputs."""
    draws = next(iter(inputs.values())).shape[1]
    placed = [name for name, points in setting.reading.landmarks.items() if points]
    units = setting.units({name: inputs[name].reshape(-1, 2, draws) for name in placed})
    beam_px = inputs.get("beam", np.array(setting.beam_px)[:, None])
    beam = setting.to_units.astype(beam_px.dtype) @ beam_px
    known = setting.geometry_known
    source = inputs["source_detector" if known else "plausible_source_detector"][0]
    centre, cone, radius = {}, {}, {}
    for side, hip in setting.hips.items():
        if hip.head is None:
            continue
        outline = units[landmark_name("femoral_head", side)]
        if hip.cone is not None:
            nominal = setting.to_units @ np.array(setting.beam_px)
            start = np.repeat(hip.cone.parameters[:, None], draws, axis=1)
            start[:2] += nominal[:, None] - beam
            cone[side] = refit_sphere_outline(outline - beam, start, source)
            centre[side] = cone[side][:2] + beam
            # How far the rays stretch the outline hardly depends on where the head lies: as read.
            radius[side] = cone[side][2] * (hip.head.parameters[2] / hip.cone.parameters[2])
        else:
            *middle, radius[side] = refit_circle(outline, hip.head.parameters)
            centre[side] = np.stack(middle)
    shell = {
        side: refit_circle(units[landmark_name("cup_shell", side)], hip.shell.parameters)
        for side, hip in setting.hips.items()
        if hip.shell is not None
    }
    mm_per_unit = _mm_per_unit(setting, inputs, units, cone, radius, shell, source)
    magnification = (
        1.0 / mm_per_unit
        if setting.unit == "detector" and mm_per_unit is not None
        else inputs.get("plausible_magnification", np.full((1, 1), PLAUSIBLE_MAGNIFICATION[0]))[0]
    )
    if not known:
        beam = _plausible_beam(setting, inputs, units, centre, mm_per_unit, magnification)
    return Scene(
        setting,
        inputs,
        units,
        beam,
        source,
        centre,
        cone,
        radius,
        shell,
        mm_per_unit,
        magnification,
    )


def _mm_per_unit(
    setting: Setting,
    inputs: Inputs,
    units: Mapping[str, np.ndarray],
    cone: Mapping[Side, np.ndarray],
    radius: Mapping[Side, np.ndarray],
    shell: Mapping[Side, np.ndarray],
    source: np.ndarray,
) -> np.ndarray | None:
    scale = setting.scale
    if scale is None:
        return None
    side = scale.side
    if side is not None and scale.method in ("head", "native_head"):
        diameter = inputs[f"head_mm_{side}"][0]
        if side in cone:
            height = sphere_centre_mm(cone[side], diameter, source)[2]
            per_unit = (source - height) / source
        else:
            per_unit = diameter / (2.0 * radius[side])
    elif side is not None:
        rim = setting.hips[side].rim
        if side in shell:
            size = shell[side][2]
        else:
            assert rim is not None  # what the cup's scale came from
            size = refit_ellipse(units[f"cup_rim_{side}"], rim.parameters)[2]
        per_unit = inputs[f"cup_mm_{side}"][0] / (2.0 * size)
    elif setting.marker is not None and scale.method == "marker":
        size = refit_circle(units["marker_sphere"], setting.marker.parameters)[2]
        per_unit = inputs["marker_mm"][0] / (2.0 * size)
    else:
        per_unit = np.full(1, scale.mm_per_px / setting.units_per_px)
    return np.asarray(per_unit * inputs["scale_plane"][0])


def _plausible_beam(
    setting: Setting,
    inputs: Inputs,
    units: Mapping[str, np.ndarray],
    centre: Mapping[Side, np.ndarray],
    mm_per_unit: np.ndarray | None,
    magnification: np.ndarray,
) -> np.ndarray:
    """Return where the beam may have met the film: about its middle, as far as it is whole.

    The middle of a cropped one says nothing; there it is between the hip and the symphysis.
    """
    per_unit = mm_per_unit if mm_per_unit is not None else 1.0 / magnification
    fraction, *scatter_mm = inputs["plausible_beam"]
    scatter = np.stack(scatter_mm) / (per_unit * magnification)
    if not setting.cropped:
        return np.asarray(setting.to_units @ np.array(setting.beam_px)[:, None] + scatter)
    middle = None
    if "symphysis" in units:
        middle = units["symphysis"][0]
    elif setting.reference:
        stem = REFERENCE_LANDMARKS[setting.reference]
        middle = sum(units[landmark_name(stem, side)][0] for side in SIDES) / 2.0
    hip = centre.get(setting.operated)
    if hip is None or middle is None:
        hip = middle = setting.to_units @ np.array(setting.beam_px)[:, None]
    return np.asarray(hip + fraction * (middle - hip) + scatter)
