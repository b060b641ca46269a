"""A real window with a sample film in it, and a hand that clicks, drags and types."""

import gc
import os
import shutil
import tempfile

# napari reads these when it is imported; without them a test would reset the user's settings.
os.environ["NAPARI_CONFIG"] = ""
os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="xraymeasure-tests-")

import numpy as np
import pytest
from napari_xraymeasure import dock as dock_module
from napari_xraymeasure.dock import Dock
from napari_xraymeasure.session.practice import read_truth
from qtpy.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from qtpy.QtGui import QDragEnterEvent, QDropEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication

from xraymeasure.reading.file import read_reading
from xraymeasure.samples import sample_folder

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
        action = Qt.DropAction.CopyAction
        QApplication.sendEvent(target, QDragEnterEvent(middle, action, data, LEFT, NO_KEY))
        QApplication.sendEvent(target, QDropEvent(QPointF(middle), action, data, LEFT, NO_KEY))
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
    return tmp_path / "home"


@pytest.fixture
def sample(tmp_path):
    """Copy a sample film into a folder of its own and return its path."""

    def copy(name="well_placed", *, plan=False):
        folder = tmp_path / "films"
        folder.mkdir(exist_ok=True)
        shutil.copy(sample_folder() / f"{name}.dcm", folder)
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


@pytest.fixture
def open_window(make_napari_viewer, qtbot):
    """Open a window of its own with the dock, and a film if one is named; return the hand."""

    def make(film=None, size=(1366, 768)):
        viewer = make_napari_viewer(show=True, strict_qt=True)
        return _dressed(viewer, film, size)

    return make


def _dressed(viewer, film=None, size=(1366, 768)):
    viewer.window._qt_window.resize(*size)
    dock = Dock(viewer)
    viewer.window.add_dock_widget(dock, name="Read hip films", area="right")
    QTest.qWait(50)
    hand = Hand(viewer, dock)
    if film is not None:
        dock.open_path(film)
        assert dock.session is not None, dock.notices.texts
        dock.session.set_operated("left")
    return hand


@pytest.fixture(scope="module")
def shared_window(qapp):
    """One window for the tests of a module: opening it takes longer than most of them."""
    import napari
    from napari._app_model._app import NapariApplication, _napari_names
    from napari._qt._qapp_model.qactions import init_qactions
    from napari.plugins import _initialize_plugins

    # As napari's own fixture for one test does it: an application for these tests alone.
    app = NapariApplication("shared_window")
    app.injection_store.namespace = _napari_names
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(NapariApplication, "get_app_model", lambda: app)
        for cached in (init_qactions, _initialize_plugins):
            cached.cache_clear()
        viewer = napari.Viewer(show=True)
        yield _dressed(viewer)
        viewer.close()
        QTest.qWait(50)
        gc.collect()
        for cached in (init_qactions, _initialize_plugins):
            cached.cache_clear()
    NapariApplication.destroy("shared_window")


@pytest.fixture
def hand(shared_window, sample, own_home):
    """The shared window with a sample film newly opened in it."""
    dock = shared_window.dock
    dock.reader = "A"
    dock.open_path(sample())
    assert dock.session is not None, dock.notices.texts
    dock.session.set_operated("left")
    QTest.qWait(20)
    yield shared_window
    shared_window.viewer.layers.clear()
    QApplication.processEvents()
    assert dock.session is None


@pytest.fixture
def settle(qtbot):
    """Wait until the numbers are those that stay."""
    return lambda hand: qtbot.waitUntil(lambda: hand.dock.session.result.final, timeout=60_000)
