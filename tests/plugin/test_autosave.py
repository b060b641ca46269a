"""Where readings are kept: names, strangers' files, several of one's own."""

import numpy as np
import pytest
from napari_xraymeasure.session import resume
from napari_xraymeasure.session.autosave import Keeper, find_readings, free_name, reading_path
from napari_xraymeasure.session.resume import new_reading
from napari_xraymeasure.session.userdata import is_reader_code, remember_reader, remembered_reader

from xraymeasure.film.film import film_from_array
from xraymeasure.reading.file import read_reading, save_reading


def open_session(*args, **kwargs):
    """Open a session in which someone has said that the left hip is under review."""
    session = resume.open_session(*args, **kwargs)
    session.set_operated("left")
    return session


@pytest.fixture
def film():
    return film_from_array(np.arange(600, dtype=np.uint16).reshape(20, 30))


@pytest.fixture
def film_path(tmp_path):
    path = tmp_path / "films" / "hip.png"
    path.parent.mkdir()
    return path


def test_a_reading_lies_beside_its_film_under_the_readers_code(film, film_path):
    session = open_session(film, film_path, "B")
    session.skip()
    assert session.saved.path == film_path.with_name("hip.B.reading.json")
    assert read_reading(session.saved.path) == session.reading


def test_another_readers_file_of_the_wished_name_is_left_alone(film, film_path, tmp_path):
    theirs = new_reading(film, "B", "left")
    path = reading_path(film_path, "A")
    save_reading(theirs, path)
    session = open_session(film, film_path, "A")
    session.skip()
    assert read_reading(path) == theirs
    assert session.saved.path.name == "hip.A.2.reading.json"
    assert "left alone" in session.saved.notice
    session.undo()
    assert session.saved.notice == ""


def test_the_latest_of_several_own_readings_comes_back_and_the_others_are_offered(film, film_path):
    import os

    for number, name in enumerate(("hip.A.2", "hip.A", "hip")):
        reading = new_reading(film, "A", "left").with_points("symphysis", [(number, 0)])
        path = film_path.with_name(f"{name}.reading.json")
        save_reading(reading, path)
        os.utime(path, (1_000_000 + number, 1_000_000 + number))
    session = open_session(film, film_path, "A")
    assert session.reading.landmarks["symphysis"] == ((2.0, 0.0),)
    assert len(session.others) == 2
    assert "3 readings" in session.found.notes[0]


def test_a_reading_of_another_film_of_the_same_name_does_not_come_back(film, film_path):
    other = film_from_array(np.zeros((20, 30), dtype=np.uint16))
    save_reading(new_reading(other, "A", "left"), reading_path(film_path, "A"))
    found = find_readings(film, film_path, "A", (film_path.parent,))
    assert found.own is None
    assert "belongs to another film" in found.notes[0]


def test_a_film_whose_name_begins_with_anothers_keeps_its_own_readings(film, film_path):
    save_reading(new_reading(film, "A", "left"), film_path.with_name("hip-2.A.reading.json"))
    assert find_readings(film, film_path, "A", (film_path.parent,)).own is None


def test_a_reading_that_went_elsewhere_is_found_again(film, film_path, tmp_path, own_home):
    missing = tmp_path / "gone" / "hip.png"
    (tmp_path / "gone").write_text("a file where the folder should be")
    session = open_session(film, missing, "A")
    session.skip()
    assert session.saved.path.parent == own_home / "readings"
    assert "hip" not in session.saved.path.name, "a film's name is often that of the patient"
    assert str(own_home) in session.saved.notice
    again = open_session(film, missing, "A")
    assert again.reading == session.reading
    again.undo()
    again.skip()


def test_a_blinded_reader_sees_no_other_reading_and_no_hint_of_the_side(film, film_path):
    save_reading(new_reading(film, "B", "right"), reading_path(film_path, "B"))
    assert open_session(film, film_path, "A").others
    blinded = open_session(film, film_path, "A", blinded=True)
    assert blinded.others == ()
    assert blinded.reading.operated_side == "left"


def test_reading_afresh_leaves_the_earlier_reading_and_offers_it(film, film_path):
    first = open_session(film, film_path, "A")
    first.skip()
    second = open_session(film, film_path, "A", afresh=True)
    assert not second.reading.landmarks
    second.skip()
    assert second.saved.path.name == "hip.A.2.reading.json"
    assert [other.reading for other in second.others] == [first.reading]


def test_a_file_that_vanished_is_written_again(film, tmp_path):
    keeper = Keeper(tmp_path / "x.A.reading.json", tmp_path / "elsewhere" / "x.A.reading.json")
    reading = new_reading(film, "A", "left")
    keeper.save(reading)
    (tmp_path / "x.A.reading.json").unlink()
    saved = keeper.save(reading)
    assert read_reading(saved.path) == reading


def test_free_names_count_on(tmp_path):
    path = tmp_path / "a.A.reading.json"
    wanted = ["a.A.reading.json", "a.A.2.reading.json", "a.A.3.reading.json"]
    for name in wanted:
        free = free_name(path)
        assert free.name == name
        free.touch()


@pytest.mark.parametrize(
    "text", ["", ".", "..", "../A", "a/b", "a\\b", "a b", "A\n", "A" * 17, "é"]
)
def test_a_readers_code_never_leaves_the_folder(text):
    assert not is_reader_code(text)


def test_the_code_is_remembered(own_home):
    assert remembered_reader() == "A"
    remember_reader("K2")
    assert remembered_reader() == "K2"
    (own_home / "reader.txt").write_text("../x")
    assert remembered_reader() == "A"
