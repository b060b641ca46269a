import pytest

from tests.camera import Body, Frame, film_and_reading, without_geometry
from xraymeasure.measuring.needs import (
    ALL,
    OF_A_HIP,
    OF_THE_FILM,
    OF_THE_INDEX_HIP,
    Requirement,
    reason_missing,
)
from xraymeasure.measuring.prepared import settle
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
        if QUANTITIES[name].unit == "deg":
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
