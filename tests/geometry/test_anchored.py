"""An arc of an ellipse with its centre and length known: truth is the ellipse that was drawn."""

import numpy as np
import pytest

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.anchored import Anchor, fit_anchored_ellipse, refit_anchored_ellipse


def arc(short, turned=0.5, span_deg=120.0, count=10, centre=(300.0, 200.0), half=100.0):
    """Return points on one arc, short half-axis `short`, on the positive side of the long axis."""
    turn = np.radians(90.0 + np.linspace(-span_deg / 2.0, span_deg / 2.0, count))
    u, v = half * np.cos(turn), short * np.sin(turn)
    cos, sin = np.cos(turned), np.sin(turned)
    return np.column_stack([centre[0] + cos * u - sin * v, centre[1] + sin * u + cos * v])


KNOWN = Anchor((300.0, 200.0), 100.0, 2.0, 2.0, 1.0)


@pytest.mark.parametrize("short", [0.2, 1.0, 5.0, 20.0, 60.0])
@pytest.mark.parametrize("turned", [-2.6, 0.0, 0.5, 1.6])
def test_the_arc_that_was_drawn_is_found(short, turned):
    x, y, a, b, angle = fit_anchored_ellipse(arc(short, turned), KNOWN).parameters
    assert (x, y, a, b) == pytest.approx((300.0, 200.0, 100.0, short), abs=1e-3)
    apart = (angle - turned) % (2.0 * np.pi)
    assert min(apart, 2.0 * np.pi - apart) < 1e-4


def test_near_flat_the_short_half_axis_takes_either_sign_and_scatters_evenly():
    rng = np.random.default_rng(3)
    start = fit_anchored_ellipse(arc(1.0), KNOWN).parameters
    points = arc(1.0)[:, :, None] + rng.normal(0.0, 1.0, (10, 2, 400))
    centre = np.array(KNOWN.centre)[:, None] + rng.normal(0.0, 2.0, (2, 400))
    short = refit_anchored_ellipse(points, KNOWN, centre, 100.0 + rng.normal(0.0, 2.0, 400), start)[
        3
    ]
    assert (short < 0.0).mean() > 0.1
    assert short.mean() == pytest.approx(1.0, abs=3.0 * short.std() / 20.0)


def test_what_is_known_of_another_place_does_not_agree():
    elsewhere = Anchor((340.0, 200.0), 100.0, 2.0, 2.0, 1.0)
    assert KNOWN.agrees_with(fit_anchored_ellipse(arc(20.0), KNOWN).parameters)
    try:
        found = fit_anchored_ellipse(arc(20.0), elsewhere)
    except MeasureError:
        return
    assert not elsewhere.agrees_with(found.parameters)
