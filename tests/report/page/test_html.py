import base64
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from PIL import Image

from xraymeasure.about import CAUTION
from xraymeasure.measuring.results import Finding, Missing
from xraymeasure.report.page.html import html_page
from xraymeasure.report.page.page import report_pages
from xraymeasure.report.subject import Subject

# HTML Living Standard, 13.1.2: elements without an end tag.
VOID = frozenset(
    ("area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "wbr")
)


class Page(HTMLParser):
    """Elements must close in the order in which they opened."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.said = [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        assert "svg" in self.open, f"<{tag}/> closes itself outside a drawing"
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.said.append(data)

    def text(self):
        return " ".join(" ".join(self.said).split())

    def attributes(self, *names):
        return [attrs[name] for _, attrs in self.tags for name in names if name in attrs]


@pytest.fixture(scope="module")
def planned(film, reading, measurements, comparison):
    return html_page(report_pages(Subject(film, reading, measurements, comparison=comparison)))


@pytest.fixture(scope="module", params=[True, False], ids=["planned", "unplanned"])
def text(request, planned, film, reading, measurements):
    return (
        planned if request.param else html_page(report_pages(Subject(film, reading, measurements)))
    )


def test_the_page_is_well_formed(text):
    page = Page(text)
    assert page.open == []
    assert text.startswith("<!DOCTYPE html>")
    assert ("html", {"lang": "en"}) in page.tags


def test_the_page_asks_no_server_for_anything(text):
    page = Page(text)
    for address in page.attributes("src", "href", "xlink:href", "action", "data"):
        assert re.match("data:image/(png|jpeg);base64,", address)
    assert not re.search(r"https?:|url\(|@import|<script|<link|<iframe", text)


def test_the_pictures_are_in_the_page_and_described(text):
    pictures = [attrs for tag, attrs in Page(text).tags if tag == "img"]
    data = [
        base64.b64decode(picture["src"].partition(",")[2], validate=True) for picture in pictures
    ]
    film, lines, plot = (Image.open(io.BytesIO(each)) for each in data)
    assert (film.format, lines.format, plot.format) == ("JPEG", "PNG", "PNG")
    assert all(picture["alt"] for picture in pictures)
    # What is laid over the film lets it through, and is of one shape with it.
    assert lines.mode == "RGBA"
    assert lines.getextrema()[3][0] == 0
    assert lines.width / lines.height == pytest.approx(film.width / film.height, rel=0.01)


def test_a_film_without_a_cup_has_no_plot_and_a_larger_picture(film, reading, measurements):
    bare = replace(measurements, rows=measurements.rows[6:])
    pages, whole = (report_pages(Subject(film, reading, each)) for each in (bare, measurements))
    assert pages.plot is None and whole.plot is not None
    assert pages.film[1][3] > whole.film[1][3]
    assert sum(tag == "img" for tag, _ in Page(html_page(pages)).tags) == 2


def test_the_caution_and_the_table_are_there(text):
    said = Page(text).text()
    assert CAUTION in said
    for words in ("Cup inclination", "42.0°", "40.5 to 43.5", "Leg-length difference", "+8.5 mm"):
        assert words in said


def test_heads_of_rows_and_columns_are_marked(text):
    scopes = [attrs.get("scope") for tag, attrs in Page(text).tags if tag == "th"]
    assert set(scopes) == {"row", "col"}


def test_what_a_reader_supplied_is_text_and_not_markup(film, reading, measurements, comparison):
    hostile = replace(
        measurements,
        reader='<script>alert("x")</script>',
        findings=(Finding("odd", "<img src=http://example.org/x onerror=alert(1)> & more"),),
        notes=("<b>bold</b>",),
        missing=(Missing("femoral_offset", "left", None, "</td></table>"),),
    )
    text = html_page(report_pages(Subject(film, reading, hostile, comparison=comparison)))
    page = Page(text)
    assert {tag for tag, _ in page.tags}.isdisjoint({"script", "iframe"})
    assert '<script>alert("x")</script>' in page.text()
    assert "<img src=http://example.org/x onerror=alert(1)> & more" in page.text()
    assert all(address.startswith("data:") for address in page.attributes("src"))
