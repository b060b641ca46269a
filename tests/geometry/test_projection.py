import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tests.camera import (
    SIGN,
    axis_of,
    circle_in_space,
    land,
    spread_turns,
    touched_circle,
)
from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import fit_circle
from xraymeasure.geometry.ellipses import fit_ellipse
from xraymeasure.geometry.projection import (
    circle_poses,
    fit_sphere_outline,
    project,
    refit_sphere_outline,
    sphere_centre_mm,
)

SID = 1150.0


@given(st.floats(-300, 300), st.floats(-300, 300), st.floats(0, 400), st.floats(900, 2000))
def test_a_point_lands_where_the_ray_through_it_meets_the_detector(x, y, z, sid):
    assert project([x, y, z], sid) == pytest.approx(land([[x, y, z]], sid)[0], abs=1e-9)


@given(
    st.sampled_from(["left", "right"]),
    st.floats(20, 65),
    st.floats(-20, 45),
    st.floats(-180, 180),
    st.floats(-180, 180),
    st.floats(60, 260),
    st.floats(950, 1250),
)
def test_one_of_the_two_poses_is_the_cup(side, ri, ra, x, y, z, sid):
    centre, axis = np.array([x, y, z]), axis_of(ri, ra, side)
    ray = centre - np.array([0.0, 0.0, sid])
    facing = -(axis @ ray) / np.linalg.norm(ray)
    assume(abs(facing) > 0.01)
    outline = land(circle_in_space(centre, 26.0, axis, spread_turns(30)), sid)
    ellipse = fit_ellipse(outline).parameters
    poses = circle_poses(ellipse, sid, int(SIGN[side]))
    which = 0 if facing > 0 else 1
    assert poses.axis[which] == pytest.approx(axis, abs=2e-5)
    assert poses.centre_mm(26.0, sid)[which] == pytest.approx(centre, abs=0.01)
    assert poses.facing[which] == pytest.approx(facing, abs=2e-5)
    assert poses.facing[0] >= poses.facing[1]
    assert np.linalg.norm(poses.axis, axis=1) == pytest.approx([1.0, 1.0])


@pytest.mark.parametrize(("ri", "ra"), [(40, 15), (55, 30), (30, -10)])
def test_the_circle_of_either_pose_casts_the_outline(ri, ra):
    centre = [90.0, 35.0, 150.0]
    outline = land(circle_in_space(centre, 26.0, axis_of(ri, ra, "left"), spread_turns(24)), SID)
    ellipse = fit_ellipse(outline).parameters
    poses = circle_poses(ellipse, SID, 1)
    for axis, middle in zip(poses.axis, poses.centre_mm(26.0, SID), strict=True):
        cast = land(circle_in_space(middle, 26.0, axis, spread_turns(24, 2.0)), SID)
        assert fit_ellipse(cast).parameters == pytest.approx(ellipse, abs=1e-4)


def test_many_outlines_at_once_are_posed_as_one_by_one():
    ellipses = np.array(
        [[100.0, 40.0, 29.0, 7.0, -0.7], [-80.0, 10.0, 30.0, 2.0, 0.5], [0.0, 0.0, 28.0, 20.0, 1.4]]
    ).T
    heights = np.array([1000.0, 1150.0, 1200.0])
    together = circle_poses(ellipses, heights, 1)
    for i in range(3):
        alone = circle_poses(ellipses[:, i], heights[i], 1)
        assert together.axis[:, :, i] == pytest.approx(alone.axis, abs=1e-9)
        assert together.facing[:, i] == pytest.approx(alone.facing, abs=1e-9)


@pytest.mark.parametrize("half_axis", [0.0, 1e-6, 1e-3])
def test_a_flat_outline_has_a_pose_that_the_tube_sees_edge_on(half_axis):
    poses = circle_poses(np.array([90.0, 35.0, 29.0, half_axis, -0.8]), SID, 1)
    assert np.isfinite(poses.axis).all() and np.isfinite(poses.centre_over_radius).all()
    assert poses.facing == pytest.approx([0.0, 0.0], abs=1e-2)


@given(
    st.floats(-200, 200),
    st.floats(-200, 200),
    st.floats(40, 300),
    st.floats(950, 1250),
    st.floats(11, 30),
)
def test_a_sphere_is_found_from_its_outline_and_its_diameter(x, y, z, sid, radius):
    outline = land(touched_circle([x, y, z], radius, sid, spread_turns(14)), sid)
    fit = fit_sphere_outline(outline, fit_circle(outline).parameters, sid)
    assert sphere_centre_mm(fit.parameters, 2.0 * radius, sid) == pytest.approx([x, y, z], abs=0.01)


def test_the_centre_of_a_spheres_outline_is_not_where_its_centre_lands():
    centre = [150.0, 0.0, 170.0]
    outline = land(touched_circle(centre, 22.0, SID, spread_turns(30)), SID)
    fit = fit_sphere_outline(outline, fit_circle(outline).parameters, SID)
    landed = land([centre], SID)[0]
    assert fit.parameters[:2] == pytest.approx(landed, abs=1e-6)
    assert fit_circle(outline).parameters[0] - landed[0] > 0.05


@pytest.mark.parametrize("arc", [100, 180, 300])
def test_a_part_of_a_spheres_outline_is_enough(arc):
    centre = np.array([95.0, 20.0, 160.0])
    turns = np.linspace(20, 20 + arc, 12)
    outline = land(touched_circle(centre, 16.0, SID, turns), SID)
    fit = fit_sphere_outline(outline, fit_circle(outline).parameters, SID)
    assert sphere_centre_mm(fit.parameters, 32.0, SID) == pytest.approx(centre, abs=0.01)


def test_many_spheres_at_once_are_found_as_one_by_one():
    heights = np.array([1100.0, 1150.0, 1200.0])
    outlines = [
        land(touched_circle([90.0 + i, 30.0, 150.0], 16.0, height, spread_turns(12)), height)
        for i, height in enumerate(heights)
    ]
    start = fit_circle(outlines[1]).parameters
    cones = refit_sphere_outline(
        np.stack(outlines, axis=2), np.repeat(start[:, None], 3, axis=1), heights
    )
    centres = sphere_centre_mm(cones, np.array(32.0), heights)
    for i in range(3):
        assert centres[:, i] == pytest.approx([90.0 + i, 30.0, 150.0], abs=0.05)


def test_an_outline_larger_than_the_room_is_refused():
    points = 2000.0 * np.column_stack([np.cos(np.arange(6.0)), np.sin(np.arange(6.0))])
    with pytest.raises(MeasureError, match="larger than the distance to the tube"):
        fit_sphere_outline(points, np.array([0.0, 0.0, 2000.0]), SID)
