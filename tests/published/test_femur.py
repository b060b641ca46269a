"""Femur and reference line against published relations and the figures derived from them.

* Rotation of the neck: cos(rho) = tan(NSA projected) / tan(NSA true) (Weber M et al., Bone Joint J
  2015;97-B:306).
* Everything else follows from the geometry and was computed once apart from this code.
"""

import numpy as np
import pytest

from tests.camera import SIGN, Body, film_and_reading
from tests.posed import PosedBody, PosedFemur, posed_reading
from xraymeasure.measuring.femur import femoral_offset_mm, neutral_leg_length_mm
from xraymeasure.measuring.inputs import input_terms
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.model import evaluate
from xraymeasure.measuring.prepared import settle
from xraymeasure.measuring.uncertainty import at_means

HIPS = {"left": np.array([90.0, -15.0, 150.0]), "right": np.array([-90.0, -15.0, 150.0])}
PELVIS = {
    "teardrop_left": np.array([[58.0, 0.0, 150.0]]),
    "teardrop_right": np.array([[-58.0, 0.0, 150.0]]),
}

# True neck-shaft angle, rotation of the neck, projected angle (2 decimals).
TURNED = [
    (135, 10, 135.44),
    (135, 20, 136.78),
    (135, 30, 139.11),
    (135, 40, 142.55),
    (132, 10, 132.44),
    (132, 20, 133.78),
    (132, 30, 136.11),
]


def agreement_of_a_neck(true_deg, rotation_deg):
    """Return the projected angle of an upright turned femur, and what the model makes of it."""
    femur = PosedFemur(flexion=0.0, rotation=rotation_deg, adduction=0.0, neck_shaft=true_deg)
    # Parallel rays, as the relation has them: a tube ten kilometres off.
    body = PosedBody("left", dict.fromkeys(SIGN, femur), HIPS, PELVIS, sid=1e7)
    film, reading = posed_reading(body, np.random.default_rng(1))
    setting = settle(film, reading)
    inputs = at_means(input_terms(setting))
    inputs["flexion"], inputs["turn"] = np.zeros((1, 1)), np.full((1, 1), float(rotation_deg))
    numbers = evaluate(setting, inputs)
    seen = numbers["neck_shaft_angle", "left", "projected"][0]
    return seen, numbers["agreement", "left", "neck_shaft"][0]


@pytest.mark.parametrize(("true", "rotation", "projected"), TURNED)
def test_a_turned_neck_opens_as_published(true, rotation, projected):
    seen, disagreement = agreement_of_a_neck(true, rotation)
    assert seen == pytest.approx(projected, abs=0.006)
    assert disagreement == pytest.approx(0.0, abs=1e-3)


# Rotation of the neck, percent by which the projected offset is too small.
SHORTENED = [(10, 1.5), (15, 3.4), (20, 6.0), (25, 9.4), (30, 13.4)]


@pytest.mark.parametrize(("rotation", "percent"), SHORTENED)
def test_a_turned_neck_shortens_the_offset(rotation, percent):
    offset, turn = 44.0, np.radians(rotation)
    on_shaft = np.array([offset * np.cos(turn), 60.0])
    seen = femoral_offset_mm(np.zeros(2), on_shaft, np.array([0.0, 1.0]), 1)
    assert 100.0 * (1.0 - seen / offset) == pytest.approx(percent, abs=0.05)


# Unequal abduction, millimetres that it adds to the raw leg length (trochanter 30 mm from the axis
# through the hip centre).
ABDUCTED = [(2, 1.1), (3, 1.7), (5, 2.8), (8, 4.7)]


@pytest.mark.parametrize(("abduction", "millimetres"), ABDUCTED)
def test_unequal_abduction_is_taken_out_of_leg_length(abduction, millimetres):
    """About e sin(alpha); the trochanter lies 59 mm down the shaft, which adds the last digit."""
    hip, alpha = np.array([90.0, -18.0]), np.radians(abduction)

    def placed(angle):
        shaft = np.array([np.sin(angle), np.cos(angle)])
        lateral = np.array([np.cos(angle), -np.sin(angle)])
        return hip + 59.0 * shaft + 30.0 * lateral, shaft

    straight, abducted = placed(0.0), placed(alpha)
    assert (straight[0] - abducted[0])[1] == pytest.approx(millimetres, abs=0.05)
    assert neutral_leg_length_mm(hip, *abducted) == pytest.approx(
        neutral_leg_length_mm(hip, *straight), abs=1e-9
    )


def moved_teardrop(millimetres):
    """Return the change of inclination when one teardrop is placed so much lower."""
    body = Body(depth={})
    film, reading = film_and_reading(body)
    per_px = measure(film, reading, draws=0).mm_per_px
    (row, column), *_ = reading.landmarks["teardrop_left"]
    lower = reading.with_points("teardrop_left", [(row + millimetres / per_px, column)])
    before, after = (
        measure(film, each, draws=0).primary("radiographic_inclination").value
        for each in (reading, lower)
    )
    return after - before


def test_a_millimetre_over_a_reference_line_of_110_is_half_a_degree():
    """Meermans G et al., Clin Orthop Relat Res 2011;469:1677-1682, on the reference line."""
    assert np.degrees(np.arctan(1.0 / 110.0)) == pytest.approx(0.5, abs=0.05)
    # The teardrops of this body are 114 mm apart.
    assert abs(moved_teardrop(1.0)) == pytest.approx(np.degrees(np.arctan(1.0 / 114.0)), abs=0.01)


def test_inter_teardrop_and_bi_ischial_lines_differ_by_what_was_placed():
    """Their disagreement is reported as two obliquities; Meermans: only one follows the legs."""
    film, reading = film_and_reading(Body(obliquity_deg=2.0))
    obliquity = {
        row.method: row.value
        for row in measure(film, reading, draws=0).rows
        if row.name == "pelvic_obliquity"
    }
    assert obliquity["inter_teardrop"] == pytest.approx(2.0, abs=0.01)
    assert obliquity["bi_ischial"] == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize("side", list(SIGN))
def test_global_offset_is_femoral_plus_acetabular_offset(side):
    film, reading = film_and_reading(Body(side=side))
    measured = measure(film, reading, draws=0)
    acetabular = measured.primary("acetabular_offset").value
    femoral, whole = (
        measured.by_method(f"{name}_offset", "projected").value for name in ("femoral", "global")
    )
    assert whole == pytest.approx(femoral + acetabular)
