"""A study's films are looked through, and the sheet shows the doubtful ones first."""

import shutil

import pytest

from xraymeasure.reading.file import read_reading


@pytest.fixture
def study(tmp_path, plain_films):
    """Return a study of two invented films, one before the operation, and a broken one."""
    folder = tmp_path / "study"
    folder.mkdir()
    for name in ("well_placed", "before"):
        shutil.copy(plain_films(name), folder)
    (folder / "broken.dcm").write_bytes(b"not a film")
    (folder / "films.csv").write_text(
        "film,file,subject,side,head_diameter_mm\n"
        "F0,well_placed.dcm,S0,left,\nF1,before.dcm,S1,,32\nF2,broken.dcm,S2,,\n"
    )
    (folder / "study.toml").write_text(
        'format = "xraymeasure-study"\nversion = 1\nfilms = "films.csv"\nreaders = ["A"]\n'
        "occasions = 1\nblinded = true\nseed = 1\n"
    )
    return folder


def test_a_study_is_proposed_outside_its_readings_and_told_on_a_sheet(study, run):
    code, out, err = run("series", "propose", study, "--workers", 0)
    assert code == 2
    assert "F2" in err
    assert "hips proposed: 1, of them doubtful: 1, films with nothing found: 1" in out
    reading = read_reading(study / "results" / "proposals" / "F0.reading.json")
    assert "cup_rim_left" in reading.unconfirmed
    assert not list(study.glob("readings/*"))
    page = (study / "proposals" / "proposals.html").read_text("utf-8")
    assert page.index("Doubtful") < page.index("Nothing found") < page.index("Not looked at")
    # Without a known head the scale is a guess, and the sheet says so.
    assert "The head&#39;s diameter is not in the study" in page
    assert (study / "proposals" / "proposals.pdf").read_bytes().startswith(b"%PDF")
