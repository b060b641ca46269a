"""Placing with real clicks, drags and keys on the canvas."""

import numpy as np
import pytest
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest

TEARDROP = "teardrop_left"


def test_a_click_places_the_armed_landmark_where_it_fell(hand, truth):
    hand.dock.session.arm(TEARDROP)
    hand.key(Qt.Key.Key_F)
    point = truth()["landmarks"][TEARDROP][0]
    hand.click(point)
    (found,) = hand.dock.session.reading.landmarks[TEARDROP]
    assert np.hypot(*np.subtract(found, point)) < 0.5


def test_a_full_landmark_hands_on_to_the_next_in_the_list(hand, truth):
    session = hand.dock.session
    session.arm(TEARDROP)
    hand.click(truth()["landmarks"][TEARDROP][0])
    assert session.armed == "teardrop_right"
    assert hand.dock.placing.title.text() == "Teardrop, right"


def test_an_outline_takes_as_many_clicks_as_wanted_until_next_is_asked_for(hand, placed):
    session = hand.dock.session
    assert session.armed == "femoral_head_left"
    for point in placed().landmarks["femoral_head_left"]:
        hand.click(point)
    assert session.armed == "femoral_head_left"
    assert len(session.reading.landmarks["femoral_head_left"]) == 8
    hand.key(Qt.Key.Key_Return)
    assert session.armed == "cup_rim_left"


@pytest.mark.parametrize(("name", "enough"), [("femoral_head_left", 3), ("cup_rim_left", 5)])
def test_the_fitted_curve_shows_from_the_third_or_fifth_point_on(hand, placed, name, enough):
    session = hand.dock.session
    session.arm(name)
    kind = {"femoral_head_left": "head", "cup_rim_left": "rim"}[name]
    session.record(head_diameter_mm={"left": 36.0})

    def curves():
        scene = hand.dock.view.overlay._scene
        return [stroke for stroke in scene.strokes if stroke.kind == kind]

    for count, point in enumerate(placed().landmarks[name], start=1):
        hand.click(point)
        assert bool(curves()) == (count >= enough)


def test_quick_clicks_along_an_outline_are_clicks_and_do_not_zoom(hand, placed):
    zoom = hand.viewer.scene.camera.zoom
    first, second = placed().landmarks["femoral_head_left"][:2]
    hand.click(first)
    hand.double_click(second)
    assert len(hand.dock.session.reading.landmarks["femoral_head_left"]) == 2
    assert hand.viewer.scene.camera.zoom == zoom


def test_a_drag_on_the_empty_film_pans_and_places_nothing(hand):
    before = hand.viewer.scene.camera.center
    hand.drag((300, 300), (500, 500))
    assert hand.viewer.scene.camera.center != before
    assert not hand.dock.session.reading.landmarks


def test_other_buttons_and_modifiers_place_nothing(hand):
    hand.click((650, 1045), button=Qt.MouseButton.RightButton)
    hand.click((650, 1045), modifier=Qt.KeyboardModifier.ShiftModifier)
    assert not hand.dock.session.reading.landmarks


def test_a_placed_point_is_dragged_and_the_film_stays(hand):
    session = hand.dock.session
    session.arm(TEARDROP)
    hand.click((700, 930))
    centre = hand.viewer.scene.camera.center
    start = session.reading.landmarks[TEARDROP][0]
    hand.drag(start, (730, 950))
    (moved,) = session.reading.landmarks[TEARDROP]
    assert np.hypot(*np.subtract(moved, (730, 950))) < 2.0
    assert hand.viewer.scene.camera.center == centre
    assert hand.dock.view.layer.mouse_pan


def test_taking_hold_of_a_point_beside_its_middle_does_not_move_it(hand):
    session = hand.dock.session
    session.arm(TEARDROP)
    hand.click((700, 930))
    before = session.reading.landmarks[TEARDROP]
    hand.click((704, 930))
    assert session.reading.landmarks[TEARDROP] == before
    assert session.selected == (TEARDROP, 0)


def test_a_whole_drag_is_one_edit(hand):
    session = hand.dock.session
    session.arm(TEARDROP)
    hand.click((700, 930))
    placed = session.reading
    hand.drag(placed.landmarks[TEARDROP][0], (730, 950), moves=10)
    hand.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert session.reading == placed


def test_undo_and_redo_go_through_the_whole_reading(hand, placed):
    session = hand.dock.session
    readings = [session.reading]
    for point in placed().landmarks["femoral_head_left"][:4]:
        hand.click(point)
        readings.append(session.reading)
    session.skip()
    readings.append(session.reading)
    for wanted in reversed(readings[:-1]):
        hand.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
        assert session.reading == wanted
    hand.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert session.reading == readings[0]
    for wanted in readings[1:]:
        hand.key(Qt.Key.Key_Y, Qt.KeyboardModifier.ControlModifier)
        assert session.reading == wanted


def test_arrow_keys_nudge_the_chosen_point_by_a_part_of_a_pixel(hand):
    session = hand.dock.session
    session.arm(TEARDROP)
    hand.click((700, 930))
    ((row, column),) = session.reading.landmarks[TEARDROP]
    hand.key(Qt.Key.Key_Up)
    hand.key(Qt.Key.Key_Right)
    hand.key(Qt.Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    assert session.reading.landmarks[TEARDROP] == ((row - 0.25 + 2.0, column + 0.25),)


def test_keys_step_skip_and_delete(hand, placed):
    session = hand.dock.session
    hand.key(Qt.Key.Key_N)
    assert session.armed == "cup_rim_left"
    hand.key(Qt.Key.Key_B)
    assert session.armed == "femoral_head_left"
    for point in placed().landmarks["femoral_head_left"][:2]:
        hand.click(point)
    hand.key(Qt.Key.Key_Delete)
    assert len(session.reading.landmarks["femoral_head_left"]) == 1
    hand.key(Qt.Key.Key_Delete)
    assert "femoral_head_left" not in session.reading.landmarks
    hand.key(Qt.Key.Key_X)
    assert session.reading.not_visible("femoral_head_left")
    assert session.armed == "cup_rim_left"


def test_the_delete_key_never_removes_the_film(hand):
    hand.key(Qt.Key.Key_Delete)
    assert len(hand.viewer.layers) == 1


def test_keys_zoom_to_the_landmark_and_back_to_the_film(hand, truth):
    whole = hand.viewer.scene.camera.zoom
    hand.dock.session.arm(TEARDROP)
    hand.key(Qt.Key.Key_F)
    assert hand.viewer.scene.camera.zoom > 2 * whole
    assert hand.in_sight(truth()["landmarks"][TEARDROP][0])
    hand.key(Qt.Key.Key_W)
    assert hand.viewer.scene.camera.zoom == pytest.approx(whole, rel=0.05)


def test_labels_on_the_film_can_be_turned_off(hand):
    overlay = hand.dock.view.overlay
    hand.click((658, 975))
    hand.key(Qt.Key.Key_L)
    without = overlay.grab().toImage()
    assert not hand.dock.view.labels
    hand.key(Qt.Key.Key_L)
    assert hand.dock.view.labels
    assert overlay.grab().toImage() != without


def test_a_click_on_the_wrong_side_is_questioned_and_not_placed(hand, truth):
    session = hand.dock.session
    session.arm(TEARDROP)
    wrong = truth()["landmarks"]["teardrop_right"][0]
    hand.click((wrong[0], wrong[1] - 100))
    assert not session.reading.landmarks
    assert session.question.meant == "teardrop_right"
    assert hand.dock.placing.question.isVisible()
    assert "patient's right" in hand.dock.placing.question_text.text()
    hand.key(Qt.Key.Key_Escape)
    assert session.question is None
    assert not session.reading.landmarks


def test_the_answer_to_a_wrong_side_may_be_that_the_other_landmark_was_meant(hand, truth):
    session = hand.dock.session
    hand.click(truth()["landmarks"]["femoral_head_left"][0])
    session.arm(TEARDROP)
    hand.click((700, 440))
    answers = hand.dock.placing._answers
    buttons = [answers.itemAt(index).widget() for index in range(answers.count())]
    as_right = next(each for each in buttons if "Teardrop, right" in each.text())
    QTest.mouseClick(as_right, Qt.MouseButton.LeftButton)
    assert set(session.reading.landmarks) == {"femoral_head_left", "teardrop_right"}


def test_the_first_click_on_the_other_hip_offers_to_change_the_operated_side(hand, truth):
    session = hand.dock.session
    hand.click((650, 355))
    answers = hand.dock.placing._answers
    first = answers.itemAt(0).widget()
    assert "right" in first.text()
    QTest.mouseClick(first, Qt.MouseButton.LeftButton)
    assert session.reading.operated_side == "right"
    assert len(session.reading.landmarks["femoral_head_right"]) == 1
    assert hand.dock.placing.hips.side.currentText() == "right"


def test_sizes_typed_into_the_fields_are_in_the_reading(hand):
    field = hand.dock.placing.hips.heads["left"]
    QTest.keyClicks(field, "36")
    QTest.keyClick(field, Qt.Key.Key_Return)
    assert hand.dock.session.reading.head_diameter_mm == {"left": 36.0}


def test_a_size_that_no_head_has_is_refused_with_words(hand):
    field = hand.dock.placing.hips.heads["left"]
    QTest.keyClicks(field, "360")
    QTest.keyClick(field, Qt.Key.Key_Return)
    assert hand.dock.session.reading.head_diameter_mm == {}
    assert "360" in hand.dock.notices.texts["message"]
    assert field.text() == ""


def test_the_mouse_wheel_over_a_number_of_the_plan_does_not_change_it(hand):
    from qtpy.QtCore import QPoint, QPointF
    from qtpy.QtGui import QWheelEvent
    from qtpy.QtWidgets import QApplication

    field = hand.dock.compare.fields["cup", "inclination_deg"]
    before = field.value()
    event = QWheelEvent(
        QPointF(5, 5),
        QPointF(5, 5),
        QPoint(0, 120),
        QPoint(0, 120),
        Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(field, event)
    assert field.value() == before


def test_the_buttons_do_what_their_keys_do(hand, placed):
    session, buttons = hand.dock.session, hand.dock.placing.buttons
    hand.click(placed().landmarks["femoral_head_left"][0])
    placed_once = session.reading

    def press(action):
        QTest.mouseClick(buttons[action], Qt.MouseButton.LeftButton)

    press("undo")
    assert not session.reading.landmarks
    press("redo")
    assert session.reading == placed_once
    press("delete")
    assert not session.reading.landmarks
    press("next")
    assert session.armed == "cup_rim_left"
    press("previous")
    assert session.armed == "femoral_head_left"
    press("skip")
    assert session.reading.not_visible("femoral_head_left")
    zoom = hand.viewer.scene.camera.zoom
    press("zoom_in")
    assert hand.viewer.scene.camera.zoom > zoom
    press("zoom_out")
    assert hand.viewer.scene.camera.zoom == pytest.approx(zoom)
    labels = hand.dock.view.labels
    press("labels")
    assert hand.dock.view.labels is not labels
    press("labels")
    assert hand.dock.view.labels is labels
