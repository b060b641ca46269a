"""How far off a reader was, against what the sample films are known to be."""

import json
import math

import numpy as np
import pytest
from napari_xraymeasure.session.practice import (
    keep_record,
    number_errors,
    placing_errors,
    read_truth,
    summaries,
)

from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.read import read_film
from xraymeasure.measuring.measure import measure
from xraymeasure.reading.reading import Reading
from xraymeasure.samples import sample_folder


@pytest.fixture(scope="module")
def known():
    return read_truth(sample_folder() / "well_placed.truth.json")


def reading(known, **moved):
    made = Reading("A", "2026-01-31T10:15:00Z", "left", head_diameter_mm={"left": 36.0})
    for name, points in known["landmarks"].items():
        down, along = moved.get(name, (0.0, 0.0))
        made = made.with_points(name, [(row + down, column + along) for row, column in points])
    return made


def test_a_perfect_reading_is_off_by_nothing(known):
    for item in placing_errors(reading(known), known):
        assert item.distance_px == pytest.approx(0.0, abs=1e-4)  # the decimals of the file


def test_a_moved_point_is_off_by_as_much(known):
    moved = reading(known, teardrop_left=(3.0, 4.0))
    (item,) = [i for i in placing_errors(moved, known) if i.name == "teardrop_left"]
    assert item.distance_px == pytest.approx(5.0)
    assert item.bias_px is None


def test_points_outside_an_outline_are_biased_outward(known):
    true = np.array(known["landmarks"]["femoral_head_left"])
    centre = true.mean(axis=0)
    wide = centre + (true - centre) * 1.05
    item = placing_errors(reading(known).with_points("femoral_head_left", wide), known)
    (head,) = [i for i in item if i.name == "femoral_head_left"]
    expected = 0.05 * np.hypot(*(true - centre).T).mean()
    assert head.bias_px == pytest.approx(expected, rel=0.02)
    assert head.distance_px == pytest.approx(expected, rel=0.02)


def test_a_shaft_is_judged_across_and_not_along(known):
    top, *_, bottom = np.array(known["landmarks"]["femoral_shaft_left"])
    along = (bottom - top) / np.hypot(*(bottom - top))
    across = np.array([-along[1], along[0]])
    moved = [tuple(top + 30 * along + 2 * across), tuple(bottom - 20 * along + 2 * across)]
    found = placing_errors(reading(known).with_points("femoral_shaft_left", moved), known)
    (shaft,) = [i for i in found if i.name == "femoral_shaft_left"]
    assert shaft.distance_px == pytest.approx(2.0)


def test_numbers_of_a_perfect_reading_are_near_the_truth_and_held(known):
    film = read_film(sample_folder() / "well_placed.dcm")
    found = number_errors(measure(film, reading(known), draws=0), known)
    by_name = {(i.measurement.name, i.measurement.side): i for i in found}
    for name in ("radiographic_inclination", "radiographic_anteversion", "leg_length_difference"):
        item = by_name[name, "left"]
        assert abs(item.error) < 0.3, name
        assert item.held


def test_the_record_counts_only_the_first_look(known, own_home):
    first = placing_errors(reading(known, teardrop_left=(3.0, 4.0)), known)
    mended = placing_errors(reading(known), known)
    keep_record("well_placed", reading(known), first, [])
    keep_record("well_placed", reading(known), mended, [])
    (teardrop,) = [s for s in summaries("A") if s.what == "Teardrop"]
    assert (teardrop.films, teardrop.mean) == (2, pytest.approx(2.5))
    assert teardrop.spread == pytest.approx(math.sqrt(2 * 2.5**2))
    assert summaries("B") == []


def test_only_a_truth_is_taken_for_one(tmp_path):
    path = tmp_path / "x.truth.json"
    for text in ("{", "[]", json.dumps({"format": "other"})):
        path.write_text(text)
        with pytest.raises(XrayMeasureError, match=r"x\.truth\.json"):
            read_truth(path)
