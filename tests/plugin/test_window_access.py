"""Every control has its words and its place, on small screens and large letters too."""

import itertools
from dataclasses import replace

from napari_xraymeasure.canvas.keys import SHORTCUTS, help_rows
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QAbstractSpinBox,
    QComboBox,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QTabBar,
    QTextBrowser,
)

from tests.plugin.conftest import SIZE
from xraymeasure.plan.plan import read_plan
from xraymeasure.samples import sample_folder

CONTROLS = (
    QAbstractButton,
    QAbstractItemView,
    QAbstractSpinBox,
    QComboBox,
    QLineEdit,
    QTextBrowser,
    QTabBar,
)


def controls(dock):
    """Return the controls a person meets, without the parts that Qt builds them of."""
    found = [widget for kind in CONTROLS for widget in dock.findChildren(kind)]
    composite = (QAbstractSpinBox, QComboBox, QTabBar, QAbstractItemView)
    return [
        widget
        for widget in found
        if not isinstance(widget.parentWidget(), composite)
        and not widget.objectName().startswith("qt_")
        and not isinstance(widget.window(), QComboBox)
        and widget.window() is dock.window()
    ]


def pages(dock):
    for index in range(dock.tabs.count()):
        dock.tabs.setCurrentIndex(index)
        QTest.qWait(10)
        yield dock.tabs.tabText(index)


def test_every_control_has_a_tooltip_and_a_name_for_screen_readers(hand):
    found = controls(hand.dock)
    assert len(found) > 40
    without = [
        f"{type(widget).__name__} {widget.objectName()} {getattr(widget, 'text', str)()}"
        for widget in found
        if not widget.toolTip() or not widget.accessibleName()
    ]
    assert without == []


def test_names_for_screen_readers_tell_controls_apart(hand):
    names = [w.accessibleName() for w in controls(hand.dock) if not isinstance(w, QTabBar)]
    assert sorted(names) == sorted(set(names))


def test_every_enabled_control_is_reached_by_tab_or_by_arrows_from_one_that_is(hand):
    in_rows = set(hand.dock.placing.buttons.values())
    unreachable = [
        widget.accessibleName()
        for widget in controls(hand.dock)
        if widget.isEnabled()
        and widget not in in_rows
        and not widget.focusPolicy() & Qt.FocusPolicy.TabFocus
    ]
    assert unreachable == []
    reached = set()
    for row in hand.dock.placing._rows:
        (start,) = [each for each in row._buttons if each.focusPolicy() & Qt.FocusPolicy.TabFocus]
        start.setFocus()
        for _ in row._buttons:
            reached.add(start.window().focusWidget())
            QTest.keyClick(start.window().focusWidget(), Qt.Key.Key_Right)
    assert reached == {each for each in in_rows if each.isEnabled()}


def stops_of_tab(dock):
    """Walk with real presses of Tab from the side onward, until it comes round."""
    first, window = dock.placing.hips.side, dock.window()
    first.setFocus()
    stops = [first]
    for _ in range(60):
        QTest.keyClick(window.focusWidget(), Qt.Key.Key_Tab)
        widget = window.focusWidget()
        if widget is first:
            return stops
        stops.append(widget)
    raise AssertionError(f"Tab does not come round: {[each.accessibleName() for each in stops]}")


def test_tab_goes_round_the_placing_page_in_few_presses_and_in_the_order_of_work(hand):
    dock = hand.dock
    dock.tabs.setCurrentIndex(0)
    stops = stops_of_tab(dock)
    assert sum(dock.isAncestorOf(widget) for widget in stops) < 25
    panel = dock.placing
    inside = [widget for widget in stops if panel.isAncestorOf(widget)]
    middles = [widget.mapTo(panel, widget.rect().center()) for widget in inside]
    assert len(inside) >= 8
    for before, after in itertools.pairwise(middles):
        same_row = abs(after.y() - before.y()) < 8
        assert after.x() > before.x() if same_row else after.y() > before.y()


def test_where_the_keys_go_is_seen(hand):
    hand.dock.window().activateWindow()
    for widget in (hand.dock.placing.hips.heads["left"], hand.dock.placing.hips.side):
        widget.setFocus(Qt.FocusReason.TabFocusReason)
        QTest.qWait(50)
        ring = widget.grab().toImage()
        yellow = [
            ring.pixelColor(x, ring.height() - 1).name() == "#f5ea4d" for x in range(ring.width())
        ]
        assert sum(yellow) > 0.8 * len(yellow)


def test_the_help_lists_every_shortcut_that_has_words(hand):
    assert len(help_rows()) == sum(bool(shortcut.shown) for shortcut in SHORTCUTS)
    for shown, words in help_rows():
        assert shown and words


def test_every_shortcut_is_bound_on_the_films_layer(hand):
    bound = {str(key) for key in hand.dock.view.layer.keymap}
    assert len(bound) == sum(len(shortcut.keys) for shortcut in SHORTCUTS)


def cut_off(dock):
    """Return what a person cannot read whole: text wider or higher than its control."""
    faults = []
    for widget in dock.findChildren(QLabel) + dock.findChildren(QAbstractButton):
        if not widget.isVisible() or not widget.text():
            continue
        if isinstance(widget, QLabel):
            needed = widget.heightForWidth(widget.width()) if widget.wordWrap() else 0
            if needed > widget.height() + 1 or (
                not widget.wordWrap() and widget.sizeHint().width() > widget.width() + 1
            ):
                faults.append(widget.text())
        elif widget.sizeHint().width() > widget.width() + 1:
            faults.append(widget.text())
    for box in dock.findChildren(QComboBox):
        if box.isVisible() and box.isEnabled():
            needed = box.fontMetrics().horizontalAdvance(box.currentText()) + 28
            if needed > box.width():
                faults.append(box.currentText())
    for area in dock.findChildren(QScrollArea):
        if area.isVisible() and area.widget().width() > area.viewport().width():
            faults.append(f"scroll area of {type(area.widget()).__name__}")
    return faults


def test_nothing_is_cut_off_on_small_screens_and_large_ones(hand):
    window, dock = hand.viewer.window._qt_window, hand.dock
    for size in ((960, 600), (1366, 768), (1900, 1080)):
        window.resize(*size)
        QTest.qWait(50)
        assert (window.width(), window.height()) == size
        for page in pages(dock):
            assert cut_off(dock) == [], (size, page)
        dock.tabs.setCurrentIndex(0)
        dock.session.show_further(True)
        QTest.qWait(20)
        assert cut_off(dock) == [], size
        dock.session.show_further(False)
        assert hand.canvas.native.width() > 300
    window.resize(*SIZE)


def test_a_question_and_its_answers_are_in_sight_however_low_the_screen(hand, put, placed):
    window, panel = hand.viewer.window._qt_window, hand.dock.placing
    halves = hand.dock.tabs.parentWidget()
    window.resize(960, 600)
    hand.dock.tabs.setCurrentIndex(0)
    QTest.qWait(20)
    before = halves.sizes()

    def whole():
        QTest.qWait(50)
        answers = panel.question.findChildren(QPushButton)
        return answers and all(
            each.visibleRegion().boundingRect() == each.rect()
            for each in (panel.question.text, *answers)
        )

    hand.dock.session.arm("teardrop_left")
    hand.click((700, 360))
    assert whole()
    hand.dock.session.answer("drop")
    # Which head it is, with every landmark placed.
    put(hand.dock.session, replace(placed(), head_diameter_mm={}))
    assert whole()
    assert "Which head" in panel.question.text.text()
    hand.dock.session.record(head_diameter_mm={"left": 36.0}, cup_opens={"left": "anterior"})
    QTest.qWait(50)
    assert panel.question.isHidden()
    assert halves.sizes() == before
    window.resize(*SIZE)


def test_long_words_and_the_plot_squeeze_no_field_on_a_low_screen(hand, put, placed):
    window, panel = hand.viewer.window._qt_window, hand.dock.compare
    window.resize(960, 600)
    put(hand.dock.session, placed())
    hand.dock.set_plan(read_plan(sample_folder() / "well_placed.plan.toml"))
    hand.dock.tabs.setCurrentWidget(panel.parentWidget().parentWidget())
    panel._note("A sentence of many words that is broken into lines. " * 12)
    QTest.qWait(30)
    assert panel._plot.canvas.isVisible()
    fields = panel.fields.values()
    assert all(field.height() >= field.minimumSizeHint().height() for field in fields)
    assert not panel.notes.visibleRegion().isEmpty()
    window.resize(*SIZE)
