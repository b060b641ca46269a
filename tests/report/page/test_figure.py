from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tests.report.page.extent import extent
from xraymeasure.film.film import film_from_array
from xraymeasure.measuring.results import Drawing
from xraymeasure.report.layout import style
from xraymeasure.report.layout.type import Line
from xraymeasure.report.page.figure import draw_film, show_film

# Every way a film may lie: the axes of the eight turns and mirrors of a square.
ORIENTATIONS = [
    axes for x, y in product((1, -1), repeat=2) for axes in (((0, x), (y, 0)), ((x, 0), (0, y)))
]


def as_stored(upright, axes):
    """Turn a picture that shows the patient upright into one stored with other axes."""
    rows, columns = upright.shape
    matrix = np.array(axes)
    shape = np.abs(matrix.T @ [columns, rows])
    stored = np.empty(shape, upright.dtype)
    last = np.array(shape) - 1
    for row in range(shape[0]):
        for column in range(shape[1]):
            x, y = matrix @ (row, column) - np.minimum(matrix @ last, 0)
            stored[row, column] = upright[y, x]
    return stored


@pytest.mark.parametrize("axes", ORIENTATIONS)
def test_a_film_is_shown_as_on_a_light_box_however_it_is_stored(axes):
    upright = np.arange(7 * 11, dtype=np.uint16).reshape(7, 11)
    film = film_from_array(as_stored(upright, axes), patient_axes=axes)
    shown = show_film(film, (), aspect=11 / 7)
    assert np.argsort(shown.grey, axis=None).tolist() == list(range(77))
    assert shown.grey.shape == (7, 11)


@pytest.mark.parametrize("axes", ORIENTATIONS)
def test_a_point_is_shown_where_its_pixel_is(axes):
    film = film_from_array(
        np.random.default_rng(3).integers(0, 4000, (9, 13)).astype(np.uint16), patient_axes=axes
    )
    shown = show_film(film, (), aspect=1.0)
    left, top = (int(edge) for edge in shown.origin)
    for row, column in [(0, 0), (8, 12), (2, 7)]:
        x, y = shown.to_shown(np.array([[row, column]]))[0].astype(int)
        if 0 <= y - top < shown.grey.shape[0] and 0 <= x - left < shown.grey.shape[1]:
            assert shown.grey[y - top, x - left] == film.display()[row, column]


def test_pixels_that_are_not_square_are_shown_in_their_shape():
    film = film_from_array(np.zeros((40, 60), np.uint16), pitch_mm=(0.3, 0.1))
    assert show_film(film).pixel_aspect == pytest.approx(3.0)
    turned = replace(film, patient_axes=((1, 0), (0, 1)))
    assert show_film(turned).pixel_aspect == pytest.approx(1 / 3)


def test_the_part_that_is_shown_holds_what_was_measured(film):
    path = np.array([[100.0, 300.0], [200.0, 500.0]])
    shown = show_film(film, (Drawing("offset", "left", path, (), (150.0, 400.0)),), aspect=1.5)
    (left, top), (width, height) = shown.origin, shown.size
    assert left < 300
    assert top < 100
    assert left + width > 500
    assert top + height > 200
    assert width / height == pytest.approx(1.5, abs=0.02)
    assert width < 600


def drawn(film, reading, measurements):
    figure = Figure(figsize=(7, 4), dpi=100)
    axes = figure.add_axes((0, 0, 1, 1))
    draw_film(axes, show_film(film, measurements.drawings, 1.75), reading, measurements)
    FigureCanvasAgg(figure).draw()
    return axes


def written(axes):
    return [artist for artist in axes.get_children() if isinstance(artist, Line)]


def test_what_was_measured_is_written_on_the_film(film, reading, measurements):
    said = [line.text for line in written(drawn(film, reading, measurements))]
    assert said.index("anteversion 24.0°") == said.index("inclination 42.0°") + 1
    assert "leg length +8.5 mm" in said
    assert "femoral offset 43.0 mm" in said
    assert "50 mm in the plane of the hip centre" in said


def test_the_patients_right_is_at_the_left(film, reading, measurements):
    axes = drawn(film, reading, measurements)
    at = {line.text: line.place[0] for line in written(axes)}
    assert at["R"] < at["L"]


def test_labels_lie_within_the_film_and_apart(film, reading, measurements):
    axes = drawn(film, reading, measurements)
    frame = axes.get_window_extent()
    boxes = [ground.get_window_extent() for ground in axes.patches]
    assert len(boxes) == 6
    for number, box in enumerate(boxes):
        assert frame.x0 - 1 <= box.x0
        assert box.x1 <= frame.x1 + 1
        assert frame.y0 - 1 <= box.y0
        assert box.y1 <= frame.y1 + 1
        assert not any(box.overlaps(other) for other in boxes[number + 1 :])


def test_every_word_stands_on_its_dark_ground(film, reading, measurements):
    axes = drawn(film, reading, measurements)
    renderer = axes.figure.canvas.get_renderer()
    grounds = [ground.get_window_extent() for ground in axes.patches]
    for line in written(axes):
        word = extent(line, axes.figure, renderer)
        assert any(
            ground.x0 <= word.x0
            and word.x1 <= ground.x1
            and ground.y0 <= word.y0
            and word.y1 <= ground.y1
            for ground in grounds
        ), line.text


def test_without_a_scale_there_is_no_scale_bar(film, reading, measurements):
    axes = drawn(film, reading, replace(measurements, mm_per_px=None))
    assert not any("mm in the plane" in line.text for line in written(axes))


def test_the_scale_bar_is_as_long_as_it_says(film, reading, measurements):
    axes = drawn(film, reading, measurements)
    (_, bar), white = axes.collections[-1].get_segments(), axes.collections[-1].get_colors()[1]
    assert tuple(white) == (1.0, 1.0, 1.0, 1.0)
    assert np.ptp(bar[:, 0]) == pytest.approx(50 / measurements.mm_per_px)


def test_lines_are_told_apart_without_colour():
    # Kinds of one colour differ in dash, width or marker.
    looks = {(line.colour, line.dash, line.marker, line.width) for line in style.LINES.values()}
    assert len(looks) == len(style.LINES)


def test_every_line_stands_on_dark_and_on_its_casing():
    # WCAG 2.2, success criterion 1.4.11: graphics need a contrast of 3 to 1 with what they lie on.
    for kind, line in style.LINES.items():
        assert contrast(line.colour, style.CASING) >= 3.0, kind


@pytest.mark.parametrize("colour", [colour for _, _, colour in style.VERDICTS.values()])
def test_verdicts_are_readable_on_paper(colour):
    # WCAG 2.2, success criterion 1.4.3: text needs a contrast of 4.5 to 1.
    assert contrast(colour, style.PAPER) >= 4.5


def contrast(one, other):
    """Contrast ratio as WCAG 2.2 defines it."""
    from matplotlib.colors import to_rgb

    def luminance(colour):
        linear = [
            part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
            for part in to_rgb(colour)
        ]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)
