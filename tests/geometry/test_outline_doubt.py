"""A rim that is really a head: circles and ellipses drawn by their own equations."""

import numpy as np
import pytest

from xraymeasure.geometry.outline_doubt import rim_like_a_head
from xraymeasure.reading.reading import Reading

EMPTY = Reading("A", "2026-01-31T10:15:00Z", "left")


def ellipse(major, ratio, count=8, centre=(500.0, 600.0)):
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.column_stack(
        [centre[0] + major * ratio * np.sin(turn), centre[1] + major * np.cos(turn)]
    )


@pytest.mark.parametrize(
    ("anteversion_deg", "asked"),
    [(5, False), (15, False), (30, False), (45, False), (70, True), (85, True)],
)
def test_a_rim_no_cup_has_is_doubted(anteversion_deg, asked):
    # The axis ratio of a circle that is seen under an angle is the angle's sine.
    ratio = np.sin(np.radians(anteversion_deg))
    reading = EMPTY.with_points("cup_rim_left", ellipse(80, ratio))
    said = rim_like_a_head(reading, "cup_rim_left")
    assert bool(said) is asked
    if asked:
        assert f"about {anteversion_deg}°" in said


def test_a_rim_on_the_placed_head_is_doubted_and_a_wider_one_is_not():
    head = EMPTY.with_points("femoral_head_left", ellipse(60, 1.0))
    same = head.with_points("cup_rim_left", ellipse(61, 0.98))
    wider = head.with_points("cup_rim_left", ellipse(90, 0.98))
    assert "as large as the head" in rim_like_a_head(same, "cup_rim_left")
    assert rim_like_a_head(wider, "cup_rim_left") == ""


def test_only_a_rim_is_doubted():
    reading = EMPTY.with_points("femoral_head_left", ellipse(60, 1.0))
    assert rim_like_a_head(reading, "femoral_head_left") == ""
