"""What the program proposes: told apart until the reader confirms, moves or refuses it.

The proposals are made up here; that the program finds what there is, is tested in `tests/detect`.
"""

from dataclasses import replace

import numpy as np
import pytest
from napari_xraymeasure import film_work
from napari_xraymeasure.session.resume import open_session
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QPushButton

from xraymeasure.carry.carry import Carried
from xraymeasure.detect.propose import HipProposal, Proposals
from xraymeasure.reading.file import read_reading, save_reading

SIDES = ("left", "right")
HEAD, RIM, SHAFT = "femoral_head_left", "cup_rim_left", "femoral_shaft_left"


@pytest.fixture
def proposals(placed):
    """A head, a rim and a shaft where the sample's simulated reader placed them."""
    landmarks = placed().landmarks
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    points = np.array(landmarks[HEAD])
    centre = points.mean(axis=0)
    radius = np.hypot(*(points - centre).T).mean()
    circle = centre + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    hip = HipProposal(
        side="left",
        landmarks={
            HEAD: tuple(map(tuple, circle.tolist())),
            RIM: landmarks[RIM],
            SHAFT: landmarks[SHAFT],
        },
        placing_sd_px={HEAD: 0.5, RIM: 0.6},
        inclination_deg=42.0,
        anteversion_deg=18.0,
        angle_sd_deg=(0.3, 0.6),
        other_pose_deg=(42.0, -10.0),
        cup_diameter_mm=52.0,
        cup_diameter_sd_mm=0.5,
        head_diameter_on_film_mm=43.0,
        magnification=None,
        plausible_heads_mm=(36.0,),
        misfit=0.01,
        doubts=("the metal is clipped",),
    )
    return Proposals("invented-1", (hip,), ())


@pytest.fixture
def offered(hand, proposals):
    hand.dock.session.receive(proposals)
    return hand


def test_what_is_doubtful_is_said_also_where_the_side_is_told_last_and_once_only(hand, proposals):
    dock = hand.dock
    dock._start(dock._new_session(dock.opened, afresh=True), dock.opened)
    dock.session.receive(proposals)
    assert "proposed" not in dock.notices.texts
    dock.session.set_operated("left")
    assert "the metal is clipped" in dock.notices.texts["proposed"]
    dock.notices.clear()
    dock.session.confirm()
    assert "proposed" not in dock.notices.texts


def proposed_strokes(hand):
    return sum(stroke.kind == "proposed" for stroke in hand.dock.view.overlay._scene.strokes)


def states(hand):
    listed = hand.dock.placing.list
    return [listed.item(i).text() for i in range(listed.count())]


def test_proposals_are_drawn_listed_and_asked_about_as_such(offered):
    dock = offered.dock
    assert dock.session.reading.proposed.method == "invented-1"
    assert dock.session.reading.unconfirmed == (HEAD, RIM, SHAFT)
    assert proposed_strokes(offered) == 3
    assert not {"head", "rim", "shaft"} & {s.kind for s in dock.view.overlay._scene.strokes}
    assert sum("◇" in text and "proposed" in text for text in states(offered)) == 3
    assert dock.session.armed == HEAD
    assert "Proposed by the program" in dock.placing.question.text.text()
    # Nothing is on disk before the reader does something.
    assert dock.session.saved is None
    assert not list(dock.session.film_path.parent.glob("*.reading.json"))


def test_one_key_confirms_and_goes_on_to_the_next(offered):
    session, strokes = offered.dock.session, proposed_strokes(offered)
    offered.key(Qt.Key.Key_C)
    assert session.reading.proposed.landmarks[HEAD] == "confirmed"
    assert session.armed == RIM
    kept = read_reading(session.saved.path)
    assert kept.proposed.landmarks == {HEAD: "confirmed", RIM: "proposed", SHAFT: "proposed"}
    assert kept.placing_sd_px[HEAD] == 0.5
    assert proposed_strokes(offered) == strokes - 1


def test_that_no_metal_was_found_is_said_until_something_is_placed(hand):
    dock = hand.dock
    found = Proposals("invented-1", (), ())
    dock.session.receive(found)
    dock.notices.say("proposed", dock.session.proposal_notice, "note")
    assert "No metal" in dock.notices.texts["proposed"]
    dock.session.click((658, 975))
    assert "proposed" not in dock.notices.texts


def test_a_head_of_another_size_than_given_is_said_and_one_click_takes_the_size_that_fits(
    hand, proposals, monkeypatch, qtbot
):
    dock, session = hand.dock, hand.dock.session
    nothing = replace(proposals, hips=(), of_another_size=proposals.hips)

    def found(_film, heads):
        return proposals if heads == {"left": 36.0} else nothing

    monkeypatch.setattr(film_work, "found_implants", found)
    session.record_for("left", head_diameter_mm=28.0)
    dock.work.look_for_implants()
    qtbot.waitUntil(lambda: "proposed" in dock.notices.texts)
    said = dock.notices.texts["proposed"]
    assert said.startswith("No head of the diameter given") and "fit: 36 mm" in said
    (answer,) = dock.placing.question.findChildren(QPushButton)
    assert answer.text() == "36 mm (1)"
    QTest.mouseClick(answer, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: session.reading.proposed is not None)
    assert session.reading.head_diameter_mm == {"left": 36.0}
    assert "Confirm (C)" in [b.text() for b in dock.placing.question.findChildren(QPushButton)]
    assert dock.notices.texts["proposed"].startswith("Proposed, to be looked at")


def test_a_proposal_that_is_next_after_a_click_is_confirmed_by_the_key(offered):
    """The point that was just placed stays chosen; the proposal that is armed is asked about."""
    session = offered.dock.session
    session.arm("lesser_trochanter_left")
    session.click((900, 1000))
    assert (session.armed, session.selected) == (SHAFT, ("lesser_trochanter_left", 0))
    assert "Proposed by the program" in offered.dock.placing.question.text.text()
    offered.key(Qt.Key.Key_C)
    assert session.reading.proposed.landmarks[SHAFT] == "confirmed"


def test_one_key_refuses_and_leaves_the_landmark_to_the_reader(offered):
    session = offered.dock.session
    offered.key(Qt.Key.Key_R)
    assert HEAD not in session.reading.landmarks
    assert HEAD not in session.reading.placing_sd_px
    assert HEAD not in session.reading.proposed.landmarks
    assert session.armed == HEAD
    offered.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert HEAD in session.reading.unconfirmed


def test_a_proposed_outline_is_moved_as_a_whole_and_is_the_readers_then(offered, proposals):
    session = offered.dock.session
    offered.key(Qt.Key.Key_F)
    before = np.array(proposals.hips[0].landmarks[HEAD])
    start = tuple(before[3])
    offered.drag(start, (start[0] + 12.0, start[1] + 5.0))
    after = np.array(session.reading.landmarks[HEAD])
    assert len(after) == 8
    assert after.mean(axis=0) - before.mean(axis=0) == pytest.approx((12.0, 5.0), abs=1.5)
    assert session.reading.proposed.landmarks[HEAD] == "placed"
    assert HEAD not in session.reading.placing_sd_px


def test_a_click_elsewhere_begins_a_proposed_landmark_by_hand(offered):
    session = offered.dock.session
    offered.click((900, 1000))
    assert len(session.reading.landmarks[HEAD]) == 1
    assert HEAD not in session.reading.unconfirmed


def test_what_the_reader_placed_meanwhile_stays(hand, placed, proposals):
    session = hand.dock.session
    for point in placed().landmarks[HEAD]:
        session.click(point)
    mine = session.reading.landmarks[HEAD]
    session.receive(proposals)
    assert session.reading.landmarks[HEAD] == mine
    assert session.reading.unconfirmed == (RIM, SHAFT)


def test_proposals_wait_for_the_side(empty, sample, proposals):
    empty.dock.open_path(sample())
    session = empty.dock.session
    session.receive(proposals)
    assert not session.reading.landmarks
    session.set_operated("left")
    assert session.reading.unconfirmed == (HEAD, RIM, SHAFT)


def test_numbers_of_unconfirmed_proposals_are_marked_and_give_no_verdict(
    hand, placed, put, proposals, settle
):
    session = hand.dock.session
    whole = placed()
    left = {name: points for name, points in whole.landmarks.items() if name != RIM}
    put(session, replace(whole, landmarks=left))
    hand.dock.compare.fields["cup", "inclination_deg"].setValue(42)
    hand.dock.compare.fields["cup", "anteversion_deg"].setValue(18)
    hand.dock.compare.fields["tolerance", "inclination_deg"].setValue(10)
    session.receive(proposals)

    def inclination():
        settle(hand)
        return next(line for line in hand.dock.numbers.lines() if "Inclination" in line[0])

    name, value, plan = inclination()
    assert name.startswith("▲")
    assert value
    assert "undecided" in plan
    row = session.result.comparison.row("radiographic_inclination")
    assert "confirmed" in row.reason
    session.arm(RIM)
    session.confirm()
    name, _value, plan = inclination()
    assert not name.startswith("▲")
    assert "within" in plan


def test_a_blinded_or_begun_or_practised_film_gets_no_proposal(hand, placed, put):
    session = hand.dock.session
    assert session.takes_proposals
    blinded = open_session(session.film, session.film_path, "B", blinded=True)
    assert not blinded.takes_proposals
    put(session, placed())
    assert not session.takes_proposals


def test_the_program_looks_in_the_background_and_the_window_goes_on(hand, sample, qtbot):
    dock = hand.dock
    dock.close_film()
    dock.open_path(sample())
    session = dock.session
    session.set_operated("left")
    dock.placing.proposes.click()
    dock.placing.proposes.click()
    assert not session.reading.landmarks
    qtbot.waitUntil(lambda: session.reading.proposed is not None, timeout=60_000)
    dock.proposes = False
    assert HEAD in session.reading.unconfirmed
    assert "femoral head outline, left" in dock.notices.texts["proposed"]


@pytest.fixture
def carried(placed):
    """Both teardrops and a trochanter, as found again by a method that is made up."""
    names = ("teardrop_left", "teardrop_right", "lesser_trochanter_left")
    landmarks = {name: placed().landmarks[name] for name in names}
    return Carried("invented-2", 400, landmarks, dict.fromkeys(names, 2.5))


def test_bones_carried_over_are_told_apart_and_confirmed_a_bone_at_a_time(offered, carried):
    dock = offered.dock
    session = dock.session
    session.receive_carried(carried)
    assert "invented-2 from a film taken 400 days before" in session.proposal_notice
    assert sum("◇" in text and "carried over" in text for text in states(offered)) == 3
    session.arm("teardrop_left")
    assert "Carried over" in dock.placing.question.text.text()
    assert "all 2 of this bone" in dock.placing.question.text.text()
    offered.key(Qt.Key.Key_F)
    assert all(offered.in_sight(carried.landmarks[f"teardrop_{side}"][0]) for side in SIDES)
    # What is out of sight is not confirmed unseen.
    offered.viewer.scene.camera.zoom *= 6
    offered.key(Qt.Key.Key_C, Qt.KeyboardModifier.ShiftModifier)
    assert "teardrop_right" in session.reading.unconfirmed
    session.arm("teardrop_left")
    offered.key(Qt.Key.Key_F)
    offered.key(Qt.Key.Key_C, Qt.KeyboardModifier.ShiftModifier)
    kept = read_reading(session.saved.path)
    assert kept.proposed.landmarks["teardrop_left"] == "confirmed"
    assert kept.proposed.landmarks["teardrop_right"] == "confirmed"
    assert kept.proposed.carried.landmarks == tuple(carried.landmarks)
    assert set(kept.unconfirmed) == {HEAD, RIM, SHAFT, "lesser_trochanter_left"}
    assert kept.placing_sd_px["teardrop_left"] == 2.5


def test_hip_and_implant_are_as_before_by_one_key_and_its_bones_are_found_but_not_if_blinded(
    hand, sample, placed, qtbot
):
    dock = hand.dock
    before = sample("well_placed_2y")
    known = replace(placed("well_placed_2y"), reader="A", cup_opens={"left": "anterior"})
    save_reading(known, before.with_name("well_placed_2y.A.reading.json"))
    dock._start(dock._new_session(dock.opened, afresh=True), dock.opened)
    session = dock.session
    session.blinded = True
    dock.compare.before_chosen.emit(before)
    assert session.before is None
    session.blinded = False
    dock.compare.before_chosen.emit(before)
    shown = [each.text() for each in dock.placing.question.findChildren(QPushButton)]
    assert "As before: the left hip, head 36 mm, cup 54 mm, opening forward (C)" in shown
    assert not session.side_known
    hand.key(Qt.Key.Key_C)
    assert session.reading.operated_side == "left"
    assert session.reading.head_diameter_mm == {"left": 36.0}
    assert session.reading.cup_opens == {"left": "anterior"}
    qtbot.waitUntil(lambda: session.reading.proposed is not None, timeout=60_000)
    assert {"teardrop_left", "teardrop_right"} <= set(session.reading.unconfirmed)
    assert "Carried over" in dock.notices.texts["proposed"]
    assert "before" not in dock.notices.texts
    hand.key(Qt.Key.Key_V)
    assert dock.tools._before.shown
