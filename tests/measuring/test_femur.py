import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from xraymeasure.measuring.femur import (
    abduction_deg,
    femoral_offset_mm,
    neutral_leg_length_mm,
    signed_distance,
)


@pytest.mark.parametrize("sign", [1, -1])
@given(st.floats(5, 80), st.floats(-30, 30), st.floats(-200, 200), st.floats(-200, 200))
def test_offset_is_the_distance_across_to_the_axis(sign, offset, lean, along, slide):
    angle = np.radians(lean)
    distal = np.array([sign * np.sin(angle), np.cos(angle)])
    lateral = np.array([sign * np.cos(angle), -np.sin(angle)])
    hip = np.array([sign * 85.0, 12.0])
    on_shaft = hip + offset * lateral + along * distal
    assert femoral_offset_mm(hip, on_shaft, distal, sign) == pytest.approx(offset)
    further = on_shaft + slide * distal
    assert femoral_offset_mm(hip, further, distal, sign) == pytest.approx(offset)


@pytest.mark.parametrize("sign", [1, -1])
@given(st.floats(-25, 25))
def test_abduction_leads_away_from_the_midline(sign, angle):
    rad = np.radians(angle)
    assert abduction_deg(np.array([sign * np.sin(rad), np.cos(rad)]), sign) == pytest.approx(angle)


@given(st.floats(-20, 20), st.floats(40, 90), st.floats(0, 40))
def test_turned_to_neutral_a_leg_has_the_length_it_has_in_neutral(angle, down, across):
    hip = np.array([80.0, -15.0])
    rad = np.radians(angle)
    turn = np.array([[np.cos(rad), np.sin(rad)], [-np.sin(rad), np.cos(rad)]])
    trochanter = hip + turn @ np.array([across, down])
    shaft = turn @ np.array([0.0, 1.0])
    assert neutral_leg_length_mm(hip, trochanter, shaft) == pytest.approx(-15.0 + down)


def test_a_point_to_the_right_hand_of_a_caudal_direction_lies_to_minus_x():
    down = np.array([0.0, 1.0])
    assert signed_distance(np.array([-4.0, 9.0]), np.zeros(2), down) == 4.0
    assert signed_distance(np.array([4.0, 9.0]), np.zeros(2), down) == -4.0
