from dataclasses import replace

import numpy as np
import pytest
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg

from tests.report.page.extent import extent
from xraymeasure.about import CAUTION
from xraymeasure.film.read import read_film
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.results import Finding
from xraymeasure.plan.compare import Plan, compare, parse_plan, read_plan
from xraymeasure.reading.file import read_reading
from xraymeasure.report.layout.sheet import MARGIN_MM, WIDTH_MM, text_width, wrapped
from xraymeasure.report.layout.type import Line
from xraymeasure.report.page.page import pdf_pages, report_pages
from xraymeasure.report.subject import Subject
from xraymeasure.samples import sample_folder

LOUD = tuple(
    Finding(f"finding_{number}", f"Finding number {number}: " + "something to know, " * 9)
    for number in range(14)
)
LONG_PLAN = """
operated_side = "left"
[cup]
inclination_deg = 37
anteversion_deg = 25
definition = "operative"
plane = "anterior_pelvic"
pelvic_tilt_deg = -8
[femur]
neck_shaft_angle_deg = 132
offset_change_mm = 3
[leg_length]
change_mm = 6
[tolerance]
leg_length_mm = 5
[recorded]
inclination_deg = 41
anteversion_deg = 22
definition = "anatomical"
offset_change_mm = 2
"""


def set_in(film, reading, measurements, comparison=None):
    """The pages with all that is written on them, not drawn."""
    found = Subject(film, reading, measurements, comparison=comparison)
    return report_pages(found).sheets


def sheets(*parts):
    pages = set_in(*parts)
    for page in pages:
        FigureCanvasAgg(page.figure)
        page.figure.draw_without_rendering()
    return pages


@pytest.fixture(autouse=True, scope="module")
def type_as_printed():
    """Screens pull letters onto their pixels, which makes lines longer than paper has them."""
    with rc_context({"text.hinting": "no_hinting"}):
        yield


def words(page):
    return " ".join(line.text for line in page.lines)


@pytest.fixture(scope="module", params=["planned", "unplanned", "crowded", "before"])
def pages(request, film, reading, measurements, comparison):
    if request.param == "planned":
        return sheets(film, reading, measurements, comparison)
    if request.param == "unplanned":
        return sheets(film, reading, measurements)
    many = replace(measurements, findings=LOUD, rows=measurements.rows * 5)
    if request.param == "crowded":
        return sheets(film, reading, many, compare(many, parse_plan(LONG_PLAN)))
    blind = replace(measurements, rows=measurements.rows[6:], missing=(), drawings=())
    return sheets(film, reading, blind, compare(blind, parse_plan(LONG_PLAN), measurements))


def boxes(page, lines):
    """Lines that say something, each with its box."""
    renderer = page.figure.canvas.get_renderer()
    return [(line, extent(line, page.figure, renderer)) for line in lines if line.text]


def assert_nothing_is_clipped(page):
    scale = page.figure.dpi / 25.4
    right = (WIDTH_MM - MARGIN_MM + 0.5) * scale
    for line, box in boxes(page, page.lines):
        assert box.x0 >= (MARGIN_MM - 0.5) * scale, line.text
        assert box.x1 <= right, line.text
        assert box.y0 >= 4 * scale, line.text


def assert_no_writing_stands_on_other(page):
    plots = [axes for axes in page.figure.axes if axes.get_legend_handles_labels()[1]]
    lines = [line for axes in plots for line in axes.get_children() if isinstance(line, Line)]
    lines, taken = zip(*boxes(page, [*page.lines, *lines]), strict=True)
    left, low, right, high = np.array([box.padded(-1.5).extents for box in taken]).T
    one_on_other = (left < right[:, None]) & (low < high[:, None])
    for one, other in np.argwhere(np.triu(one_on_other & one_on_other.T, 1)):
        pytest.fail(f"{lines[one].text!r} stands on {lines[other].text!r}")


def test_nothing_is_clipped_by_the_edge_of_the_paper(pages):
    for page in pages:
        assert_nothing_is_clipped(page)


def test_no_writing_stands_on_other_writing(pages):
    for page in pages:
        assert_no_writing_stands_on_other(page)


def test_no_type_is_smaller_than_print_allows(pages):
    # Common practice, no source: 6.5 points is the least that is read on paper.
    for page in pages:
        assert min(line.face.get_size_in_points() for line in page.lines) >= 6.5


def test_every_page_carries_the_caution(pages):
    for page in pages:
        assert CAUTION in words(page)


def test_the_first_page_says_first_what_is_off(film, reading, measurements, comparison):
    said = words(set_in(film, reading, measurements, comparison)[0])
    assert said.index("Outside the tolerance: leg-length difference") < said.index("planned")
    assert "Undecided: cup anteversion" in said
    assert "Within the tolerance: cup inclination, femoral offset" in said
    assert "right side 41.0 mm (37.5 to 44.5)" in said
    assert "needs the film before the operation" in said


def test_every_verdict_has_its_word_and_its_shape(film, reading, measurements):
    plan = parse_plan(
        'operated_side = "left"\n[cup]\ninclination_deg = 42\nanteversion_deg = 10\n'
        "[leg_length]\ndifference_mm = 3\n"
        "[tolerance]\ninclination_deg = 5\nanteversion_deg = 5\nleg_length_mm = 5"
    )
    comparison = compare(measurements, plan)
    assert [row.verdict for row in comparison.rows[:3]] == ["within", "outside", "undecided"]
    page = set_in(film, reading, measurements, comparison)[0]
    said = [line.text for line in page.lines]
    for glyph, word in (("●", "within"), ("▲", "outside"), ("◐", "undecided")):
        assert glyph in said
        assert word in said


def test_findings_that_do_not_fit_stand_on_a_further_page(film, reading, measurements):
    loud = replace(measurements, findings=LOUD)
    first, *rest = set_in(film, reading, loud)
    assert "more on a further page" in words(first)
    assert "Finding number 13" not in words(first)
    assert any("Finding number 13" in words(page) for page in rest)


def test_strong_findings_come_first(film, reading, measurements):
    said = words(set_in(film, reading, measurements)[0])
    assert said.index("The pelvis is turned") < said.index("The rim was placed")


def test_a_conversion_is_told_on_the_first_page(film, reading, measurements):
    comparison = compare(measurements, parse_plan(LONG_PLAN))
    said = words(set_in(film, reading, measurements, comparison)[0])
    assert "Planned operative 37/25 to the anterior pelvic plane" in said
    assert "with 8 degrees of anterior pelvic tilt" in said


def test_a_plan_without_anything_in_it_gives_no_verdict(film, reading, measurements):
    said = words(set_in(film, reading, measurements, compare(measurements, Plan("left")))[0])
    assert "No verdict" in said
    assert "not planned" in said


# Those that differ in what stands on their pages.
@pytest.mark.parametrize("name", ["before", "off_plan_cup", "bilateral", "long_leg"])
def test_the_sample_films_fit_their_pages(name, plain_films):
    folder = sample_folder()
    film = read_film(plain_films(name))
    reading = read_reading(folder / f"{name}.reading.json")
    measurements = measure(film, reading, draws=0)
    comparison = compare(measurements, read_plan(folder / f"{name}.plan.toml"))
    pages = sheets(film, reading, measurements, comparison)
    assert len(pages) <= 3
    for page in pages:
        assert_nothing_is_clipped(page)
        assert_no_writing_stands_on_other(page)


def test_the_same_input_gives_the_same_bytes(film, reading, measurements, comparison):
    first = pdf_pages(report_pages(Subject(film, reading, measurements, comparison=comparison)))
    assert first.startswith(b"%PDF-")
    assert first == pdf_pages(
        report_pages(Subject(film, reading, measurements, comparison=comparison))
    )
    assert b"CreationDate" not in first


def test_signs_that_mean_something_to_the_typesetter_are_printed(film, reading, measurements):
    odd = replace(measurements, reader="$x_1$ & <b>")
    assert "$x_1$ & <b>" in words(set_in(film, reading, odd)[0])


def test_lines_are_broken_to_the_width_that_they_have():
    text = "measured to the line through the teardrops, " * 5
    lines = wrapped(text, 60, 8)
    assert " ".join(lines).split() == text.split()
    assert len(lines) > 3
    assert all(text_width(line, 8) <= 60 for line in lines)
