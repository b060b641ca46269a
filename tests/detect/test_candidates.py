"""Heads on films clipped to white, drawn as discs, bars and half-planes by hand."""

import numpy as np
import pytest

from xraymeasure.detect.candidates import circle_votes, find_candidates
from xraymeasure.detect.field import Field
from xraymeasure.vocabulary.landmarks import SIDES


def white_film(side, *, neck=True, head=True, shell=False):
    """A head of 18 mm at (5, 8) whose upper half is lost in white bone, and its neck.

    Or in a white shell of 32 mm, that hides all of the head but 4 mm about the neck.
    """
    x, y = np.meshgrid(np.arange(-90.0, 91.0), np.arange(-80.0, 81.0))
    lateral = 1 if side == "left" else -1
    dx, dy = lateral * (x - 5.0), y - 8.0
    along, across = (dx + dy) * 0.5**0.5, (dx - dy) * 0.5**0.5
    white = (dy < 0) & (np.abs(dx) < 50)
    if shell:
        white = (np.hypot(dx, dy) < 32) & (along < 14)
    if head:
        white |= np.hypot(dx, dy) < 18
    if neck:
        white |= (along > 0) & (along < 60) & (np.abs(across) < 7)
    return Field(
        np.where(white, 1.0, 0.6).astype(np.float32), (1.0, 1.0), (-90.0, -80.0), white * 1.0
    )


def found_in_white(field):
    votes = circle_votes(field)
    both = [each for side in SIDES for each in find_candidates(field, votes, side, (15, 22))]
    return [each for each in both if each.in_white]


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_head_is_found_by_its_lower_half_and_its_white_neck(side):
    (found,) = found_in_white(white_film(side))
    assert found.side == side
    assert np.hypot(found.x_mm - 5, found.y_mm - 8) < 2
    assert abs(found.radius_mm - 18) <= 1
    assert abs(np.degrees(found.neck_rad) - (45 if side == "left" else 135)) < 6


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_head_that_a_white_shell_hides_is_found_by_the_shell(side):
    (found,) = found_in_white(white_film(side, shell=True))
    assert found.side == side
    assert np.hypot(found.x_mm - 5, found.y_mm - 8) < 2
    assert abs(found.shell_radius_mm - 32) <= 1


@pytest.mark.parametrize("lacks", [{"neck": False}, {"head": False}])
def test_white_without_head_or_neck_is_no_head(lacks):
    assert not found_in_white(white_film("left", **lacks))
