"""The study folder: strict in what it takes, and nothing that was handed in is lost."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from xraymeasure.errors import StudyError
from xraymeasure.reading.file import format_reading
from xraymeasure.reading.reading import Reading
from xraymeasure.series.study.readings import add_reading, draft_path, study_readings
from xraymeasure.series.study.remarks import Remark, add_remark, excluded_films, study_remarks
from xraymeasure.series.study.study import read_study

STUDY = """\
format = "xraymeasure-study"
version = 1
films = "films.csv"
readers = ["A", "B"]
occasions = 2
blinded = true
seed = 5
[stem]
type = "collarless, proximally coated"
subsidence_threshold_mm = 5
[tolerance]
inclination_deg = 5
"""
FILMS = """\
film,file,subject,time_point,day,side,plan,head_diameter_mm
S1-1,a.dcm,S1,post,0,left,a.plan.toml,36
S1-2,b.dcm,S1,1y,366,left,,36
S2-1,c.dcm,S2,,,,,
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "study.toml").write_text(STUDY)
    (tmp_path / "films.csv").write_text(FILMS)
    return tmp_path


def reading(reader="A", minute=0, row=1.0):
    return Reading(
        reader, f"2026-03-01T10:{minute:02d}:00Z", "left", landmarks={"symphysis": ((row, 2.0),)}
    )


def test_a_study_says_which_films_whose_hips_and_who_reads_them(folder):
    study = read_study(folder)
    assert read_study(folder / "study.toml") == study
    assert [film.label for film in study.films] == ["S1-1", "S1-2", "S2-1"]
    first, second, third = study.films
    assert (first.file, first.plan) == (folder / "a.dcm", folder / "a.plan.toml")
    assert (first.day, first.side, first.head_diameter_mm) == (0, "left", 36.0)
    assert (second.time_point, second.day, second.plan) == ("1y", 366, None)
    assert (third.time_point, third.day, third.side) == (None, None, None)
    assert study.readers == ("A", "B") and study.occasions == 2 and study.blinded
    assert study.subsidence_threshold_mm == 5.0
    assert study.tolerance == {"inclination_deg": 5.0}


def test_films_may_be_named_by_a_pattern(folder):
    (folder / "films").mkdir()
    for name in ("y.png", "x.png"):
        (folder / "films" / name).write_bytes(b"")
    (folder / "study.toml").write_text(STUDY.replace("films.csv", "films/*.png"))
    assert [(f.label, f.subject) for f in read_study(folder).films] == [("x", "x"), ("y", "y")]


def test_further_columns_are_groupings_and_openings_are_stated(folder):
    table = FILMS.splitlines()
    further = [",cup_opens,sex,implant family,site", ",Posterior,f,,north", ",,,'=b,", ",,,,"]
    rows = [row + more for row, more in zip(table, further, strict=True)]
    (folder / "films.csv").write_text("\n".join(rows))
    (folder / "study.toml").write_text(
        STUDY.replace("seed = 5", 'seed = 5\ncup_opens = "anterior"')
    )
    study = read_study(folder)
    assert [film.groups for film in study.films] == [
        {"sex": "f", "site": "north"},
        {"implant family": "=b"},
        {},
    ]
    # The word on one hip goes before that on all.
    assert [study.opens(film) for film in study.films] == ["posterior", "anterior", "anterior"]
    (folder / "films.csv").write_text("\n".join(rows).replace("Posterior", "forward"))
    with pytest.raises(StudyError, match="line 2: cup_opens: 'forward' is neither"):
        read_study(folder)


def test_a_table_saved_by_a_spreadsheet_with_semicolons_is_read(folder):
    (folder / "films.csv").write_text("\ufeff" + FILMS.replace(",", ";"), encoding="utf-8")
    assert len(read_study(folder).films) == 3


@pytest.mark.parametrize("place", ["../a.dcm", "/a.dcm", "films/../../a.dcm"])
@pytest.mark.parametrize("column", ["a.dcm", "a.plan.toml"])
def test_a_table_leads_out_of_the_study_only_where_the_study_says_so(folder, place, column):
    (folder / "films.csv").write_text(FILMS.replace(column, place, 1))
    with pytest.raises(StudyError, match=r"line 2: .*leads out of the study"):
        read_study(folder)
    (folder / "study.toml").write_text(STUDY.replace("seed = 5", "seed = 5\nfilms_outside = true"))
    assert len(read_study(folder).films) == 3


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("seed = 5", "seed = 5\ncolour = 1", "colour: unknown key"),
        ("version = 1", "version = 2", "update xraymeasure"),
        ("xraymeasure-study", "xraymeasure-plan", "is not a study"),
        ("blinded = true", "blinded = 1", "blinded"),
        ("seed = 5", "", "seed: is missing"),
        ('["A", "B"]', '["A", "a"]', "same label"),
        ('["A", "B"]', '["A", "A"]', "same label"),
        ('["A", "B"]', '["A__B"]', "cannot stand in a file name"),
        ('["A", "B"]', '["../x"]', "cannot stand in a file name"),
        ("occasions = 2", "occasions = 0", "occasions"),
        ("inclination_deg = 5", "inclination_deg = nan", "inclination_deg"),
        ("[stem]", "[stem", "broken TOML"),
        ("films.csv", "none/*.dcm", "no file matches"),
        ("films.csv", "other.csv", "no such file"),
        ("seed = 5", 'seed = 5\nadjudicator = "Z"', "adjudicator: 'Z' is not one of the readers"),
    ],
)
def test_a_study_that_cannot_be_meant_is_refused_with_words(folder, old, new, words):
    assert old in STUDY
    (folder / "study.toml").write_text(STUDY.replace(old, new))
    with pytest.raises(StudyError, match=words) as caught:
        read_study(folder)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("S1-2,b.dcm", "S1-1,b.dcm", "same label"),
        ("S1-2,b.dcm", "s1-1,b.dcm", "same label"),
        ("S1-2,b.dcm", ",b.dcm", "line 3: film: is empty"),
        ("S1-2,b.dcm", "S1/2,b.dcm", "cannot stand in a file name"),
        (",366,", ",next year,", "whole number of days"),
        ("366,left", "366,both", "neither left nor right"),
        ("time_point", "timepoint", "'time_point' is meant"),
        ("day", "Days", "'day' is meant"),
        ("side", "Side", "'side' is meant"),
        ("head_diameter_mm", "head diameter", "'head_diameter_mm' is meant"),
        ("time_point", "=1+1", "no name of a column"),
        ("time_point", "day", "stands twice"),
        ("subject", "plan", "missing: subject"),
        (",,36", ",,-36", "not a length"),
        (",,36", ",,36,1", "more cells"),
    ],
)
def test_a_table_of_films_that_cannot_be_meant_is_refused_with_words(folder, old, new, words):
    assert old in FILMS
    (folder / "films.csv").write_text(FILMS.replace(old, new, 1))
    with pytest.raises(StudyError, match=words):
        read_study(folder)


def test_readings_are_only_added_and_the_latest_counts(folder):
    study = read_study(folder)
    first = add_reading(study, "S1-1", 1, reading(minute=0))
    second = add_reading(study, "S1-1", 1, reading(minute=5, row=7.0))
    again = add_reading(study, "S1-1", 1, reading(minute=0))
    assert first == again and first != second and first.exists()
    (entry,) = study_readings(study)
    assert entry.place == ("S1-1", "A", 1)
    assert entry.reading.landmarks["symphysis"] == ((7.0, 2.0),)


def test_handing_in_a_reading_ends_its_draft(folder):
    study = read_study(folder)
    draft = draft_path(study, "S1-1", "A", 1)
    draft.write_text(format_reading(reading()))
    add_reading(study, "S1-1", 1, reading())
    assert not draft.exists()


@pytest.mark.parametrize(
    ("film", "occasion", "who", "words"),
    [
        ("S9-9", 1, "A", "no film 'S9-9'"),
        ("S1-1", 3, "A", "no occasion 3"),
        ("S1-1", 1, "C", "'C' is not one of them"),
    ],
)
def test_a_reading_that_the_study_does_not_foresee_is_refused(folder, film, occasion, who, words):
    study = read_study(folder)
    with pytest.raises(StudyError, match=words):
        add_reading(study, film, occasion, reading(who))
    assert not (folder / "readings").exists()


def test_a_reading_of_the_other_hip_is_no_reading_of_the_film(folder):
    study = read_study(folder)
    other = replace(reading(), operated_side="right")
    with pytest.raises(StudyError, match="index hip is the right one"):
        add_reading(study, "S1-1", 1, other)
    (folder / "readings").mkdir()
    (folder / "readings" / "S1-1__A__1.reading.json").write_text(format_reading(other))
    (entry,) = study_readings(study)
    assert "list a film with two hips twice" in entry.fault
    # Where the study does not say, the reader does.
    add_reading(study, "S2-1", 1, other)


def test_two_readers_on_one_share_lose_nothing(folder):
    study = read_study(folder)
    work = [
        (film.label, occasion, reading(who, minute, row=float(minute)))
        for film in study.films
        for occasion in (1, 2)
        for who in ("A", "B")
        for minute in range(5)
    ]
    with ThreadPoolExecutor(8) as pool:
        paths = list(pool.map(lambda job: add_reading(study, *job), work))
    assert len(set(paths)) == len(work) == len(list((folder / "readings").iterdir()))
    entries = study_readings(study)
    assert len(entries) == 12
    assert all(entry.reading.read_at.endswith("04:00Z") for entry in entries)


def test_two_copies_of_a_study_are_merged_by_copying_files(folder, tmp_path_factory):
    study = read_study(folder)
    add_reading(study, "S1-1", 1, reading("A"))
    other_folder = tmp_path_factory.mktemp("copy") / "study"
    shutil.copytree(folder, other_folder)
    other = read_study(other_folder)
    # Both copies go on: another film, and the same film, reader and occasion on both sides.
    add_reading(study, "S1-2", 1, reading("A", 1, row=10.0))
    add_reading(other, "S1-2", 1, reading("A", 2, row=20.0))
    add_reading(other, "S2-1", 1, reading("B", 3))
    add_remark(other, Remark("S1-1", "B", 1, "2026-03-01T11:00:00Z", "comment", "rotated"))
    before = {p.name for f in (folder, other_folder) for p in (f / "readings").iterdir()}
    shutil.copytree(other_folder, folder, dirs_exist_ok=True)
    assert {p.name for p in (folder / "readings").iterdir()} == before
    merged = {entry.place: entry for entry in study_readings(study)}
    assert set(merged) == {("S1-1", "A", 1), ("S1-2", "A", 1), ("S2-1", "B", 1)}
    conflict = merged["S1-2", "A", 1]
    assert conflict.reading.landmarks["symphysis"][0][0] == 20.0
    assert [remark.text for remark in study_remarks(study)] == ["rotated"]


def test_what_a_synchronising_program_left_behind_is_no_second_reading(folder):
    study = read_study(folder)
    path = add_reading(study, "S1-1", 1, reading())
    copied = path.with_name(path.name.replace(".reading", " (copy 1).reading"))
    copied.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    (path.parent / f".{path.name}.partial").write_text("{")
    (entry,) = study_readings(study)
    assert entry.reading == reading()


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("S1-1__A__1.reading.json", "{", "broken JSON"),
        ("S1-1__B__1.reading.json", None, "named for reader B but was placed by 'A'"),
        ("S9__A__1.reading.json", None, "no film 'S9'"),
        ("S1-1__A__7.reading.json", None, "no occasion 7"),
        ("S1-1__A__1__0123456789abcdef.reading.json", None, "changed after it was saved"),
        ("mine.reading.json", None, "is not named FILM__READER__OCCASION"),
    ],
)
def test_a_file_that_is_no_reading_of_the_study_says_why(folder, name, text, words):
    (folder / "readings").mkdir()
    (folder / "readings" / name).write_text(text or format_reading(reading()))
    study = read_study(folder)
    add_reading(study, "S2-1", 1, reading())
    faults = [entry for entry in study_readings(study) if entry.reading is None]
    assert len(faults) == 1
    assert words in faults[0].fault
    assert str(folder) not in faults[0].fault


def test_a_film_is_not_excluded_without_a_reason(folder):
    with pytest.raises(StudyError, match="say why"):
        add_remark(
            read_study(folder), Remark("S1-1", "A", 1, "2026-03-01T10:00:00Z", "exclude", " ")
        )


def test_the_latest_word_on_an_exclusion_counts(folder):
    study = read_study(folder)
    words = [
        ("S1-1", "A", "exclude", "cut off"),
        ("S1-1", "A", "include", "the shaft is long enough"),
        ("S1-2", "A", "exclude", "cut off"),
        ("S1-2", "B", "comment", "fine"),
    ]
    for minute, (film, who, kind, text) in enumerate(words):
        add_remark(study, Remark(film, who, 1, f"2026-03-01T10:{minute:02d}:00+00:00", kind, text))
    remarks = study_remarks(study)
    assert [remark.text for remark in remarks] == [text for *_, text in words]
    assert excluded_films(remarks) == {("S1-2", "A"): "cut off"}


def test_a_broken_remark_is_not_passed_over(folder):
    study = read_study(folder)
    path = add_remark(study, Remark("S1-1", "A", 1, "2026-03-01T10:00:00Z", "exclude", "cut off"))
    record = json.loads(path.read_text()) | {"kind": "maybe"}
    path.write_text(json.dumps(record))
    with pytest.raises(StudyError, match="kind"):
        study_remarks(study)
