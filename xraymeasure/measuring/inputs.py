"""What the numbers rest on: landmarks, known sizes, tube and detector, heights, with their spread.

What a film does not show is assumed here, openly: every constant says where it comes from.
"""

from __future__ import annotations

import numpy as np

from xraymeasure.measuring import calibration
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.uncertainty import Term, placing_sd_px
from xraymeasure.vocabulary.landmarks import LANDMARKS

BEAM_U_MM = {"reading": 1.0, "film": 10.0}
"""Standard uncertainty of the beam's foot, each direction, on the detector: stated by the reader,
or taken to be the middle of the field. Working defaults, no source."""

SOURCE_DETECTOR_U_MM = {"reading": 2.0, "film": 10.0}
"""Standard uncertainty of the distance from source to detector. Working defaults, no source."""

PLAUSIBLE_SOURCE_DETECTOR_MM = (1150.0, 60.0)
"""Mean and spread where nobody states it: technique is 1000 to 1200 mm (read), tables and stands
of today rather the longer. The mean is a working default."""

PICTURE_MIDDLE_U_MM = 20.0
"""Spread of the beam's foot about the middle of a picture that is not cropped, each direction, on
the detector. Working default, no source."""

PLAUSIBLE_BEAM = (0.5, 0.29, 20.0)
"""Mean and spread of where the beam is centred, as a fraction of the way from the hip to the
symphysis (the spread of a uniform one), and its scatter about that line in mm."""

PLAUSIBLE_MAGNIFICATION = (1.18, 0.04)
"""Mean and spread where the detector's pitch is unknown (14.1 +- 4.1 % and a mean of 119.8 % are
published)."""

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

PELVIC_DEPTHS = ("symphysis", "sacrococcygeal_joint")
"""What lies far before and behind the hips, so that it is never read as if in their plane."""

SIDE_DEPTH_U_MM = 3.0
"""Spread of a landmark's height between the sides of one person. Working default, no source."""

ROTATION_U_DEG = 3.0
"""Spread of the rotation of pelvis and legs about the long axis on a film that was accepted.
Working default, no source."""


def input_terms(setting: Setting) -> list[Term]:
    """Return everything that the numbers of this film rest on, with its uncertainty."""
    reading = setting.reading
    terms = []
    for name, points in reading.landmarks.items():
        if not points:
            continue
        spread = placing_sd_px(reading, name, setting.mm_per_px_for_placing)
        mean = reading.points(name).ravel()
        terms.append(Term(name, "placing", mean, np.full(len(mean), spread)))

    def add(key, source, mean, u, as_read=None):
        mean = np.array(mean, dtype=float, ndmin=1)
        u = np.array(u, dtype=float) + np.zeros(len(mean))
        terms.append(Term(key, source, mean, u, None if as_read is None else np.array([as_read])))

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
    if setting.marker is not None and reading.marker_diameter_mm:
        add("marker_mm", "diameter", reading.marker_diameter_mm, calibration.MARKER_TOLERANCE_MM)
    scale = setting.scale
    if scale is not None:
        plane = {"marker": calibration.MARKER_PLANE, "film": calibration.FILM_PLANE}.get(
            scale.method, calibration.OTHER_HIP_PLANE if scale.side != setting.operated else 0.0
        )
        add("scale_plane", "depth", 1.0, plane)
    if setting.geometry_known:
        origin = "reading" if setting.beam_from_reading else "film"
        add("beam", "geometry", setting.beam_px, BEAM_U_MM[origin] / setting.units_per_px)
        origin = "reading" if setting.source_from_reading else "film"
        add("source_detector", "geometry", setting.source_detector_mm, SOURCE_DETECTOR_U_MM[origin])
    else:
        fraction, fraction_u, scatter = PLAUSIBLE_BEAM
        if not setting.cropped:
            scatter = BEAM_U_MM["reading"] if setting.beam_from_reading else PICTURE_MIDDLE_U_MM
        add("plausible_beam", "geometry", [fraction, 0.0, 0.0], [fraction_u, scatter, scatter])
        source, source_u = PLAUSIBLE_SOURCE_DETECTOR_MM
        if setting.source_detector_mm is not None:
            stated = "reading" if setting.source_from_reading else "film"
            source, source_u = setting.source_detector_mm, SOURCE_DETECTOR_U_MM[stated]
        add("plausible_source_detector", "geometry", source, source_u)
    if setting.unit != "detector":
        add("plausible_magnification", "geometry", *PLAUSIBLE_MAGNIFICATION)
    for stem, (mean, u) in DEPTH_MM.items():
        placed = [name for name in reading.landmarks if LANDMARKS[name].kind.stem == stem]
        if any(reading.landmarks[name] for name in placed):
            # As read, every landmark of a length lies in the plane of the hip.
            as_read = None if stem in PELVIC_DEPTHS else 0.0
            add(f"depth_{stem}", "depth", mean, u, as_read=as_read)
            for name in placed:
                add(f"side_depth_{name}", "depth", 0.0, SIDE_DEPTH_U_MM)
    add("rotation", "rotation", 0.0, ROTATION_U_DEG)
    if any(hip.neck_shaft_angle_deg for hip in setting.hips.values()):
        add("neck_turn", "geometry", 0.0, 1.0)
    return terms
