"""Changes and side differences solved jointly, against bodies whose truth is known."""

from dataclasses import replace

import numpy as np

from tests.posed import SUPINE, posed_body, posed_reading
from xraymeasure.change.difference import change
from xraymeasure.change.jointly import solved_change
from xraymeasure.measuring.measure import measure

CLICKS = {"outline_mm": 0.25, "bone_mm": 0.5, "stated": True}


def two_films(rng):
    """Return two films of one patient before and after the offset of the same stem changed."""
    body, _ = posed_body(rng, SUPINE)
    side = body.side
    longer = body.femurs[side]
    grown = rng.normal(4.0, 3.0)
    shift = np.array([grown, 0.0, 0.0])
    turned = {
        each: replace(
            femur,
            flexion=femur.flexion + rng.normal(0.0, 2.0),
            rotation=femur.rotation + rng.normal(0.0, 8.0),
        )
        for each, femur in body.femurs.items()
    }
    moved = replace(
        turned[side],
        offset=longer.offset + grown,
        lesser=tuple(np.array(longer.lesser) + shift),
        greater=tuple(np.array(longer.greater) + shift),
    )
    later = replace(body, femurs={**turned, side: moved})
    films = [
        measure(*posed_reading(each, rng, posture="supine", **CLICKS), draws=0)
        for each in (later, body)
    ]
    return films, side, grown


def test_a_change_of_offset_solved_jointly_is_narrower_and_holds_the_truth():
    rng, held, ratio = np.random.default_rng(3), [], []
    for _ in range(30):
        (after, before), side, true = two_films(rng)
        key = ("femoral_offset", side, "in_space")
        _, low, high = solved_change(after.linear, before.linear, key)
        _, below, above = change(*(film.by_method(*key[::2], side) for film in (after, before)))
        held.append(low <= true <= high)
        ratio.append((high - low) / (above - below))
    assert np.mean(ratio) < 0.98
    assert np.mean(held) >= 0.83


def test_no_change_is_solved_with_a_film_that_comes_from_a_file():
    (after, before), side, _ = two_films(np.random.default_rng(1))
    key = ("femoral_offset", side, "in_space")
    assert solved_change(after.linear, replace(before, linear=None).linear, key) is None
    assert solved_change(after.linear, before.linear, ("femoral_offset", side, "projected")) is None
