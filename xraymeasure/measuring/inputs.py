"""What the numbers rest on: landmarks, known sizes, tube and detector, heights, with their spread.

What a film does not show is assumed here, openly: every constant says where it comes from.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from xraymeasure.measuring import calibration
from xraymeasure.measuring.prepared import PLAUSIBLE_MAGNIFIED, PLAUSIBLE_TUBE_MM, Setting
from xraymeasure.measuring.uncertainty import Term
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, landmark_name

BEAM_U_MM = {"reading": 1.0, "film": 10.0}
"""Standard uncertainty of the beam's foot, each direction, on the detector: stated by the reader,
or taken to be the middle of the field. Working defaults, no source."""

SOURCE_DETECTOR_U_MM = {"reading": 2.0, "film": 10.0}
"""Standard uncertainty of the distance from source to detector. Working defaults, no source."""

PLAUSIBLE_SOURCE_DETECTOR_MM = (PLAUSIBLE_TUBE_MM, 60.0)
"""Mean and spread where nobody states it: technique is 1000 to 1200 mm (read), tables and stands
of today rather the longer. The mean is a working default."""

PICTURE_MIDDLE_U_MM = 20.0
"""Spread of the beam's foot about the middle of a picture that is not cropped, each direction, on
the detector. Working default, no source."""

PLAUSIBLE_BEAM = (0.5, 0.29, 20.0)
"""Mean and spread of where the beam is centred, as a fraction of the way from the hip to the
symphysis (the spread of a uniform one), and its scatter about that line in mm."""

PLAUSIBLE_MAGNIFICATION = (PLAUSIBLE_MAGNIFIED, 0.04)
"""Mean and spread where the detector's pitch is unknown (14.1 +- 4.1 % and a mean of 119.8 % are
published, see `calibration.PLAUSIBLE_MAGNIFICATION`)."""

DEPTH_MM: dict[str, tuple[float, float]] = {
    "teardrop": (0.0, 8.0),
    "ischium": (-28.0, 10.0),
    "lesser_trochanter": (-22.0, 8.0),
    "greater_trochanter": (-5.0, 10.0),
    "femoral_shaft": (0.0, 8.0),
    "symphysis": (38.0, 10.0),
    "sacrococcygeal_joint": (-95.0, 15.0),
    "obturator_foramen": (15.0, 10.0),
    "stem_axis": (0.0, 8.0),
    "stem_shoulder": (0.0, 8.0),
    "neck_axis": (0.0, 5.0),
}
"""How far anterior of the hip centre a landmark lies, and the spread between people, in mm. It is
the same on both sides; see also `SIDE_DEPTH_U_MM`. Working defaults from anatomy, no source."""

MIDLINE_U_MM: dict[str, float] = {
    "symphysis": 1.5,
    "teardrop": 1.0,
    "sacrococcygeal_joint": 5.0,
}
"""How far off the midline of an unturned pelvis each stands (spread between people); of the
teardrops, their middle. Open models of two pelves show 2 and 7 mm at the sacrum; the rest are
working defaults, no source."""

PELVIC_DEPTHS = ("symphysis", "sacrococcygeal_joint")
"""What lies far before and behind the hips, so that it is never read as if in their plane."""

SIDE_DEPTH_U_MM = 3.0
"""Spread of a landmark's height between the sides of one person. Working default, no source."""

ROTATION_U_DEG = 3.0
"""Spread of the rotation of pelvis and legs about the long axis on a film that was accepted.
Working default, no source."""


FLEXION_DEG = (8.0, 3.0)
"""Flexion of both femurs and its spread. Working default, no source."""

OWN_FLEXION_U_DEG = {"supine": 2.0, "standing": 3.0, None: 3.0}
"""Spread of each femur's own flexion about that. Working default, no source; where the posture is
not stated the wide one, for a narrow spread on wide postures holds too little."""

ROTATION_DEG = (12.0, 6.0, 8.0)
"""How far necks point forward out of the film's plane: mean, spread of both, of each. Working
default; an upper bound is the film-to-film spread of 11 degrees after hip replacement (65
patients, Arthroplasty Today 2020; abstract read)."""

LESSER_RADIUS_MM = (31.0, 2.5, 1.0)
"""Distance of the lesser trochanter from the axis of the shaft: mean, spread between people, own
to a side. Working default, no source."""

LESSER_AZIMUTH_DEG = (55.0, 8.0, 4.0)
"""How far posterior of the neck it stands, about the shaft. The own spread is that of the neck's
anteversion between the sides (mean absolute difference 4.3 degrees, SD 3.8, 61 pairs); the others
are working defaults."""

STEM_TORSION_U_DEG = 6.0
"""Spread of the angle about the shaft between a stem's neck and the neck that was. Working
default, no source."""

GREATER_ANTERIOR_MM = (0.0, 8.0, 3.0)
"""How far the greater trochanter's tip stands anterior of the plane of the neck: mean, spread
between people, own to a side. Working default, no source."""

TROCHANTERS_ALIKE_U_MM = 1.5
"""Spread of the difference between the sides of the distance, along the shaft, from the greater
to the lesser trochanter. Assumed, no source."""

LESSER_SEEN_U_MM = 0.6
"""Spread along the shaft of the visible lesser trochanter about a fixed point on it (interquartile
0.7 mm on rendered bones)."""

LESSER_HIDDEN_U_MM = 2.0
"""The same where it turns out of sight (2 to 3 mm on rendered bones)."""

LESSER_HIDES_BELOW_MM = 20.0
"""Projected distance from the shaft's axis below which it does: some 5.5 mm over the cortex."""

NECK_SHAFT_U_DEG = 0.6
"""Spread of a projected neck-shaft angle about that of the stem in this posture, beyond placing:
the stem's lean in the shaft and its own tolerance. Working default; with two clicks on the neck it
makes some 1.2 degrees, the mean difference to CT of 115 hips (Weber M et al., Bone Joint J
2015;97-B:306; abstract read)."""

NECK_THROUGH_HEAD_U_MM = 0.5
"""Spread of the distance at which the axis of a prosthetic neck passes the centre of its head, by
which it passes as it is made (common practice, no source); the spread is a working default."""

ALIKE_U_MM = {"ischium": 2.0, "obturator_foramen": 1.5}
"""Spread of the difference in height between the sides of one pelvis. Assumed, no source."""


PLACED_ALIKE = 0.25
"""Share of a placing variance that the same reader's placements of one point have in common: what
is taken for the point on this film. Working default, no source."""


def placed_again(placements: int) -> float:
    """Return the spread of the middle of some placements of a point, in those of one.

    >>> [round(placed_again(count), 2) for count in (1, 2, 3)]
    [1.0, 0.79, 0.71]
    """
    return float((PLACED_ALIKE + (1.0 - PLACED_ALIKE) / placements) ** 0.5)


def input_terms(setting: Setting) -> list[Term]:
    """Return everything that the numbers of this film rest on, with its uncertainty."""
    reading = setting.reading
    terms = []
    for name, points in reading.landmarks.items():
        if not points:
            continue
        spread = setting.spread_px(name)
        if LANDMARKS[name].kind.shape == "point":
            mean = reading.place(name)
            spread *= placed_again(len(points))
        else:
            mean = reading.points(name).ravel()
        terms.append(Term(name, "placing", mean, np.full(len(mean), spread)))

    def add(
        key: str,
        source: str,
        mean: float | Sequence[float],
        u: float | Sequence[float],
    ) -> None:
        means = (mean,) if isinstance(mean, (int, float)) else tuple(mean)
        spreads = (u,) * len(means) if isinstance(u, (int, float)) else tuple(u)
        terms.append(_term(key, source, means, spreads, None))

    for side, hip in setting.hips.items():
        if hip.head is not None and hip.head_mm:
            u = (
                calibration.NATIVE_HEAD_TOLERANCE_MM
                if hip.native
                else calibration.HEAD_TOLERANCE_MM
            )
            add(f"head_mm_{side}", "diameter", hip.head_mm, u)
        if hip.cup_mm:
            add(f"cup_mm_{side}", "diameter", hip.cup_mm, calibration.CUP_TOLERANCE_MM)
        if hip.rim is not None:
            add(f"flat_{side}", "placing", 0.0, 1.0)
        if hip.anchor is not None:
            add(f"anchor_{side}", "diameter", [0.0, 0.0, 0.0], 1.0)
    if setting.marker is not None and reading.marker_diameter_mm:
        add("marker_mm", "diameter", reading.marker_diameter_mm, calibration.MARKER_TOLERANCE_MM)
    scale = setting.scale
    if scale is not None:
        plane = {"marker": calibration.MARKER_PLANE, "film": calibration.FILM_PLANE}.get(
            scale.method, calibration.OTHER_HIP_PLANE if scale.side != setting.operated else 0.0
        )
        add("scale_plane", "depth", 1.0, plane)
    if setting.geometry_known and setting.source_detector_mm is not None:
        origin = "reading" if setting.beam_from_reading else "film"
        add("beam", "geometry", setting.beam_px, BEAM_U_MM[origin] / setting.units_per_px)
        origin = "reading" if setting.source_from_reading else "film"
        add("source_detector", "geometry", setting.source_detector_mm, SOURCE_DETECTOR_U_MM[origin])
    else:
        fraction, fraction_u, scatter = PLAUSIBLE_BEAM
        if not setting.cropped:
            scatter = BEAM_U_MM["reading"] if setting.beam_from_reading else PICTURE_MIDDLE_U_MM
        add("plausible_beam", "geometry", [fraction, 0.0, 0.0], [fraction_u, scatter, scatter])
        distance, distance_u = PLAUSIBLE_SOURCE_DETECTOR_MM
        if setting.source_detector_mm is not None:
            stated = "reading" if setting.source_from_reading else "film"
            distance, distance_u = setting.source_detector_mm, SOURCE_DETECTOR_U_MM[stated]
        add("plausible_source_detector", "geometry", distance, distance_u)
    if setting.unit != "detector":
        add("plausible_magnification", "geometry", *PLAUSIBLE_MAGNIFICATION)
    terms += _depth_terms(tuple((name, bool(on)) for name, on in reading.landmarks.items()))
    add("midline", "depth", [0.0] * len(MIDLINE_U_MM), list(MIDLINE_U_MM.values()))
    add("rotation", "rotation", 0.0, ROTATION_U_DEG)
    return [*terms, *posture_terms(setting)]


@lru_cache(maxsize=16)
def _depth_terms(looked_for: tuple[tuple[str, bool], ...]) -> tuple[Term, ...]:
    """Return the heights of landmarks that were looked for, and whether each was found."""
    terms = []
    for stem, (height, height_u) in DEPTH_MM.items():
        names = {name: found for name, found in looked_for if LANDMARKS[name].kind.stem == stem}
        if any(names.values()):
            # As read, every landmark of a length lies in the plane of the hip.
            as_read = None if stem in PELVIC_DEPTHS else 0.0
            terms.append(_term(f"depth_{stem}", "depth", (height,), (height_u,), as_read))
            terms += [
                _term(f"side_depth_{name}", "depth", (0.0,), (SIDE_DEPTH_U_MM,), None)
                for name in names
            ]
    return tuple(terms)


@lru_cache(maxsize=512)
def _term(
    key: str,
    source: str,
    mean: tuple[float, ...],
    u: tuple[float, ...],
    as_read: float | None,
) -> Term:
    """Return inputs of one source; most are the same for every film and through every drag."""
    read = None if as_read is None else np.array([as_read])
    return Term(key, source, np.array(mean, float), np.array(u, float), read)


def posture_terms(setting: Setting) -> list[Term]:
    """Return what the posture of the femurs and their anatomy add to the inputs of a film."""
    sides = [side for side in SIDES if is_solvable(setting, side)]
    if not sides:
        return []
    terms = []

    def add(key: str, source: str, mean: float, u: float) -> None:
        terms.append(_term(key, source, (mean,), (u,), None))

    add("flexion", "posture", *FLEXION_DEG)
    turned, turned_u, own_turn_u = ROTATION_DEG
    add("turn", "posture", turned, turned_u)
    add("lesser_radius", "anatomy", *LESSER_RADIUS_MM[:2])
    add("lesser_azimuth", "anatomy", *LESSER_AZIMUTH_DEG[:2])
    add("greater_anterior", "anatomy", *GREATER_ANTERIOR_MM[:2])
    for side in sides:
        hip = setting.hips[side]
        add(f"own_flexion_{side}", "posture", 0.0, OWN_FLEXION_U_DEG[setting.reading.posture])
        add(f"own_turn_{side}", "posture", 0.0, own_turn_u)
        add(f"own_lesser_radius_{side}", "anatomy", 0.0, LESSER_RADIUS_MM[2])
        azimuth = LESSER_AZIMUTH_DEG[2]
        if not hip.native:
            azimuth = float(np.hypot(azimuth, STEM_TORSION_U_DEG))
        add(f"own_lesser_azimuth_{side}", "anatomy", 0.0, azimuth)
        add(f"own_greater_anterior_{side}", "anatomy", 0.0, GREATER_ANTERIOR_MM[2])
        if f"lesser_trochanter_{side}" in setting.placed:
            add(f"lesser_seen_{side}", "anatomy", 0.0, _lesser_u_mm(setting, side))
        if hip.neck_shaft_angle_deg:
            add(f"neck_shaft_{side}", "anatomy", hip.neck_shaft_angle_deg, NECK_SHAFT_U_DEG)
            if not hip.native:
                add(f"neck_through_head_{side}", "anatomy", 0.0, NECK_THROUGH_HEAD_U_MM)
    add("trochanters_alike", "anatomy", 0.0, TROCHANTERS_ALIKE_U_MM)
    for stem, u in ALIKE_U_MM.items():
        if all(landmark_name(stem, side) in setting.placed for side in SIDES):
            add(f"{stem}_alike", "anatomy", 0.0, u)
    return terms


def is_solvable(setting: Setting, side: Side) -> bool:
    """Whether a femur can be placed in space: a head's centre, a line along it, and a scale."""
    line = {f"femoral_shaft_{side}", f"stem_axis_{side}"} & setting.placed
    return setting.scale is not None and setting.hips[side].head is not None and bool(line)


def _lesser_u_mm(setting: Setting, side: Side) -> float:
    """Return how far the visible lesser trochanter may lie from a fixed point on it."""
    hip = setting.hips[side]
    on_line, (along_x, along_y) = hip.axis_of_the_shaft
    dx, dy = setting.on_film[f"lesser_trochanter_{side}"].mean(axis=0) - on_line
    apart = abs(along_x * dy - along_y * dx) * setting.mm_per_unit
    return LESSER_SEEN_U_MM if apart >= LESSER_HIDES_BELOW_MM else LESSER_HIDDEN_U_MM
