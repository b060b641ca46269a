"""Lengths of rays in metal against closed forms and against counting along the ray."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xraymeasure.phantom.implants import (
    Rays,
    length,
    shell_length,
    through_ball,
    through_cone,
    through_stem,
    union_length,
)
from xraymeasure.phantom.scene import Cup, Stem, neck_crossing

SOURCE = np.array([0.0, 0.0, 1150.0])


def _rays(random: np.random.Generator, centre: np.ndarray, spread: float, count: int) -> Rays:
    aimed = centre + random.uniform(-spread, spread, (count, 3))
    return Rays.to(SOURCE, SOURCE + 1.4 * (aimed - SOURCE))


def _counted(
    rays: Rays, inside, centre: np.ndarray, reach: float, steps: int = 12000
) -> np.ndarray:
    """Share of evenly spaced points on each ray that lie inside, times the length of the piece."""
    middle = np.sum((centre - rays.source) * rays.along, axis=-1)
    t = middle[:, None] + reach * ((np.arange(steps) + 0.5) / steps * 2.0 - 1.0)
    points = rays.source + t[..., None] * rays.along[:, None, :]
    return inside(points).mean(axis=1) * 2.0 * reach


@given(
    radius=st.floats(5.0, 40.0),
    miss=st.floats(0.0, 1.2),
    x=st.floats(-150.0, 150.0),
    y=st.floats(-150.0, 150.0),
    z=st.floats(80.0, 250.0),
)
def test_a_ray_at_a_known_distance_from_a_ball_runs_the_chord(radius, miss, x, y, z):
    # Chord of a circle, 2 sqrt(r^2 - d^2): Euclid, Elements III.3 and Pythagoras.
    centre = np.array([x, y, z])
    toward = centre - SOURCE
    across = np.cross(toward, [1.0, 0.3, 0.0])
    across /= np.linalg.norm(across)
    # A ray through a point of the plane square to `toward` keeps sin(angle) * distance away.
    offset = miss * radius
    angle = np.arcsin(offset / np.linalg.norm(toward))
    way = np.cos(angle) * toward / np.linalg.norm(toward) + np.sin(angle) * across
    found = length(through_ball(Rays(SOURCE, way[None]), centre, radius))[0]
    chord = 2.0 * np.sqrt(max(radius**2 - offset**2, 0.0))
    assert found == pytest.approx(chord, abs=1e-4 * radius)


@pytest.mark.parametrize("inclination", [20.0, 42.0, 65.0])
def test_the_shell_weighs_what_its_points_on_the_ray_weigh(inclination):
    cup = Cup(inclination, 18.0, 54.0, thickness_mm=3.8)
    centre = np.array([92.0, 12.0, 150.0])
    tilt = np.radians([inclination, 18.0])
    axis = np.array(
        [np.sin(tilt[0]) * np.cos(tilt[1]), np.cos(tilt[0]) * np.cos(tilt[1]), np.sin(tilt[1])]
    )
    rays = _rays(np.random.default_rng(1), centre, 26.0, 60)

    def inside(points):
        offset = points - centre
        distance = np.linalg.norm(offset, axis=-1)
        return (distance < 27.0) & (distance > 23.2) & (offset @ axis < 0.0)

    counted = _counted(rays, inside, centre, 60.0)
    assert counted.max() > 10.0
    np.testing.assert_allclose(shell_length(rays, cup, centre, axis), counted, atol=0.05)


def test_the_neck_weighs_what_its_points_on_the_ray_weigh():
    first, last = np.array([90.0, 10.0, 150.0]), np.array([131.0, 47.0, 146.0])
    rays = _rays(np.random.default_rng(2), 0.5 * (first + last), 25.0, 80)
    axis = (last - first) / np.linalg.norm(last - first)

    def inside(points):
        along = (points - first) @ axis
        radial = np.linalg.norm(points - first - along[..., None] * axis, axis=-1)
        tall = np.linalg.norm(last - first)
        return (along > 0) & (along < tall) & (radial < 5.6 + 2.0 * along / tall)

    counted = _counted(rays, inside, first, 90.0)
    assert counted.max() > 10.0
    np.testing.assert_allclose(
        length(through_cone(rays, first, last, 5.6, 7.6)), counted, atol=0.05
    )


@settings(max_examples=40)
@given(st.lists(st.tuples(st.floats(0, 50), st.floats(0.1, 20)), min_size=1, max_size=6))
def test_overlapping_pieces_are_counted_once(pieces):
    intervals = [(np.array([a]), np.array([a + extent])) for a, extent in pieces]
    fine = np.arange(0.0005, 71.0, 0.001)
    covered = np.zeros_like(fine, dtype=bool)
    for a, extent in pieces:
        covered |= (fine >= a) & (fine < a + extent)
    assert union_length(intervals)[0] == pytest.approx(covered.sum() * 0.001, abs=0.01)


@pytest.mark.parametrize("size", [95.0, 115.0, 130.0])
def test_the_medial_flank_of_the_stem_has_no_steps(size):
    stem = Stem(132.0, 44.0, size)
    crossing = neck_crossing(stem)
    level = np.arange(4.0, size - 22.0, 0.5)
    # From so far away that all levels are seen square on.
    across = np.arange(-20.0, 0.0, 0.02)
    ends = crossing + np.stack(np.broadcast_arrays(across, level[:, None], 0.0), axis=-1)
    source = crossing + np.array([0.0, 60.0, 1e6])
    metal = union_length(through_stem(Rays.to(source, ends), stem)[:-1])
    inner = across[np.argmax(metal > 1.0, axis=1)]
    steps = np.diff(inner)
    assert np.all(steps > -0.03)
    assert steps.max() < 0.2
