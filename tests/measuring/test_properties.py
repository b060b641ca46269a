"""What must not matter to a measurement: where on the film, how large, which way up, which side."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests import camera
from tests.camera import OTHER, SIGN, Body, Frame, moved
from xraymeasure.measuring.measure import measure

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")

EXAMPLES = settings(max_examples=10)

bodies = st.builds(
    Body,
    side=st.sampled_from(["left", "right"]),
    sid=st.floats(950, 1250),
    hip=st.tuples(st.floats(-120, 120), st.floats(-100, 100), st.floats(80, 220)),
    ri=st.floats(25, 60),
    ra=st.floats(-15, 40),
    obliquity_deg=st.floats(-5, 5),
    abduction_deg=st.floats(-6, 6),
    other_abduction_deg=st.floats(-6, 6),
    offset_mm=st.floats(30, 60),
    leg_mm=st.floats(-15, 15),
    varus_deg=st.floats(-4, 4),
    neck_shaft_deg=st.floats(125, 145),
    both_replaced=st.booleans(),
    depth=st.fixed_dictionaries(
        {
            "teardrop": st.floats(-10, 10),
            "lesser_trochanter": st.floats(-30, 0),
            "femoral_shaft": st.floats(-10, 10),
        }
    ),
)


def seen(body, limit=0.15):
    """Whether every rim is open to the tube by nine degrees or more.

    A flatter one has its interval from seeded draws, which another order of points changes.
    """
    for side in SIGN:
        ray = body.hip_centre(side) - np.array([0.0, 0.0, body.sid])
        if body.replaced(side) and abs(body.cup_axis(side) @ ray) < limit * np.linalg.norm(ray):
            return False
    return True


def film_and_reading(body, frame=None):
    return camera.film_and_reading(body, frame, points=10)


def noisy(reading, seed, spread=1.5):
    """Place every point a little off, so that nothing holds by exactness alone."""
    rng = np.random.default_rng(seed)
    placed = moved(reading, lambda points: points + rng.normal(0, spread, points.shape))
    return replace(placed, beam_centre=reading.beam_centre)


def rows(film, reading, scaled=1.0):
    """Return value and both ends of every row; what is in pixels divided by `scaled`."""
    table = {}
    for row in measure(film, reading, draws=0, findings=()).rows:
        by = scaled if row.unit == "px" else 1.0
        for end in ("value", "low", "high"):
            table[row.name, row.side, row.method, end] = getattr(row, end) / by
    return table


def same(one, other, abs_=2e-3):
    assert one == pytest.approx(other, rel=1e-4, abs=abs_)


@EXAMPLES
@given(bodies, st.integers(0, 99), st.floats(-400, 400), st.floats(-400, 400))
def test_where_on_the_film_the_hips_lie_does_not_matter(body, seed, down, across):
    assume(seen(body))
    film, reading = film_and_reading(body)
    reading = noisy(reading, seed)
    shifted = moved(reading, lambda points: points + np.array([down, across]))
    same(rows(film, shifted), rows(film, reading))


@EXAMPLES
@given(bodies, st.integers(0, 99), st.floats(0.4, 2.5))
def test_how_many_pixels_a_film_has_does_not_matter(body, seed, factor):
    assume(seen(body))
    frame = Frame()
    film, reading = film_and_reading(body, frame)
    reading = noisy(reading, seed)
    finer = replace(frame, pitch=tuple(pitch / factor for pitch in frame.pitch))
    # Default placing spreads are in millimetres, so they scale with the film by themselves.
    scaled = moved(reading, lambda points: points * factor)
    same(rows(finer.film(source_detector_mm=body.sid), scaled, factor), rows(film, reading))


@EXAMPLES
@given(bodies, st.integers(0, 99), st.sampled_from([1, 2, 3]))
def test_turning_the_film_by_quarter_turns_does_not_matter(body, seed, turns):
    """numpy.rot90 is the turn: pixel (row, column) of the turned film follows from it."""
    assume(seen(body))
    frame = Frame()
    film, reading = film_and_reading(body, frame)
    reading = noisy(reading, seed)
    turn = np.linalg.matrix_power(np.array([[0, -1], [1, 0]]), turns)
    middle = np.array([1700.0, 1700.0])
    turned = moved(reading, lambda points: (points - middle) @ turn.T + middle)
    # A step on the turned film is the turned-back step on the first.
    axes = np.array(frame.axes) @ turn.T
    turned_film = replace(frame, axes=tuple(map(tuple, axes.tolist()))).film(
        source_detector_mm=body.sid
    )
    same(rows(turned_film, turned), rows(film, reading))


@EXAMPLES
@given(bodies, st.integers(0, 99))
def test_the_other_side_is_measured_alike(body, seed):
    """Mirror the film, call left what was right: only what is signed to the left turns round."""
    assume(seen(body))
    film, reading = film_and_reading(body)
    reading = noisy(reading, seed)
    mirrored = moved(reading, lambda points: points * [1.0, -1.0] + [0.0, 3600.0])

    def swap(name):
        stem, _, side = name.rpartition("_")
        return f"{stem}_{OTHER[side]}" if side in OTHER else name

    def swap_keys(by_side):
        return {OTHER[side]: each for side, each in by_side.items()}

    mirrored = replace(
        mirrored,
        operated_side=OTHER[reading.operated_side],
        landmarks={swap(name): points for name, points in mirrored.landmarks.items()},
        head_diameter_mm=swap_keys(reading.head_diameter_mm),
        cup_opens=swap_keys(reading.cup_opens),
    )
    turned_round = {
        "hip_centre_left_of_beam",
        "pelvic_obliquity",
        "pelvic_rotation",
        "pelvic_rotation_indicator",
    }
    wanted = {}
    for (name, side, method, end), number in rows(film, reading).items():
        side = OTHER.get(side)
        if name in turned_round:
            end = {"low": "high", "high": "low"}.get(end, end)
            number = -number
        if name == "obturator_ratio":
            continue
        wanted[name, side, method, end] = number
    found = rows(film, mirrored)
    ratio = {key for key in found if key[0] == "obturator_ratio"}
    same({key: found[key] for key in found.keys() - ratio}, wanted)
    value = ("obturator_ratio", None, "landmarks", "value")
    assert found[value] == pytest.approx(1.0 / rows(film, reading)[value])


@EXAMPLES
@given(bodies, st.integers(0, 99))
def test_the_order_in_which_an_outline_is_placed_does_not_matter(body, seed):
    assume(seen(body))
    film, reading = film_and_reading(body)
    reading = noisy(reading, seed)
    shuffled = reading
    rng = np.random.default_rng(seed)
    for name in reading.landmarks:
        if name.startswith(("femoral_head", "cup_rim", "femoral_shaft")):
            shuffled = shuffled.with_points(name, rng.permutation(reading.points(name)))
    same(rows(film, shuffled), rows(film, reading))


@EXAMPLES
@given(bodies, st.integers(0, 99))
def test_every_value_lies_within_its_interval(body, seed):
    film, reading = film_and_reading(body)
    for row in measure(film, noisy(reading, seed), draws=0).rows:
        assert row.low <= row.value <= row.high
        assert np.isfinite([row.low, row.high]).all()
