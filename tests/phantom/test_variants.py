"""Shells of several kinds against a count of small steps; each kind of film can be drawn."""

from dataclasses import replace

import numpy as np
import pytest

from xraymeasure.phantom import implants
from xraymeasure.phantom.render import picture
from xraymeasure.phantom.scene import Cup, Stem
from xraymeasure.phantom.variants import VARIANTS, random_scenario
from xraymeasure.phantom.volume import Volume, warped

CENTRE, AXIS = np.array([80.0, 10.0, 150.0]), np.array([0.64, 0.70, 0.32])
AXIS = AXIS / np.linalg.norm(AXIS)
STEP = 0.05


def rays_to_the_cup():
    x, y = np.meshgrid(np.linspace(58, 126, 12), np.linspace(-22, 46, 12))
    source = np.array([0.0, 0.0, 1100.0])
    return implants.Rays.to(source, np.stack([x, y, np.zeros_like(x)], axis=-1))


def counted(inside):
    rays = rays_to_the_cup()
    total = np.zeros(rays.along.shape[:-1])
    for depth in np.arange(890.0, 1010.0, STEP):
        away = rays.source + depth * rays.along - CENTRE
        height = away @ AXIS
        reach = np.linalg.norm(away, axis=-1)
        total += STEP * inside(away, height, reach, np.sqrt(np.maximum(reach**2 - height**2, 0)))
    return total


@pytest.mark.parametrize(
    ("cup", "inside"),
    [
        (Cup(flange_mm=1.5), lambda away, height, reach, flat: (
            (height < 0) & (reach > 23.2) & ((reach < 27) | ((height > -2.2) & (flat < 28.5)))
        )),
        (Cup(kind="dual_mobility", thickness_mm=3.0), lambda away, height, reach, flat: (
            ((height < 0) & (reach < 27) & (reach > 24))
            | ((height >= 0) & (height < 3) & (flat < 27) & (flat > 24))
        )),
        (Cup(lip_mm=3.0), lambda away, height, reach, flat: (
            ((height < 0) & (reach < 27) & (reach > 23.2))
            | ((height >= 0) & (height < 3) & (flat < 27) & (flat > 23.2)
               & (away @ (np.array([0, -1.0, 0]) + AXIS[1] * AXIS) > 0))
        )),
        (Cup(thicker_dome_mm=2.0), lambda away, height, reach, flat: (
            (height < 0) & (reach < 27) & (np.linalg.norm(away - AXIS, axis=-1) > 22.2)
        )),
    ],
    ids=["flanged", "dual mobility", "lipped", "thick dome"],
)  # fmt: skip
def test_metal_of_a_shell_is_what_steps_inside_it_count(cup, inside):
    found = implants.shell_length(rays_to_the_cup(), cup, CENTRE, AXIS)
    true = counted(inside)
    assert np.allclose(found, true, atol=0.4)
    assert true.max() > 8.0


def test_a_hole_takes_metal_away_and_adds_none():
    rays = rays_to_the_cup()
    whole = implants.shell_length(rays, Cup(), CENTRE, AXIS)
    holed = implants.shell_length(rays, Cup(holes=3), CENTRE, AXIS)
    assert np.all(holed <= whole + 1e-9)
    # A hole is as deep as the wall, seen square on or aslant.
    assert 3.8 < (whole - holed).max() < 15.0


def test_a_cemented_cup_shows_a_wire_and_a_cabled_shaft_shows_rings():
    rays = rays_to_the_cup()
    wire = implants.shell_length(rays, Cup(kind="cemented"), CENTRE, AXIS)
    assert np.count_nonzero(wire) < 0.2 * wire.size
    bent = implants.ring_length(rays, CENTRE, AXIS, 26.0, 3.0)
    assert bent.max() >= 5.0  # a ray through the middle of a bar of radius 3
    assert implants.cable_length(rays, Stem()).max() == 0.0


@pytest.mark.parametrize("variant", VARIANTS)
def test_every_kind_of_film_is_drawn_alike_from_one_seed_and_otherwise_from_another(variant):
    first, again, other = (random_scenario(variant, seed) for seed in (1, 1, 2))
    assert first == again
    assert first.seed != other.seed
    assert any(hip.replaced for hip in first.hips.values()) == (variant != "native")


def test_a_window_set_on_bone_leaves_the_share_of_the_film_white_that_was_asked_for():
    scenario = random_scenario("native", 3, 1.2)
    window = replace(scenario.processing, white_body=0.02)
    pixels = picture(replace(scenario, processing=window, marker=None), quick=True)
    assert np.mean(pixels == 4095) == pytest.approx(0.02, abs=0.001)


def test_a_bone_is_bent_by_about_what_was_asked_and_otherwise_each_time():
    z, y, x = np.ogrid[-20:21, -20:21, -20:21]
    ball = Volume((255 * (x**2 + y**2 + z**2 < 14**2)).astype(np.uint8), np.full(3, -40.0), 2.0)
    first, again, other = (warped(ball, np.random.default_rng(k), 4.0) for k in (1, 1, 2))
    assert np.array_equal(first.density, again.density)
    assert not np.array_equal(first.density, other.density)
    # The first voxel's centre went outward with the margin: the ball is about where it was.
    place = first.origin + 2.0 * np.argwhere(first.density > 127)[:, ::-1].mean(axis=0)
    assert np.abs(place).max() < 8.0
    rows = np.argwhere(first.density > 127)[:, ::-1] * 2.0 + first.origin
    reach = np.linalg.norm(rows, axis=1).max()
    assert 1.0 < reach - 28.0 < 16.0
