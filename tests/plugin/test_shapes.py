"""What is drawn of a reading, and the pictures of where landmarks lie."""

from dataclasses import replace

import numpy as np
import pytest
from napari_xraymeasure.canvas.drawn_shapes import (
    RESIDUAL_ENLARGED,
    Focus,
    in_hand,
    outline,
    scene,
    spread_in_words,
)
from napari_xraymeasure.canvas.line_styles import WINDOW_LINES
from napari_xraymeasure.panels.landmark_pictures import picture
from qtpy.QtGui import QColor

from xraymeasure.film.read import read_film
from xraymeasure.measuring.measure import measure
from xraymeasure.plan.planned_cup import planned_cup_outline
from xraymeasure.reading.file import read_reading
from xraymeasure.reading.reading import Reading
from xraymeasure.samples import sample_folder
from xraymeasure.vocabulary.landmarks import KINDS, LANDMARKS


@pytest.fixture(scope="module")
def film():
    return read_film(sample_folder() / "well_placed.dcm")


@pytest.fixture(scope="module")
def reading():
    return read_reading(sample_folder() / "well_placed.reading.json")


def circle(count=8, centre=(100.0, 200.0), radius=50.0):
    angles = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return [(centre[0] + radius * np.cos(a), centre[1] + radius * np.sin(a)) for a in angles]


def blank(name, points):
    return Reading("A", "2026-01-31T10:15:00Z", "left").with_points(name, points)


def test_an_outline_is_drawn_through_its_points_before_anything_can_be_measured():
    path = outline("femoral_head_left", circle())
    assert np.hypot(*(path - (100.0, 200.0)).T) == pytest.approx(50.0)
    drawn = scene(blank("femoral_head_left", circle()), None, Focus())
    assert [stroke.kind for stroke in drawn.strokes] == ["head"]


@pytest.mark.parametrize(
    ("placed", "replaced", "kind"),
    [
        (("femoral_head_left", "cup_rim_left"), (), "head"),
        (("femoral_head_left",), ("left",), "head"),
        (("femoral_head_left",), ("right",), "native_head"),
    ],
)
def test_a_head_of_unknown_size_is_drawn_as_what_it_is(film, reading, placed, replaced, kind):
    """A prosthesis by its cup, or by what the reader says of the hip."""
    landmarks = {name: reading.landmarks[name] for name in placed}
    bare = replace(reading, head_diameter_mm={}, landmarks=landmarks)
    drawn = scene(bare, measure(film, bare, draws=0), Focus(replaced=replaced))
    assert {"head", "native_head"} & {stroke.kind for stroke in drawn.strokes} == {kind}


def test_the_outline_that_is_dragged_is_drawn_where_its_points_are_now(film, reading):
    """Numbers and other lines may be older for a moment, what the hand holds never is."""
    name = "femoral_head_left"
    moved = [(row + 20.0, column) for row, column in reading.landmarks[name]]
    now, measured = reading.with_points(name, moved), measure(film, reading, draws=0)
    focus = Focus(dragged=name)
    held = in_hand(now, measured, focus, reading)
    assert {mark.point for mark in held.marks} == set(moved)
    shown = scene(now, measured, Focus()).strokes, held.strokes
    paths = [next(stroke.path for stroke in each if stroke.kind == "head") for each in shown]
    assert "head" not in {stroke.kind for stroke in scene(now, measured, focus).strokes}
    middles = [(path.max(axis=0) + path.min(axis=0)) / 2 for path in paths]
    assert middles[1] - middles[0] == pytest.approx((20.0, 0.0), abs=0.5)


def test_residuals_of_the_armed_outline_are_drawn_enlarged():
    points = circle()
    points[0] = (points[0][0] + 2.0, points[0][1])
    drawn = scene(blank("marker_sphere", points), None, Focus(armed="marker_sphere"))
    lengths = [
        np.hypot(*(stroke.path[1] - stroke.path[0]))
        for stroke in drawn.strokes
        if stroke.kind == "residual"
    ]
    # One point of eight is out by 2: the fitted circle takes up three eighths of it.
    assert len(lengths) == len(points)
    assert max(lengths) == pytest.approx(RESIDUAL_ENLARGED * 2.0 * 5 / 8, rel=0.02)


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([(0, 0), (1, 1)], "2 of at least 3 points"),
        ([(0, 0), (1, 1), (2, 2)], "no circle fits them yet"),
        (circle(3), "one more shows"),
        (circle(8), "spread about the circle 0.0 px (0.00 mm)"),
    ],
)
def test_how_an_outline_stands_is_said(points, said):
    assert said in spread_in_words(blank("femoral_head_left", points), "femoral_head_left", 0.25)


def test_every_kind_that_measuring_draws_has_a_look(film, reading):
    measured = measure(film, reading, draws=0)
    assert {drawing.kind for drawing in measured.drawings} <= set(WINDOW_LINES)


def test_the_measured_cup_laid_on_its_own_angles_covers_its_rim(film, reading):
    """A plan equal to what was measured, at the rim's own size, must lie on the rim."""
    measured = measure(film, reading, draws=0)
    angles = tuple(
        measured.primary(f"radiographic_{name}").value for name in ("inclination", "anteversion")
    )
    rim = next(d.path for d in measured.drawings if d.kind == "rim")
    drawn = planned_cup_outline(film, reading, measured, angles, 50.0)
    sizes = [np.hypot(*(path - path.mean(axis=0)).T) for path in (rim, drawn)]
    ratios = [extent.min() / extent.max() for extent in sizes]
    assert ratios[1] == pytest.approx(ratios[0], abs=0.01)
    assert np.hypot(*(rim.mean(axis=0) - drawn.mean(axis=0))) < 4.0


@pytest.mark.parametrize("prosthetic", [True, False])
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.stem)
def test_each_landmark_has_a_picture_that_marks_it_on_its_own_side(qapp, kind, prosthetic):
    pictures = [
        picture(name, prosthetic, 130).toImage()
        for name, landmark in LANDMARKS.items()
        if landmark.kind is kind
    ]
    yellow = QColor("#F5EA4D").rgb()
    marked = []
    for image in pictures:
        columns = [
            x
            for x in range(image.width())
            for y in range(image.height())
            if image.pixelColor(x, y).rgb() == yellow
        ]
        assert columns
        marked.append(np.mean(columns))
    if len(marked) == 2:
        assert sum(marked) == pytest.approx(119.0, abs=4.0)
