from dataclasses import replace

import numpy as np
import pytest

from tests.camera import Body, Frame, film_and_reading
from xraymeasure.measuring.drawings import draw, ellipse_path
from xraymeasure.measuring.fits.settle import settle
from xraymeasure.vocabulary.quantities import QUANTITIES

FRAMES = [
    Frame(),
    Frame(pitch=(0.2, 0.12)),
    Frame(axes=((0, -1), (1, 0))),
    Frame(axes=((1, 0), (0, 1)), pitch=(0.15, 0.2)),
]
BODY = Body(obliquity_deg=3.0, abduction_deg=4.0, varus_deg=1.0)


def drawings(body=BODY, frame=None, change=lambda reading: reading, **known):
    frame = frame or FRAMES[0]
    film, reading = film_and_reading(body, frame, **known)
    reading = change(reading)
    return reading, {(each.kind, each.side): each for each in draw(settle(film, reading))}


def off_the_line(points, path):
    direction = (path[-1] - path[0]) / np.linalg.norm(path[-1] - path[0])
    away = np.asarray(points) - path[0]
    return np.abs(away[:, 0] * direction[1] - away[:, 1] * direction[0])


def test_everything_that_is_placed_is_drawn():
    _, drawn = drawings()
    assert set(drawn) == {
        ("reference", None),
        ("alternative_reference", None),
        ("midline", None),
        ("rim", "left"),
        ("rim_axis", "left"),
        ("cup_axis", "left"),
        ("head", "left"),
        ("hip_centre", "left"),
        ("native_head", "right"),
        ("hip_centre", "right"),
        ("offset", "left"),
        ("offset", "right"),
        ("shaft", "left"),
        ("shaft", "right"),
        ("stem", "left"),
        ("neck", "left"),
        ("leg_length", "left"),
        ("leg_length", "right"),
        ("beam", None),
    }


def test_nothing_is_drawn_of_an_empty_reading_but_the_beam():
    _, drawn = drawings(change=lambda reading: replace(reading, landmarks={}))
    assert set(drawn) == {("beam", None)}


@pytest.mark.parametrize("frame", FRAMES)
def test_outlines_run_through_their_points_on_any_film(frame):
    reading, drawn = drawings(frame=frame)
    for key, name in [
        (("rim", "left"), "cup_rim_left"),
        (("native_head", "right"), "femoral_head_right"),
    ]:
        path = drawn[key].path
        assert path[0] == pytest.approx(path[-1])
        for point in reading.points(name):
            ends = np.stack([path[:-1], path[1:]])
            along = ends[1] - ends[0]
            share = ((point - ends[0]) * along).sum(axis=1) / (along * along).sum(axis=1)
            feet = ends[0] + np.clip(share, 0, 1)[:, None] * along
            # Two pixels: the chord of a 97-sided path, and a sphere's outline is no circle.
            assert np.linalg.norm(feet - point, axis=1).min() < 2.0


@pytest.mark.parametrize("frame", FRAMES)
def test_lines_run_through_their_landmarks_on_any_film(frame):
    reading, drawn = drawings(frame=frame)
    for key, names in {
        ("reference", None): ["teardrop_left", "teardrop_right"],
        ("alternative_reference", None): ["ischium_left", "ischium_right"],
        ("shaft", "left"): ["femoral_shaft_left"],
        ("stem", "left"): ["stem_axis_left"],
        ("neck", "left"): ["neck_axis_left"],
    }.items():
        for name in names:
            assert off_the_line(reading.points(name), drawn[key].path).max() < 0.01, key


@pytest.mark.parametrize("frame", FRAMES)
def test_the_offset_is_drawn_across_the_shaft_and_the_leg_length_across_the_line(frame):
    """Perpendicular on the detector, in millimetres, whatever the pixels are."""
    reading, drawn = drawings(frame=frame)
    pitch = np.array(frame.pitch)
    for side in ("left", "right"):
        offset = np.diff(drawn["offset", side].path, axis=0)[0] * pitch
        shaft = np.diff(drawn["shaft", side].path, axis=0)[0] * pitch
        assert abs(offset @ shaft) < 1e-6 * np.linalg.norm(offset) * np.linalg.norm(shaft)
        leg = np.diff(drawn["leg_length", side].path, axis=0)[0] * pitch
        reference = np.diff(drawn["reference", None].path, axis=0)[0] * pitch
        assert abs(leg @ reference) < 1e-6 * np.linalg.norm(leg) * np.linalg.norm(reference)
        assert drawn["leg_length", side].path[-1] == pytest.approx(
            reading.points(f"lesser_trochanter_{side}")[0]
        )


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_cup_axis_points_laterally_and_down(side):
    frame = Frame()
    body = Body(side=side, hip=(90.0 if side == "left" else -90.0, 35.0, 150.0))
    _, drawn = drawings(body, frame)
    start, end = drawn["cup_axis", side].path
    assert end[0] > start[0]
    assert (end[1] > start[1]) == (side == "left")


def test_the_beam_is_drawn_where_it_is_known_and_only_there():
    _, drawn = drawings()
    assert drawn["beam", None].path.tolist() == [list(Frame().beam)]
    frame = Frame()
    film, reading = film_and_reading(BODY, frame)
    film = replace(film, source_detector_mm=None)
    unknown = settle(film, replace(reading, source_detector_mm=None))
    assert "beam" not in {each.kind for each in draw(unknown)}


def test_every_drawing_illustrates_measurements_and_has_a_place_for_its_label():
    for each in drawings()[1].values():
        assert set(each.names) <= set(QUANTITIES)
        assert each.path.ndim == 2 and each.path.shape[1] == 2
        assert np.isfinite(each.path).all() and np.isfinite(each.anchor).all()


def test_an_ellipse_is_walked_around_once():
    path = ellipse_path(np.array([10.0, 20.0, 5.0, 3.0, np.pi / 6]))
    x, y = path.T - np.array([[10.0], [20.0]])
    cos, sin = np.cos(np.pi / 6), np.sin(np.pi / 6)
    u, v = cos * x + sin * y, cos * y - sin * x
    assert (u / 5.0) ** 2 + (v / 3.0) ** 2 == pytest.approx(np.ones(97))
    turns = np.unwrap(np.arctan2(v / 3.0, u / 5.0))
    assert turns[-1] - turns[0] == pytest.approx(2 * np.pi)
