"""The turned femur against published relations and the figures derived from them.

* Rotation of the neck: cos(rho) = tan(NSA projected) / tan(NSA true) (Weber M et al., Bone Joint J
  2015;97-B:306; abstract read). The angles are its values, to two decimals.
* A neck turned by rho shows cos(rho) of its offset under parallel rays (derived).
"""

import numpy as np
import pytest

from tests.camera import SIGN
from tests.posed import PosedBody, PosedFemur, posed_reading
from xraymeasure.measuring.fits.settle import settle
from xraymeasure.measuring.inputs import input_terms
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
