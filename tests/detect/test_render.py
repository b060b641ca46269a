"""Lengths of rays in a shell against a count of small steps, which shares no formula with them."""

import numpy as np
import pytest

from tests.camera import axis_of
from xraymeasure.detect.field import Field
from xraymeasure.detect.render import (
    FLANGE_THICKNESS_MM,
    Beam,
    flange_length,
    half_chord,
    lip_length,
    rim,
    shell_length,
)

SID, CENTRE = 1100.0, np.array([85.0, -20.0, 150.0])
FIELD = Field(np.zeros((9, 9), np.float32), (8.0, 8.0), (66.0, -55.0), np.zeros((9, 9)))
POSES = [(42, 17), (30, -12), (60, 2), (90, 0)]


def counted(axis, inside, *ways, step=0.025):
    """Return for each ray how long it is inside by a count of steps."""
    x, y = np.meshgrid(FIELD.x_mm, FIELD.y_mm)
    rays = np.stack([x, y, np.zeros_like(x)], axis=-1) - [0.0, 0.0, SID]
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    total = np.zeros_like(x)
    for depth in step * np.arange(905.0 / step, 1005.0 / step):
        away = [0.0, 0.0, SID] + depth * rays - CENTRE
        total += step * inside(
            np.linalg.norm(away, axis=-1), away @ axis, *(away @ way for way in ways)
        )
    return total


@pytest.mark.parametrize(("inclination", "anteversion"), POSES)
@pytest.mark.parametrize("face", [-2.5, 3.0])
def test_a_ray_runs_as_far_in_the_shell_as_its_steps_inside_count(inclination, anteversion, face):
    axis = axis_of(inclination, anteversion, "left")
    found = shell_length(Beam.to(FIELD, SID).past(CENTRE, axis), 27.0, 23.0, face)
    true = counted(axis, lambda reach, height: (reach < 27.0) & (reach > 23.0) & (height < face))
    assert np.allclose(found, true, atol=0.1)
    assert found.max() > 10.0


@pytest.mark.parametrize(("inclination", "anteversion"), POSES)
@pytest.mark.parametrize("width", [3.0, -2.0])
def test_a_ray_runs_as_far_in_the_flange_as_its_steps_inside_count(inclination, anteversion, width):
    axis = axis_of(inclination, anteversion, "left")
    found = flange_length(Beam.to(FIELD, SID).past(CENTRE, axis), 27.0, width, 1.0)
    ends = sorted([27.0, 27.0 + width])

    def inside(reach, height):
        flat = np.sqrt(np.maximum(reach**2 - height**2, 0.0))
        level = (height < 1.0) & (height > 1.0 - FLANGE_THICKNESS_MM)
        return level & (flat > ends[0]) & (flat < ends[1])

    assert np.allclose(found, np.sign(width) * counted(axis, inside), atol=0.1)
    assert np.abs(found).max() > 2.0


@pytest.mark.parametrize(("inclination", "anteversion"), POSES[:2])
@pytest.mark.parametrize("height", [4.0, -2.0])
def test_a_ray_runs_as_far_in_a_lip_as_its_steps_inside_count(inclination, anteversion, height):
    axis = axis_of(inclination, anteversion, "left")
    cranial = np.array([0.0, -1.0, 0.0]) + axis[1] * axis
    cranial /= np.linalg.norm(cranial)
    beam = Beam.to(FIELD, SID)
    found = lip_length(beam.past(CENTRE, axis), beam.past(CENTRE, cranial), 27.0, 23.0, 1.0, height)
    low, high = sorted([1.0, 1.0 + height])

    def inside(reach, along, up):
        flat = np.sqrt(np.maximum(reach**2 - along**2, 0.0))
        return (flat < 27.0) & (flat > 23.0) & (along > low) & (along < high) & (up > 0.0)

    assert np.allclose(found, np.sign(height) * counted(axis, inside, cranial), atol=0.1)
    assert np.abs(found).max() > 2.0


def test_several_rays_tell_what_a_pixel_shows_at_an_edge():
    # Of a ball: the mean of 12 x 12 chords, by the distance of a ray from a point (cross product).
    field = Field(np.zeros((24, 24), np.float32), (1.0, 1.0), (62.0, -35.0), np.zeros((24, 24)))
    fine = (np.arange(288) + 0.5) / 12 - 0.5
    rays = np.stack([*np.meshgrid(62.0 + fine, fine - 35.0), np.full((288, 288), -SID)], axis=-1)
    gap = np.linalg.norm(np.cross(rays, CENTRE - [0.0, 0.0, SID]), axis=-1)
    chord = 2.0 * np.sqrt(np.maximum(27.0**2 - (gap / np.linalg.norm(rays, axis=-1)) ** 2, 0.0))
    true = chord.reshape(24, 12, 24, 12).mean(axis=(1, 3))
    beams = (Beam.to(field, SID, several) for several in (False, True))
    one, four = (2 * half_chord(beam.past(CENTRE, np.eye(3)[2]).gap, 27.0) for beam in beams)
    assert np.abs(four.mean(axis=0) - true).max() < 1.0 < np.abs(one - true).max()


def test_the_rim_lies_on_the_ball_and_in_the_plane_of_the_opening():
    centre, axis = np.array([85.0, 10.0, 150.0]), axis_of(40, 15, "left")
    points = rim(centre, axis, 27.0, 2.0, np.linspace(0, 6, 20)) - centre
    assert np.linalg.norm(points, axis=1) == pytest.approx(27.0)
    assert points @ axis == pytest.approx(2.0)
