"""A whole film, from the drop to the page; and the numbers that are shown on the way."""

import json
from dataclasses import replace

import numpy as np
import pytest
from napari_xraymeasure.film_work import DRAG_MS
from napari_xraymeasure.session import numbers
from napari_xraymeasure.session.numbers import MAIN
from qtpy.QtCore import Qt
from qtpy.QtGui import QImage
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QFileDialog
from typer.testing import CliRunner

from xraymeasure.about import CAUTION
from xraymeasure.cli import app
from xraymeasure.measuring.measure import DRAWS
from xraymeasure.measuring.results import interval_text, value_text
from xraymeasure.plan.plan import CupPlan, FemurPlan, Plan, read_plan
from xraymeasure.samples import sample_folder
from xraymeasure.vocabulary.landmarks import LANDMARKS

NAME, VALUE, PLAN = range(3)


@pytest.fixture
def read(hand, placed, settle, put):
    """The whole reading placed without the mouse, and its numbers settled."""
    put(hand.dock.session, placed())
    settle(hand)
    return hand


def rows(hand):
    return hand.dock.numbers.lines()


def tab(hand, title):
    tabs = hand.dock.tabs
    tabs.setCurrentIndex(next(i for i in range(tabs.count()) if tabs.tabText(i) == title))


def test_a_complete_film_from_the_drop_to_the_exported_page(
    empty, sample, placed, settle, qtbot, monkeypatch, tmp_path
):
    film = sample(plan=True)
    hand = empty
    hand.drop(film)
    dock = hand.dock
    assert dock.session.side_known
    for fields, size in (
        (dock.placing.hips.heads, "36"),
        (dock.placing.hips.cups, "54"),
        (dock.placing.hips.angles, "132"),
    ):
        QTest.keyClicks(fields["left"], size)
        QTest.keyClick(fields["left"], Qt.Key.Key_Return)
    whole = placed()
    while dock.session.armed:
        name = dock.session.armed
        hand.key(Qt.Key.Key_F)
        points = whole.landmarks[name]
        # The fewest clicks that fit a curve: what is asked here does not depend on how many.
        points = points[:: max(len(points) // max(LANDMARKS[name].kind.minimum, 1), 1)]
        if not all(hand.in_sight(point) for point in points):
            hand.key(Qt.Key.Key_W)
        for point in points:
            hand.click(point)
        if dock.session.armed == name:
            hand.key(Qt.Key.Key_Return)
    assert dock.placing.title.text() == "Every landmark is placed"
    # Now with all the draws of the command line; after an edit no earlier numbers are taken.
    monkeypatch.setattr(numbers, "DRAWS", DRAWS)
    dock.session.record(comment="read to the end")
    settle(hand)
    shown = rows(hand)
    assert [row[NAME].lstrip("△▲ ") for row in shown[:4]] == [
        "Inclination",
        "Anteversion",
        "Leg length",
        "Femoral offset",
    ]
    assert all(
        "within" in row[PLAN] or "outside" in row[PLAN] or "undecided" in row[PLAN]
        for row in shown[:4]
    )

    # The saved reading through the command line gives the numbers that are shown.
    reading = film.with_name("well_placed.A.reading.json")
    plan = film.with_suffix(".plan.toml")
    result = CliRunner().invoke(
        app, ["measure", str(film), "--reading", str(reading), "--plan", str(plan), "--json"]
    )
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    theirs = {
        (row["name"], row["side"], row["method"]): (row["value"], row["low"], row["high"])
        for row in record["measurements"]
    }
    ours = {
        (row.name, row.side, row.method): (row.value, row.low, row.high)
        for row in dock.session.result.measurements.rows
    }
    assert ours == theirs
    assert [
        (row.name, row.difference, row.verdict) for row in dock.session.result.comparison.rows
    ] == [(row["name"], row["difference"], row["verdict"]) for row in record["comparison"]]

    monkeypatch.setattr(
        QFileDialog, "getExistingDirectory", lambda *args, **kwargs: str(tmp_path / "pages")
    )
    tab(hand, "Keep")
    QTest.mouseClick(dock.keep.export, Qt.MouseButton.LeftButton)
    assert dock.keep.progress.isVisible()
    assert not dock.keep.export.isEnabled()
    qtbot.waitUntil(lambda: not dock.keep.progress.isVisible(), timeout=60_000)
    folder = tmp_path / "pages" / "well_placed.A"
    assert {path.name for path in folder.iterdir()} == {
        "well_placed.A.pdf",
        "well_placed.A.html",
        "measurements.json",
        "measurements.csv",
    }
    assert CAUTION in dock.keep.exported.text()
    exported = json.loads((folder / "measurements.json").read_text())
    assert exported["measurements"] == record["measurements"]


def test_the_table_says_value_and_interval_as_the_page_does(read):
    shown = {}
    for line in rows(read):
        shown.setdefault(line[NAME].lstrip("△▲ "), line[VALUE])
    row = read.dock.session.result.measurements.primary("radiographic_inclination")
    assert shown["Inclination"] == f"{value_text(row)} ({interval_text(row)})"


def test_a_number_that_cannot_be_measured_yet_is_a_dash_with_its_reason(hand):
    hand.click((658, 975))
    table = hand.dock.numbers.table
    assert len(rows(hand)) >= len(MAIN) - 1
    first = table.topLevelItem(0).child(0)
    assert first.text(VALUE) == "–"
    assert first.toolTip(VALUE)


def test_numbers_stand_in_groups_one_line_each_and_what_is_compared_comes_first(read):
    table = read.dock.numbers.table
    titles = [table.topLevelItem(i).text(NAME) for i in range(table.topLevelItemCount())]
    assert titles[:3] == ["▾ left hip", "▾ right hip", "▾ checks of the film"]
    folded = table.topLevelItem(table.topLevelItemCount() - 1)
    assert folded.text(NAME) == "▸ left hip, the angles in other definitions"
    folded.setExpanded(True)
    assert folded.text(NAME).startswith("▾")
    folded.setExpanded(False)
    widest = max(table.fontMetrics().horizontalAdvance(row[VALUE]) for row in rows(read))
    assert widest + 6 <= table.columnWidth(VALUE)
    assert not any("\n" in text for row in rows(read) for text in row)
    other = [row for row in rows(read) if row[NAME] == "Femoral offset"]
    assert len(other) == 2
    # Everything of both hips is within a screen of a table of usual height.
    assert table.sizeHintForRow(0) < 22


def test_what_a_drag_leaves_undrawn_is_what_has_not_changed(read):
    """What is seen on the screen in a drag is what is seen once everything is drawn anew."""
    canvas, overlay = read.canvas.native, read.dock.view.overlay
    at = canvas.mapTo(canvas.window(), canvas.rect().topLeft())

    def seen():
        QTest.qWait(60)
        size = canvas.width(), canvas.height()
        shot = canvas.screen().grabWindow(canvas.window().winId(), at.x(), at.y(), *size)
        picture = shot.toImage().convertToFormat(QImage.Format.Format_RGBX8888)
        return np.array(picture.constBits(), dtype=np.int16)

    start = read.dock.session.reading.landmarks["femoral_head_left"][0]
    before = seen()
    read.drag(start, (start[0] + 40, start[1] + 25), release=False)
    in_drag = seen()
    overlay.update()
    whole = seen()
    QTest.mouseRelease(canvas, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier)
    # Where a line is cut, its blurred edge is rounded otherwise: by less than an eye can see.
    assert abs(in_drag - whole).max() <= 3
    assert (abs(in_drag - before) > 30).sum() > 1000


def test_lines_labels_and_numbers_follow_a_drag(read):
    dock = read.dock
    before = rows(read)[0][VALUE], dock.view.overlay._scene
    name = "teardrop_left"
    start = dock.session.reading.landmarks[name][0]
    read.drag(start, (start[0] + 40, start[1]), release=False)
    QTest.qWait(DRAG_MS + 40)
    assert dock.session.dragging
    during = rows(read)[0][VALUE], dock.view.overlay._scene
    assert during[0] != before[0]
    texts = [[label.text for label in scene.labels] for scene in (before[1], during[1])]
    assert texts[0] != texts[1]
    lines = [
        next(stroke.path for stroke in scene.strokes if stroke.kind == "reference")
        for scene in (before[1], during[1])
    ]
    assert (lines[0] != lines[1]).any()
    assert not dock.session.result.final
    # The warnings wait until the point is let go: this one lies where no teardrop does.
    codes = {finding.code for finding in dock.session.result.measurements.findings}
    native = read.canvas.native
    QTest.mouseRelease(native, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier)
    after = {finding.code for finding in dock.session.result.measurements.findings}
    assert "reference_lines_disagree" in after - codes


def test_choosing_a_number_lights_what_it_rests_on_and_explains_it(read):
    dock = read.dock
    dock.numbers.choose(("radiographic_anteversion", "left"))
    assert dock.tabs.tabText(dock.tabs.currentIndex()) == "Explain"
    text = dock.explain.text.toPlainText()
    row = dock.session.result.measurements.primary("radiographic_anteversion")
    assert value_text(row) in text
    for assumption in row.assumptions:
        assert assumption in text
    assert "Its uncertainty comes from" in text
    assert "placing of the landmarks" in text
    for finding in dock.session.result.measurements.findings:
        if "radiographic_anteversion" in finding.touches:
            assert finding.text in text
    lit = [mark for mark in dock.view.overlay._scene.marks if mark.state == "lit"]
    assert len(lit) == len(dock.session.reading.landmarks["cup_rim_left"])
    dock.explain.closed.emit()
    assert dock.tabs.currentIndex() == 0
    assert not any(mark.state == "lit" for mark in dock.view.overlay._scene.marks)


def test_a_plan_typed_in_is_compared_and_drawn_on_the_film(read):
    dock = read.dock
    tab(read, "Plan")
    for key, value in (
        (("cup", "inclination_deg"), 40),
        (("cup", "anteversion_deg"), 20),
        (("tolerance", "inclination_deg"), 5),
    ):
        dock.compare.fields[key].setValue(value)
    row = dock.session.result.comparison.row("radiographic_inclination")
    assert row.planned == 40
    assert "Inclination" in rows(read)[0][NAME]
    assert f"{row.verdict}" in rows(read)[0][PLAN]
    (planned,) = [s for s in dock.view.overlay._scene.strokes if s.kind == "plan"]
    hip_centre = next(
        d.path[0]
        for d in dock.session.result.measurements.drawings
        if d.kind == "hip_centre" and d.side == "left"
    )
    assert planned.path.mean(axis=0) == pytest.approx(hip_centre, abs=3.0)
    assert dock.compare._plot is not None


def test_a_plan_in_another_definition_is_converted_and_the_panel_says_so(read):
    dock = read.dock
    tab(read, "Plan")
    dock.compare.fields["cup", "inclination_deg"].setValue(40)
    dock.compare.fields["cup", "anteversion_deg"].setValue(20)
    dock.compare.definition.setCurrentText("operative")
    dock.compare.definition.activated.emit(1)
    assert "operative 40/20" in dock.compare.notes.text()
    # Murray DW, J Bone Joint Surg Br 1993;75:228-232: tan RI = tan OI / cos OA.
    planned = dock.session.result.comparison.row("radiographic_inclination").planned
    assert planned == pytest.approx(41.76, abs=0.01)


def test_an_explained_number_is_never_older_than_the_table(read):
    dock = read.dock
    key = ("radiographic_inclination", "left")
    dock.numbers.choose(key)
    start = dock.session.reading.landmarks["teardrop_left"][0]
    read.drag(start, (start[0] + 40, start[1]), release=False)
    assert dock.session.dragging
    shown = next(value for name, value, _ in rows(read) if "Inclination" in name)
    assert shown.split(" (")[0] in dock.explain.text.toPlainText().split("\n")[0]
    QTest.mouseRelease(
        read.canvas.native, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
    )


def test_deleting_a_point_leaves_the_tab_where_it_is(read):
    dock = read.dock
    dock.numbers.choose(("radiographic_inclination", "left"))
    dock.session.select("teardrop_left", 0)
    read.key(Qt.Key.Key_Delete)
    assert dock.tabs.tabText(dock.tabs.currentIndex()) == "Explain"
    tab(read, "Plan")
    read.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert dock.tabs.tabText(dock.tabs.currentIndex()) == "Plan"


def test_a_plan_that_was_typed_is_written_and_comes_back_with_the_film(read, monkeypatch, tmp_path):
    dock = read.dock
    tab(read, "Plan")
    for key, value in ((("cup", "inclination_deg"), 40), (("cup", "anteversion_deg"), 20)):
        dock.compare.fields[key].setValue(value)
    for folder, said in ((tmp_path, "Written to"), (tmp_path / "none", "cannot be written")):
        written = folder / "typed.plan.toml"
        monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_, to=written: (str(to), ""))
        dock.compare._save()
        assert said in dock.compare.notes.text()
        assert str(written) in dock.compare.notes.text()
    assert read_plan(tmp_path / "typed.plan.toml") == dock.session.plan
    path = dock.session.film_path
    dock.close_film()
    dock.open_path(path)
    assert dock.session.plan.cup.inclination_deg == 40
    assert dock.session.plan.cup.anteversion_deg == 20
    # A difference without a tolerance says why there is no verdict, where the verdict would be.
    said = next(plan for name, _, plan in rows(read) if "Inclination" in name)
    assert "no tolerance" in said
    table = dock.numbers.table
    assert table.fontMetrics().horizontalAdvance(said) + 6 <= table.columnWidth(PLAN)


def test_half_of_a_pair_that_is_being_typed_stays(read):
    dock = read.dock
    tab(read, "Plan")
    dock.compare.fields["cup", "inclination_deg"].setValue(40)
    dock.session.select("teardrop_left", 0)
    dock.session.nudge(1.0, 0.0)
    assert dock.compare.fields["cup", "inclination_deg"].value() == 40


def test_a_plan_written_by_hand_is_never_written_over(read, sample):
    dock = read.dock
    path = sample("off_plan_cup", plan=True)
    by_hand = path.with_suffix(".plan.toml").read_bytes()
    dock.open_path(path)
    tab(read, "Plan")
    dock.compare.fields["cup", "inclination_deg"].setValue(37)
    assert dock.session.plan.cup.inclination_deg == 37
    assert path.with_suffix(".plan.toml").read_bytes() == by_hand
    dock.open_path(path)
    assert dock.session.plan.cup.inclination_deg == 37


def test_what_the_plan_knows_is_offered_and_taken_with_one_click(hand, sample):
    dock = hand.dock
    dock.open_path(sample(plan=True))
    known = dock.session.plan.femur.head_diameter_mm
    note = dock.placing.hips.note
    assert f"head {known:g} mm" in note.text()
    QTest.mouseClick(note, Qt.MouseButton.LeftButton)
    assert dock.session.reading.head_diameter_mm == {"left": known}


def test_a_doubted_head_is_marked_at_its_field_and_one_click_explains_it(read, settle):
    dock = read.dock
    field = dock.placing.hips.heads["left"]
    assert not field.property("doubted")
    dock.session.record(head_diameter_mm={"left": 28.0})
    settle(read)
    assert field.property("doubted")
    note = dock.placing.hips.note
    assert note.text() == "▲ Heads that would fit: 36 mm."
    assert "Is the head really 28 mm" in note.toolTip()
    tab(read, "Place")
    QTest.mouseClick(note, Qt.MouseButton.LeftButton)
    assert "Heads that would fit: 36 mm" in dock.explain.text.toPlainText()
    assert rows(read)[0][NAME][0] in "△▲"


def test_a_notice_moves_no_button(read):
    dock = read.dock
    tab(read, "Place")

    def places():
        QTest.qWait(20)
        return {
            name: each.mapTo(dock, each.rect().topLeft())
            for name, each in dock.placing.buttons.items()
        }

    dock.notices.clear()
    before = places()
    dock.notices.say("message", "A sentence that is long enough to need several lines. " * 6)
    assert dock.notices.isVisible()
    assert places() == before
    dock.session.arm("teardrop_right")
    dock.session._ask("teardrop_right", (700.0, 1200.0), dock.session.reading)
    dock.session._tell("armed")
    assert places() == before


def test_the_numbers_are_copied_as_text(read):
    read.key(Qt.Key.Key_C, Qt.KeyboardModifier.ControlModifier)
    text = QApplication.clipboard().text()
    row = read.dock.session.result.measurements.primary("radiographic_inclination")
    assert "Radiographic inclination" in text
    assert value_text(row) in text
    assert interval_text(row) in text


def test_another_head_than_planned_is_compared_once_it_is_confirmed_and_the_plan_stays(read):
    dock, session = read.dock, read.dock.session
    size = session.reading.head_diameter_mm["left"]
    femur = FemurPlan(head_diameter_mm=size + 4)
    dock.set_plan(Plan("left", cup=CupPlan(inclination_deg=40.0), femur=femur))
    note = dock.placing.hips.note
    assert session.result.comparison is None
    said = f"Planned head {size + 4:g} mm, used {size:g} mm"
    assert said in note.text() and "press" in note.text()
    QTest.mouseClick(note, Qt.MouseButton.LeftButton)
    assert session.plan.femur.head_diameter_mm == size + 4
    assert f"{said}." in session.result.comparison.notes
    assert f"{said}." in dock.compare.notes.text()
    assert said in note.text() and "press" not in note.text()
    # Another size again is asked about again.
    session.record_for("left", head_diameter_mm=size - 4)
    assert session.result.comparison is None and not session.confirmed_sizes


def test_a_plan_of_the_other_side_is_refused_with_words(read, tmp_path):
    path = tmp_path / "other.plan.toml"
    path.write_text('operated_side = "right"\n[cup]\ninclination_deg = 40\n')
    read.dock.open_path(path)
    assert read.dock.session.result.comparison is None
    assert "operated_side" in read.dock.numbers.findings.text() or (
        "operated_side" in read.dock.compare.notes.text()
    )
    assert read.dock.session.result.measurements is not None


def test_practice_shows_how_far_off_each_placing_was_and_keeps_a_record(
    read, truth, placed, put, own_home, settle
):
    dock = read.dock
    assert not dock.practice.show_truth.isEnabled()
    dock.first.samples.activated.emit(dock.first.samples.findText("well placed"))
    session = dock.session
    session.set_operated("left")
    tab(read, "Practice")
    assert not dock.practice.show_truth.isEnabled()
    true = truth()["landmarks"]
    landmarks = {
        step.name: true[step.name][:: max(len(true[step.name]) // 9, 1)] for step in session.steps
    }
    landmarks["teardrop_left"] = [(row + 3.0, col + 4.0) for row, col in true["teardrop_left"]]
    landmarks = {name: tuple(map(tuple, points)) for name, points in landmarks.items()}
    put(session, replace(placed(), landmarks=landmarks))
    settle(read)
    assert dock.practice.show_truth.isEnabled()
    QTest.mouseClick(dock.practice.show_truth, Qt.MouseButton.LeftButton)
    text = dock.practice.result.toPlainText()
    assert "5.0 px" in text
    assert "held" in text
    assert dock.session.second is not None
    records = (own_home / "practice.csv").read_text().splitlines()
    assert any("teardrop_left,5.0000,px" in line for line in records)


def test_a_blinded_session_hides_plan_other_readings_and_truth(hand, sample, placed, tmp_path):
    from napari_xraymeasure.canvas.film_layer import Opened, layer_data

    from xraymeasure.film.read import read_film
    from xraymeasure.reading.file import save_reading

    film = sample("bilateral", plan=True)
    save_reading(placed("bilateral"), film.with_name("bilateral.S.reading.json"))
    data, arguments, _ = layer_data(Opened(read_film(film), film, blinded=True))
    hand.viewer.add_image(data, **arguments)
    dock = hand.dock
    assert dock.session.plan is None
    assert dock.session.others == ()
    tab(hand, "Plan")
    assert dock.compare.hidden.isVisible()
    assert not dock.compare.body.isVisible()
    dock.open_path(film.with_suffix(".plan.toml"))
    dock.open_path(film.with_name("bilateral.S.reading.json"))
    assert dock.session.plan is None
    assert dock.session.second is None
    assert "blinded" in dock.notices.texts["blinded"]


def test_how_likely_a_number_is_within_and_what_helps_most_take_a_line_each(read, settle):
    dock, panel = read.dock, read.dock.numbers
    assert not panel.standing.isVisible()
    dock.set_plan(read_plan(sample_folder() / "well_placed.plan.toml"))
    settle(read)
    rows = {row.name: row for row in dock.session.result.comparison.rows}
    least = rows["leg_length_difference"]
    assert (
        panel.standing.text()
        == f"Leg length: {100 * least.probability:.0f} % likely within ±5.0 mm"
    )
    assert least.helps[0].thing in panel.narrowed.toolTip()
    assert f"±{least.helps[0].half_width:.1f} mm" in panel.narrowed.text()
    panel.choose(("femoral_offset", "left"))
    likely = rows["femoral_offset"].probability
    assert f"Femoral offset: {100 * likely:.0f} % likely within" in panel.standing.text()
