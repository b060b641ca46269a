"""What the phantom says is true, against how it was built."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xraymeasure.phantom import (
    Cup,
    Geometry,
    Head,
    Hip,
    Pelvis,
    Scenario,
    Stem,
    simulate_reading,
    truth,
)
from xraymeasure.phantom.truth import cup_angles

# Conversions of Murray DW, J Bone Joint Surg Br 1993;75-B:228-232, computed outside this project:
# radiographic -> operative and anatomical.
MURRAY = [
    (40, 15, 38.38, 19.28, 42.27, 22.63),
    (40, 20, 37.16, 25.41, 43.96, 29.52),
    (30, 5, 29.87, 5.77, 30.38, 9.92),
    (50, 25, 43.97, 35.96, 54.37, 31.33),
    (35, 10, 34.39, 12.15, 36.22, 17.09),
]


def _scene(**pelvis: float) -> Scenario:
    hips = {"left": Hip(Cup(40.0, 20.0), Head(36.0), Stem(132.0, 44.0)), "right": Hip()}
    return Scenario(hips=hips, pelvis=Pelvis(**pelvis))


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("ri, ra, oi, oa, ai, aa", MURRAY)
def test_cup_angles_agree_with_the_published_definitions(side, ri, ra, oi, oa, ai, aa):
    a, b = np.radians([ri, ra])
    axis = np.array([np.sin(a) * np.cos(b), np.cos(a) * np.cos(b), np.sin(b)])
    axis[0] *= 1.0 if side == "left" else -1.0
    found = cup_angles(axis, side)
    assert found["radiographic_inclination"] == pytest.approx(ri, abs=1e-9)
    assert found["radiographic_anteversion"] == pytest.approx(ra, abs=1e-9)
    assert found["operative_inclination"] == pytest.approx(oi, abs=0.006)
    assert found["operative_anteversion"] == pytest.approx(oa, abs=0.006)
    assert found["anatomical_inclination"] == pytest.approx(ai, abs=0.006)
    assert found["anatomical_anteversion"] == pytest.approx(aa, abs=0.006)


@pytest.mark.parametrize(
    "tilt, ri, ra", [(-10, 38.17, 12.23), (-5, 38.96, 16.14), (5, 41.31, 23.79), (10, 42.92, 27.50)]
)
def test_posterior_tilt_opens_the_cup_by_the_derived_amount(tilt, ri, ra):
    # Rotation of the axis about the transverse axis, worked outside this project.
    found = truth(_scene(tilt_deg=tilt))["measurements"]
    assert found["radiographic_inclination"]["left"] == pytest.approx(ri, abs=0.006)
    assert found["radiographic_anteversion"]["left"] == pytest.approx(ra, abs=0.006)


def test_a_sunk_left_side_is_taken_out_by_the_line_between_the_teardrops():
    found = truth(_scene(obliquity_deg=3.0))["measurements"]
    # The lowest point of a turned teardrop is another point of its round tip: 0.01 deg.
    assert found["pelvic_obliquity"]["film"]["coronal"] == pytest.approx(3.0, abs=0.02)
    assert found["radiographic_inclination"]["left"] == pytest.approx(37.0, abs=1e-6)
    assert found["radiographic_inclination_inter_teardrop"]["left"] == pytest.approx(40.0, abs=0.02)


@settings(max_examples=25, deadline=None)
@given(
    longer=st.floats(-15.0, 20.0),
    offset=st.floats(34.0, 56.0),
    side=st.sampled_from(["left", "right"]),
    medial=st.floats(-6.0, 6.0),
    cranial=st.floats(-6.0, 6.0),
)
def test_lengths_are_as_built(longer, offset, side, medial, cranial):
    other = "right" if side == "left" else "left"
    cup = Cup(42.0, 18.0, shift_mm=(medial, cranial, 0.0))
    built = Hip(cup, Head(), Stem(132.0, offset), leg_length_change_mm=longer)
    scene = Scenario(hips={side: built, other: Hip()}, operated_side=side)
    found = truth(scene)["measurements"]
    assert found["femoral_offset"][side]["coronal"] == pytest.approx(offset, abs=1e-6)
    assert found["acetabular_offset"][side]["coronal"] == pytest.approx(90.0 - medial, abs=0.05)
    # The foremost point of a trochanter shifts a little with the ray that meets it.
    difference = found["leg_length_difference"][side]
    assert difference["anatomical"] == longer
    assert difference["coronal"] == pytest.approx(longer, abs=0.6)
    assert difference["projected"] == pytest.approx(longer, abs=0.8)
    assert found["neck_shaft_angle"][side]["coronal"] == pytest.approx(132.0, abs=1e-6)


@pytest.mark.parametrize("rotation, projected", [(10, 132.44), (20, 133.78), (30, 136.11)])
def test_a_turned_femur_shows_a_blunter_neck_and_less_offset(rotation, projected):
    # tan(projected) = tan(132 deg) cos(rotation), worked outside this project.
    hip = Hip(Cup(), Head(), Stem(132.0, 44.0), rotation_deg=rotation)
    found = truth(Scenario(hips={"left": hip, "right": Hip()}))["measurements"]
    assert found["neck_shaft_angle"]["left"]["coronal"] == pytest.approx(projected, abs=0.006)
    shorter = 44.0 * np.cos(np.radians(rotation))
    assert found["femoral_offset"]["left"]["coronal"] == pytest.approx(shorter, abs=1e-6)


def test_subsidence_and_penetration_move_only_what_they_should():
    first = _scene()
    hip = first.hips["left"]
    sunk = replace(
        hip, stem=replace(hip.stem, subsidence_mm=3.0), head=replace(hip.head, penetration_mm=0.4)
    )
    later = replace(first, hips={**first.hips, "left": sunk})
    a, b = truth(first), truth(later)
    assert b["cup_centre_mm"] == a["cup_centre_mm"]
    moved = np.subtract(b["hip_centre_mm"]["left"], a["hip_centre_mm"]["left"])
    np.testing.assert_allclose(moved, [0.0, -0.4, 0.0], atol=1e-9)

    def gap(known: dict) -> float:
        marks = known["landmarks_mm"]
        return marks["stem_shoulder_left"][0][1] - marks["greater_trochanter_left"][0][1]

    assert gap(b) - gap(a) == pytest.approx(3.0, abs=0.05)


def test_placing_has_the_spread_that_was_asked_for():
    scene = _scene()
    exact = simulate_reading(scene, np.random.default_rng(0), 0.0)["landmarks"]
    names = [name for name, points in exact.items() if len(points) == 1]
    drawn = [simulate_reading(scene, np.random.default_rng(k), 1.5)["landmarks"] for k in range(40)]
    offset = np.array([[np.subtract(each[name], exact[name]) for name in names] for each in drawn])
    assert offset.size >= 600
    # Standard errors 0.09 of a mean and 0.04 of the deviation at most: three and four of them.
    assert np.abs(offset.mean(axis=(0, 1, 2))).max() < 0.25
    assert offset.std() == pytest.approx(1.5, abs=0.18)


def test_a_reading_can_be_written_and_names_only_known_landmarks():
    from xraymeasure.vocabulary.landmarks import LANDMARKS

    record = simulate_reading(_scene(), np.random.default_rng(5))
    assert json.loads(json.dumps(record)) == record
    assert set(record["landmarks"]) <= set(LANDMARKS)
    assert set(record["landmarks"]) >= {
        name for name in LANDMARKS if name.split("_")[0] not in {"cup", "stem", "neck", "marker"}
    }


def test_a_landmark_beyond_the_film_is_not_placed():
    narrow = replace(_scene(), geometry=Geometry(columns=820))
    record = simulate_reading(narrow, np.random.default_rng(5))
    assert "lesser_trochanter_left" not in record["landmarks"]
    assert "greater_trochanter_right" not in truth(narrow)["landmarks"]
    assert "teardrop_left" in record["landmarks"]
