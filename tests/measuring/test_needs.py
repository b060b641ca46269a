import numpy as np
import pytest

from tests.camera import Body, Frame, film_and_reading, without_geometry
from xraymeasure.measuring.fits.settle import settle
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.needs import (
    ALL,
    OF_A_HIP,
    OF_THE_FILM,
    OF_THE_INDEX_HIP,
    Requirement,
    reason_missing,
    touched_by,
)
from xraymeasure.vocabulary.landmarks import KINDS, LANDMARKS
from xraymeasure.vocabulary.quantities import QUANTITIES


def test_every_measurement_belongs_to_a_hip_to_the_index_hip_or_to_the_film():
    assert set(OF_A_HIP) | set(OF_THE_INDEX_HIP) | set(OF_THE_FILM) == set(QUANTITIES) == set(ALL)
    assert len(OF_A_HIP) + len(OF_THE_INDEX_HIP) + len(OF_THE_FILM) == len(ALL)


def test_only_known_landmarks_are_required():
    stems = {kind.stem for kind in KINDS}
    for name, requirement in ALL.items():
        assert {*requirement.own, *requirement.both, *requirement.film} <= stems, name


@pytest.mark.parametrize("name", sorted(ALL))
@pytest.mark.parametrize("reference", ["inter_teardrop", "bi_ischial"])
def test_what_is_required_is_named_as_in_the_files(name, reference):
    side = None if name in OF_THE_FILM else "right"
    names = ALL[name].landmarks(side, reference)
    assert set(names) <= set(LANDMARKS)
    assert len(set(names)) == len(names)
    if ALL[name].reference:
        stem = {"inter_teardrop": "teardrop", "bi_ischial": "ischium"}[reference]
        assert {f"{stem}_left", f"{stem}_right"} <= set(names)


def test_lengths_need_a_scale_and_angles_do_not():
    for name, requirement in ALL.items():
        # Rotations, of a neck and of the pelvis, follow from depths, which are in millimetres.
        rotations = ("femoral_rotation", "pelvic_rotation")
        if QUANTITIES[name].unit == "deg" and name not in rotations:
            assert not requirement.scale, name
        if QUANTITIES[name].unit == "mm" and not requirement.detector_pitch:
            assert requirement.scale, name


def why(requirement, *, film=None, change=lambda reading: reading, **known):
    body, frame = Body(), Frame()
    given = frame.film() if film is None else film(frame)
    _, reading = film_and_reading(body, frame, **known)
    return reason_missing(requirement, "left", settle(given, change(reading)))


RIM = Requirement(own=("cup_rim",))


def test_the_landmark_that_lacks_is_named():
    assert why(RIM, change=lambda reading: reading.without("cup_rim_left")) == (
        "cup_rim_left is not placed"
    )


def test_the_landmark_that_cannot_be_seen_is_named():
    assert why(RIM, change=lambda reading: reading.with_points("cup_rim_left", [])) == (
        "cup_rim_left is not visible on this film"
    )


def test_the_lacking_reference_line_is_explained():
    def change(reading):
        return reading.without("teardrop_left").without("ischium_left").without("ischium_right")

    assert why(Requirement(own=("cup_rim",), reference=True), change=change) == (
        "there is no reference line: teardrop_left, ischium_left, ischium_right not placed"
    )


def test_the_lacking_scale_is_explained():
    assert "no scale" in why(Requirement(scale=True), head_diameter_mm={})


def test_the_lacking_pitch_and_the_lacking_distance_are_told_apart():
    needs = Requirement(own=("femoral_head",), detector_pitch=True)
    assert "pixel spacing at the detector" in why(needs, film=without_geometry)
    unknown = why(
        needs,
        film=lambda frame: frame.film(source_detector_mm=None),
        source_detector_mm=None,
    )
    assert "distance from source to detector" in unknown


def touched(landmark, **known):
    film, reading = film_and_reading(Body(), Frame(), **known)
    return set(touched_by(landmark, settle(film, reading)))


@pytest.mark.parametrize(
    ("landmark", "names"),
    [
        ("symphysis", {"pelvic_tilt_indicator", "pelvic_rotation"}),
        ("femoral_head_right", {"femoral_offset", "global_offset", "leg_length_difference"}),
        ("femoral_shaft_left", {"femoral_offset", "global_offset", "leg_length_difference"}),
        ("teardrop_right", {"radiographic_inclination", "leg_length_difference"}),
        ("obturator_foramen_left", {"obturator_ratio"}),
    ],
)
def test_a_landmark_touches_whatever_is_computed_from_it(landmark, names):
    assert names <= touched(landmark)


def test_the_outline_that_gives_the_scale_touches_every_length():
    lengths = {name for name, needed in ALL.items() if needed.scale}
    assert lengths <= touched("femoral_head_left")
    assert not {"pelvic_tilt_indicator"} & touched("femoral_head_right")


def test_what_a_number_rests_on_touches_it():
    """Moving a landmark moves no number that it is not said to touch."""
    film, reading = film_and_reading(Body(obliquity_deg=2.0))
    whole = {(r.name, r.side): r.value for r in measure(film, reading, draws=0).rows if r.primary}
    for name in reading.landmarks:
        if not reading.has(name):
            continue
        shifted = reading.with_points(name, np.add(reading.points(name), (3.0, 2.0)))
        moved = measure(film, shifted, draws=0)
        touched = touched_by(name, settle(film, reading))
        for row in moved.rows:
            if row.primary and abs(row.value - whole[row.name, row.side]) > 1e-6:
                assert row.name in touched, (name, row.name)
