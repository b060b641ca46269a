"""Numbers that follow a drag, against the same reading measured afresh."""

from dataclasses import replace

import numpy as np
import pytest

from tests.camera import Body, film_and_reading
from xraymeasure.measuring import model
from xraymeasure.measuring.measure import measure

FILM, READING = film_and_reading(Body(ra=17.0), points=8)


def by_a_pixel(name):
    points = tuple((row + 1.5, column - 0.5) for row, column in READING.landmarks[name])
    return {"landmarks": {**READING.landmarks, name: points}}


@pytest.mark.parametrize(
    "change",
    [
        by_a_pixel("cup_rim_left"),
        by_a_pixel("femoral_head_left"),
        by_a_pixel("femoral_head_right"),
        by_a_pixel("teardrop_right"),
        by_a_pixel("femoral_shaft_left"),
        {"landmarks": {n: p for n, p in READING.landmarks.items() if n != "symphysis"}},
        {"landmarks": {n: p for n, p in READING.landmarks.items() if n != "cup_rim_left"}},
        {"head_diameter_mm": {"left": 33.0}},
        {"cup_diameter_mm": {"left": 54.0}},
        {"neck_shaft_angle_deg": {"left": 131.0}},
        {"beam_centre": (1000.0, 900.0)},
        {"source_detector_mm": 1200.0},
        {"posture": "standing"},
        {"placing_sd_px": 2.0},
        {"operated_side": "right"},
    ],
)
def test_a_reading_that_was_measured_a_moment_ago_leaves_nothing_in_the_next(change):
    measure(FILM, READING, draws=0)
    changed = replace(READING, **change)
    after = measure(FILM, changed, draws=0)
    model._kept_beside_rims.cache_clear()
    afresh = measure(FILM, changed, draws=0)
    assert after.rows == afresh.rows
    assert np.array_equal(after.linear.jacobian, afresh.linear.jacobian)
