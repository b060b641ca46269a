"""Reading the films of a study one after another."""

import pytest
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from xraymeasure.reading.file import read_reading
from xraymeasure.series.study.readings import study_readings
from xraymeasure.series.study.study import read_study
from xraymeasure.series.study.worklist import worklist

STUDY = """
format = "xraymeasure-study"
version = 1
title = "Two readers, twice"
films = "films/*.dcm"
readers = ["A", "B"]
occasions = 2
blinded = true
seed = 3
"""


@pytest.fixture
def folder(sample, tmp_path):
    for name in ("well_placed", "bilateral"):
        sample(name, plan=True)
    (tmp_path / "study.toml").write_text(STUDY)
    return tmp_path


@pytest.fixture
def bar(empty, shared_window, folder):
    dock = shared_window.dock
    shared_window.drop(folder)
    assert dock.bar.isVisible(), dock.notices.texts
    yield dock.bar
    dock.bar.left.emit()
    assert not dock.bar.isVisible()


def press(button):
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)


def go_on(bar):
    bar.started.emit(bar.reader.currentText(), bar.occasion.currentData())


def test_a_study_opens_at_the_film_that_was_drawn_first_for_its_reader(shared_window, bar, folder):
    dock = shared_window.dock
    go_on(bar)
    work = worklist(read_study(folder), "A", 1)
    assert dock.session.film_path == work.films[0].file
    assert "0 of 2 read" in bar.progress.text()
    assert dock.session.blinded
    assert dock.session.plan is None


def test_an_unfinished_film_is_resumed_where_it_stopped(shared_window, bar):
    dock = shared_window.dock
    go_on(bar)
    dock.session.set_operated("left")
    dock.session.arm("symphysis")
    dock.session.click((700.0, 700.0))
    kept = dock.session.reading
    assert dock.session.saved.path.parent.name == "drafts"
    dock.close_film()
    go_on(bar)
    assert dock.session.reading == kept
    dock.session.undo()
    dock.session.click((701.0, 700.0))
    assert read_reading(dock.session.saved.path) == dock.session.reading
    assert not dock.session.saved.notice


def test_where_no_number_is_shown_the_list_has_the_room_until_numbers_are(
    bar, shared_window, sample
):
    dock = shared_window.dock
    go_on(bar)
    QTest.qWait(30)
    blinded, words = dock.halves.sizes(), dock.halves.widget(1).sizeHint().height()
    bar.left.emit()
    dock.open_path(sample())
    QTest.qWait(30)
    shown = dock.halves.sizes()
    assert blinded[1] <= words < 0.25 * sum(blinded)
    assert shown[1] > 0.3 * sum(shown)


def test_handing_in_adds_the_reading_and_opens_the_next_film(shared_window, bar, folder):
    dock = shared_window.dock
    go_on(bar)
    first = dock.opened.place.film.label
    dock.session.set_operated("left")
    dock.session.arm("symphysis")
    dock.session.click((700.0, 700.0))
    press(bar.hand_in)
    assert "neither placed nor marked" in dock.notices.texts["unfinished"]
    # What was warned of is no longer how it stands: it is said anew.
    dock.session.nudge(1.0, 0.0)
    placed = dock.session.reading.landmarks
    assert "unfinished" not in dock.notices.texts
    press(bar.hand_in)
    assert "neither placed nor marked" in dock.notices.texts["unfinished"]
    assert study_readings(read_study(folder)) == ()
    press(bar.hand_in)
    (entry,) = study_readings(read_study(folder))
    assert (entry.film, entry.reader, entry.occasion) == (first, "A", 1)
    assert entry.reading.landmarks == placed
    assert dock.opened.place.film.label != first
    assert "1 of 2 read" in bar.progress.text()
    assert not dock.session.reading.landmarks


def test_a_film_is_excluded_only_with_a_reason(shared_window, bar, folder):
    dock = shared_window.dock
    go_on(bar)
    first = dock.opened.place.film.label
    press(bar.exclude)
    assert dock.opened.place.film.label == first
    QTest.keyClicks(bar.remark, "rotated by half")
    press(bar.exclude)
    assert dock.opened.place.film.label != first
    assert worklist(read_study(folder), "A", 1).excluded == {first: "rotated by half"}


def test_the_end_of_the_list_is_said(shared_window, bar):
    dock = shared_window.dock
    go_on(bar)
    for _ in range(2):
        dock.session.set_operated("left")
        dock.session.skip()
        press(bar.hand_in)
        press(bar.hand_in)
    assert "Every film of this list is dealt with" in bar.progress.text()
    assert dock.session is None
    assert not bar.hand_in.isEnabled()


def test_the_name_of_the_file_and_the_code_of_the_reader_stay_out_of_reach(shared_window, bar):
    dock = shared_window.dock
    go_on(bar)
    assert dock.films.currentText() == dock.view.layer.name == "film 1 of 2"
    assert not dock.keep.reader.isEnabled()


def test_blinded_shows_no_number_and_no_label_that_could_be_known_again(
    shared_window, bar, placed, put
):
    dock = shared_window.dock
    go_on(bar)
    session, label = dock.session, dock.opened.place.film.label
    session.set_operated("left")
    name = session.film_path.stem
    put(session, placed(name))
    assert session.result.measurements is not None
    assert dock.numbers.lines() == []
    assert dock.numbers.hidden.isVisible()
    assert not dock.view.overlay._scene.labels or all(
        key not in label.key for label in dock.view.overlay._scene.labels for key in ("rim ", "off")
    )
    QApplication.clipboard().setText("before")
    dock.work.copy_numbers()
    assert "no number" in dock.notices.texts["copied"]
    assert QApplication.clipboard().text() == "before"
    dock.explain_number(("radiographic_inclination", "left"))
    assert "°" not in dock.explain.text.toPlainText()
    shown = [
        dock.films.currentText(),
        bar.progress.text(),
        dock.saved.text(),
        dock.keep.where.text(),
    ]
    assert not any(label in text or name in text for text in shown)


def test_an_exclusion_can_be_taken_back(shared_window, bar, folder):
    dock = shared_window.dock
    go_on(bar)
    first = dock.opened.place.film.label
    assert not bar.take_back.isEnabled()
    QTest.keyClicks(bar.remark, "wrong key")
    press(bar.exclude)
    assert dock.opened.place.film.label != first
    press(bar.take_back)
    assert dock.opened.place.film.label == first
    assert worklist(read_study(folder), "A", 1).excluded == {}


def test_a_film_of_the_study_that_is_broken_is_named(shared_window, bar, folder):
    dock = shared_window.dock
    for path in (folder / "films").glob("*.dcm"):
        path.write_bytes(b"")
    go_on(bar)
    assert "is empty" in dock.notices.texts["message"]
    assert bar.exclude.isEnabled()
