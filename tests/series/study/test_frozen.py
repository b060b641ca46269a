"""``study.toml`` is kept as it stood before the first reading, and every change of it is told."""

import hashlib

import pytest

from xraymeasure.errors import StudyError
from xraymeasure.reading.reading import Reading
from xraymeasure.series.study.frozen import freeze, frozen_versions, frozen_words
from xraymeasure.series.study.readings import add_reading
from xraymeasure.series.study.study import read_study

STUDY = """\
format = "xraymeasure-study"
version = 1
films = "films.csv"
readers = ["A"]
occasions = 2
blinded = true
seed = 5
[tolerance]
inclination_deg = 5.0
"""


@pytest.fixture
def study(tmp_path):
    (tmp_path / "study.toml").write_text(STUDY)
    (tmp_path / "films.csv").write_text("film,file,subject\nS1-1,a.dcm,S1\n")
    return read_study(tmp_path)


def hand_in(study):
    reading = Reading("A", "2026-03-01T10:00:00Z", "left", landmarks={"symphysis": ((1.0, 2.0),)})
    add_reading(study, "S1-1", 1, reading)


def test_the_study_is_frozen_with_its_hash_when_the_first_reading_is_handed_in(study):
    assert frozen_versions(study) == () and "not frozen" in frozen_words(study)
    hand_in(study)
    (kept,) = frozen_versions(study)
    assert kept.digest == hashlib.sha256(STUDY.encode()).hexdigest()
    assert f"(SHA-256 {kept.digest[:16]}) and not changed since. films.csv" in frozen_words(study)


def test_what_is_changed_afterwards_is_listed_key_by_key(study):
    hand_in(study)
    changed = STUDY.replace("occasions = 2", "occasions = 1").replace("= 5.0", "= 10.0")
    (study.folder / "study.toml").write_text(changed + "leg_length_mm = 5.0\n")
    told = (
        "occasions: 2 became 1; tolerance.inclination_deg: 5.0 became 10.0; "
        "tolerance.leg_length_mm: not stated became 5.0"
    )
    assert f"changed since: {told}. films.csv" in frozen_words(study)
    freeze(study)
    (study.folder / "study.toml").write_text(STUDY)
    freeze(study)
    freeze(study)
    # There and back: both ways are told, and each has its moment.
    assert len(frozen_versions(study)) == 3
    days = [f"{each.at:%Y-%m-%d}" for each in frozen_versions(study)]
    back = "tolerance.leg_length_mm: 5.0 became not stated"
    words = frozen_words(study)
    assert words.count("became") == 6 and words.count(" (20") == 6
    assert f"occasions: 2 became 1 ({days[1]}); " in words and f"{back} ({days[2]})." in words


def test_a_remark_in_the_file_is_no_change_of_the_study(study):
    hand_in(study)
    (study.folder / "study.toml").write_text("# Read by two people.\n" + STUDY)
    assert "not changed since. films.csv" in frozen_words(study)


def test_what_was_kept_cannot_be_changed_unseen(study):
    hand_in(study)
    (path,) = (study.folder / "frozen").glob("*.study.toml")
    path.write_text(STUDY.replace("occasions = 2", "occasions = 1"))
    with pytest.raises(StudyError, match="was changed after it was kept"):
        frozen_words(study)


def test_the_table_of_films_is_frozen_too_and_its_changes_told_film_by_film(study):
    table = study.folder / "films.csv"
    table.write_text("film,file,subject,side,day\nS1-1,Doe.dcm,S1,left,0\nS1-2,b.dcm,S1,left,90\n")
    hand_in(study)
    (kept,) = frozen_versions(study, "films.csv")
    assert kept.digest == hashlib.sha256(table.read_bytes()).hexdigest()
    # In the form of another country: the same cells are no change.
    table.write_text(
        "film;file;subject;side;day;sex\nS1-1;Roe.dcm;S1;right;0;f\nS1-3;c.dcm;S1;left;400;f\n"
    )
    told = (
        "film S1-1, file: one became another; film S1-1, sex: not stated became f; "
        "film S1-1, side: left became right; film S1-2: listed became not stated; "
        "film S1-3: not stated became listed"
    )
    assert f"; changed since: {told}." in frozen_words(study)
    freeze(study)
    assert frozen_words(study).count(" became ") == frozen_words(study).count(" (20") == 5
