"""Lengths of rays in a shell against a count of small steps, which shares no formula with them."""

import numpy as np
import pytest

from tests.camera import axis_of
from xraymeasure.detect.field import Field
from xraymeasure.detect.render import Beam, half_chord, rim, shell_length


@pytest.mark.parametrize(("inclination", "anteversion"), [(42, 17), (30, -12), (60, 2), (90, 0)])
@pytest.mark.parametrize("face", [0.0, -2.5, 3.0])
def test_a_ray_runs_as_far_in_the_shell_as_its_steps_inside_count(inclination, anteversion, face):
    sid, centre = 1100.0, np.array([85.0, -20.0, 150.0])
    axis = axis_of(inclination, anteversion, "left")
    field = Field(np.zeros((9, 9), np.float32), (8.0, 8.0), (66.0, -55.0), np.zeros((9, 9), bool))
    found = shell_length(Beam.to(field, sid), centre, axis, 27.0, 23.0, face)
    tube = np.array([0.0, 0.0, sid])
    x, y = np.meshgrid(field.x_mm, field.y_mm)
    rays = np.stack([x, y, np.zeros_like(x)], axis=-1) - tube
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    step = 0.02
    depths = 960.0 + step * (np.arange(int(70 / step)) - 35 / step)
    counted = np.zeros_like(x)
    for depth in depths:
        away = tube + depth * rays - centre
        reach = np.linalg.norm(away, axis=-1)
        counted += step * ((reach < 27.0) & (reach > 23.0) & (away @ axis < face))
    assert np.allclose(found, counted, atol=0.1)
    assert found.max() > 10.0


def test_a_ray_through_the_middle_of_a_ball_runs_twice_its_radius():
    assert 2 * half_chord(np.array([0.0, 9.0, 26.0]), 5.0) == pytest.approx([10.0, 8.0, 0.0])


def test_the_rim_lies_on_the_ball_and_in_the_plane_of_the_opening():
    centre, axis = np.array([85.0, 10.0, 150.0]), axis_of(40, 15, "left")
    points = rim(centre, axis, 27.0, 2.0, np.linspace(0, 6, 20)) - centre
    assert np.linalg.norm(points, axis=1) == pytest.approx(27.0)
    assert points @ axis == pytest.approx(2.0)
