"""The tests' own camera against similar triangles and tangent rays."""

import numpy as np
import pytest

from tests.camera import land, spread_turns, touched_circle


def test_the_camera_magnifies_by_similar_triangles():
    """M = SID / (SID - h): 1150 / 1000."""
    assert land([[100.0, -20.0, 150.0]], 1150.0) == pytest.approx(np.array([[115.0, -23.0]]))


def test_rays_along_a_spheres_outline_touch_it():
    centre, tube = np.array([95.0, 20.0, 170.0]), np.array([0.0, 0.0, 1150.0])
    outline = land(touched_circle(centre, 16.0, 1150.0, spread_turns(40)), 1150.0)
    rays = np.column_stack([outline, np.zeros(40)]) - tube
    rays /= np.linalg.norm(rays, axis=1)[:, None]
    away = np.linalg.norm(np.cross(centre - tube, rays), axis=1)
    assert away == pytest.approx(np.full(40, 16.0))


def test_a_sphere_off_the_beam_is_drawn_out_along_the_ray():
    """95 mm off axis at M 1.1735 the outline is 1.1791 times as long and 1.1736 times as wide."""
    sid, magnification, radius = 1150.0, 1.1735, 16.0
    height = sid * (1.0 - 1.0 / magnification)
    outline = land(touched_circle([95.0, 0.0, height], radius, sid, np.arange(720) / 2.0), sid)
    length, width = np.ptp(outline, axis=0) / (2.0 * radius)
    assert (length, width) == pytest.approx((1.1791, 1.1736), abs=2e-4)
