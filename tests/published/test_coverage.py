"""What a 95 % interval promises: over many films it holds the truth 95 times in a hundred.

Neyman J, Phil Trans R Soc A 1937;236:333-380 (from memory). The films are drawn from the model
that the intervals rest on (tests/published/drawn_films.py): 2,000 of each kind. With 2,000 films
the share of a right interval scatters by half a percent; 93 to 97 % is asked for.
"""

import os
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pytest

from tests.published.drawn_films import bodies, held

FILMS, PARTS = 2000, 4


def coverage(geometry, apparent=None, draws=0, stems=None):
    """Return by key the share of intervals that held the truth, and how many there were."""
    bodies()  # made once, before the processes part
    tasks = [
        (seed, FILMS // PARTS, geometry, apparent, draws, stems) for seed in range(11, 11 + PARTS)
    ]
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        parts = list(pool.map(held, tasks))
    keys = set().union(*parts)
    total = {key: sum(part.get(key, np.zeros(2, int)) for part in parts) for key in keys}
    return {key: (count[0] / count.sum(), count.sum()) for key, count in total.items()}


@pytest.fixture(scope="module")
def known_geometry():
    return coverage("reading")


@pytest.fixture(scope="module")
def assumed_beam():
    return coverage("film")


@pytest.fixture(scope="module")
def edge_on():
    stems = ("teardrop", "femoral_head", "cup_rim")
    return coverage("reading", apparent=(0.0, 3.0), draws=500, stems=stems)


CUP = [
    f"{definition}_{angle}"
    for definition in ("radiographic", "operative", "anatomical")
    for angle in ("inclination", "anteversion")
]
LENGTHS_AND_ANGLES = [
    ("leg_length_difference", "index", "raw"),
    ("leg_length_difference", "index", "femur_neutral"),
    ("femoral_offset", "index", "projected"),
    ("femoral_offset", "other", "projected"),
    ("acetabular_offset", "index", "landmarks"),
    ("acetabular_offset", "other", "landmarks"),
    ("global_offset", "index", "projected"),
    ("global_offset", "other", "projected"),
    ("hip_centre_height", "index", "landmarks"),
    ("hip_centre_height", "other", "landmarks"),
    ("hip_centre_lateral", "index", "landmarks"),
    ("hip_centre_lateral", "other", "landmarks"),
    ("femoral_abduction", "index", "landmarks"),
    ("neck_shaft_angle", "index", "projected"),
    ("stem_alignment", "index", "landmarks"),
    ("stem_to_trochanter", "index", "landmarks"),
    ("pelvic_obliquity", None, "inter_teardrop"),
    ("pelvic_obliquity", None, "bi_ischial"),
    ("pelvic_tilt_indicator", None, "landmarks"),
    ("pelvic_rotation_indicator", None, "landmarks"),
    ("obturator_ratio", None, "landmarks"),
    ("magnification", None, "head"),
    ("head_to_cup_lateral", "index", "landmarks"),
    ("head_to_cup_cranial", "index", "landmarks"),
]
SEEN_FROM_THE_TUBE = [
    ("head_diameter_px", "index", "sphere"),
    ("head_diameter_px", "other", "sphere"),
    ("hip_centre_above_detector", "index", "sphere"),
    ("hip_centre_left_of_beam", "index", "sphere"),
    ("hip_centre_caudal_of_beam", "index", "sphere"),
    *((name, "index", "perspective") for name in CUP),
]


def name_of(key):
    return "-".join(part for part in key if part) if isinstance(key, tuple) else key


def check(found, key):
    share, films = found[key]
    assert films > 0.97 * FILMS
    assert 0.93 <= share <= 0.97


@pytest.mark.parametrize("key", LENGTHS_AND_ANGLES + SEEN_FROM_THE_TUBE, ids=name_of)
def test_intervals_hold_the_truth_where_the_reader_states_tube_and_beam(known_geometry, key):
    check(known_geometry, key)


@pytest.mark.parametrize("key", LENGTHS_AND_ANGLES + SEEN_FROM_THE_TUBE, ids=name_of)
def test_intervals_hold_the_truth_where_the_beam_is_taken_to_be_the_films_middle(assumed_beam, key):
    check(assumed_beam, key)


@pytest.mark.parametrize("name", CUP)
def test_intervals_hold_the_truth_where_the_rim_is_seen_edge_on(edge_on, name):
    """Apparent anteversion 0 to 3 degrees: a noisy ellipse is never flat, the fit is biased."""
    check(edge_on, (name, "index", "perspective"))


def test_hardly_any_film_is_refused(known_geometry, edge_on):
    assert known_geometry["refused"][0] == 1.0
    assert edge_on["refused"][0] > 0.97
