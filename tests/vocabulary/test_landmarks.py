import pytest

from xraymeasure.measuring.needs import ALL
from xraymeasure.vocabulary.landmarks import KINDS, LANDMARKS, SIDES, landmark_name, other_side
from xraymeasure.vocabulary.quantities import METHODS, QUANTITIES, SOURCES

# The vocabulary of the file format: name without side, least and most points.
VOCABULARY = {
    "teardrop": (1, 1),
    "ischium": (1, 1),
    "femoral_head": (3, None),
    "cup_rim": (5, None),
    "cup_shell": (3, None),
    "lesser_trochanter": (1, 1),
    "greater_trochanter": (1, 1),
    "femoral_shaft": (2, None),
    "stem_axis": (2, 2),
    "neck_axis": (2, 2),
    "stem_shoulder": (1, 1),
    "symphysis": (1, 1),
    "sacrococcygeal_joint": (1, 1),
    "obturator_foramen": (4, 4),
    "marker_sphere": (3, None),
}
WITHOUT_A_SIDE = {"symphysis", "sacrococcygeal_joint", "marker_sphere"}


def test_the_vocabulary_is_the_one_of_the_file_format():
    assert {kind.stem: (kind.minimum, kind.maximum) for kind in KINDS} == VOCABULARY
    assert {kind.stem for kind in KINDS if not kind.sided} == WITHOUT_A_SIDE


def test_every_sided_landmark_stands_on_both_sides():
    names = {f"{stem}_{side}" for stem in VOCABULARY.keys() - WITHOUT_A_SIDE for side in SIDES}
    assert set(LANDMARKS) == names | WITHOUT_A_SIDE
    for name, landmark in LANDMARKS.items():
        assert landmark.name == name == landmark_name(landmark.kind.stem, landmark.side)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.stem)
def test_a_person_is_told_what_it_is_how_to_place_it_and_how_well(kind):
    assert kind.title[0].isupper()
    assert kind.place.endswith(".")
    assert 0.1 <= kind.placing_sd_mm <= 5.0
    assert kind.placing_source


def test_a_landmark_says_which_side_a_person_should_look_at():
    assert LANDMARKS["teardrop_left"].title == "Teardrop, left"
    assert LANDMARKS["symphysis"].title == "Pubic symphysis"


def test_across_the_midline_and_back():
    assert [other_side(side) for side in SIDES] == ["right", "left"]


def test_every_measurement_has_words_and_what_it_rests_on():
    assert set(ALL) == set(QUANTITIES)
    for quantity in QUANTITIES.values():
        assert quantity.unit in ("deg", "mm", "px", "1")
        assert quantity.label and quantity.meaning.endswith(".") and quantity.pitfall.endswith(".")


# The names of the measurements file.
PROMISED = {
    "magnification",
    "head_diameter_px",
    "radiographic_inclination",
    "radiographic_anteversion",
    "leg_length_difference",
    "femoral_offset",
    "acetabular_offset",
    "global_offset",
    "hip_centre_height",
    "hip_centre_lateral",
    "neck_shaft_angle",
    "stem_alignment",
    "femoral_abduction",
    "pelvic_obliquity",
    "operative_inclination",
    "operative_anteversion",
    "anatomical_inclination",
    "anatomical_anteversion",
}


def test_every_measurement_that_the_file_promises_exists():
    assert set(QUANTITIES) >= PROMISED
    assert {"ellipse", "perspective", "raw", "femur_neutral", "projected"} <= set(METHODS)
    assert {"rotation_corrected"} <= set(METHODS)
    assert set(SOURCES) == {
        "placing",
        "diameter",
        "geometry",
        "depth",
        "rotation",
        "posture",
        "anatomy",
    }
