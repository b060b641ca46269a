"""Whether two films of a hip may be compared: every limit, and what it bears on."""

from dataclasses import replace

import pytest

from xraymeasure.change.positioning import Comparable, Visit, compare_films, visit_of
from xraymeasure.measuring.results import Measurement, Measurements, Missing
from xraymeasure.reading.reading import FilmBinding, Reading

# An invented film; u = 0.5 throughout.
FILM = {
    "magnification": (1.20, "1", None),
    "pelvic_tilt_indicator": (40.0, "mm", None),
    "pelvic_rotation_indicator": (1.0, "mm", None),
    "obturator_ratio": (1.00, "1", None),
    "femoral_rotation": (20.0, "deg", "left"),
    "hip_centre_left_of_beam": (90.0, "mm", "left"),
    "hip_centre_caudal_of_beam": (10.0, "mm", "left"),
}


def visit(without=(), missing=None, **changed):
    rows = tuple(
        Measurement(
            name, side, changed.get(name, value), unit, 0.0, 0.0, "landmarks", True, None,
            standard_uncertainty=0.5,
        )
        for name, (value, unit, side) in FILM.items()
        if name not in without
    )  # fmt: skip
    film = Measurements(
        FilmBinding(), "A", "2024-01-01T00:00:00Z", "left", rows, missing or (), (), (), 0.2, ()
    )
    return Visit(0.0, film, view="AP", posture="supine")


# Limits: references, "Two films are comparable" (a proposal, no standard); centring: ours.
@pytest.mark.parametrize(
    ("quantity", "within", "beyond", "criterion"),
    [
        ("magnification", 1.20 * 1.049, 1.20 * 1.051, "magnification"),
        ("magnification", 1.20 * 0.951, 1.20 * 0.949, "magnification"),
        ("pelvic_tilt_indicator", 44.9, 45.1, "pelvic_tilt"),
        ("pelvic_tilt_indicator", 35.1, 34.9, "pelvic_tilt"),
        ("pelvic_rotation_indicator", -3.9, -4.1, "pelvic_rotation"),
        ("obturator_ratio", 1.149, 1.151, "obturator_ratio"),
        ("femoral_rotation", 29.9, 30.1, "femoral_rotation"),
        ("hip_centre_left_of_beam", 119.0, 121.0, "centring_lateral"),
        ("hip_centre_caudal_of_beam", -19.0, -21.0, "centring_vertical"),
    ],
)
def test_films_compare_up_to_the_limit_and_not_beyond(quantity, within, beyond, criterion):
    assert not compare_films(visit(**{quantity: within}), visit()).failed("femur")
    found = compare_films(visit(**{quantity: beyond}), visit())
    assert [check.name for check in found.failed("femur")] == [criterion]
    assert found.why("femur")


def test_a_reason_names_the_numbers():
    found = compare_films(visit(pelvic_tilt_indicator=47.2), visit())
    assert "+7.2 mm" in found.why()
    # 1.96 sqrt(2) 0.5
    assert "5 is the limit" in found.why() and "alone explains 1.4" in found.why()


def test_a_difference_that_the_readings_explain_asks_for_another_reading():
    # u = 0.5 explains 1.4 of a ratio: more than the limit of 0.15.
    found = compare_films(visit(obturator_ratio=1.5), visit())
    assert "placing these points again may settle it" in found.why()
    assert "placing" not in compare_films(visit(pelvic_tilt_indicator=47.2), visit()).why()


def test_limits_can_be_changed():
    tilted = visit(pelvic_tilt_indicator=48.0)
    assert compare_films(tilted, visit()).failed()
    loose = Comparable(pelvic_tilt_mm=10.0)
    assert not compare_films(tilted, visit(), loose).failed()


def test_another_view_cannot_be_compared():
    found = compare_films(replace(visit(), view="PA"), visit())
    assert found.other_view == "AP on the earlier film, PA on the later one"
    assert compare_films(visit(), visit()).other_view == ""
    unknown = compare_films(replace(visit(), view=None), visit())
    assert unknown.other_view == ""
    assert [check.name for check in unknown.checks if check.passed is None] == ["view"]


def test_another_posture_is_pointed_out():
    found = compare_films(replace(visit(), posture="standing"), visit())
    assert [check.name for check in found.failed()] == ["posture"]


def test_a_turned_femur_bears_only_on_what_is_measured_on_it():
    found = compare_films(visit(femoral_rotation=40.0), visit())
    assert not found.failed("pelvis")
    assert found.failed("femur")


def test_a_stem_of_unknown_angle_leaves_its_rotation_unchecked():
    unknown = visit(
        without=("femoral_rotation",),
        missing=(Missing("femoral_rotation", "left", None, "no angle"),),
    )
    check = compare_films(unknown, visit()).checks[-1]
    assert check.passed is None
    assert "no angle" in check.text


def test_a_visit_takes_posture_and_the_outline_of_the_cup_from_its_reading():
    points = {"cup_rim_left": ((0.0, 0.0),) * 5}
    reading = Reading("A", "2024-01-01T00:00:00Z", "left", landmarks=points, posture="standing")
    film = visit().measurements
    assert visit_of(1.0, film, reading).posture == "standing"
    assert visit_of(1.0, film, reading).cup_centre_from == "rim"
    with_shell = replace(reading, landmarks={**points, "cup_shell_left": ((0.0, 0.0),) * 3})
    assert visit_of(1.0, film, with_shell).cup_centre_from == "shell"
    assert visit_of(1.0, film, replace(reading, landmarks={})).cup_centre_from is None
