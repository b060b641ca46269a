"""The fits against published examples and against an independent way of fitting.

* Gander W, Golub GH, Strebel R, Least-squares fitting of circles and ellipses, BIT 1994;34:558-578:
  both examples (points and results from memory; the ellipse's also in Ahn SJ et al., Pattern
  Recognition 2001;34:2283-2303). An error of memory would not agree in four decimals.
* scipy's least squares over the curve and the place of every point on it (their formulation).
* scikit-image's algebraic estimates, which shrink on short arcs and ours must not.
"""

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.algebraic import circle_estimate
from xraymeasure.geometry.curves import fit_circle
from xraymeasure.geometry.ellipses import fit_ellipse

CIRCLE_POINTS = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]
ELLIPSE_POINTS = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7), (6, 2), (8, 4)]


def test_the_published_circle_comes_out():
    fit = fit_circle(CIRCLE_POINTS)
    assert fit.parameters == pytest.approx((4.7398, 2.9835, 4.7142), abs=5e-5)
    assert fit.residuals @ fit.residuals == pytest.approx(1.2276, abs=5e-5)


def test_the_published_ellipse_comes_out():
    fit = fit_ellipse(ELLIPSE_POINTS)
    assert fit.parameters == pytest.approx((2.6996, 3.8160, 6.5187, 3.0319, 0.3596), abs=5e-5)
    assert fit.residuals @ fit.residuals == pytest.approx(1.3733, abs=5e-5)


def on_ellipse(parameters, turn):
    x, y, a, b, angle = parameters
    u, v = a * np.cos(turn), b * np.sin(turn)
    cos, sin = np.cos(angle), np.sin(angle)
    return np.column_stack([x + cos * u - sin * v, y + sin * u + cos * v])


def fitted_with_feet(points, parameters, turns):
    """Return the ellipse by minimising over its parameters and every point's place on it."""
    found = least_squares(
        lambda p: (on_ellipse(p[:5], p[5:]) - points).ravel(),
        np.concatenate([parameters, turns]),
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    return found.x[:5], 2.0 * found.cost


@pytest.mark.parametrize("ratio", [0.1, 0.26, 0.5, 0.9])
@pytest.mark.parametrize("arc", [180, 270, 360])
def test_an_independent_fit_over_all_feet_finds_the_same_ellipse(arc, ratio):
    rng = np.random.default_rng(arc)
    true = np.array([40.0, -25.0, 30.0, 30.0 * ratio, 0.6])
    turns = np.radians(np.linspace(20, 20 + arc, 14))
    points = on_ellipse(true, turns) + 0.1 * rng.standard_normal((14, 2))
    ours = fit_ellipse(points)
    theirs, squares = fitted_with_feet(points, true, turns)
    assert ours.residuals @ ours.residuals == pytest.approx(squares, rel=1e-6)
    assert ours.parameters == pytest.approx(theirs, abs=2e-4)


def test_on_a_quarter_arc_algebra_shrinks_a_head_and_the_distance_does_not():
    """18 mm of radius, 12 points, a spread of 0.3 mm: the mean of 800 readings."""
    turns = np.radians(np.linspace(0, 90, 12))
    points = 18.0 * np.column_stack([np.cos(turns), np.sin(turns)])
    noisy = points + 0.3 * np.random.default_rng(8).standard_normal((800, 12, 2))
    theirs = np.mean([circle_estimate(each).radius for each in noisy])
    ours = np.array([fit_circle(each).parameters[2] for each in noisy])
    assert theirs < 18.0 * 0.99
    assert abs(ours.mean() - 18.0) < 0.1 * ours.std()


@pytest.mark.parametrize("anteversion", [15, 25])
def test_an_arc_shorter_than_its_rim_is_not_read_short(anteversion):
    """The long axis of 26 mm is not seen from end to end on 140 degrees about one side."""
    true = np.array([0.0, 0.0, 26.0, 26.0 * np.sin(np.radians(anteversion)), 0.3])
    points = on_ellipse(true, np.radians(np.linspace(20, 160, 14)))
    rng = np.random.default_rng(anteversion)
    sizes = np.array(
        [
            fit_ellipse(points + 0.2 * rng.standard_normal(points.shape)).parameters[2:4]
            for _ in range(120)
        ]
    )
    off = np.median(sizes, axis=0) - true[2:4]
    assert np.all(np.abs(off) < 0.25 * sizes.std(axis=0))
    assert np.all(np.abs(off) < 0.03 * true[2:4])
