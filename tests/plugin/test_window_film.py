"""Opening: what is dropped, how it is shown, and what is said about it."""

import weakref

import numpy as np
import pytest
from napari.layers import Image
from napari_xraymeasure.canvas.film_layer import Opened, grey_levels, layer_data
from qtpy.QtCore import QPoint
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from tests.plugin.conftest import LEFT, NO_KEY
from xraymeasure.about import CAUTION
from xraymeasure.film.film import film_from_array
from xraymeasure.film.read import read_film
from xraymeasure.reading.file import save_reading
from xraymeasure.samples import sample_folder

WRONG = {
    "notes.txt": (b"Dear colleague", "neither DICOM nor PNG"),
    "empty.dcm": (b"", "is empty"),
    "broken.png": (b"\x89PNG\r\n\x1a\n", "broken.png"),
    "broken.reading.json": (b"{", "broken JSON"),
    "odd.plan.toml": (b"operated_side = 3", "operated_side"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_file_dropped_on_a_film_is_named_and_nothing_is_lost(hand, tmp_path, name):
    content, said = WRONG[name]
    (tmp_path / name).write_bytes(content)
    hand.click((658, 975))
    before = hand.dock.session.reading
    hand.drop(tmp_path / name)
    assert said in hand.dock.notices.texts["message"]
    assert hand.dock.notices.isVisible()
    assert hand.dock.session.reading == before
    assert len(hand.viewer.layers) == 1


def test_a_click_on_a_notice_is_one_on_the_film_but_for_its_button(hand):
    dock, film = hand.dock, hand.canvas.native
    dock.notices.clear()
    dock.notices.say("message", "Something. " * 40)
    window, box, noted = film.window().windowHandle(), dock.notices, dock.notices.noted

    def click(part, place):
        """Click where the window system would, whatever takes it."""
        QTest.mouseClick(window, LEFT, NO_KEY, part.mapTo(part.window(), place))
        QApplication.processEvents()

    armed = dock.session.armed
    dock.view.zoom_in()
    dock.view.zoom_in()  # so that there is film under the card
    for place in (QPoint(60, 30), QPoint(120, box.height() // 2)):
        before = dock.session.history.present
        click(box, place)
        assert dock.session.history.present != before
    ((row, column), *_) = dock.session.reading.landmarks[armed]
    assert hand.where((row, column)) == pytest.approx((68, 38), abs=1.0)
    before = dock.session.history.present
    click(noted, noted.rect().center())
    assert not dock.notices.texts and noted.isHidden()
    assert dock.session.history.present == before


def test_films_dropped_together_are_all_to_be_chosen_and_a_plan_goes_with_them(hand, sample):
    first, second = sample("bilateral", plan=True), sample("long_leg")
    hand.drop(first.with_suffix(".plan.toml"), first, second)
    films = hand.dock.films
    assert [films.itemData(index) for index in range(films.count())] == [first, second]
    assert hand.dock.session.film_path == first
    assert hand.dock.session.plan is not None


def test_a_folder_without_films_is_named(hand, tmp_path):
    (tmp_path / "none").mkdir()
    hand.drop(tmp_path / "none")
    assert "holds no film" in hand.dock.notices.texts["message"]


def test_a_reading_of_another_film_dropped_on_this_one_is_refused(hand, tmp_path, placed):
    path = tmp_path / "elsewhere.reading.json"
    save_reading(placed("bilateral"), path)
    hand.drop(path)
    assert "does not lie beside it" in hand.dock.notices.texts["message"]
    assert hand.dock.session.second is None


def test_a_reading_of_this_film_dropped_on_it_is_laid_over_the_own_one(hand, tmp_path, placed):
    path = tmp_path / "theirs.reading.json"
    save_reading(placed(), path)
    before = hand.dock.session.reading
    hand.drop(path)
    assert hand.dock.session.second == placed()
    assert hand.dock.session.reading == before
    assert {mark.state for mark in hand.dock.view.overlay._scene.marks} >= {"second"}


def test_the_caution_is_shown_once_in_a_session(hand, sample):
    assert hand.dock.notices.texts["caution"] == CAUTION
    hand.dock.open_path(sample("bilateral"))
    assert "caution" not in hand.dock.notices.texts


def test_a_film_with_identity_in_its_header_says_so_without_the_values(hand, sample, tmp_path):
    import pydicom

    data = pydicom.dcmread(sample())
    data.PatientName, data.PatientID = "Invented^Person", "INV-0001"
    data.BurnedInAnnotation = "YES"
    del data.PatientIdentityRemoved
    path = tmp_path / "named.dcm"
    data.save_as(path)
    hand.dock.open_path(path)
    said = hand.dock.notices.texts["identity"]
    assert "PatientName" in said
    assert "burned" in said
    assert "Invented" not in said
    assert "INV-0001" not in said


def test_sample_films_open_from_the_dock_and_keep_readings_out_of_the_package(hand, own_home):
    dock = hand.dock
    dock.first.samples.activated.emit(dock.first.samples.findText("off plan cup"))
    assert dock.session.film_path.name == "off_plan_cup.dcm"
    dock.session.click((600, 355))
    assert dock.session.saved.path.is_relative_to(own_home)
    assert not list(sample_folder().glob("*.A.reading.json"))


def test_the_next_film_takes_the_layer_of_the_one_before_and_looks_as_in_a_new_one(
    hand, sample, qtbot
):
    layer, film = hand.dock.view.layer, weakref.ref(hand.dock.session.film)
    hand.dock.act("metal")
    layer.gamma, layer.visible = 0.5, False
    path = sample("bilateral")
    hand.dock.open_path(path)
    assert [*hand.viewer.layers] == [layer] == [hand.dock.view.layer]
    data, arguments, _kind = layer_data(Opened(read_film(path), path))
    new = Image(data, **arguments)
    assert np.array_equal(layer.data, new.data)
    for name in ("name", "contrast_limits", "contrast_limits_range", "gamma", "visible"):
        assert getattr(layer, name) == getattr(new, name), name
    assert np.array_equal(layer.affine.affine_matrix, new.affine.affine_matrix)
    # Its numbers may be on their way still, beside the window; with the film after it, it is gone.
    qtbot.waitUntil(lambda: not hand.dock.beside._awaited, timeout=10_000)
    hand.dock.open_path(sample("long_leg"))
    assert film() is None


def test_the_menu_of_sample_data_opens_a_film(hand):
    hand.viewer.open_sample("xraymeasure", "long_leg")
    assert hand.dock.session.film_path.name == "long_leg.dcm"
    assert hand.dock.opened.truth is not None


def test_the_reader_of_the_manifest_opens_a_film(hand, sample):
    hand.viewer.open(sample("bilateral"), plugin="xraymeasure")
    assert hand.dock.session.film_path.name == "bilateral.dcm"


AXES = {
    "usual": ((0, 1), (1, 0)),
    "mirrored": ((0, -1), (1, 0)),
    "upside down": ((0, -1), (-1, 0)),
    "turned": ((1, 0), (0, 1)),
}


@pytest.mark.parametrize("axes", AXES.values(), ids=AXES)
def test_the_patients_left_is_right_on_the_screen_and_the_feet_are_down(hand, tmp_path, axes):
    film = film_from_array(
        np.arange(30 * 50, dtype=np.uint16).reshape(30, 50), pitch_mm=(0.2, 0.1), patient_axes=axes
    )
    data, arguments, _ = layer_data(Opened(film, tmp_path / "drawn.png"))
    hand.viewer.add_image(data, **arguments)
    # A step in the patient frame, by the film's own mapping, beside where it goes on the screen.
    origin = np.array([15.0, 25.0])
    start = hand.where(origin)
    for step_mm, direction in (((1.0, 0.0), (1, 0)), ((0.0, 1.0), (0, 1))):
        there = film.to_pixels(np.array(step_mm), beam_centre=tuple(origin))
        moved = hand.where(there) - start
        assert moved / np.hypot(*moved) == pytest.approx(direction, abs=1e-3)


@pytest.mark.parametrize("axes", AXES.values(), ids=AXES)
def test_the_overlay_draws_where_napari_shows_the_pixel(hand, tmp_path, axes):
    film = film_from_array(
        np.zeros((300, 500), dtype=np.uint16), pitch_mm=(0.2, 0.1), patient_axes=axes
    )
    data, arguments, _ = layer_data(Opened(film, tmp_path / "drawn.png"))
    hand.viewer.add_image(data, **arguments)
    hand.dock.view.zoom_in()
    for point in ((0.0, 0.0), (299.0, 10.5), (120.0, 499.0)):
        (drawn,) = hand.dock.view.overlay.to_screen([point])
        assert drawn == pytest.approx(hand.where(point), abs=0.01)


def test_clicks_on_a_mirrored_film_land_on_the_pixel_that_is_shown(hand, tmp_path):
    film = film_from_array(np.zeros((300, 400), dtype=np.uint16), patient_axes=((0, -1), (1, 0)))
    data, arguments, _ = layer_data(Opened(film, tmp_path / "mirrored.png"))
    hand.viewer.add_image(data, **arguments)
    hand.dock.session.set_operated("left")
    hand.dock.session.arm("symphysis")
    hand.click((120.0, 80.0))
    ((row, column),) = hand.dock.session.reading.landmarks["symphysis"]
    assert (row, column) == pytest.approx((120.0, 80.0), abs=0.6)


def test_bone_is_bright_whichever_way_the_film_is_stored():
    for name in ("well_placed", "monochrome1"):
        film = read_film(sample_folder() / f"{name}.dcm")
        pixels, (low, high) = grey_levels(film)
        shown = np.clip((pixels - low) / (high - low), 0, 1)
        assert np.abs(shown - film.display()).max() < 2e-3


def test_the_scale_bar_comes_with_the_calibration_and_leaves_the_picture_where_it_was(
    hand, placed, settle
):
    bar = hand.viewer.canvas.overlays.scale_bar
    assert not bar.visible or bar.opacity == 0.0
    hand.viewer.scene.camera.zoom *= 4  # so that grey lies where the bar will stand
    picture = hand.viewer.screenshot(flash=False).astype(int)
    before = hand.where((500, 500)), hand.where((900, 1200))
    session = hand.dock.session
    session.record(head_diameter_mm={"left": 36.0})
    for point in placed().landmarks["femoral_head_left"]:
        session.click(point)
    settle(hand)
    assert bar.visible and bar.opacity == 1.0
    assert str(hand.dock.view.layer.units[0]) in ("millimeter", "mm")
    assert hand.where((500, 500)) == pytest.approx(before[0], abs=0.5)
    assert hand.where((900, 1200)) == pytest.approx(before[1], abs=0.5)
    mm = hand.dock.session.result.measurements.mm_per_px
    assert tuple(hand.dock.view.layer.scale) == pytest.approx((mm, mm))
    session.record(head_diameter_mm={})
    settle(hand)
    # Neither bar nor box is left on the film.
    assert bar.opacity == 0.0
    assert abs(hand.viewer.screenshot(flash=False) - picture).max() <= 3


def test_closing_the_film_shows_the_first_page_again(hand, sample):
    hand.viewer.layers.clear()
    QApplication.processEvents()
    assert hand.dock.first.isVisible()
    hand.dock.open_path(sample())
    assert not hand.dock.first.isVisible()
