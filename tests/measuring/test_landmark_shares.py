"""Which click moves a number, against plane geometry."""

import numpy as np
import pytest

from xraymeasure.film.read import read_film
from xraymeasure.measuring.measure import landmark_shares, measure
from xraymeasure.reading.file import read_reading
from xraymeasure.samples import sample_folder


@pytest.fixture(scope="module")
def read():
    folder = sample_folder()
    film = read_film(folder / "well_placed.dcm")
    return film, read_reading(folder / "well_placed.reading.json")


def test_a_pixel_at_one_teardrop_turns_the_inclination_by_its_angle_at_the_other(read):
    film, reading = read
    row = measure(film, reading, draws=0).primary("radiographic_inclination")
    found = {item.landmark: item for item in landmark_shares(film, reading, row)}
    apart = np.hypot(*(reading.points("teardrop_left") - reading.points("teardrop_right"))[0])
    for side in ("left", "right"):
        expected = np.degrees(np.arctan(1.0 / apart))
        assert found[f"teardrop_{side}"].per_px == pytest.approx(expected, rel=0.02)


def test_the_shares_of_the_landmarks_make_up_the_share_of_placing(read):
    film, reading = read
    row = measure(film, reading, draws=0).primary("radiographic_inclination")
    shares = landmark_shares(film, reading, row)
    assert sum(item.share for item in shares) == pytest.approx(row.sources["placing"], abs=0.02)
    assert {item.landmark for item in shares if item.share > 0.005} == set(row.rests_on)
