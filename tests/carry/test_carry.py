"""Landmarks of an earlier film on a later one.

Truth is a map that the later film was made with here, or what the phantom, whose projection the
package does not share, says of its two films of one patient.
"""

import json
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.ndimage import affine_transform

from xraymeasure.carry.carry import METHOD, carry
from xraymeasure.carry.match import correlation_with
from xraymeasure.film.film import film_from_array
from xraymeasure.film.greys import Greys
from xraymeasure.film.read import read_film
from xraymeasure.measuring.measure import measure
from xraymeasure.reading.file import read_reading
from xraymeasure.reading.reading import CarriedOver, Provenance
from xraymeasure.samples import sample_folder

CARRIED = {
    *(f"{stem}_{side}" for stem in ("teardrop", "lesser_trochanter", "femoral_shaft")
      for side in ("left", "right")),
    "femoral_head_right",
}  # fmt: skip
PITCH = 0.6


@lru_cache
def read(name):
    """Return a sample with every other pixel, and its reading."""
    film = read_film(sample_folder() / f"{name}.dcm")
    reading = read_reading(sample_folder() / f"{name}.reading.json")
    halved = {
        each: tuple((row / 2, column / 2) for row, column in points)
        for each, points in reading.landmarks.items()
    }
    spreads = {each: sd / 2 for each, sd in reading.placing_sd_px.items()}
    small = film_from_array(film.pixels[::2, ::2], pitch_mm=PITCH)
    return small, replace(reading, landmarks=halved, placing_sd_px=spreads, beam_centre=None)


def metal_of(reading):
    """Return a reading without its bones."""
    bones = ("teardrop", "ischium", "lesser", "greater", "femoral_shaft", "obturator", "sa", "sy")
    metal = {n: p for n, p in reading.landmarks.items() if not n.startswith(bones)}
    metal.pop("femoral_head_right", None)
    return replace(reading, landmarks=metal)


def off_mm(found, wanted):
    """How far points lie from where they should, in mm; of a shaft, across it."""
    wanted = np.array(wanted)
    if len(wanted) not in (2, 3, 4):
        return np.linalg.norm(np.mean(found, axis=0) - wanted.mean(axis=0)) * PITCH
    along = (wanted[-1] - wanted[0]) / np.linalg.norm(wanted[-1] - wanted[0])
    return np.abs((np.array(found) - wanted[0]) @ [along[1], -along[0]]).max() * PITCH


def test_a_film_turned_enlarged_and_toned_otherwise_gives_the_points_where_they_went():
    film, reading = read("well_placed")
    turn = np.radians(3.0)
    onto = 0.96 * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    middle, shift = (np.array(film.shape) - 1) / 2, np.array([-6.0, 14.0])

    def there(points):
        return (np.array(points) - middle) @ onto.T + middle + shift

    back = np.linalg.inv(onto)
    start = middle - back @ (middle + shift)
    moved = affine_transform(film.pixels.astype(float), back, start, order=1)
    toned = 40000.0 * (moved / 4095.0) ** 0.7
    toned += np.random.default_rng(1).normal(0.0, 120.0, film.shape)
    pixels = np.clip(65535.0 - toned, 0, 65535).astype(np.uint16)
    later = film_from_array(pixels, pitch_mm=PITCH, greys=Greys(inverted=True))
    metal = {n: tuple(map(tuple, there(p))) for n, p in metal_of(reading).landmarks.items() if p}
    known = replace(reading, landmarks=metal, placing_sd_px=None)
    found = carry((film, reading), later, known)
    assert found.method == METHOD
    assert set(found.landmarks) == CARRIED
    for name, points in found.landmarks.items():
        assert off_mm(points, there(reading.landmarks[name])) < 0.5, name


def test_two_years_on_what_a_person_placed_is_where_the_phantom_has_it():
    later, reading = read("well_placed_2y")
    film, before = read("well_placed")
    standing = {
        "teardrop_left": "proposed", "lesser_trochanter_left": "confirmed",
        "lesser_trochanter_right": "placed",
    }  # fmt: skip
    over = CarriedOver("c-1", None, tuple(standing))
    exact = {**before.landmarks, **true_bones("well_placed")}
    before = replace(before, landmarks=exact, proposed=Provenance("m-1", standing, over))
    found = carry((film, before), later, metal_of(reading))
    assert set(found.landmarks) == CARRIED - {"teardrop_left", "lesser_trochanter_left"}
    truth = true_bones("well_placed_2y")
    for name, points in found.landmarks.items():
        assert off_mm(points, truth[name]) < 0.8, name
        # No better than it was placed before.
        own = before.placing_sd_px[name]
        assert own < found.placing_sd_px[name] < own + 0.6 / PITCH


def true_bones(name):
    known = json.loads((sample_folder() / f"{name}.truth.json").read_text())["landmarks"]
    return {each: tuple(map(tuple, np.array(known[each]) / 2)) for each in CARRIED}


@pytest.mark.parametrize("proportions", [(0.88, 1.12), (1.1, 0.9)])
def test_a_body_of_other_proportions_gives_nothing(proportions):
    film, reading = read("well_placed_2y")
    onto = np.diag(1.0 / np.array(proportions))
    middle = (np.array(film.shape) - 1) / 2
    pixels = affine_transform(film.pixels, onto, middle - onto @ middle, order=1)
    other = film_from_array(pixels, pitch_mm=PITCH)
    assert carry(read("well_placed"), other, replace(reading, landmarks={})).landmarks == {}


def test_the_correlation_is_that_of_numpy_at_each_place():
    part, piece = np.random.default_rng(0).random((15, 18)), np.random.default_rng(1).random((7, 9))
    wanted = [
        [np.corrcoef(part[i : i + 7, j : j + 9].ravel(), piece.ravel())[0, 1] for j in range(10)]
        for i in range(9)
    ]
    np.testing.assert_allclose(correlation_with(part, piece.shape)(piece), wanted, atol=1e-12)


def test_the_same_film_and_another_persons_give_nothing():
    film, reading = read("well_placed")
    later, _ = read("well_placed_2y")
    assert carry((film, reading), film, metal_of(reading)).landmarks == {}
    persons = replace(film, person="a"), replace(later, person="b")
    assert carry((persons[0], reading), persons[1], metal_of(reading)).landmarks == {}


def test_numbers_say_that_they_rest_on_what_was_carried_over():
    film, reading = read("well_placed")
    over = CarriedOver("c-1", None, ("teardrop_left", "teardrop_right"))
    standing = {"teardrop_left": "confirmed", "teardrop_right": "proposed"}
    reading = replace(reading, film=replace(reading.film, pixel_sha256=None, sop_instance_uid=None))
    reading = replace(reading, proposed=Provenance("m-1", standing, over))
    measured = measure(film, reading, draws=0)
    said = " ".join(measured["hip_centre_height"].assumptions)
    assert "teardrop, left: carried over by c-1 from an earlier film" in said
    assert "what they were misplaced by there, they are misplaced by here" in said
    (finding,) = (each for each in measured.findings if each.code == "proposed_unconfirmed")
    assert "c-1 from an earlier film" in finding.text
