"""Femur and reference line against published relations and the figures derived from them.

* Rotation of the neck: cos(rho) = tan(NSA projected) / tan(NSA true) (Weber M et al., Bone Joint J
  2015;97-B:306; abstract read). The angles are its values, to two decimals.
* A neck turned by rho shows cos(rho) of its offset under parallel rays (derived).
"""

import numpy as np
import pytest

from tests.camera import SIGN, Body, film_and_reading
from tests.posed import PosedBody, PosedFemur, posed_reading
from xraymeasure.measuring.fits.settle import settle
from xraymeasure.measuring.inputs import input_terms
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.model import evaluate

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


def turned_neck(true_deg, rotation_deg):
    """Return what the film shows of an upright turned femur, cast by the tests' camera.

    The projected neck-shaft angle, what the model makes of it, and the projected offset.
    """
    femur = PosedFemur(flexion=0.0, rotation=rotation_deg, adduction=0.0, neck_shaft=true_deg)
    # Parallel rays, as the relation has them: a tube ten kilometres off.
    body = PosedBody("left", dict.fromkeys(SIGN, femur), HIPS, PELVIS, sid=1e7)
    film, reading = posed_reading(body, np.random.default_rng(1))
    setting = settle(film, reading)
    inputs = {term.key: term.mean[:, None] for term in input_terms(setting)}
    inputs["flexion"], inputs["turn"] = np.zeros((1, 1)), np.full((1, 1), float(rotation_deg))
    numbers = evaluate(setting, inputs)
    return (
        numbers["neck_shaft_angle", "left", "projected"][0],
        numbers["agreement", "left", "neck_shaft"][0],
        numbers["femoral_offset", "left", "projected"][0],
    )


@pytest.mark.parametrize(("true", "rotation", "projected"), TURNED)
def test_a_turned_neck_opens_as_published_and_shortens_its_offset(true, rotation, projected):
    angle, disagreement, offset = turned_neck(true, rotation)
    assert angle == pytest.approx(projected, abs=0.006)
    assert disagreement == pytest.approx(0.0, abs=1e-3)
    assert offset == pytest.approx(PosedFemur.offset * np.cos(np.radians(rotation)), abs=0.02)


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


def test_a_millimetre_at_a_teardrop_turns_the_inclination_by_half_a_degree():
    # The teardrops of this body are 114 mm apart (derived).
    assert abs(moved_teardrop(1.0)) == pytest.approx(np.degrees(np.arctan(1.0 / 114.0)), abs=0.01)


def test_inter_teardrop_and_bi_ischial_lines_differ_by_what_was_placed():
    """Only the inter-teardrop line gave the true leg length on films of 52 patients (Meermans G
    et al., Clin Orthop Relat Res 2011;469:1677-1682; abstract read): both are told, one is used.
    """
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
