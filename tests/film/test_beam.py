"""Orientation and the assumed place of the central ray, from DICOM's definitions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from xraymeasure.film.beam import (
    Collimator,
    FieldOfView,
    NotFrontal,
    axes_from_patient_orientation,
    beam_centre,
)

# What the numpy operation that makes the display of the usual one (L\F) leaves along its rows and
# columns: DICOM PS3.3 C.7.6.1.1.1, first the direction of the rows, then of the columns.
DISPLAYS = {
    ("L", "F"): lambda film: film,
    ("R", "F"): np.fliplr,
    ("L", "H"): np.flipud,
    ("R", "H"): lambda film: np.rot90(film, 2),
    ("F", "L"): np.transpose,
    ("F", "R"): lambda film: np.rot90(film, 1),
    ("H", "L"): lambda film: np.rot90(film, -1),
    ("H", "R"): lambda film: np.rot90(film.T, 2),
}


def placed(axes, point, shape):
    """Patient x, y of a pixel, in pixels from the image centre."""
    return np.array(axes) @ (np.array(point) - (np.array(shape) - 1) / 2)


@pytest.mark.parametrize("orientation", DISPLAYS)
def test_a_pixel_keeps_its_place_in_the_patient_however_it_is_displayed(orientation):
    usual = np.zeros((5, 8))
    usual[1, 6] = 1
    shown = DISPLAYS[orientation](usual)
    axes, note = axes_from_patient_orientation(orientation)
    (point,) = np.argwhere(shown)
    np.testing.assert_array_equal(
        placed(axes, point, shown.shape), placed(((0, 1), (1, 0)), (1, 6), (5, 8))
    )
    assert "\\".join(orientation) in note


@pytest.mark.parametrize(
    "orientation, word",
    [("LF", "usual"), ("RF", "mirrored"), ("LH", "mirrored"), ("RH", "turned"), ("FR", "turned")],
)
def test_the_note_says_how_the_film_is_displayed(orientation, word):
    assert word in axes_from_patient_orientation(list(orientation))[1]


@pytest.mark.parametrize("orientation", [["LF", "FR"], ["LA", "FP"]])
def test_of_an_oblique_direction_the_principal_letter_counts(orientation):
    axes, note = axes_from_patient_orientation(orientation)
    assert axes == ((0, 1), (1, 0))
    assert "oblique" in note


@pytest.mark.parametrize(
    "values, words",
    [
        ([], "no Patient Orientation"),
        ([""], "no Patient Orientation"),
        (["L"], "cannot be understood"),
        (["L", ""], "cannot be understood"),
        (["X", "Y"], "cannot be understood"),
        (["L", "F", "F"], "cannot be understood"),
        (["L", "R"], "contradicts itself"),
        (["F", "F"], "contradicts itself"),
    ],
)
def test_an_orientation_that_says_nothing_is_assumed_with_words(values, words):
    axes, note = axes_from_patient_orientation(values)
    assert axes == ((0, 1), (1, 0))
    assert words in note
    assert "assumed" in note


def test_letters_of_a_quadruped_are_not_taken_for_a_person():
    axes, note = axes_from_patient_orientation(["R", "V"], biped=False)
    assert axes == ((0, 1), (1, 0))
    assert "quadruped" in note


@pytest.mark.parametrize("values", [["A", "F"], ["P", "F"], ["PL", "F"], ["L", "A"]])
def test_a_lateral_film_is_not_frontal(values):
    with pytest.raises(NotFrontal):
        axes_from_patient_orientation(values)


def test_the_middle_of_the_image_is_between_the_middle_pixels():
    assert beam_centre((4, 7))[0] == (1.5, 3.0)


@pytest.mark.parametrize(
    "edges, centre",
    [
        # PS3.3 C.8.7.3: rows and columns count from 1.
        ((11, 31, 21, 61), (40.0, 20.0)),
        # The whole image, written as its first and last pixels or just beyond them.
        ((1, 200, 1, 100), (49.5, 99.5)),
        ((0, 201, 0, 101), (49.5, 99.5)),
        # Beyond the image on one side, not cut off there.
        ((-40, 101, 21, 61), (40.0, 29.5)),
    ],
)
def test_the_centre_of_the_collimated_field(edges, centre):
    found, note = beam_centre((100, 200), Collimator(edges=edges))
    assert found == centre
    assert "collimated" in note


@pytest.mark.parametrize("edges", [(1, 101, 21, 61), (31, 11, 21, 61), (11, 31, 21, 100)])
def test_a_collimator_that_may_be_cut_off_does_not_tell(edges):
    found, note = beam_centre((100, 200), Collimator(edges=edges))
    assert found == (49.5, 99.5)
    assert "do not tell" in note


def test_a_round_collimator_tells_its_centre():
    assert beam_centre((100, 200), Collimator(centre=(31, 51)))[0] == (30, 50)
    assert beam_centre((100, 200), Collimator(centre=(31, 510)))[0] == (49.5, 99.5)


ROTATIONS = st.sampled_from([0, 90, 180, 270])


@given(
    rotation=ROTATIONS,
    flipped=st.booleans(),
    top=st.integers(0, 30),
    left=st.integers(0, 30),
    rows=st.integers(5, 20),
    columns=st.integers(5, 20),
)
def test_the_detector_centre_follows_crop_rotation_and_flip(
    rotation, flipped, top, left, rows, columns
):
    # A detector of 41 x 51 elements whose central one is marked; the image is cut from it, turned
    # clockwise, then flipped (PS3.3 C.8.11.4.1.1), by numpy.
    detector = np.zeros((41, 51))
    detector[20, 25] = 1
    film = np.pad(detector, 40)[40 + top : 40 + top + rows, 40 + left : 40 + left + columns]
    film = np.rot90(film, -rotation // 90)
    film = film[:, ::-1] if flipped else film
    field = FieldOfView(
        origin=(top, left),
        rotation_deg=rotation,
        flipped=flipped,
        element_mm=(0.3, 0.2),
        active_mm=(41 * 0.3, 51 * 0.2),
        active_origin=(0, 0),
    )
    pitch = (0.3, 0.2) if rotation in (0, 180) else (0.2, 0.3)
    centre, note = beam_centre(film.shape, field=field, pitch_mm=pitch)
    for point in np.argwhere(film):
        np.testing.assert_allclose(centre, point, atol=1e-9)
        assert "active area" in note


def test_binned_pixels_and_an_offset_active_area():
    # Elements of 0.1 mm binned two by two: element 100 of the active area's middle, 20 cut away,
    # is 80 elements, 40 pixels from the edge.
    field = FieldOfView((20, 20), 0, False, (0.1, 0.1), (16.0, 16.0), (20, 20))
    assert beam_centre((80, 80), field=field, pitch_mm=(0.2, 0.2))[0] == pytest.approx((39.5, 39.5))


def test_a_detector_centre_far_off_the_image_is_not_believed():
    field = FieldOfView((9000, 0), 0, False, (0.1, 0.1), (40.0, 40.0), (0, 0))
    centre, note = beam_centre((80, 80), field=field, pitch_mm=(0.2, 0.2))
    assert centre == (39.5, 39.5)
    assert "do not tell" in note
