"""Free distances and angles against plane geometry."""

import numpy as np
import pytest

from xraymeasure.film.film import film_from_array
from xraymeasure.report.freehand import PLACING_SD_PX, freehand


@pytest.fixture
def film():
    return film_from_array(np.zeros((400, 400), dtype=np.uint16), pitch_mm=(0.2, 0.1))


def test_a_distance_without_a_scale_is_in_pixels_of_equal_area(film):
    # Rows are twice as far apart as columns: 30 rows and 80 columns are 60 and 80 half-rows.
    found = freehand(film, [(10, 10), (40, 90)], None)
    assert found.value == pytest.approx(100 / np.sqrt(2))
    assert found.unit == "px"
    # Two ends, each with its spread: GUM 5.1.2, the root of the sum of squares.
    half = 1.959964 * PLACING_SD_PX * np.sqrt(2)
    assert found.high - found.value == pytest.approx(half)


@pytest.mark.parametrize("angle_deg", [30.0, 90.0, 135.0])
def test_an_angle_is_that_of_the_arms_on_the_detector(film, angle_deg):
    turn = np.radians(angle_deg)
    arm = (200 - 50 * np.sin(turn), 200 + 100 * np.cos(turn))
    found = freehand(film, [(200, 300), (200, 200), arm], None)
    assert found.value == pytest.approx(angle_deg)
    assert found.unit == "deg"


def test_the_interval_of_an_angle_is_that_of_repeated_placing(film):
    points = np.array([(200.0, 300.0), (200.0, 200.0), (150.0, 260.0)])
    found = freehand(film, points, None)
    draws = np.random.default_rng(1).normal(0, PLACING_SD_PX, (4000, 3, 2))
    steps = draws / (np.sqrt(2), 1 / np.sqrt(2))
    values = [freehand(film, points + step, None).value for step in steps]
    assert 1.959964 * np.std(values) == pytest.approx(found.high - found.value, rel=0.06)
