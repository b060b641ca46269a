"""A click near an edge moves to it: drawn discs whose outline is known in closed form."""

import numpy as np
import pytest
from scipy.special import erf

from xraymeasure.detect.snap import snap
from xraymeasure.film.film import film_from_array

MIDDLE, RADIUS_PX = np.array([60.3, 64.7]), 30.0


def disc(pitch=(0.2, 0.2), noise=4.0, height=400.0, faint=0.0):
    """A film of a bright disc with a blurred edge; a fainter ring may lie 5 px inside it."""
    row, column = np.mgrid[0:120, 0:130]
    away = np.hypot(row - MIDDLE[0], column - MIDDLE[1])
    grey = 1000.0 + 0.5 * height * (1.0 + erf(RADIUS_PX - away))
    grey += 0.5 * faint * (1.0 + erf(RADIUS_PX - 5.0 - away))
    grey += noise * np.random.default_rng(3).standard_normal(grey.shape)
    return film_from_array(np.round(grey).astype(np.uint16), pitch_mm=pitch)


@pytest.mark.parametrize("turn", np.radians([0, 20, 45, 100, 200, 290]))
@pytest.mark.parametrize("off", [-6.0, 5.0])
def test_a_click_beside_an_edge_moves_onto_it_and_not_along_it(turn, off):
    way = np.array([np.sin(turn), np.cos(turn)])
    found = np.array(snap(disc(), tuple(MIDDLE + (RADIUS_PX + off) * way), radius_mm=2.0))
    assert np.hypot(*(found - MIDDLE)) == pytest.approx(RADIUS_PX, abs=0.25)
    # The nearest of the edge's points, of which there is one in each row or column.
    assert np.hypot(*(found - MIDDLE - RADIUS_PX * way)) < 3.5


def test_a_click_farther_than_the_radius_stays():
    click = (float(MIDDLE[0]), float(MIDDLE[1]) + RADIUS_PX + 11.0)
    assert snap(disc(), click, radius_mm=2.0) == click
    assert snap(disc(), click, radius_mm=2.4) != click


def test_noise_alone_moves_nothing():
    film = disc(noise=40.0, height=0.0)
    for click in [(40.0, 40.5), (60.2, 64.0), (80.0, 30.0), (20.0, 100.0)]:
        assert snap(film, click) == click


def test_the_plain_edge_is_taken_before_a_faint_one_that_is_nearer():
    click = (float(MIDDLE[0]), float(MIDDLE[1]) + RADIUS_PX - 4.0)
    found = np.array(snap(disc(faint=100.0), click))
    assert np.hypot(*(found - MIDDLE)) == pytest.approx(RADIUS_PX, abs=0.25)
    found = np.array(snap(disc(faint=390.0), click))
    assert np.hypot(*(found - MIDDLE)) == pytest.approx(RADIUS_PX - 5.0, abs=0.25)


def test_pixels_need_not_be_square_and_the_radius_is_in_mm():
    film = disc(pitch=(0.4, 0.2))
    click = (float(MIDDLE[0]) + RADIUS_PX + 4.0, float(MIDDLE[1]))
    assert snap(film, click, radius_mm=1.5) == click
    assert snap(film, click, radius_mm=1.7)[0] == pytest.approx(MIDDLE[0] + RADIUS_PX, abs=0.25)


@pytest.mark.parametrize("click", [(-3.0, 5.0), (0.2, 0.1), (119.0, 129.4), (400.0, 50.0)])
def test_at_the_end_of_the_film_nothing_is_made_up(click):
    assert snap(disc(), click) == click
