"""settle(film, reading) -> Setting: the curves are fitted, scale and reference line chosen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import fit_circle, fit_line
from xraymeasure.geometry.least_squares import Fit
from xraymeasure.geometry.outlines import Outline
from xraymeasure.measuring.calibration import Scale, choose_scale
from xraymeasure.measuring.fits.outlines import (
    Fits,
    circles_of,
    cone_of,
    keep_sound,
    spread_of_circle,
)
from xraymeasure.measuring.fits.rims import fit_rim, longest_rim
from xraymeasure.measuring.fits.scales import scales_on
from xraymeasure.measuring.prepared import (
    AXES,
    PLAUSIBLE_MAGNIFIED,
    PLAUSIBLE_TUBE_MM,
    REFERENCE_LANDMARKS,
    PreparedHip,
    Reference,
    Setting,
    placing_mm_per_px,
)
from xraymeasure.measuring.uncertainty import placing_sd_px
from xraymeasure.reading.reading import Opens, Reading, stated_openings
from xraymeasure.vocabulary.landmarks import SIDES, Side, landmark_name

if TYPE_CHECKING:
    from xraymeasure.film.film import Film


def settle(
    film: Film,
    reading: Reading,
    reference: Reference | None = None,
    cup_opens: Opens | None = None,
) -> Setting:
    """Fit the outlines and choose scale, geometry and reference line.

    Raises
    ------
    MeasureError
        If an outline cannot be fitted; the message names the landmark.
    """
    pitch, unit = _pitch(film)
    to_units = np.array(film.patient_axes, dtype=float) * pitch
    sid = reading.source_detector_mm or film.source_detector_mm
    beam = reading.beam_centre or film.beam_centre
    known = unit == "detector" and sid is not None
    units_per_px = float(abs(np.linalg.det(to_units)) ** 0.5)
    foot = to_units @ np.array(beam, dtype=float)
    outlines: dict[str, Outline] = {}
    as_placed = reading
    for name in circles_of(reading):
        spread = spread_of_circle(reading, name, to_units, units_per_px, unit)
        reading = keep_sound(reading, name, to_units, units_per_px, spread, "circle", outlines)
    fits = Fits(reading, to_units)
    hips = {}
    for side in SIDES:
        head = fits.of("femoral_head", side, fit_circle)
        cone = None
        if head is not None and known:
            cone = cone_of(fits.key("femoral_head", side), tuple(foot.tolist()), sid)
        prosthetic = reading.head_diameter_mm.get(side)
        hips[side] = PreparedHip(
            side=side,
            head=head,
            shell=fits.of("cup_shell", side, fit_circle),
            rim=None,
            anchor=None,
            flat=None,
            axes={stem: fits.of(stem, side, fit_line) for stem in AXES},
            cone=cone,
            head_mm=prosthetic or reading.native_head_mm.get(side),
            native=prosthetic is None,
            cup_mm=reading.cup_diameter_mm.get(side),
            neck_shaft_angle_deg=reading.neck_shaft_angle_deg.get(side),
            opens=-1 if reading.cup_opens.get(side, cup_opens) == "posterior" else 1,
        )
    _check_reference_lines(reading)
    marker: Fit | None = fits.of("marker_sphere", None, fit_circle)

    def scales() -> tuple[Scale, ...]:
        return tuple(scales_on(reading, hips, marker, units_per_px, film, sid if known else None))

    # Whether a rim is flat depends on the placing spread, which depends on the scale: the rims,
    # which rarely have a say in the scale, come last.
    scale = choose_scale(scales(), reading.operated_side)
    placing = placing_mm_per_px(scale, units_per_px, unit)
    per_unit = placing / units_per_px if scale or unit == "detector" else None
    for side in SIDES:
        name = landmark_name("cup_rim", side)
        if reading.has(name):
            spread = placing_sd_px(reading, name, placing) * units_per_px
            longest = longest_rim(hips[side], per_unit)
            reading = keep_sound(
                reading, name, to_units, units_per_px, spread, "ellipse", outlines, longest
            )
    fits = Fits(reading, to_units)
    source_units = (sid or PLAUSIBLE_TUBE_MM) * units_per_px / placing / PLAUSIBLE_MAGNIFIED
    if unit == "detector":
        source_units = sid or PLAUSIBLE_TUBE_MM
    for side, hip in hips.items():
        spread = placing_sd_px(reading, landmark_name("cup_rim", side), placing) * units_per_px
        hips[side] = replace(hip, **fit_rim(fits, hip, spread, per_unit, foot, source_units))
    found = scales()
    return Setting(
        reading=reading,
        to_units=to_units,
        units_per_px=units_per_px,
        unit=unit,
        beam_px=(float(beam[0]), float(beam[1])),
        beam_from_reading=reading.beam_centre is not None,
        source_detector_mm=sid,
        source_from_reading=reading.source_detector_mm is not None,
        geometry_known=known,
        cropped=reading.beam_centre is None and _cropped(reading, fits, hips, foot, placing),
        hips=hips,
        marker=marker,
        reference=_reference(reading, reference),
        scale=choose_scale(found, reading.operated_side),
        scales=found,
        openings=stated_openings(reading, cup_opens),
        outlines=outlines,
        as_placed=as_placed,
    )


CROPPED_BEYOND_MM = 60.0
"""A film is centred on the hip, the symphysis or between: a picture whose middle lies further than
this from there was cropped. Three times what centring varies by; working default, no source."""


def _cropped(
    reading: Reading,
    fits: Fits,
    hips: Mapping[Side, PreparedHip],
    middle: np.ndarray,
    mm_per_px: float,
) -> bool:
    """Return whether the middle of a picture lies too far from where a film is centred."""
    head = hips[reading.operated_side].head
    ends = [landmark_name("teardrop", side) for side in SIDES]
    if head is None or not reading.has(*ends):
        return False
    hip = head.parameters[:2]
    along = sum(fits.units("teardrop", side)[0] for side in SIDES) / 2.0 - hip
    share = np.clip((middle - hip) @ along / (along @ along), 0.0, 1.0)
    units_per_px = abs(np.linalg.det(fits.to_units)) ** 0.5
    off = np.linalg.norm(middle - hip - share * along)
    return bool(off * mm_per_px / units_per_px > CROPPED_BEYOND_MM)


def _pitch(film: Film) -> tuple[np.ndarray, Literal["detector", "patient", "px"]]:
    spacing = film.spacing
    if spacing.detector_mm:
        return np.array(spacing.detector_mm), "detector"
    if spacing.patient_mm:
        return np.array(spacing.patient_mm), "patient"
    return np.array([spacing.aspect, 1.0]) / spacing.aspect**0.5, "px"


def _check_reference_lines(reading: Reading) -> None:
    """Refuse a reference line whose two ends are one point."""
    for stem in REFERENCE_LANDMARKS.values():
        ends = [landmark_name(stem, side) for side in SIDES]
        if not reading.has(*ends):
            continue
        one, other = (reading.place(end) for end in ends)
        if np.abs(one - other).max() < 1e-6:
            raise MeasureError(
                f"landmarks.{ends[0]}, landmarks.{ends[1]}: coincide; place each on its own side"
            )


def _reference(reading: Reading, wanted: Reference | None) -> Reference | None:
    for name in [wanted] if wanted else REFERENCE_LANDMARKS:
        if reading.has(*(landmark_name(REFERENCE_LANDMARKS[name], side) for side in SIDES)):
            return name
    return None
