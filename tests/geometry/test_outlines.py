"""Clicks on drawn circles and ellipses, some of which were moved: truth is which ones."""

import numpy as np
import pytest

from xraymeasure.geometry.outlines import sound_clicks

LEAST = {"circle": 3, "ellipse": 5}


def outline(shape, count, rng=None, spread=0.0):
    turn = 0.3 + np.arange(count) * 2.0 * np.pi / count
    short = 100.0 if shape == "circle" else 40.0
    points = np.column_stack([300.0 + 100.0 * np.cos(turn), 200.0 + short * np.sin(turn)])
    return points if rng is None else points + rng.normal(0.0, spread, points.shape)


def judged(points, shape, spread=1.0):
    return sound_clicks(points, spread, 1.0, shape, LEAST[shape])


@pytest.mark.parametrize("shape", ["circle", "ellipse"])
@pytest.mark.parametrize("moved", range(10))
def test_the_click_that_was_moved_is_left_out_and_no_other(shape, moved):
    points = outline(shape, 10, np.random.default_rng(moved), 1.0)
    points[moved] += 20.0 * (points[moved] - [300.0, 200.0]) / [100.0, 100.0]
    found = judged(points, shape)
    assert found.off == (moved,)
    assert found.used == tuple(each for each in range(10) if each != moved)


@pytest.mark.parametrize("shape", ["circle", "ellipse"])
def test_of_many_clicks_the_moved_ones_are_named_as_of_few(shape):
    points = outline(shape, 200, np.random.default_rng(3), 1.0)
    points[[40, 140]] += [[0.0, 15.0], [0.0, -15.0]]
    assert judged(points, shape).off == (40, 140)


def test_two_wrong_clicks_are_both_left_out():
    points = outline("circle", 12, np.random.default_rng(4), 1.0)
    points[2] += [25.0, 0.0]
    points[7] -= [0.0, 30.0]
    assert judged(points, "circle").off == (2, 7)


@pytest.mark.parametrize("shape", ["circle", "ellipse"])
def test_sound_clicks_are_seldom_questioned(shape):
    rng = np.random.default_rng(8)
    found = [judged(outline(shape, 10, rng, 1.0), shape) for _ in range(100)]
    assert sum(bool(each.off) for each in found) <= 3
    assert np.mean([each.spread_factor > 1.0 for each in found]) <= 0.08
    careful = [judged(outline(shape, 10, rng, 1.0), shape, spread=2.0) for _ in range(50)]
    assert not any(each.off or each.spread_factor > 1.0 for each in careful)


def test_six_points_tell_that_one_is_off_but_not_which():
    points = outline("ellipse", 6)
    points[1] += [0.0, 30.0]
    found = judged(points, "ellipse")
    assert found.one_is_off and found.off == ()
    assert found.spread_factor > 3.0


def test_clicks_that_scatter_more_than_stated_widen_the_spread_to_theirs():
    rng = np.random.default_rng(2)
    factors = [judged(outline("circle", 24, rng, 3.0), "circle").spread_factor for _ in range(20)]
    assert np.mean(factors) == pytest.approx(3.0, rel=0.15)


def test_two_clicks_on_one_spot_count_once():
    points = outline("circle", 8)
    found = judged(np.vstack([points, points[2] + 0.1, points[5]]), "circle")
    assert found.repeated == (8, 9)
    assert found.used == tuple(range(8))


def test_points_that_would_leave_too_few_are_kept_to_be_refused_by_the_fit():
    points = outline("ellipse", 4)
    assert judged(np.vstack([points, points[0]]), "ellipse").used == (0, 1, 2, 3, 4)


def test_a_wrong_click_beside_a_flat_rim_is_named_where_its_length_is_known():
    """An endless ellipse passes a row of points and any other one; a cup is not endless."""
    rng = np.random.default_rng(4)
    turn = np.radians(np.arange(10) * 36.0 + 10.0)
    for _ in range(3):
        points = np.column_stack([104.0 * np.cos(turn), 2.0 * np.sin(turn)])
        points += rng.normal(0.0, 1.0, points.shape)
        points[2, 1] += 20.0
        assert sound_clicks(points, 1.0, 1.0, "ellipse", 5, longest=125.0).off == (2,)


def test_a_wrong_click_of_many_beside_a_flat_rim_is_named_too():
    """A fit that runs away along all of them does not tell which are the farthest off."""
    rng = np.random.default_rng(0)
    turn = 0.3 + np.arange(20) * np.pi / 10.0
    for _ in range(4):
        points = np.column_stack([100.0 * np.cos(turn), 7.0 * np.sin(turn)])
        points += rng.normal(0.0, 1.0, points.shape)
        points[5, 1] += 25.0
        assert sound_clicks(points, 1.0, 1.0, "ellipse", 5, longest=125.0).off == (5,)
