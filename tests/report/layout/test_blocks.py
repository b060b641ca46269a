"""Papers of the series: every sheet with the caution, the same bytes each time."""

import subprocess

from xraymeasure.about import CAUTION
from xraymeasure.report.layout.blocks import (
    Cell,
    Heading,
    Paper,
    Paragraph,
    Picture,
    Setter,
    Table,
    paper_files,
)
from xraymeasure.report.layout.sheet import FOOT_MM

PAPER = Paper(
    "Invented <series>",
    ("12 hips",),
    (
        Paragraph("Nothing moved.", loud=True, glyph="○"),
        Heading("The hips"),
        Table((("hip", 0.0), ("", 40.0)), [(Cell("S1"), Cell("left", "below"))] * 80),
        Picture(30.0, lambda make: make(0.0, 0.0, 50.0, 20.0).plot([0, 1]), "A line that rises."),
    ),
)


def test_every_sheet_carries_the_caution_and_its_number(tmp_path):
    path = tmp_path / "paper.pdf"
    path.write_bytes(paper_files("paper", PAPER)["paper.pdf"])
    told = subprocess.run(["pdftotext", path, "-"], capture_output=True, text=True, check=True)
    sheets = [sheet.split() for sheet in told.stdout.split("\f")[:-1]]
    assert len(sheets) > 1
    for number, words in enumerate(sheets, start=1):
        said = " ".join(words)
        assert CAUTION in said and f"page {number} of {len(sheets)}" in said
        # The head of a table stands again where it goes on.
        assert "hip" in words or number == len(sheets)


def test_a_picture_stays_with_its_key_and_a_long_identity_off_the_title():
    picture, key = Picture(30.0, lambda make: None, ""), Paragraph("Bars: hips.", quiet=True)
    setter = Setter("A title of some length", ("who read it " * 10,))
    title, who = setter.sheets[0].lines
    assert who.place[1] < title.place[1] - 0.01
    setter.y = FOOT_MM - 40.0
    for place, block in enumerate(blocks := [Heading("Bars"), picture, key, key]):
        setter.set(block, blocks[place + 1 :])
    # All together on the second sheet; of paragraphs alone a heading needs the first.
    assert [len(sheet.lines) for sheet in setter.sheets] == [2, 5]
    setter.y = FOOT_MM - 14.0
    setter.set(Heading("How"), [key] * 9)
    assert len(setter.sheets) == 2


def test_the_same_paper_gives_the_same_bytes_and_its_words_are_no_markup():
    files = paper_files("paper", PAPER)
    assert files == paper_files("paper", PAPER)
    assert files["paper.pdf"].startswith(b"%PDF")
    html = files["paper.html"]
    assert "Invented &lt;series&gt;" in html and 'alt="A line that rises."' in html
