"""Placing with real clicks, drags and keys on the canvas."""

import gc
import weakref
from dataclasses import replace

import numpy as np
import pytest
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

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
    hand.click((650, 1045), modifier=Qt.KeyboardModifier.ControlModifier)
    assert not hand.dock.session.reading.landmarks


def test_a_click_with_shift_round_a_head_moves_to_its_edge_and_any_other_stays(hand, truth):
    outline = np.array(truth()["landmarks"]["femoral_head_left"])
    middle = outline.mean(axis=0)
    upward = middle - (np.ptp(outline[:, 0]) / 2.0 - 4.0, 0.0)  # 4 px inside, away from the neck
    hand.dock.session.arm("femoral_head_left")
    hand.click(upward, modifier=Qt.KeyboardModifier.ShiftModifier)
    placed = hand.dock.session.reading.landmarks["femoral_head_left"][0]
    away = np.hypot(*(outline - placed).T).min()
    assert away < 2.0 < np.hypot(*(outline - upward).T).min()
    hand.place(TEARDROP, [])
    hand.click(truth()["landmarks"][TEARDROP][0], modifier=Qt.KeyboardModifier.ShiftModifier)
    assert hand.dock.session.reading.landmarks[TEARDROP][0] == pytest.approx(
        truth()["landmarks"][TEARDROP][0], abs=1.0
    )


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


def test_where_outlines_cross_no_click_is_lost_and_a_drag_still_moves_the_other_point(hand, placed):
    session = hand.dock.session
    hand.place("femoral_head_left", placed().landmarks["femoral_head_left"][:3])
    session.arm("cup_rim_left")
    crossing, other, _ = session.reading.landmarks["femoral_head_left"]
    hand.click((crossing[0] - 60, crossing[1]))
    hand.click(crossing)
    assert len(session.reading.landmarks["cup_rim_left"]) == 2
    hand.drag(other, (other[0] + 30, other[1]))
    assert session.reading.landmarks["femoral_head_left"][1][0] > other[0] + 25
    assert len(session.reading.landmarks["cup_rim_left"]) == 2


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


def answers(hand):
    placed = hand.dock.placing.question.answers
    return [placed.itemAt(index).widget() for index in range(placed.count())]


def answer(hand, words):
    QTest.mouseClick(
        next(each for each in answers(hand) if words in each.text()), Qt.MouseButton.LeftButton
    )


def test_what_is_asked_is_answered_by_a_number_key_while_it_is_in_sight(hand, put, placed):
    session = hand.dock.session
    put(session, replace(placed(), head_diameter_mm={}))
    sizes = [each.text() for each in answers(hand)]
    assert sizes[1].endswith("mm (2)")
    hand.dock.tabs.setCurrentIndex(2)
    hand.key(Qt.Key.Key_2)
    assert not session.reading.head_diameter_mm
    hand.dock.tabs.setCurrentIndex(0)
    hand.key(Qt.Key.Key_9)
    assert not session.reading.head_diameter_mm
    hand.key(Qt.Key.Key_2)
    assert session.reading.head_diameter_mm == {"left": float(sizes[1].split()[0])}
    hand.key(Qt.Key.Key_1)
    assert session.reading.cup_opens == {"left": "anterior"}
    assert answers(hand) == []


def test_a_click_on_the_wrong_side_is_placed_and_asked_about(hand, truth):
    session = hand.dock.session
    session.arm(TEARDROP)
    wrong = truth()["landmarks"]["teardrop_right"][0]
    hand.click((wrong[0], wrong[1] - 100))
    assert set(session.reading.landmarks) == {TEARDROP}
    assert session.question.meant == "teardrop_right"
    assert hand.dock.placing.question.isVisible()
    assert "patient's right" in hand.dock.placing.question.text.text()
    hand.key(Qt.Key.Key_Escape)
    assert session.question is None
    assert set(session.reading.landmarks) == {TEARDROP}


def test_a_questioned_click_can_be_taken_away(hand):
    session = hand.dock.session
    hand.click((650, 975))
    session.arm(TEARDROP)
    hand.click((700, 360))
    answer(hand, "Take it away")
    assert set(session.reading.landmarks) == {"femoral_head_left"}
    assert session.armed == TEARDROP


def test_the_answer_to_a_wrong_side_may_be_that_the_other_landmark_was_meant(hand, truth):
    session = hand.dock.session
    hand.click(truth()["landmarks"]["femoral_head_left"][0])
    session.arm(TEARDROP)
    hand.click((700, 440))
    answer(hand, "Teardrop, right")
    assert set(session.reading.landmarks) == {"femoral_head_left", "teardrop_right"}
    assert session.armed == TEARDROP


def test_no_click_is_lost_where_the_other_hip_is_not_on_the_film(hand, truth):
    session = hand.dock.session
    QTest.keyClick(hand.dock.placing.hips.states["right"], Qt.Key.Key_End)
    session.set_hips(session.hips.with_state("right", "not shown"))
    for row, column in ((650, 355), (640, 390), (690, 380), (660, 420)):
        hand.click((row, column))
    assert len(session.reading.landmarks["femoral_head_left"]) == 4
    assert session.question is None


def test_clicks_past_the_middle_are_kept_and_asked_about_once(hand):
    session = hand.dock.session
    # As on a film that is centred on the hip: everything left of the picture's middle.
    for row, column in ((650, 355), (640, 390), (690, 380), (660, 420)):
        hand.click((row, column))
    assert len(session.reading.landmarks["femoral_head_left"]) == 4
    answer(hand, "Keep")
    session.arm(TEARDROP)
    hand.click((700, 300))
    assert session.question is None
    assert TEARDROP in session.reading.landmarks


def test_the_first_click_on_the_other_hip_offers_to_change_the_operated_side(hand, truth):
    session = hand.dock.session
    hand.click((650, 355))
    answer(hand, "The operated hip is the right one")
    assert session.reading.operated_side == "right"
    assert len(session.reading.landmarks["femoral_head_right"]) == 1
    assert "femoral_head_left" not in session.reading.landmarks
    assert hand.dock.placing.hips.side.currentText() == "right"


def test_which_hip_is_asked_and_clicks_wait_for_the_answer(hand, sample):
    hand.dock.open_path(sample("bilateral"))
    session = hand.dock.session
    assert session.armed is None
    assert "Which hip" in hand.dock.placing.title.text()
    table = hand.dock.numbers.table
    assert "the hip under review" in table.topLevelItem(0).text(0)
    assert hand.dock.placing.hips.side.currentText() == "which?"
    hand.click((658, 975))
    hand.click((640, 950))
    assert not session.reading.landmarks
    assert session.saved is None
    answer(hand, "Left")
    assert len(session.reading.landmarks["femoral_head_left"]) == 2
    assert session.armed == "femoral_head_left"


def test_the_plan_or_another_reading_answers_which_hip(hand, sample):
    hand.dock.open_path(sample("off_plan_cup", plan=True))
    assert hand.dock.session.side_known
    assert hand.dock.session.reading.operated_side == hand.dock.session.plan.operated_side


def test_clicks_round_a_head_are_no_rim(hand, placed):
    session = hand.dock.session
    session.arm("cup_rim_left")
    for point in placed().landmarks["femoral_head_left"][:7]:
        hand.click(point)
    assert "anteversion" in hand.dock.placing.question.text.text()
    answer(hand, "Femoral head")
    assert len(session.reading.landmarks["femoral_head_left"]) == 7
    assert "cup_rim_left" not in session.reading.landmarks
    assert session.armed == "cup_rim_left"


def test_a_real_rim_is_not_asked_about(hand, placed):
    session = hand.dock.session
    for name in ("femoral_head_left", "cup_rim_left"):
        session.arm(name)
        for point in placed().landmarks[name]:
            session.click(point)
            assert session.question is None


@pytest.mark.parametrize("end", [Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Escape])
def test_return_and_escape_in_a_field_commit_it_and_go_no_further(hand, end):
    session = hand.dock.session
    field = hand.dock.placing.hips.heads["left"]
    field.setFocus()
    QTest.keyClicks(field, "36")
    QTest.keyClick(field, end)
    QApplication.processEvents()
    assert session.reading.head_diameter_mm == {"left": 36.0}
    assert session.armed == "femoral_head_left"
    assert not field.hasFocus()
    # The keys are the film's again: F zooms and is no letter of the field.
    zoom = hand.viewer.scene.camera.zoom
    QTest.keyClick(QApplication.focusWidget() or hand.canvas.native, Qt.Key.Key_F)
    assert hand.viewer.scene.camera.zoom > 1.5 * zoom
    assert field.text() == "36"


def test_a_point_is_placed_and_moved_without_a_mouse(hand):
    session = hand.dock.session
    session.arm(TEARDROP)
    hand.key(Qt.Key.Key_Space)
    start = session.cursor
    hand.key(Qt.Key.Key_Down)
    hand.key(Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    aimed = session.cursor
    assert aimed[0] > start[0]
    assert aimed[1] - start[1] > 3 * (aimed[0] - start[0])
    hand.key(Qt.Key.Key_Space)
    assert session.reading.landmarks[TEARDROP] == (pytest.approx(aimed),)
    hand.key(Qt.Key.Key_Up)
    ((row, column),) = session.reading.landmarks[TEARDROP]
    assert (row, column) == pytest.approx((aimed[0] - 0.25, aimed[1]))


def test_the_sizes_that_fit_the_outline_of_a_head_are_offered(hand, placed):
    for point in placed().landmarks["femoral_head_left"]:
        hand.dock.session.click(point)
    answer(hand, "36 mm")
    assert hand.dock.session.reading.head_diameter_mm == {"left": 36.0}


def test_which_way_a_cup_opens_is_asked_once(hand, placed):
    session = hand.dock.session
    session.arm("cup_rim_left")
    for point in placed().landmarks["cup_rim_left"]:
        session.click(point)
    assert "left cup open" in hand.dock.placing.question.text.text()
    answer(hand, "Forward")
    assert session.reading.cup_opens == {"left": "anterior"}
    assert not hand.dock.placing.question.isVisible()


def test_sizes_typed_into_the_fields_are_in_the_reading(hand):
    field = hand.dock.placing.hips.heads["left"]
    QTest.keyClicks(field, "36")
    QTest.keyClick(field, Qt.Key.Key_Return)
    assert hand.dock.session.reading.head_diameter_mm == {"left": 36.0}


def test_a_size_that_no_head_has_is_refused_with_words(hand):
    hand.dock.window().activateWindow()
    field = hand.dock.placing.hips.heads["left"]
    field.setFocus()
    QTest.qWait(50)
    QTest.keyClicks(field, "360")
    QTest.keyClick(field, Qt.Key.Key_Return)
    # Leaving the field ends it once more, which is no correction.
    QApplication.processEvents()
    assert not field.hasFocus()
    assert hand.dock.session.reading.head_diameter_mm == {}
    assert "360" in hand.dock.notices.texts["message"]
    assert field.text() == ""
    QTest.keyClicks(field, "36")
    QTest.keyClick(field, Qt.Key.Key_Return)
    assert "message" not in hand.dock.notices.texts


def test_the_mouse_wheel_over_a_field_changes_nothing(hand):
    """It scrolls the panel; what it passes over, a plan's plane or the side, stays."""
    from qtpy.QtCore import QPoint, QPointF
    from qtpy.QtGui import QWheelEvent
    from qtpy.QtWidgets import QApplication, QComboBox, QDoubleSpinBox

    dock = hand.dock
    boxes, numbers = dock.findChildren(QComboBox), dock.findChildren(QDoubleSpinBox)
    assert {dock.compare.plane, dock.form.posture, dock.placing.hips.side, dock.films} <= {*boxes}

    def shown():
        return [box.currentIndex() for box in boxes] + [field.value() for field in numbers]

    before, reading = shown(), dock.session.reading
    for field in (*boxes, *numbers):
        assert field.focusPolicy() != Qt.FocusPolicy.WheelFocus  # keys stay where they are
        for way in (120, -120):
            at, none = QPointF(5, 5), Qt.MouseButton.NoButton
            turn = QPoint(0, way), QPoint(0, way), none, Qt.KeyboardModifier.NoModifier
            event = QWheelEvent(at, at, *turn, Qt.ScrollPhase.NoScrollPhase, False)
            QApplication.sendEvent(field, event)
    assert shown() == before
    assert dock.session.reading == reading
    assert dock.session.plan is None


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


def test_a_point_is_placed_once_more_by_a_button_and_the_mean_counts(hand):
    session, again = hand.dock.session, hand.dock.placing.buttons["again"]
    session.arm(TEARDROP)
    assert not again.isEnabled()
    for column in (930.0, 934.0):
        hand.click((700.0, column))
        assert session.armed != TEARDROP
        QTest.mouseClick(again, Qt.MouseButton.LeftButton)
    assert "3 of at most 3" in hand.dock.placing.count.text()
    hand.click((702.0, 932.0))
    points = session.reading.landmarks[TEARDROP]
    assert len(points) == 3
    assert session.reading.place(TEARDROP) == pytest.approx(np.mean(points, axis=0))
    assert not again.isEnabled()
    session.arm(TEARDROP)
    hand.click((740.0, 960.0))
    assert len(session.reading.landmarks[TEARDROP]) == 1


def test_a_question_is_answered_for_the_film_that_is_open_and_keeps_no_other(empty, sample):
    """The film before asked the same, and was left without an answer."""
    dock = empty.dock
    dock.open_path(sample())
    former = weakref.ref(dock.session)
    dock.open_path(sample("long_leg"))
    QTest.mouseClick(dock.placing.question.answers.itemAt(0).widget(), Qt.MouseButton.LeftButton)
    assert dock.session.side_known
    assert dock.session.reading.operated_side == "right"
    gc.collect()
    assert former() is None
