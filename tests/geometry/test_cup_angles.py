import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from xraymeasure.geometry import cup_angles

inclinations = st.floats(1, 89)
anteversions = st.floats(-60, 60)
sides = st.sampled_from(["left", "right"])


@given(inclinations, anteversions, st.sampled_from(["operative", "anatomical"]))
def test_converting_there_and_back_returns_the_cup(inclination, anteversion, definition):
    there = getattr(cup_angles, f"radiographic_to_{definition}")
    back = getattr(cup_angles, f"{definition}_to_radiographic")
    assert back(*there(inclination, anteversion)) == pytest.approx(
        (inclination, anteversion), abs=1e-7
    )


@given(inclinations, anteversions, sides)
def test_the_axis_has_length_one_and_gives_its_angles_back(inclination, anteversion, side):
    axis = cup_angles.cup_axis(inclination, anteversion, side)
    assert np.linalg.norm(axis) == pytest.approx(1.0)
    assert cup_angles.angles_of_axis(7.0 * axis, side) == pytest.approx(
        (inclination, anteversion), abs=1e-9
    )


@given(inclinations, anteversions, st.floats(-30, 30))
def test_tilting_forward_undoes_tilting_backward(inclination, anteversion, tilt):
    tilted = cup_angles.tilt_pelvis(inclination, anteversion, tilt)
    assert cup_angles.tilt_pelvis(*tilted, -tilt) == pytest.approx(
        (inclination, anteversion), abs=1e-6
    )


@given(inclinations, anteversions)
def test_the_right_hip_is_the_mirror_of_the_left(inclination, anteversion):
    left = cup_angles.cup_axis(inclination, anteversion, "left")
    right = cup_angles.cup_axis(inclination, anteversion, "right")
    assert right == pytest.approx(left * [-1, 1, 1])


def test_an_ordinary_left_cup_opens_outward_downward_and_forward():
    x, y, z = cup_angles.cup_axis(40, 15, "left")
    assert x > 0
    assert y > 0
    assert z > 0


def test_draws_of_any_shape_broadcast():
    inclination = np.full((4, 1, 5), 40.0)
    anteversion = np.linspace(-10, 30, 3)[:, None]
    assert cup_angles.cup_axis(inclination, anteversion, "right").shape == (4, 3, 5, 3)
    for angle in cup_angles.tilt_pelvis(inclination, anteversion, np.zeros(5)):
        assert angle.shape == (4, 3, 5)
    for angle in cup_angles.radiographic_to_anatomical(inclination, anteversion):
        assert angle.shape == (4, 3, 5)


def test_the_undefined_angle_is_not_a_number_and_its_partner_is_still_given():
    inclination, anteversion = cup_angles.radiographic_to_operative(90.0, 0.0)
    assert inclination == pytest.approx(90.0)
    assert np.isnan(anteversion)
    inclination, anteversion = cup_angles.radiographic_to_anatomical(0.0, 0.0)
    assert inclination == pytest.approx(0.0)
    assert np.isnan(anteversion)
    inclination, anteversion = cup_angles.angles_of_axis([0.0, 0.0, 2.0], "left")
    assert np.isnan(inclination)
    assert anteversion == pytest.approx(90.0)


def test_a_side_that_is_none_is_refused():
    with pytest.raises(KeyError):
        cup_angles.cup_axis(40, 15, "both")
