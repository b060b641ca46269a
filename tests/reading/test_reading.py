from dataclasses import FrozenInstanceError

import numpy as np
import pytest

from xraymeasure.errors import ReadingError
from xraymeasure.reading.reading import Reading, check_complete, known_landmark


@pytest.fixture
def reading():
    return Reading(reader="A", read_at="2026-01-31T10:15:00Z", operated_side="left")


def test_an_edit_gives_another_reading_and_leaves_the_old_one_for_undo(reading):
    placed = reading.with_points("teardrop_left", [(10, 20.5)])
    moved = placed.with_points("teardrop_left", [(11, 20.5)])
    assert reading.landmarks == {}
    assert placed.landmarks["teardrop_left"] == ((10.0, 20.5),)
    assert moved.landmarks["teardrop_left"] == ((11.0, 20.5),)
    assert moved.without("teardrop_left") == reading


def test_a_reading_cannot_be_changed_in_place(reading):
    with pytest.raises(FrozenInstanceError):
        reading.reader = "B"


def test_points_come_as_rows_and_columns(reading):
    placed = reading.with_points("femoral_head_left", np.arange(8).reshape(4, 2))
    assert placed.points("femoral_head_left").tolist() == [[0, 1], [2, 3], [4, 5], [6, 7]]
    assert placed.points("femoral_head_right").shape == (0, 2)


def test_looked_for_and_not_visible_is_not_the_same_as_not_yet_placed(reading):
    looked = reading.with_points("ischium_left", [])
    assert looked.not_visible("ischium_left") and not looked.has("ischium_left")
    assert not reading.not_visible("ischium_left")
    assert not looked.with_points("ischium_left", [(1, 2)]).not_visible("ischium_left")


def test_a_landmark_is_there_when_it_has_the_points_it_needs(reading):
    four = reading.with_points("cup_rim_left", [(i, i * i) for i in range(4)])
    five = reading.with_points("cup_rim_left", [(i, i * i) for i in range(5)])
    assert not four.has("cup_rim_left") and five.has("cup_rim_left")
    assert not five.has("cup_rim_left", "teardrop_left")


def test_the_complete_part_is_what_can_be_measured(reading):
    placing = (
        reading.with_points("cup_rim_left", [(0, 0), (1, 5)])
        .with_points("ischium_left", [])
        .with_points("teardrop_left", [(3, 4)])
    )
    with pytest.raises(ReadingError):
        check_complete(placing)
    complete = placing.complete_part()
    check_complete(complete)
    assert set(complete.landmarks) == {"ischium_left", "teardrop_left"}
    assert complete.not_visible("ischium_left")


@pytest.mark.parametrize(
    ("name", "points", "words"),
    [
        ("cup_rim_left", 4, r"landmarks\.cup_rim_left: too few points \(4\).*at least 5"),
        ("femoral_head_right", 2, r"landmarks\.femoral_head_right: too few points \(2\)"),
        ("femoral_shaft_left", 1, r"landmarks\.femoral_shaft_left: too few points \(1\)"),
        ("stem_axis_left", 1, r"landmarks\.stem_axis_left: too few points \(1\).*needs 2"),
        ("obturator_foramen_left", 3, r"landmarks\.obturator_foramen_left: too few.*needs 4"),
        ("marker_sphere", 2, r"landmarks\.marker_sphere: too few points \(2\).*at least 3"),
    ],
)
def test_too_few_points_are_named_with_how_many_are_needed(reading, name, points, words):
    placed = reading.with_points(name, [(i, i * i) for i in range(points)])
    with pytest.raises(ReadingError, match=words):
        check_complete(placed)


@pytest.mark.parametrize(
    ("name", "most"), [("teardrop_left", 3), ("stem_axis_right", 2), ("obturator_foramen_left", 4)]
)
def test_too_many_points_are_named_with_how_many_it_takes(reading, name, most):
    words = rf"{name}: too many points \({most + 1}\).*takes {most}"
    with pytest.raises(ReadingError, match=words):
        reading.with_points(name, [(i, i) for i in range(most + 1)])


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_a_coordinate_that_is_not_a_number_is_named(reading, value):
    with pytest.raises(ReadingError, match=r"landmarks\.teardrop_left: .* is not a point"):
        reading.with_points("teardrop_left", [(3.0, value)])


def test_an_unknown_landmark_is_named_with_the_known_ones(reading):
    with pytest.raises(ReadingError, match=r"landmarks\.tear_drop: unknown.*teardrop_left"):
        reading.with_points("tear_drop", [(1, 2)])
    with pytest.raises(ReadingError, match=r"placing_sd_px\.teardrop: unknown landmark"):
        known_landmark("teardrop", "placing_sd_px")


def test_a_point_placed_again_lies_in_the_middle_of_its_placements(reading):
    again = reading.with_points("teardrop_left", [(10.0, 20.0), (13.0, 20.0), (10.0, 26.0)])
    assert again.place("teardrop_left") == pytest.approx([11.0, 22.0])
    assert len(again.points("teardrop_left")) == 3
