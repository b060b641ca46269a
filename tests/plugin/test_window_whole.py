"""A window for reading films alone: nothing parts from the film, and the tools for it."""

from dataclasses import replace

import pytest
from qtpy.QtCore import QEvent, QPoint, Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from xraymeasure.reading.file import read_reading, save_reading


@pytest.fixture
def whole(hand, placed, put):
    """A film with everything placed, in a window that is for reading films alone."""
    put(hand.dock.session, placed())
    hand.dock.view.guard._own_window = True
    return hand


def hidden(hand):
    """Whether neither drawing nor numbers can be seen."""
    dock = hand.dock
    return not dock.view.overlay.isVisible() and not dock.numbers.table.isVisible()


def test_another_image_over_the_film_takes_drawing_and_numbers_away_with_a_sentence(whole):
    dock, viewer = whole.dock, whole.viewer
    assert not hidden(whole)
    other = viewer.add_image(dock.view.layer.data[::2, ::2], name="another")
    assert hidden(whole)
    assert "another" in dock.parted.text()
    kept = dock.session.reading
    whole.click((400, 400))
    whole.key(Qt.Key.Key_X)
    assert dock.session.reading == kept
    other.visible = False
    assert not hidden(whole)
    other.visible = True
    assert hidden(whole)
    QTest.mouseClick(dock.bring_back, Qt.MouseButton.LeftButton)
    assert not hidden(whole)
    assert viewer.layers[-1] is dock.view.layer


def test_what_would_part_the_film_from_its_drawing_is_undone(whole):
    dock, viewer = whole.dock, whole.viewer
    layer = dock.view.layer
    viewer.dims.ndisplay = 3
    assert viewer.dims.ndisplay == 2
    viewer.dims.transpose()
    assert tuple(viewer.dims.order) == (0, 1)
    layer.mode = "transform"
    assert str(layer.mode) == "pan_zoom"
    lies = layer.affine
    whole.key(Qt.Key.Key_T, Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier)
    assert layer.affine == lies
    whole.key(Qt.Key.Key_G, Qt.KeyboardModifier.ControlModifier)
    assert not viewer.canvas.grid.enabled
    whole.key(Qt.Key.Key_Delete, Qt.KeyboardModifier.ControlModifier)
    assert layer in viewer.layers
    viewer.layers.selection.clear()
    assert viewer.layers.selection.active is layer
    viewer.add_points([[1.0, 1.0]], units=layer.units)
    assert viewer.layers.selection.active is layer
    assert not hidden(whole)
    dock.session.arm("symphysis")
    whole.click((700, 700))
    assert dock.session.reading.has("symphysis")
    for point in ((100.0, 100.0), (900.0, 1200.0)):
        (drawn,) = dock.view.overlay.to_screen([point])
        assert drawn == pytest.approx(whole.where(point), abs=0.01)


def test_where_napari_serves_other_work_too_the_dock_says_that_clicks_go_elsewhere(whole):
    dock, viewer = whole.dock, whole.viewer
    dock.view.guard._own_window = False
    points = viewer.add_points([[1.0, 1.0]], units=dock.view.layer.units)
    viewer.layers.selection.active = points
    assert "another layer" in dock.parted.text()
    assert dock.bring_back.isVisible()
    QTest.mouseClick(dock.bring_back, Qt.MouseButton.LeftButton)
    assert not hidden(whole)


def test_a_drag_with_the_right_button_sets_window_and_level_and_nothing_else(whole):
    layer, native = whole.dock.view.layer, whole.canvas.native
    limits, zoom = tuple(layer.contrast_limits), whole.viewer.scene.camera.zoom
    kept = whole.dock.session.reading
    right, none = Qt.MouseButton.RightButton, Qt.KeyboardModifier.NoModifier
    start = native.rect().center()
    QTest.mousePress(native, right, none, start)
    for step in range(1, 6):
        QTest.mouseMove(native, start + QPoint(12 * step, 0))
        QTest.qWait(15)
    QTest.mouseRelease(native, right, none, start)
    low, high = layer.contrast_limits
    assert high - low > limits[1] - limits[0]
    assert whole.viewer.scene.camera.zoom == zoom
    assert whole.dock.session.reading == kept
    whole.key(Qt.Key.Key_M)
    metal = tuple(layer.contrast_limits)
    assert metal[0] > limits[0]
    whole.key(Qt.Key.Key_M)
    assert tuple(layer.contrast_limits) == limits


def test_a_loupe_follows_the_pointer_while_placing(whole):
    loupe = whole.dock.view.loupe
    whole.dock.session.arm("symphysis")
    x, y = (int(value) for value in whole.where((700, 700)))
    for place in (whole.canvas.native.rect().center(), QPoint(x, y)):
        QTest.mouseMove(whole.canvas.native, place)
        QTest.qWait(20)
    assert loupe.isVisible()
    assert not loupe.geometry().contains(x, y)
    # In a drag it would show where the hand took hold.
    (teardrop,) = whole.dock.session.reading.landmarks["teardrop_left"]
    whole.drag(teardrop, (teardrop[0] + 30, teardrop[1]))
    assert not loupe.isVisible()
    for place in (QPoint(x, y + 3), QPoint(x, y)):
        QTest.mouseMove(whole.canvas.native, place)
        QTest.qWait(20)
    assert loupe.isVisible()
    # The view goes on by itself: what the loupe shows lies elsewhere then.
    whole.key(Qt.Key.Key_F)
    assert not loupe.isVisible()
    for place in (QPoint(x, y), QPoint(x + 3, y)):
        QTest.mouseMove(whole.canvas.native, place)
        QTest.qWait(20)
    QApplication.sendEvent(whole.canvas.native, QEvent(QEvent.Type.Leave))
    assert not loupe.isVisible()
    whole.key(Qt.Key.Key_G)
    assert not loupe.isVisible()
    whole.key(Qt.Key.Key_G)


def test_a_free_distance_and_angle_are_measured_and_kept_nowhere(whole, settle):
    dock = whole.dock
    settle(whole)
    kept = dock.session.reading
    whole.key(Qt.Key.Key_D)
    row, column = kept.landmarks["teardrop_left"][0]  # a placed point is a point to measure from
    whole.click((row, column))
    whole.click((row, column + 200))
    label = next(each for each in dock.view.overlay._scene.labels if each.kind == "free")
    # 200 columns at the scale of the hip, by hand.
    wanted = 200 * dock.session.result.measurements.mm_per_px
    assert float(label.text.split()[0]) == pytest.approx(wanted, abs=1.0)
    assert "mm" in label.text and "to" in label.text
    whole.click((row + 200, column))
    label = next(each for each in dock.view.overlay._scene.labels if each.kind == "free")
    assert float(label.text.split("°")[0]) == pytest.approx(45.0, abs=0.7)
    whole.key(Qt.Key.Key_Escape)
    assert dock.session.reading == kept
    assert not any(each.kind == "free" for each in dock.view.overlay._scene.labels)


def test_the_film_before_lies_on_the_pelvis_and_hides_the_numbers_while_it_is_seen(
    whole, sample, placed, monkeypatch
):
    dock = whole.dock
    before = sample("long_leg")
    reading = replace(placed("long_leg"), reader="A")
    # A film that cannot be laid on this one: asked for again, it says why.
    name = "femoral_head_left"
    bare = replace(reading, landmarks={name: reading.landmarks[name]})
    save_reading(bare, before.with_name("long_leg.A.reading.json"))
    dock.compare.before_chosen.emit(before)
    why = dock.notices.texts["before"]
    dock.notices.clear()
    said, show = [], dock.notices._show
    monkeypatch.setattr(dock.notices, "_show", lambda: (said.append(dock.notices.texts), show()))
    whole.key(Qt.Key.Key_V)
    assert said == [{"before": why}]
    save_reading(reading, before.with_name("long_leg.A.reading.json"))
    dock.compare.before_chosen.emit(before)
    assert dock.session.before is not None
    assert "long_leg.dcm" in dock.compare.before.text()
    layer = dock.tools._before._before
    for side in ("left", "right"):
        there = layer.data_to_world(reading.landmarks[f"teardrop_{side}"][0])
        here = dock.view.layer.data_to_world(dock.session.reading.landmarks[f"teardrop_{side}"][0])
        assert there == pytest.approx(here, abs=3.0)
    whole.key(Qt.Key.Key_V)
    assert layer.visible
    assert hidden(whole)
    # There and back as often as wanted, by the button and by the key.
    QTest.mouseClick(dock.bring_back, Qt.MouseButton.LeftButton)
    assert not hidden(whole)
    whole.key(Qt.Key.Key_V)
    assert hidden(whole)
    whole.key(Qt.Key.Key_V)
    assert not layer.visible
    assert not hidden(whole)
    whole.key(Qt.Key.Key_W)
    alone = whole.viewer.scene.camera.zoom
    QTest.mouseClick(dock.compare.beside, Qt.MouseButton.LeftButton)
    assert layer.visible
    assert not hidden(whole)
    assert layer.extent.world[1][-1] <= dock.view.layer.extent.world[0][-1]
    # With the other gone the film has the canvas to itself again.
    assert whole.viewer.scene.camera.zoom < 0.8 * alone
    QTest.mouseClick(dock.compare.beside, Qt.MouseButton.LeftButton)
    assert whole.viewer.scene.camera.zoom == pytest.approx(alone)


def test_beam_distance_posture_and_comment_are_in_the_reading(whole):
    dock = whole.dock
    form = dock.form
    landmarks = dock.session.reading.landmarks
    QTest.keyClicks(form.source, "1150")
    QTest.keyClick(form.source, Qt.Key.Key_Return)
    QTest.keyClicks(form.comment, "turned a little")
    QTest.keyClick(form.comment, Qt.Key.Key_Return)
    form.posture.setCurrentIndex(2)
    form.posture.activated.emit(2)
    QTest.keyClicks(form.beam_row, "480")
    QTest.keyClick(form.beam_row, Qt.Key.Key_Return)
    assert dock.session.reading.beam_centre is None
    assert form.beam_column.placeholderText() == "needed"
    form.beam_wanted.emit()
    whole.click((500, 600))
    reading = read_reading(dock.session.saved.path)
    assert reading.source_detector_mm == 1150
    assert reading.posture == "standing"
    assert reading.comment == "turned a little"
    # One pixel of the screen is about two of the film here.
    assert reading.beam_centre == pytest.approx((500, 600), abs=2.0)
    assert reading.landmarks == landmarks
