"""What the picture says of a rim and of the side that was replaced.

The films are drawn: the shadow of a hemispherical shell is the convex hull of where its rim and
its horizon land by the tests' own camera, and so are the clicks. What the rows ask for is the
geometry of that shadow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.spatial import ConvexHull
from skimage.draw import polygon

from tests.camera import SIGN, axis_of, circle_in_space, land, spread_turns, touched_circle
from xraymeasure.film.film import film_from_array
from xraymeasure.film.greys import Greys, Window
from xraymeasure.measuring.measure import measure
from xraymeasure.reading.reading import FilmBinding, Reading

SID, PITCH, SHAPE = 1150.0, 0.45, (660, 720)


@dataclass(frozen=True)
class Metal:
    """One replaced hip: sizes in mm, angles in degrees."""

    side: str = "left"
    inclination: float = 42.0
    anteversion: float = 17.0
    head_mm: float = 32.0
    shell_mm: float = 54.0
    deeper_mm: float = 0.0
    """By how much the shell is longer than half a sphere."""

    @property
    def centre(self):
        return np.array([SIGN[self.side] * 88.0, 5.0, 165.0])


PLAIN = Metal()
HIPS = {
    "plain": PLAIN,
    "right, wide open": Metal("right", 38.0, 24.0, 36.0, 56.0),
    "nearly flat": Metal("left", 50.0, 12.0, 28.0, 50.0),
}


def pixels(points):
    return (np.array(SHAPE) - 1) / 2 + land(points, SID)[:, ::-1] / PITCH


@cache
def film_of(*hips):
    random = np.random.default_rng(0)
    density = 0.5 + 0.1 * gaussian_filter(random.standard_normal(SHAPE), 12.0) * 12.0
    around = np.arange(0.0, 360.0, 2.0)
    for side in SIGN:
        middle = np.array([SIGN[side] * 88.0, 5.0, 165.0])
        density[polygon(*pixels(touched_circle(middle, 23.0, SID, around)).T)] += 0.15
    for hip in hips:
        axis = axis_of(hip.inclination, hip.anteversion, hip.side)
        horizon = touched_circle(hip.centre, hip.shell_mm / 2, SID, around)
        dome = horizon[(horizon - hip.centre) @ axis < 0.0]
        opening = hip.centre + hip.deeper_mm * axis
        rim = circle_in_space(opening, hip.shell_mm / 2, axis, around)
        hull = pixels(np.concatenate([dome, rim]))
        neck = hip.centre + np.array([[0.0, -6, 0], [0, 6, 0], [30, 38, 0], [30, 26, 0]]) * [
            SIGN[hip.side], 1, 1,
        ]  # fmt: skip
        shadows = (
            hull[ConvexHull(hull).vertices],
            pixels(touched_circle(hip.centre, hip.head_mm / 2, SID, around)),
            pixels(neck),
        )
        metal = np.zeros(SHAPE)
        for shadow in shadows:
            metal[polygon(*shadow.T)] = 1.0
        density += 0.9 * metal
    density = gaussian_filter(density, 1.2) + 0.01 * random.standard_normal(SHAPE)
    values = np.clip(np.round(density * 2000), 0, 4095).astype(np.uint16)
    return film_from_array(values, pitch_mm=PITCH, source_detector_mm=SID)


def reading_of(hip, **placed):
    centre = hip.centre
    axis = axis_of(hip.inclination, hip.anteversion, hip.side)
    turns = spread_turns(10)
    other = "left" if hip.side == "right" else "right"
    landmarks = {
        f"femoral_head_{hip.side}": pixels(touched_circle(centre, hip.head_mm / 2, SID, turns)),
        f"cup_rim_{hip.side}": pixels(circle_in_space(centre, hip.shell_mm / 2, axis, turns)),
        f"femoral_head_{other}": pixels(
            touched_circle(centre * [-1, 1, 1], 23.0, SID, turns)
        ),
    }  # fmt: skip
    noise = np.random.default_rng(0)
    marks = {
        name: tuple(map(tuple, (points + noise.normal(0.0, 0.4, points.shape)).tolist()))
        for name, points in landmarks.items()
    }
    return Reading(
        "A", "2026-01-31T10:15:00Z", hip.side, FilmBinding(), marks,
        head_diameter_mm={hip.side: hip.head_mm}, native_head_mm={other: 46.0}, **placed,
    )  # fmt: skip


def said(film, reading):
    found = {each.code: each for each in measure(film, reading, draws=0).findings}
    return found.get("rim_off_metal"), found.get("bone_outshines_metal")


def turned(reading, degrees, flattened=1.0):
    name = f"cup_rim_{reading.operated_side}"
    points = reading.points(name)
    middle = points.mean(axis=0)
    _, _, axes = np.linalg.svd(points - middle)
    flat = axes.T @ np.diag([1.0, flattened]) @ axes
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return reading.with_points(name, middle + (points - middle) @ flat @ [[cos, sin], [-sin, cos]])


@pytest.mark.parametrize("hip", HIPS.values(), ids=HIPS)
def test_a_rim_that_is_turned_does_not_run_where_the_metal_ends(hip):
    film, reading = film_of(hip), reading_of(hip)
    assert said(film, reading) == (None, None)
    for degrees in (-40, -20, -10, 10, 20, 40):
        rim, _ = said(film, turned(reading, degrees))
        assert rim.severity == "strong", degrees
        assert set(rim.touches) >= {"radiographic_inclination", "radiographic_anteversion"}
    rim, _ = said(film, turned(reading, -20))
    assert any(f"turned by {each} degrees" in rim.text for each in (18, 20, 22))


@pytest.mark.parametrize("hip", HIPS.values(), ids=HIPS)
def test_a_rim_as_of_another_anteversion_is_asked_about(hip):
    # The axis ratio is the sine of the anteversion in parallel projection.
    film, reading = film_of(hip), reading_of(hip)
    wide = hip is HIPS["right, wide open"]
    assert said(film, turned(reading, 0, 1.6))[0].severity == ("strong" if wide else "warning")
    # A shell longer than half a sphere would cast this one; a rim of a few degrees has no middle.
    if hip.anteversion > 15.0:
        assert said(film, turned(reading, 0, 0.6))[0].severity == "note"


@pytest.mark.parametrize("anteversion", [2.0, 4.0])
def test_a_flat_rim_clicked_at_the_middle_of_a_longer_shell_is_not_called_turned(anteversion):
    hip = Metal("right", 45.0, anteversion, deeper_mm=5.0)
    film, reading = film_of(hip), reading_of(hip)
    rim, _ = said(film, reading)
    assert rim.severity == "note" and "longer than half a sphere" in rim.text
    # Turned the other way by as much, one of its ends falls on the metal's, and both are asked for.
    assert said(film, turned(reading, -20))[0].severity == "strong"


def shown_as(film, kind):
    if kind == "low is dense":
        pixels = (4095 - film.pixels).astype(np.uint16)
        return replace(film, pixels=pixels, greys=Greys(inverted=True))
    if kind == "in a narrow window":
        return replace(film, greys=Greys(voi=Window(800.0, 400.0)))
    return replace(film, pixels=(film.pixels // 16).astype(np.uint8))


@pytest.mark.parametrize("kind", ["low is dense", "in a narrow window", "in eight bits"])
def test_how_the_film_is_shown_does_not_matter(kind):
    film, reading = shown_as(film_of(PLAIN), kind), reading_of(PLAIN)
    assert said(film, reading) == (None, None)
    assert said(film, turned(reading, 15))[0].severity == "strong"
    # The native head is said to be the prosthetic one.
    other = replace(reading, head_diameter_mm={"right": 32.0}, native_head_mm={"left": 46.0})
    assert said(film, other)[1].severity == "strong"


def test_a_film_without_metal_says_nothing_of_a_rim():
    rim, _ = said(film_of(), turned(reading_of(PLAIN), 20))
    assert rim is None
