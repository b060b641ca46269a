"""What to place next, on which side, and where to look for it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from napari_xraymeasure.session import placing_order
from napari_xraymeasure.session.placing_order import (
    Hips,
    hips_of,
    next_step,
    region,
    steps,
    wrong_side,
)

from xraymeasure.film.film import film_from_array
from xraymeasure.reading.file import read_reading
from xraymeasure.reading.reading import Reading
from xraymeasure.samples import sample_folder
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, other_side

AXES = (((0, 1), (1, 0)), ((0, -1), (1, 0)), ((0, -1), (-1, 0)), ((1, 0), (0, 1)))
side = st.sampled_from(SIDES)
hips = st.builds(Hips, *(st.sampled_from(placing_order.HIP_STATES) for _ in range(2)))


def empty(operated="left"):
    return Reading("A", "2026-01-31T10:15:00Z", operated)


def film(shape=(1240, 1400), axes=AXES[0]):
    return film_from_array(np.zeros(shape, np.uint8), patient_axes=axes)


def names(reading, state, further=False):
    return [step.name for step in steps(reading, state, further)]


def test_a_replaced_hip_beside_a_native_one_needs_nine_landmarks():
    assert names(empty(), Hips("replaced", "native")) == [
        "femoral_head_left",
        "cup_rim_left",
        "teardrop_left",
        "teardrop_right",
        "femoral_head_right",
        "lesser_trochanter_right",
        "femoral_shaft_right",
        "lesser_trochanter_left",
        "femoral_shaft_left",
    ]


def test_two_replaced_hips_need_both_rims():
    assert {"cup_rim_left", "cup_rim_right"} <= set(names(empty(), Hips("replaced", "replaced")))


@given(side, hips)
def test_no_part_of_a_prosthesis_is_asked_for_where_there_is_none(operated, state):
    for name in names(empty(operated), state, further=True):
        landmark = LANDMARKS[name]
        if landmark.side and state.of(landmark.side) != "replaced":
            assert not landmark.kind.prosthetic


@given(side, hips)
def test_no_landmark_is_listed_twice_and_the_needed_ones_are_among_all(operated, state):
    every = names(empty(operated), state, further=True)
    assert len(every) == len(set(every))
    assert set(names(empty(operated), state)) <= set(every)


def test_all_further_landmarks_of_two_replaced_hips_are_the_whole_vocabulary():
    assert set(names(empty(), Hips("replaced", "replaced"), further=True)) == set(LANDMARKS)


def test_what_is_already_placed_is_always_listed():
    reading = empty().with_points("stem_axis_left", [(10, 10), (20, 10)])
    assert "stem_axis_left" in names(reading, Hips("native", "native"))


def test_the_walk_spares_the_eye():
    """Less than half the way of the vocabulary's own order, on a film of known landmarks."""
    reading = read_reading(sample_folder() / "bilateral.reading.json")

    def way(order):
        middles = [reading.points(name).mean(axis=0) for name in order if reading.has(name)]
        return np.hypot(*np.diff(middles, axis=0).T).sum()

    walk = names(reading, Hips("replaced", "replaced"), further=True)
    assert way(walk) < 0.5 * way(LANDMARKS)


def test_next_goes_on_from_where_one_is_and_then_round():
    todo = steps(empty(), Hips("replaced", "native"))
    reading = empty().with_points("teardrop_right", [(1, 1)])
    assert next_step(reading, todo, "teardrop_left") == "femoral_head_right"
    assert next_step(reading, todo, "femoral_shaft_left") == "femoral_head_left"


def test_what_is_not_visible_is_done():
    todo = steps(empty(), Hips("replaced", "native"))
    reading = empty()
    for step in todo:
        reading = reading.with_points(step.name, ())
    assert next_step(reading, todo) is None


@pytest.mark.parametrize("name", ["well_placed", "off_plan_cup", "bilateral", "before"])
def test_the_hips_of_a_reading_are_recognised(name):
    reading = read_reading(sample_folder() / f"{name}.reading.json")
    expected = {
        "well_placed": Hips("replaced", "native"),
        "off_plan_cup": Hips("native", "replaced"),
        "bilateral": Hips("replaced", "replaced"),
        "before": Hips("native", "native"),
    }
    assert hips_of(reading) == expected[name]


@pytest.mark.parametrize("axes", AXES)
@pytest.mark.parametrize("name", ["well_placed", "off_plan_cup", "hip_centred", "bilateral"])
def test_no_landmark_of_a_right_reading_is_questioned_and_every_swapped_one_is(name, axes):
    reading = read_reading(sample_folder() / f"{name}.reading.json")
    shown = film(axes=AXES[0])
    for landmark in reading.landmarks:
        for point in reading.landmarks[landmark]:
            assert wrong_side(reading, shown, landmark, point) is None
            kind, lies = LANDMARKS[landmark].kind, LANDMARKS[landmark].side
            if lies and kind.region in ("hip", "femur"):
                swapped = f"{kind.stem}_{other_side(lies)}"
                assert wrong_side(reading, shown, swapped, point) == landmark


@pytest.mark.parametrize("axes", AXES)
def test_a_side_is_known_on_a_film_that_lies_otherwise(axes):
    shown = film(axes=axes)
    left = shown.to_pixels(np.array([100.0, 0.0]), pitch_mm=0.5)
    assert wrong_side(empty(), shown, "teardrop_left", tuple(left)) is None
    assert wrong_side(empty(), shown, "teardrop_right", tuple(left)) == "teardrop_left"


def test_near_the_assumed_midline_no_side_is_questioned():
    assert wrong_side(empty(), film(), "teardrop_left", (700, 660)) is None
    assert wrong_side(empty(), film(), "teardrop_left", (700, 400)) == "teardrop_right"


def test_the_midline_has_no_wrong_side():
    assert wrong_side(empty(), film(), "symphysis", (700, 10)) is None


@pytest.mark.parametrize("name", ["well_placed", "off_plan_cup", "bilateral"])
def test_the_region_that_is_shown_holds_the_landmark_before_it_is_placed(name):
    reading = read_reading(sample_folder() / f"{name}.reading.json")
    for landmark in reading.landmarks:
        centre, height = region(empty(), film(), landmark)
        point = reading.points(landmark).mean(axis=0)
        assert np.abs(point - centre).max() < 0.75 * height, landmark


def test_a_film_of_one_hip_is_shown_whole_until_the_landmark_is_placed():
    for shown, hips_ in ((film((1050, 700)), None), (film(), Hips("replaced", "not shown"))):
        centre, height = region(empty(), shown, "femoral_head_left", hips_)
        assert np.all(centre - height / 2 <= 0) and np.all(centre + height / 2 >= 1)
        assert height >= max(shown.shape)
    placed = empty().with_points("teardrop_left", [(500, 900)])
    assert region(placed, film((1050, 700)), "teardrop_left")[1] < 300


def test_the_region_of_the_other_side_is_the_mirror_image_of_what_is_placed():
    reading = empty().with_points("teardrop_left", [(500, 900)])
    centre, _ = region(reading, film(), "teardrop_right")
    assert centre == pytest.approx((500, 1399 - 900))
