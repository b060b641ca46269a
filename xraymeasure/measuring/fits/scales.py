"""Every scale that a film and its reading give."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.geometry.least_squares import Fit
from xraymeasure.geometry.projection import sphere_centre_mm
from xraymeasure.measuring import calibration
from xraymeasure.measuring.calibration import Scale
from xraymeasure.measuring.prepared import PreparedHip
from xraymeasure.measuring.uncertainty import placing_sd_px
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import Side

if TYPE_CHECKING:
    from xraymeasure.film.film import Film


def scales_on(
    reading: Reading,
    hips: Mapping[Side, PreparedHip],
    marker: Fit | None,
    units_per_px: float,
    film: Film,
    sid: float | None,
) -> Iterator[Scale]:
    """Yield every scale on the film, the plane of the index hip in mind."""

    def of_outline(
        method: str,
        side: Side | None,
        name: str,
        fit: Fit,
        diameter: float,
        tolerance: float,
        plane: float,
        text: str,
    ) -> Scale:
        radius = fit.parameters[2]
        per_px = diameter / (2.0 * radius) * units_per_px
        u_radius = (
            placing_sd_px(reading, name, per_px) * units_per_px * fit.unit_covariance[2, 2] ** 0.5
        )
        relative = ((u_radius / radius) ** 2 + (tolerance / diameter) ** 2 + plane**2) ** 0.5
        return Scale(method, side, float(per_px), float(relative), f"{text} of {diameter:g} mm")

    for side, hip in hips.items():
        plane = 0.0 if side == reading.operated_side else calibration.OTHER_HIP_PLANE
        if hip.head is not None and hip.head_mm:
            method, tolerance, text = (
                ("native_head", calibration.NATIVE_HEAD_TOLERANCE_MM, f"the {side} native head")
                if hip.native
                else ("head", calibration.HEAD_TOLERANCE_MM, f"the {side} head")
            )
            scale = of_outline(
                method, side, f"femoral_head_{side}", hip.head, hip.head_mm, tolerance, plane, text
            )
            if hip.cone is not None and sid is not None:
                # Seen from the tube, the outline is a little larger than a circle tells.
                height = sphere_centre_mm(hip.cone.parameters, hip.head_mm, sid)[2]
                scale = replace(scale, mm_per_px=float((sid - height) / sid * units_per_px))
            yield scale
        outline, of_cup = ("cup_shell", hip.shell) if hip.shell else ("cup_rim", hip.rim)
        if hip.cup_mm and of_cup is not None:
            yield of_outline(
                "cup",
                side,
                f"{outline}_{side}",
                of_cup,
                hip.cup_mm,
                calibration.CUP_TOLERANCE_MM,
                plane,
                f"the {side} cup",
            )
    if marker is not None and reading.marker_diameter_mm:
        yield of_outline(
            "marker",
            None,
            "marker_sphere",
            marker,
            reading.marker_diameter_mm,
            calibration.MARKER_TOLERANCE_MM,
            calibration.MARKER_PLANE,
            "the calibration sphere",
        )
    if film.spacing.patient_mm:
        per_px = float(np.prod(film.spacing.patient_mm)) ** 0.5
        yield Scale("film", None, per_px, calibration.FILM_PLANE, "the film's calibrated spacing")
