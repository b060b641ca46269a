"""The whole interface for notebooks: what a researcher types, and what comes back."""

import doctest
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import xraymeasure as xm


@pytest.fixture(scope="module")
def found():
    return xm.examine(*xm.sample("off_plan_cup"), draws=0)


def test_every_name_of_the_face_is_there():
    for name in xm.__all__:
        assert getattr(xm, name).__doc__


def test_the_face_is_loaded_when_it_is_used():
    heavy = ["numpy", "scipy", "matplotlib", "pydicom", "pandas"]
    program = f"""
import sys, time
import xraymeasure as xm
before = set({heavy!r}) & set(sys.modules)

import xraymeasure.examination
assert callable(xm.examine), "the function, not a module of the same name"
print(sorted(before))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"


def test_a_name_that_is_not_there_is_an_attribute_error():
    with pytest.raises(AttributeError, match="templates"):
        xm.templates  # noqa: B018


def test_a_measurement_is_found_by_its_name(found):
    row = found.measurements["radiographic_anteversion"]
    assert row.low < row.value < row.high and row.primary
    # The sample is known to lie at 52.5/6.2: see sample_images/off_plan_cup.truth.json.
    assert found.measurements["radiographic_inclination"].value == pytest.approx(52.5, abs=1.0)
    other = found.measurements["femoral_offset", "left"]
    assert other.side == "left" != found.reading.operated_side


def test_what_could_not_be_measured_is_a_key_error_with_the_reason():
    film, reading, _ = xm.sample("off_plan_cup")
    without = reading.without(f"cup_rim_{reading.operated_side}")
    measured = xm.measure(film, without, draws=0)
    with pytest.raises(KeyError, match="cup_rim_right is not placed"):
        measured["radiographic_anteversion"]
    with pytest.raises(KeyError, match="no such measurement"):
        measured["mood"]


def test_an_examination_is_ten_lines_in_a_terminal_and_a_table_in_a_notebook(found):
    assert 5 <= len(repr(found).splitlines()) <= 12
    assert "Cup inclination" in repr(found) and "outside" in repr(found)
    table = found._repr_html_()
    assert table.startswith("<table>") and "not a medical device" in table.lower()
    for thing in (found.film, found.reading, found.measurements):
        assert len(repr(thing)) < 1000


def test_without_a_plan_the_measured_values_are_shown():
    film, reading, _ = xm.sample("well_placed")
    assert "Radiographic inclination" in repr(xm.examine(film, reading, draws=0))


def test_all_rows_go_into_a_table(found):
    frame = found.measurements.to_frame()
    assert len(frame) == len(found.measurements.rows)
    assert frame["value"].notna().all() and set(frame["unit"]) <= {"deg", "mm", "px", "1"}


def test_the_page_is_named_by_the_pixels_and_not_by_the_file(found, tmp_path, monkeypatch):
    # What is drawn is the question of the page's own tests.
    monkeypatch.setattr("xraymeasure.report.page.page.pdf_pages", lambda *_: b"")
    monkeypatch.setattr("xraymeasure.report.page.html.html_page", lambda *_: "")
    written = found.write(tmp_path / "notes")
    assert {path.suffix for path in written} == {".pdf", ".html", ".json", ".csv"}
    assert all(Path(found.film.source).stem not in path.name for path in written)


def test_the_film_is_drawn_with_what_was_fitted(found):
    (axes,) = found.show().axes
    assert axes.images and len(axes.collections[0].get_segments()) > 5


def test_an_earlier_film_gives_the_changes():
    later = xm.sample("long_leg")
    before = xm.sample("before")
    found = xm.examine(*later, before=before[:2], draws=0)
    assert {row.name for row in found.changes.rows} >= {"leg_length_change"}
    assert found.before.reading == before[1]


def test_a_sample_that_is_not_there_is_named():
    with pytest.raises(xm.XrayMeasureError, match="well_placed"):
        xm.sample("nobody")


INVERSE = {
    "read_film": "film_from_array",
    "film_from_array": "read_film",
    "read_reading": "save_reading",
    "save_reading": "read_reading",
    "read_plan": "format_plan",
}


@pytest.mark.parametrize(
    "name", [name for name in xm.__all__ if inspect.isfunction(getattr(xm, name))]
)
def test_every_function_of_the_face_shows_its_use_and_names_its_inverse(name):
    told = inspect.getdoc(getattr(xm, name))
    assert doctest.DocTestParser().get_examples(told), "runs with the others, as a doctest"
    if name in INVERSE:
        assert INVERSE[name] in told.partition("See Also\n--------\n")[2]
