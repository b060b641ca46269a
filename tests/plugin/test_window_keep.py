"""Nothing is lost: two windows on one film, disks that are full, a window that is closed."""

import errno
import json
import os
import time
from threading import Event

import pytest
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from napari_xraymeasure import film_work
from napari_xraymeasure.panels.saving import print_page
from napari_xraymeasure.session.background import Background
from napari_xraymeasure.session.resume import open_session
from qtpy.QtCore import QObject, QSize, Qt
from qtpy.QtPdf import QPdfDocument
from qtpy.QtPrintSupport import QPrinter
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from xraymeasure.reading.file import read_reading, save_reading

HEAD = "femoral_head_left"


def test_every_click_is_on_disk_before_the_next(open_film, sample, placed):
    film = sample()
    hand = open_film(film)
    for count, point in enumerate(placed().landmarks[HEAD], start=1):
        hand.click(point)
        kept = read_reading(film.with_name("well_placed.A.reading.json"))
        assert len(kept.landmarks[HEAD]) == count
        assert kept == hand.dock.session.reading


def test_two_windows_on_one_film_keep_both_readings(open_film, sample):
    film = sample()
    hand = open_film(film)
    # What the other window does to the film is its session's.
    other = open_session(hand.dock.session.film, film, "A")
    other.set_operated("left")
    other.click((600, 1010))
    hand.click((650, 975))
    assert "another window" in hand.dock.notices.texts["save"]
    other.click((620, 990))
    assert not other.saved.notice
    kept = {
        path.name: read_reading(path).landmarks[HEAD] for path in film.parent.glob("*.reading.json")
    }
    assert kept == {
        "well_placed.A.reading.json": other.reading.landmarks[HEAD],
        "well_placed.A.2.reading.json": hand.dock.session.reading.landmarks[HEAD],
    }


def test_a_file_that_another_window_rewrote_meanwhile_is_left_alone(open_film, sample, placed):
    film = sample()
    hand = open_film(film)
    hand.click((600, 1010))
    path = film.with_name("well_placed.A.reading.json")
    theirs = placed()
    save_reading(theirs, path)
    hand.click((650, 975))
    assert read_reading(path) == theirs
    assert read_reading(film.with_name("well_placed.A.2.reading.json")) == (
        hand.dock.session.reading
    )


def test_each_reader_has_a_file_and_changing_the_code_brings_their_own_back(open_film, sample):
    film = sample()
    hand = open_film(film)
    hand.click((600, 1010))
    mine = hand.dock.session.reading
    code = hand.dock.keep.reader
    for reader, points in (("B", 0), ("A", 1)):
        code.setText(reader)
        code.editingFinished.emit()
        assert hand.dock.session.reading.reader == reader
        assert len(hand.dock.session.reading.landmarks.get(HEAD, ())) == points
    assert hand.dock.session.reading == mine


def test_a_name_that_could_leave_the_folder_is_no_readers_code(open_film, sample):
    hand = open_film(sample())
    code = hand.dock.keep.reader
    code.setText("../../elsewhere")
    code.editingFinished.emit()
    assert hand.dock.session.reading.reader == "A"
    assert code.text() == "A"


def test_a_full_disk_is_reported_and_the_reading_kept_elsewhere(
    open_film, sample, monkeypatch, own_home
):
    film = sample()
    hand = open_film(film)
    fsync = os.fsync

    def full(handle):
        if os.readlink(f"/proc/self/fd/{handle}").startswith(str(film.parent)):
            raise OSError(errno.ENOSPC, "No space left on device")
        fsync(handle)

    monkeypatch.setattr(os, "fsync", full)
    hand.click((600, 1010))
    assert "No space left" in hand.dock.notices.texts["save"]
    (kept,) = (own_home / "readings").glob("*.reading.json")
    assert read_reading(kept) == hand.dock.session.reading
    assert not list(film.parent.glob("*.reading.json"))


def test_what_could_not_be_saved_anywhere_is_said_and_saved_once_there_is_room(
    open_film, sample, monkeypatch
):
    film = sample()
    hand = open_film(film)
    fsync, is_full = os.fsync, [True]

    def full(handle):
        if is_full[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        fsync(handle)

    monkeypatch.setattr(os, "fsync", full)
    hand.click((600, 1010))
    assert hand.dock.saved.text() == "▲ NOT SAVED"
    assert "NOT SAVED" in hand.dock.notices.texts["save"]
    tabs = hand.dock.tabs
    tabs.setCurrentIndex([tabs.tabText(i) for i in range(tabs.count())].index("Keep"))
    assert hand.dock.keep.again.isVisible()
    is_full[0] = False
    QTest.mouseClick(hand.dock.keep.again, Qt.MouseButton.LeftButton)
    QApplication.processEvents()
    assert read_reading(film.with_name("well_placed.A.reading.json")) == hand.dock.session.reading
    assert not hand.dock.keep.again.isVisible()
    assert "save" not in hand.dock.notices.texts


def test_a_broken_reading_beside_the_film_is_named_and_left_alone(open_film, sample):
    film = sample()
    path = film.with_name("well_placed.A.reading.json")
    path.write_text("{ broken")
    hand = open_film(film)
    assert "left alone" in hand.dock.notices.texts["found"]
    hand.click((600, 1010))
    assert path.read_text() == "{ broken"
    assert read_reading(film.with_name("well_placed.A.2.reading.json")) == (
        hand.dock.session.reading
    )


def test_the_file_is_one_that_the_command_line_reads(open_film, sample):
    film = sample()
    hand = open_film(film)
    hand.click((600, 1010))
    record = json.loads(film.with_name("well_placed.A.reading.json").read_text())
    assert record["format"] == "xraymeasure-reading"
    assert record["film"]["pixel_sha256"] == hand.dock.session.film.pixel_sha256


def test_closing_the_window_while_the_numbers_are_drawn_harms_nothing(own_window, sample, placed):
    film = sample()
    save_reading(placed(), film.with_name("well_placed.S.reading.json"))
    own_window.dock.reader = "S"
    own_window.dock.open_path(film)
    QTest.qWait(50)
    own_window.viewer.close()
    time.sleep(0.3)
    QApplication.processEvents()


def test_the_page_of_the_film_before_is_not_offered_as_that_of_the_present_one(
    open_film, sample, tmp_path, monkeypatch, qtbot
):
    first, second = sample(), sample("long_leg")
    page, made = tmp_path / "well_placed.A.pdf", Event()
    monkeypatch.setattr(film_work, "write_page", lambda *_: [page] if made.wait(20) else "")
    dock = open_film(first).dock
    dock.work.export(tmp_path)
    dock.open_path(second)
    assert not dock.keep.export.isEnabled()
    made.set()
    qtbot.waitUntil(lambda: not dock.keep.exporting, timeout=20_000)
    said = dock.notices.texts["export"]
    assert said.startswith("The film before, well_placed.dcm: Written to")
    assert page.name in said
    assert not dock.keep.exported.text()
    assert [each.isEnabled() for each in (dock.keep.export, dock.keep.open)] == [True, False]


def test_a_receiver_that_fails_keeps_no_other_result_back(qapp):
    owner, come = QObject(), []
    beside = Background(owner)
    beside.start(lambda _: 1 / 0, int, "1")
    beside.start(come.append, int, "2")
    beside._threads.shutdown()
    with pytest.raises(ZeroDivisionError):
        beside._fetch()
    assert not come
    beside._fetch()
    assert come == [2]
    assert not beside._timer.isActive()
    beside.end()


def test_every_sheet_of_a_page_is_printed_whole_and_a_broken_page_is_named(qapp, tmp_path):
    page, printed = tmp_path / "page.pdf", tmp_path / "printed.pdf"
    with PdfPages(page) as sheets:
        for share in (0.25, 0.75):
            figure = Figure((8.27, 11.69))
            figure.add_axes((0, 0, 1, share)).set_facecolor("black")
            sheets.savefig(figure)
    printer = QPrinter(QPrinter.PrinterMode.HighResolution)
    printer.setOutputFormat(QPrinter.OutputFormat.PdfFormat)
    printer.setOutputFileName(str(printed))
    printer.setFullPage(True)
    assert print_page(page, printer) == ""
    document = QPdfDocument(None)
    document.load(str(printed))
    assert document.pageCount() == 2
    for index, share in enumerate((0.25, 0.75)):
        picture = document.render(index, QSize(20, 200))
        column = [picture.pixelColor(10, row).lightness() for row in range(200)]
        assert sum(light < 128 for light in column) == pytest.approx(200 * share, abs=3)
    page.write_bytes(b"%PDF-1.4 broken off")
    assert "cannot be read" in print_page(page, printer)
