"""What of a measurement is fixed before anything is varied.

The film's frame, the curves that were fitted, the scale that was chosen, the known geometry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.anchored import Anchor, fit_anchored_ellipse
from xraymeasure.geometry.curves import (
    as_key,
    fit_circle,
    fit_ellipse,
    fit_flat_ellipse,
    fit_line,
    fitted,
)
from xraymeasure.geometry.least_squares import Fit
from xraymeasure.geometry.outlines import Outline, Shape, sound_clicks
from xraymeasure.geometry.projection import fit_sphere_outline, sphere_centre_mm
from xraymeasure.measuring import calibration
from xraymeasure.measuring.calibration import Scale, choose_scale
from xraymeasure.measuring.cup import (
    BOWED_WITHIN,
    CONCENTRIC_U_MM,
    LONGEST_RIM_MM,
    PLAUSIBLE_RIM_MM,
    RIM_U_MM,
    WIDER_THAN_ITS_CUP,
    FlatRim,
    flat_rim,
    may_lie_around,
    on_one_arc,
    outline_off_centre,
)
from xraymeasure.measuring.uncertainty import placing_sd_px
from xraymeasure.reading.reading import Opens, Reading, stated_openings
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, landmark_name

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

Reference = Literal["inter_teardrop", "bi_ischial"]

REFERENCE_LANDMARKS: dict[Reference, str] = {"inter_teardrop": "teardrop", "bi_ischial": "ischium"}
"""The reference lines and the landmark that each runs through on both sides."""


Line = tuple[np.ndarray, np.ndarray]
"""A point on a line and its unit direction, in film units."""

AXES = ("femoral_shaft", "stem_axis", "neck_axis")
"""Landmarks of a hip that lie on a line."""


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
        return 1 if self.side == "left" else -1


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
        found = self.units({name: np.array(points)[..., None] for name, points in placed.items()})
        return {name: points[..., 0] for name, points in found.items()}

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
        return _mm_per_px_for_placing(self.scale, self.units_per_px, self.unit)

    def spread_px(self, name: str) -> float:
        """Return the placing spread of one point of a landmark, wider where its clicks are."""
        outline = self.outlines.get(name)
        factor = outline.spread_factor if outline else 1.0
        return factor * placing_sd_px(self.reading, name, self.mm_per_px_for_placing)

    def units(self, points_px: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return (x, y) in film units from (row, column), each (n, 2, draws), by name."""
        if not points_px:
            return {}
        every = self.to_units @ np.concatenate(list(points_px.values()))
        found, start = {}, 0
        for name, points in points_px.items():
            found[name] = every[start : start + len(points)]
            start += len(points)
        return found

    def pixels(self, points: np.ndarray) -> np.ndarray:
        """Return (row, column) from (x, y) in film units, shape (n, 2)."""
        return np.asarray(np.asarray(points) @ self._to_pixels.T)

    @cached_property
    def _to_pixels(self) -> np.ndarray:
        return np.linalg.inv(self.to_units)


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
    for name in _circles(reading):
        spread = _spread_of_circle(reading, name, to_units, units_per_px, unit)
        reading = _sound(reading, name, to_units, spread, "circle", outlines)
    fits = _Fits(reading, to_units)
    hips = {}
    for side in SIDES:
        head = fits.of("femoral_head", side, fit_circle)
        cone = None
        if head is not None and known:
            cone = _cone(fits.key("femoral_head", side), tuple(foot.tolist()), sid)
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
        return tuple(_scales(reading, hips, marker, units_per_px, film, sid if known else None))

    # Whether a rim is flat depends on the placing spread, which depends on the scale: the rims,
    # which rarely have a say in the scale, come last.
    scale = choose_scale(scales(), reading.operated_side)
    placing = _mm_per_px_for_placing(scale, units_per_px, unit)
    per_unit = placing / units_per_px if scale or unit == "detector" else None
    for side in SIDES:
        name = landmark_name("cup_rim", side)
        if reading.has(name):
            spread = placing_sd_px(reading, name, placing) * units_per_px
            longest = _longest_rim(hips[side], per_unit)
            reading = _sound(reading, name, to_units, spread, "ellipse", outlines, longest)
    fits = _Fits(reading, to_units)
    source_units = (sid or PLAUSIBLE_TUBE_MM) * units_per_px / placing / PLAUSIBLE_MAGNIFIED
    if unit == "detector":
        source_units = sid or PLAUSIBLE_TUBE_MM
    for side, hip in hips.items():
        spread = placing_sd_px(reading, landmark_name("cup_rim", side), placing) * units_per_px
        hips[side] = replace(hip, **_rim(fits, hip, spread, per_unit, foot, source_units))
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


def _circles(reading: Reading) -> list[str]:
    """Return the names of the placed outlines that are circles."""
    return [name for name in reading.landmarks if LANDMARKS[name].kind.shape == "circle"]


def _spread_of_circle(
    reading: Reading, name: str, to_units: np.ndarray, units_per_px: float, unit: str
) -> float:
    """Return the placing spread of a circle's points, in film units, by the circle's own size.

    The default spread is in mm and no scale is chosen yet.
    """
    mm_per_px = _mm_per_px_for_placing(None, units_per_px, unit)
    side = LANDMARKS[name].side
    diameter = reading.head_diameter_mm.get(side) if side else None
    if diameter and LANDMARKS[name].kind.stem == "femoral_head" and reading.has(name):
        try:
            head = _Fits(reading, to_units).of("femoral_head", side, fit_circle)
            mm_per_px = diameter / (2.0 * head.parameters[2]) * units_per_px
        except MeasureError:
            pass  # said where the head is fitted
    return placing_sd_px(reading, name, mm_per_px) * units_per_px


def _longest_rim(hip: PreparedHip, mm_per_unit: float | None) -> float:
    """Return how long a rim's half-axis can be, in film units."""
    if hip.shell is not None:
        return WIDER_THAN_ITS_CUP * float(hip.shell.parameters[2])
    if not mm_per_unit:
        return float(np.inf)
    return (WIDER_THAN_ITS_CUP * hip.cup_mm / 2.0 if hip.cup_mm else LONGEST_RIM_MM) / mm_per_unit


def _sound(
    reading: Reading,
    name: str,
    to_units: np.ndarray,
    spread: float,
    shape: Shape,
    outlines: dict[str, Outline],
    longest: float = np.inf,
) -> Reading:
    """Return the reading with those clicks of an outline that count, and note which."""
    if not reading.has(name):
        return reading
    points = reading.points(name)
    pixel = float(abs(np.linalg.det(to_units)) ** 0.5)
    minimum = LANDMARKS[name].kind.minimum
    outline = sound_clicks(points @ to_units.T, spread, pixel, shape, minimum, longest)
    outlines[name] = outline
    if len(outline.used) == len(points):
        return reading
    return reading.with_points(name, points[list(outline.used)].tolist())


CROPPED_BEYOND_MM = 60.0
"""A film is centred on the hip, the symphysis or between: a picture whose middle lies further than
this from there was cropped. Three times what centring varies by; working default, no source."""


def _cropped(
    reading: Reading,
    fits: _Fits,
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


PLAUSIBLE_TUBE_MM, PLAUSIBLE_MAGNIFIED = 1150.0, 1.18
"""Where nobody states the tube; see `xraymeasure.measuring.inputs`, which gives both a spread."""


def _mm_per_px_for_placing(scale: Scale | None, units_per_px: float, unit: str) -> float:
    """Return the scale of the default placing spreads, which are in millimetres.

    Without any scale they still need one: that of a digital film of the pelvis.
    """
    if scale:
        return scale.mm_per_px
    return units_per_px / PLAUSIBLE_MAGNIFIED if unit == "detector" else 0.2


def _rim(
    fits: _Fits,
    hip: PreparedHip,
    spread: float,
    mm_per_unit: float | None,
    beam: np.ndarray,
    source_units: float,
) -> dict[str, Any]:
    """Return the fit of a rim, and what is known of it where its points do not lie around."""
    side = hip.side
    name = landmark_name("cup_rim", side)
    if not fits.reading.has(name):
        return {}
    points = fits.units("cup_rim", side)
    anchor = _anchor(hip, points, spread, mm_per_unit)
    sized = hip.shell is not None or hip.cup_mm is not None
    flat = flat_rim(points, spread, anchor.half if anchor and not sized else 0.0)
    if flat is not None and (anchor is None or may_lie_around(points, anchor, sized)):
        return {"rim": fits.of("cup_rim", side, fit_flat_ellipse), "flat": flat}
    if anchor is not None:
        found = _arc(hip, points, anchor, beam, source_units)
        if found is not None:
            return {"rim": found[0], "anchor": found[1]}
    return {"rim": fits.of("cup_rim", side, fit_ellipse)}


def _arc(
    hip: PreparedHip, points: np.ndarray, anchor: Anchor, beam: np.ndarray, source_units: float
) -> tuple[Fit, Anchor] | None:
    """Return the fit of a rim on one arc, and the anchor moved to the centre of its outline.

    None where the points do not lie on one arc, or not on one about this head: what is known of
    another joint, or of a head that has left its cup, is no help.
    """
    try:
        rim = fit_anchored_ellipse(points, anchor)
        if anchor.centre is not None:
            # The outline's centre is not where the circle's lands: tell by how much, and refit.
            off = outline_off_centre(
                rim.parameters, beam, source_units, hip.lateral_sign, hip.opens
            )
            x, y = np.array(anchor.centre) + off
            anchor = replace(anchor, centre=(float(x), float(y)))
            rim = fit_anchored_ellipse(points, anchor)
    except MeasureError:
        return None
    bowed = rim.residuals @ rim.residuals < len(points) * (BOWED_WITHIN * anchor.spread) ** 2
    return (rim, anchor) if bowed and anchor.agrees_with(rim.parameters) else None


def _anchor(
    hip: PreparedHip, points: np.ndarray, spread: float, mm_per_unit: float | None
) -> Anchor | None:
    """Return what is known of a rim whose points lie on one arc; None where they lie around.

    Without a scale only the outline of its own shell tells how long it is.
    """
    head = None if hip.head is None else hip.head.parameters[:2]
    if not on_one_arc(points, spread, head) or (hip.shell is None and mm_per_unit is None):
        return None
    if hip.shell is not None:
        half, kind = float(hip.shell.parameters[2]), "shell"
        per_unit = mm_per_unit or PLAUSIBLE_RIM_MM / half
    elif mm_per_unit is not None:
        per_unit, kind = mm_per_unit, "known" if hip.cup_mm else "plausible"
        half = (hip.cup_mm / 2.0 if hip.cup_mm else PLAUSIBLE_RIM_MM) / per_unit
    centre = None if head is None else (float(head[0]), float(head[1]))
    return Anchor(centre, half, CONCENTRIC_U_MM / per_unit, RIM_U_MM[kind] / per_unit, spread)


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
        one, other = (reading.points(end) for end in ends)
        if np.allclose(one, other, atol=1e-6):
            raise MeasureError(
                f"landmarks.{ends[0]}, landmarks.{ends[1]}: coincide; place each on its own side"
            )


def _reference(reading: Reading, wanted: Reference | None) -> Reference | None:
    for name in [wanted] if wanted else REFERENCE_LANDMARKS:
        if reading.has(*(landmark_name(REFERENCE_LANDMARKS[name], side) for side in SIDES)):
            return name
    return None


@dataclass(frozen=True, eq=False)
class _Fits:
    """Fits curves to landmarks, and says which landmark it was when one fails."""

    reading: Reading
    to_units: np.ndarray

    def units(self, stem: str, side: Side | None) -> np.ndarray:
        return np.asarray(self.reading.points(landmark_name(stem, side)) @ self.to_units.T)

    def key(self, stem: str, side: Side | None) -> tuple[tuple[float, ...], ...]:
        return as_key(self.units(stem, side))

    def of(self, stem: str, side: Side | None, fit: Callable[[np.ndarray], Any]) -> Any:
        name = landmark_name(stem, side)
        if not self.reading.has(name):
            return None
        try:
            return fitted(fit, self.key(stem, side))
        except MeasureError as error:
            raise MeasureError(f"landmarks.{name}: {error}") from None


@lru_cache(maxsize=16)
def _cone(
    placed: tuple[tuple[float, ...], ...], foot: tuple[float, ...], source_detector_mm: float
) -> Fit:
    """Return the head as a sphere seen from the tube, about the beam's foot."""
    start = fitted(fit_circle, placed).parameters - np.array([*foot, 0.0])
    return fit_sphere_outline(np.array(placed) - foot, start, source_detector_mm)


def _scales(
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
