"""An earlier film laid on a later one, against the turn and the enlargement it was made with."""

from dataclasses import replace

import numpy as np
import pytest

from xraymeasure.change.alignment import pelvis_on_pelvis
from xraymeasure.errors import MeasureError
from xraymeasure.film.film import film_from_array
from xraymeasure.reading.reading import Reading

POINTS = {
    "teardrop_left": (700.0, 930.0),
    "teardrop_right": (705.0, 440.0),
    "ischium_left": (850.0, 960.0),
    "symphysis": (720.0, 690.0),
}


def reading(points):
    placed = Reading("A", "2026-01-31T10:15:00Z", "left")
    for name, point in points.items():
        placed = placed.with_points(name, [point])
    return placed


def film(axes=((0, 1), (1, 0))):
    return film_from_array(np.zeros((20, 30), dtype=np.uint16), patient_axes=axes)


def test_a_turned_moved_and_enlarged_film_comes_to_lie_where_it_was():
    turn, scale, shift = np.radians(7.0), 1.12, np.array([40.0, -25.0])
    matrix = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    earlier = {name: tuple(matrix @ point + shift) for name, point in POINTS.items()}
    onto, names = pelvis_on_pelvis((film(), reading(earlier)), (film(), reading(POINTS)))
    assert set(names) == set(POINTS)
    for name, point in earlier.items():
        assert (onto @ (*point, 1.0))[:2] == pytest.approx(POINTS[name], abs=1e-6)


def test_a_film_that_is_stored_mirrored_is_turned_over():
    mirrored = {name: (row, 2000.0 - column) for name, (row, column) in POINTS.items()}
    onto, _ = pelvis_on_pelvis(
        (film(((0, -1), (1, 0))), reading(mirrored)), (film(), reading(POINTS))
    )
    assert (onto @ (*mirrored["ischium_left"], 1.0))[:2] == pytest.approx(POINTS["ischium_left"])


def test_one_common_point_is_too_few():
    one = reading({"symphysis": (700.0, 690.0)})
    with pytest.raises(MeasureError, match="both teardrops"):
        pelvis_on_pelvis((film(), one), (film(), replace(one, reader="B")))
