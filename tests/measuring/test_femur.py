import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from xraymeasure.measuring.femur import (
    abduction_deg,
    femoral_offset_mm,
    neck_shaft_angle_deg,
    neutral_leg_length_mm,
    signed_distance,
)


@given(st.floats(115, 150), st.floats(0.5, 80))
def test_a_neck_turned_in_space_projects_that_angle(true, rotation):
    """Turn the neck about the shaft in three dimensions and drop the depth."""
    open_by = np.radians(180.0 - true)
    turn = np.radians(rotation)
    neck = np.array([-np.sin(open_by) * np.cos(turn), -np.cos(open_by)])
    projected = neck_shaft_angle_deg(neck, np.array([0.0, 1.0]))
    # cos(rho) = tan(NSA projected) / tan(NSA true): Weber M et al., Bone Joint J 2015;97-B:306
    # (abstract read).
    cosine = np.tan(np.radians(projected)) / np.tan(np.radians(true))
    assert np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) == pytest.approx(rotation, abs=1e-4)


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


@pytest.mark.parametrize(("angle", "cost"), [(2.0, 1.1), (3.0, 1.7), (5.0, 2.8), (8.0, 4.7)])
def test_unequal_abduction_costs_what_the_references_say(angle, cost):
    """About e sin(alpha), e about 30 mm, plus the trochanter's own swing (60 mm down)."""
    rad = np.radians(angle)
    hip, shaft = np.zeros(2), np.array([np.sin(rad), np.cos(rad)])
    lateral = np.array([np.cos(rad), -np.sin(rad)])
    trochanter = 60.0 * shaft + 30.0 * lateral
    swing = 60.0 * (1.0 - np.cos(rad))
    lost = neutral_leg_length_mm(hip, trochanter, shaft) - trochanter[1]
    assert lost - swing == pytest.approx(30.0 * np.sin(rad))
    assert lost - swing == pytest.approx(cost, abs=0.55)


def test_a_point_to_the_right_hand_of_a_caudal_direction_lies_to_minus_x():
    down = np.array([0.0, 1.0])
    assert signed_distance(np.array([-4.0, 9.0]), np.zeros(2), down) == 4.0
    assert signed_distance(np.array([4.0, 9.0]), np.zeros(2), down) == -4.0
