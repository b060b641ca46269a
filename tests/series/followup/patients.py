"""Invented patients who are filmed twice, with known movement, lying differently each time.

Between the films the pelvis is tilted, turned and oblique, the legs are abducted, turned and
flexed, and the beam is centred elsewhere. The readings state the spread with which they were
placed, so nothing is hidden in an interval that is wider than it need be.
"""

import json
from dataclasses import replace

import numpy as np

from xraymeasure.change.positioning import Visit
from xraymeasure.film.film import film_from_array
from xraymeasure.measuring.measure import measure
from xraymeasure.phantom import (
    READER_SD_MM,
    Cup,
    Geometry,
    Head,
    Hip,
    Pelvis,
    Scenario,
    Stem,
    simulate_reading,
)
from xraymeasure.reading.file import parse_reading

GEOMETRY = Geometry()
FILM = film_from_array(
    np.zeros((GEOMETRY.rows, GEOMETRY.columns), np.uint8),
    pitch_mm=GEOMETRY.pitch_mm,
    source_detector_mm=GEOMETRY.source_detector_mm,
)
# Spread of one placing in pixels: mm times a magnification of about 1.15 over the pitch.
SPREAD_PX = {name: mm * 1.15 / GEOMETRY.pitch_mm for name, mm in READER_SD_MM.items()}

# Nothing that is followed rests on these; leaving them out saves a third of the time.
NOT_NEEDED = (
    "ischium_left", "ischium_right", "lesser_trochanter_left", "lesser_trochanter_right",
    "femoral_shaft_left", "femoral_shaft_right", "greater_trochanter_right", "femoral_head_right",
)  # fmt: skip

STILL = Hip(Cup(), Head(), Stem())
# The cup went 4 mm up and 2 medially, 5 degrees steeper and 5 less anteverted; the stem sank 6 mm
# in the bone; the head went 2 mm into the liner. (The cup takes the leg along: -4.)
MOVED = Hip(
    Cup(47.0, 13.0, shift_mm=(2.0, 4.0, 0.0)),
    Head(penetration_mm=2.0),
    Stem(subsidence_mm=6.0),
    leg_length_change_mm=-4.0,
)
TRUTH = {
    "cup_migration_cranial": 4.0,
    "cup_migration_lateral": -2.0,
    "inclination_change": 5.0,
    "anteversion_change": -5.0,
    "stem_subsidence": 6.0,
    "head_penetration_cranial": 2.0,
    "head_penetration_lateral": 0.0,
    "head_penetration": 2.0,
}

# Standard deviations on each film: pelvis tilted 2 and turned 1.5 degrees, beam 10 mm elsewhere.
TILT_DEG, ROTATION_DEG, SHIFT_MM = 2.0, 1.5, 10.0


def lies(rng):
    """Return a pelvis as it lies on one film."""
    return Pelvis(
        centre_mm=tuple(rng.normal([0.0, 10.0, 150.0], [SHIFT_MM, SHIFT_MM, 5.0])),
        tilt_deg=rng.normal(0.0, TILT_DEG),
        rotation_deg=rng.normal(0.0, ROTATION_DEG),
        obliquity_deg=rng.normal(0.0, 1.0),
    )


def filmed(rng, hip, years, pelvis=None):
    """Return a film of a hip, read once by a reader with the usual spread."""

    def leg(one):
        return replace(
            one,
            abduction_deg=rng.normal(-4.0, 1.5),
            rotation_deg=rng.normal(9.0, 3.0),
            flexion_deg=rng.normal(0.0, 1.5),
        )

    pelvis = pelvis or lies(rng)
    scenario = Scenario(pelvis=pelvis, hips={"left": leg(hip), "right": leg(Hip())})
    reading = parse_reading(json.dumps(simulate_reading(scenario, rng, SPREAD_PX)))
    for name in NOT_NEEDED:
        reading = reading.without(name)
    return Visit(years, measure(FILM, reading, draws=0), cup_centre_from="shell")
