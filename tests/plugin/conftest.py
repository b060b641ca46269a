"""A real window with a sample film in it, and a hand that clicks, drags and types.

One window serves every test of a process; a test that is about opening or closing one asks for
`own_window`. What takes long and is not what a test asks, is made short here: intervals are made of
few draws, as soon as they are wanted.
"""

import gc
import os
import shutil
import tempfile
import weakref
from dataclasses import replace
from types import SimpleNamespace

# napari reads these when it is imported; without them a test would reset the user's settings.
os.environ["NAPARI_CONFIG"] = ""
os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="xraymeasure-tests-")

import napari
import numpy as np
import pytest
from napari._qt.dialogs.qt_notification import NapariQtNotification
from napari._vispy import canvas
from napari_xraymeasure import dock as dock_module
from napari_xraymeasure.canvas.film_layer import Opened
from napari_xraymeasure.canvas.napari_private import film_only
from napari_xraymeasure.dock import Dock
from napari_xraymeasure.session import numbers, opening
from napari_xraymeasure.session.practice import read_truth
from qtpy.QtCore import QEventLoop, QMimeData, QPoint, QPointF, Qt, QTimer, QUrl
from qtpy.QtGui import QDragEnterEvent, QDragMoveEvent, QDropEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from xraymeasure.reading.file import read_reading
from xraymeasure.samples import sample_folder


def pytest_sessionfinish():
    """Leave nothing behind of the settings that this process had for itself."""
    shutil.rmtree(os.environ["XDG_CACHE_HOME"], ignore_errors=True)


def wait(milliseconds):
    """Let the window go on meanwhile; vispy puts a loop here that keeps a core busy."""
    loop = QEventLoop()
    QTimer.singleShot(milliseconds, loop.quit)
    loop.exec()


QTest.qWait = wait

SIZE = (960, 600)
"""Of the window: what is drawn by software takes as long as it has pixels."""

LEFT, NO_KEY = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier


class Hand:
    """What a person does at the window; points are (row, column) of the film."""

    def __init__(self, viewer, dock):
        self.viewer, self.dock = viewer, dock

    @property
    def canvas(self):
        return self.viewer.window._qt_viewer.canvas

    def where(self, point):
        """Where a point of the film stands on the canvas, by napari's own transforms."""
        world = np.asarray(self.dock.view.layer.data_to_world(point), dtype=float)
        y, x = world[list(self.viewer.dims.displayed)]
        mapped = (self.canvas.view.transform * self.canvas.view.scene.transform).map([x, y, 0, 1])
        return np.array(mapped[:2])

    def in_sight(self, point):
        x, y = self.where(point)
        width, height = self.canvas.native.width(), self.canvas.native.height()
        return 5 < x < width - 5 and 5 < y < height - 5

    def click(self, point, button=LEFT, modifier=NO_KEY):
        place = QPoint(*(round(float(v)) for v in self.where(point)))
        QTest.mousePress(self.canvas.native, button, modifier, place)
        QTest.mouseRelease(self.canvas.native, button, modifier, place)
        QApplication.processEvents()

    def double_click(self, point):
        place = QPoint(*(round(float(v)) for v in self.where(point)))
        QTest.mouseDClick(self.canvas.native, LEFT, NO_KEY, place)
        QApplication.processEvents()

    def drag(self, start, stop, moves=6, release=True):
        native = self.canvas.native
        ends = self.where(start), self.where(stop)
        places = [
            QPoint(*(round(float(v)) for v in ends[0] + share * (ends[1] - ends[0])))
            for share in np.linspace(0, 1, moves + 1)
        ]
        QTest.mousePress(native, LEFT, NO_KEY, places[0])
        for place in places[1:]:
            QTest.mouseMove(native, place)
            QTest.qWait(15)
        if release:
            QTest.mouseRelease(native, LEFT, NO_KEY, places[-1])
            QApplication.processEvents()

    def key(self, key, modifier=NO_KEY):
        QTest.keyClick(self.canvas.native, key, modifier)
        QApplication.processEvents()

    def drop(self, *paths):
        """Drop files on the window, as a file manager does."""
        data = QMimeData()
        data.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
        middle = self.canvas.native.rect().center()
        target = self.viewer.window._qt_viewer.childAt(
            self.canvas.native.mapTo(self.viewer.window._qt_viewer, middle)
        )
        # As a file manager does that would rather move it: it takes away what was moved.
        able = Qt.DropAction.MoveAction | Qt.DropAction.CopyAction
        given = data, LEFT, NO_KEY
        for kind, place in (
            (QDragEnterEvent, middle),
            (QDragMoveEvent, middle),
            (QDropEvent, QPointF(middle)),
        ):
            event = kind(place, able, *given)
            QApplication.sendEvent(target, event)
            assert event.isAccepted()
            assert event.dropAction() == Qt.DropAction.CopyAction
        QApplication.processEvents()

    def place(self, name, points):
        """Arm a landmark in the list, zoom to it, click its points."""
        self.dock.session.arm(name)
        self.key(Qt.Key.Key_F)
        if not all(self.in_sight(point) for point in points):
            self.key(Qt.Key.Key_W)
        for point in points:
            self.click(point)


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    """Nothing of a test lands in the user's own folder."""
    monkeypatch.setenv("XRAYMEASURE_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(dock_module, "_caution_shown", False)
    for module in (numbers, opening):
        monkeypatch.setattr(module, "DRAWS", 64)
    return tmp_path / "home"


@pytest.fixture
def sample(tmp_path, plain_films):
    """Copy a sample film into a folder of its own and return its path."""

    def copy(name="well_placed", *, plan=False):
        folder = tmp_path / "films"
        folder.mkdir(exist_ok=True)
        shutil.copy(plain_films(name), folder)
        if plan:
            shutil.copy(sample_folder() / f"{name}.plan.toml", folder)
        return folder / f"{name}.dcm"

    return copy


@pytest.fixture
def placed():
    """Landmarks of a sample film as its simulated reader placed them."""
    return lambda name="well_placed": read_reading(sample_folder() / f"{name}.reading.json")


@pytest.fixture
def truth():
    return lambda name="well_placed": read_truth(sample_folder() / f"{name}.truth.json")


def _show():
    viewer = napari.Viewer(show=True, show_welcome_screen=False)
    viewer.window._qt_window.resize(*SIZE)
    return viewer


def _dressed(viewer):
    dock = Dock(viewer)
    dock.proposes = False
    film_only(viewer)
    viewer.window.add_dock_widget(dock, name="Read hip films", area="right")
    QTest.qWait(50)
    return Hand(viewer, dock)


@pytest.fixture
def own_viewer(qapp, shared_window):
    """A napari of its own, without the dock; nothing of it may be left once it is closed."""
    viewer = _show()
    window = weakref.ref(viewer.window._qt_viewer)
    yield viewer
    if viewer in napari.Viewer._instances:
        viewer.close()
    del viewer
    QTest.qWait(50)
    gc.collect()
    assert window() is None
    assert [each for each in QApplication.topLevelWidgets() if each.findChild(Dock)] == [
        shared_window.dock.window()
    ]


@pytest.fixture
def own_window(own_viewer):
    """A napari of its own with the dock."""
    return _dressed(own_viewer)


@pytest.fixture(scope="session")
def shared_window(qapp):
    """One window for all tests: opening it takes longer than most of them."""
    with pytest.MonkeyPatch.context() as patch:
        # napari collects garbage whenever a layer goes, which takes longer than most tests do.
        patch.setattr(canvas, "gc", SimpleNamespace(collect=lambda: 0))
        hand = _dressed(_show())
        yield hand
        hand.viewer.close()
        QTest.qWait(50)


def _close_notifications(hand):
    """Take away what napari told: it stands over the canvas for a while, and takes the keys."""
    window = hand.viewer.window._qt_window
    for note in window.findChildren(NapariQtNotification):
        note.hide()
        note.deleteLater()


@pytest.fixture
def empty(shared_window, own_home):
    """The shared window as it is before any film was opened in it."""
    dock = shared_window.dock
    if dock.bar.isVisible():
        dock.bar.left.emit()
    shared_window.viewer.layers.clear()
    _close_notifications(shared_window)
    dock.notices.clear()
    dock.reader = "A"
    QApplication.processEvents()
    assert dock.session is None
    assert dock.first.isVisible()
    return shared_window


@pytest.fixture
def open_film(empty):
    """Open a film in the shared window."""

    def opened(film):
        dock = empty.dock
        dock.open_path(film)
        assert dock.session is not None, dock.notices.texts
        dock.session.set_operated("left")
        QTest.qWait(20)
        return empty

    return opened


@pytest.fixture
def hand(shared_window, own_home, sample, request):
    """The shared window with a sample film in it that nobody has read.

    Where the test before left this film in the window, only its reading is begun anew.
    """
    dock, viewer, path = shared_window.dock, shared_window.viewer, sample()
    opened = dock.opened
    if opened is None or (opened.title, opened.truth) != (path.name, None):
        return request.getfixturevalue("open_film")(path)
    view = dock.view
    for layer in list(viewer.layers):
        if layer is not view.layer:
            viewer.layers.remove(layer)
    _close_notifications(shared_window)
    dock.reader = "A"
    opened = Opened(opened.film, path)
    dock._start(dock._new_session(opened), opened)
    view.guard._own_window = False
    view.guard.bring_back()
    view.layer.contrast_limits = view._own_limits
    view.zoom_to_film()
    dock.session.set_operated("left")
    QTest.qWait(20)
    return shared_window


@pytest.fixture
def put():
    """Take a whole reading's landmarks and sizes over into a session, as one edit."""

    def taken_over(session, reading):
        session._commit(
            replace(
                session.reading,
                landmarks=reading.landmarks,
                head_diameter_mm=reading.head_diameter_mm,
                cup_diameter_mm=reading.cup_diameter_mm,
                neck_shaft_angle_deg=reading.neck_shaft_angle_deg,
            )
        )

    return taken_over


@pytest.fixture
def settle(qtbot):
    """Have the numbers that stay, without the pause that a person would need."""

    def settled(hand):
        hand.dock.work.measure_finally()
        qtbot.waitUntil(lambda: hand.dock.session.result.final, timeout=60_000)

    return settled
