"""The window as the command line opens it, each time in a process of its own.

A process costs as much as many tests, so that one serves several facts.
"""

import os
import shutil
import signal
import subprocess
import sys

import pytest

from xraymeasure.samples import sample_folder

# Films one after the other by every way in, each calibrated, zoomed and moved; a crash of the
# renderer ends the process, which is why it is one of its own.
EVERY_WAY = """
import shutil, sys
from dataclasses import replace
from pathlib import Path

from qtpy.QtTest import QTest
from qtpy.QtWidgets import QFileDialog

from napari_xraymeasure.film_work import FilmWork
from napari_xraymeasure.session import numbers
from napari_xraymeasure.window import make_window
from xraymeasure.reading.file import read_reading, save_reading

# What takes long and is not asked here.
numbers.DRAWS = 64
FilmWork.look_for_implants = lambda self: None

samples, films, folder = (Path(path) for path in sys.argv[1:])
for name in ("well_placed", "bilateral", "off_plan_cup", "long_leg"):
    shutil.copy(films / f"{name}.dcm", folder)
    reading = replace(read_reading(samples / f"{name}.reading.json"), reader="A")
    save_reading(reading, folder / f"{name}.A.reading.json")
(folder / "study.toml").write_text(
    'format = "xraymeasure-study"\\nversion = 1\\nfilms = "*.dcm"\\nreaders = ["A"]\\n'
    "occasions = 1\\nblinded = false\\nseed = 3\\n"
)
viewer, dock = make_window(folder / "well_placed.dcm")
window, qt = viewer.window._qt_window, viewer.window._qt_viewer
QTest.qWait(300)
screen, canvas = window.screen().availableGeometry(), qt.canvas.native
print(window.isMaximized(), canvas.width() / screen.width(), canvas.height() / screen.height())
print(qt.dockLayerList.isVisible(), qt.dockLayerControls.isVisible(), qt.viewerButtons.isVisible())

def look(name):
    assert dock.session.film_path.name == f"{name}.dcm", dock.session.film_path
    assert len(viewer.layers) == 1
    assert viewer.canvas.overlays.scale_bar.opacity == 1.0
    for zoom in (8.0, 0.1):
        viewer.scene.camera.zoom *= zoom
        QTest.qWait(10)
        viewer.scene.camera.center = tuple(value * 0.9 for value in viewer.scene.camera.center)
        QTest.qWait(10)

look("well_placed")
QFileDialog.getOpenFileNames = lambda *args, **kwargs: ([str(folder / "bilateral.dcm")], "")
qt._open_file_dialog_uni = lambda caption: [str(folder / "bilateral.dcm")]
qt._open_files_dialog()
look("bilateral")
viewer.open(folder / "long_leg.dcm", plugin="xraymeasure")
look("long_leg")
qt._qt_open([str(folder)], stack=False)
dock.bar.left.emit()
(folder / "study.toml").rename(folder / "study.away")
dock.open_path(folder)
look("bilateral")
index = next(i for i in range(dock.films.count()) if "off_plan" in dock.films.itemText(i))
dock.films.activated.emit(index)
look("off_plan_cup")
viewer.layers.clear()
viewer.open_sample("xraymeasure", "well_placed")
viewer.scene.camera.zoom *= 8
QTest.qWait(30)
(folder / "study.away").rename(folder / "study.toml")
dock.open_path(folder)
dock.bar.started.emit("A", 1)
for _ in range(3):
    session = dock.session
    session.set_operated("left")
    name = session.film_path.stem
    for landmark, points in read_reading(samples / f"{name}.reading.json").landmarks.items():
        session._commit(session.reading.with_points(landmark, points))
    session.record(head_diameter_mm={"left": 36.0, "right": 36.0})
    look(name)
    dock.bar.handed_in.emit()
    if dock.session is session:
        dock.bar.handed_in.emit()
    viewer.scene.camera.zoom *= 8
    QTest.qWait(30)
# As a person closes it; nothing is asked, for nothing would be lost.
gone = []
window.destroyed.connect(lambda: gone.append("closed"))
window.windowHandle().close()
QTest.qWait(100)
print(*gone)
"""


def test_the_window_is_mostly_film_and_takes_one_after_the_other_by_every_way_in(
    tmp_path, plain_films
):
    """At 1366 x 768, the smallest screen that is asked for, under a window manager."""
    if shutil.which("openbox") is None:
        pytest.fail("openbox is missing; tests/run installs it")
    for name in ("well_placed", "off_plan_cup", "long_leg"):
        plain_films(name)
    script = tmp_path / "ways.py"
    script.write_text(EVERY_WAY)
    films = tmp_path / "films"
    films.mkdir()
    shell = 'openbox & manager=$!; "$0" "$@"; code=$?; kill $manager; exit $code'
    screen = ["xvfb-run", "-a", "-s", "-screen 0 1366x768x24", "sh", "-c", shell]
    environment = os.environ | {
        "NAPARI_CONFIG": "",
        "XDG_CACHE_HOME": str(tmp_path / "cache"),
        "XRAYMEASURE_HOME": str(tmp_path / "home"),
    }
    done = subprocess.run(
        [*screen, sys.executable, script, sample_folder(), plain_films("bilateral").parent, films],
        capture_output=True,
        text=True,
        env=environment,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    first, second, last = done.stdout.splitlines()[-3:]
    maximised, wide, high = first.split()
    assert maximised == "True"
    assert float(wide) >= 0.70
    assert float(high) >= 0.90
    assert second == "False False False"
    assert last == "closed"


# Nothing is cut off at twice the letter size; then the process is killed in the middle of a drag.
SCALED = """
import sys
from qtpy.QtCore import QPoint, Qt
from qtpy.QtTest import QTest
sys.path.insert(0, sys.argv[2])
from napari_xraymeasure.panels import questions
from napari_xraymeasure.window import make_window
from test_window_access import cut_off, pages

viewer, dock = make_window()
dock.proposes = False
dock.open_path(sys.argv[1])
window = viewer.window._qt_window
QTest.qWait(200)
window.showNormal()
window.resize(960, 600)
QTest.qWait(200)
print("film", viewer.window._qt_viewer.canvas.native.width() >= 0.7 * window.width())
dock.session.set_operated("left")
QTest.qWait(300)
assert window.devicePixelRatioF() == 2.0
assert (window.width(), window.height()) == (960, 600), window.size()
for page in pages(dock):
    print(page, cut_off(dock))
dock.tabs.setCurrentIndex(0)
# A study's bar, and a question of three answers, leave the film its room too.
answers = [(words, "", None) for words in ("Forward", "Backward", "Not known")]
questions.question_of = lambda session: ("Which way does the cup open?", answers)
dock.placing.question.show_session(dock.session)
dock.bar.reader.addItem("A")
dock.bar.occasion.addItem("occasion 1")
dock.bar.setVisible(True)
QTest.qWait(200)
print("study", cut_off(dock))
print("film", viewer.window._qt_viewer.canvas.native.width() >= 0.7 * window.width())
dock.bar.setVisible(False)
QTest.qWait(100)
dock.act("zoom_film")
canvas = viewer.window._qt_viewer.canvas

def on_canvas(point):
    y, x = dock.view.layer.data_to_world(point)
    return (canvas.view.transform * canvas.view.scene.transform).map([x, y, 0, 1])[:2]

point = (300.0, 400.0)
assert abs(dock.view.overlay.to_screen([point])[0] - on_canvas(point)).max() < 0.01

def place(point):
    return QPoint(*(round(float(value)) for value in on_canvas(point)))

left, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
for point in ((590, 1040), (620, 985), (655, 975), (700, 990)):
    QTest.mouseClick(canvas.native, left, none, place(point))
    QTest.qWait(20)
QTest.mousePress(canvas.native, left, none, place((700, 990)))
for step in range(1, 6):
    QTest.mouseMove(canvas.native, place((700 + 10 * step, 990)))
    QTest.qWait(20)
assert dock.session.dragging
print("dragging", flush=True)
QTest.qWait(60_000)
"""


@pytest.fixture(scope="module")
def killed(tmp_path_factory, plain_films):
    """Return what a window at twice the letter size printed, and the film it was killed over."""
    folder = tmp_path_factory.mktemp("killed")
    film, script = folder / "films" / "well_placed.dcm", folder / "scaled.py"
    film.parent.mkdir()
    shutil.copy(plain_films("well_placed"), film)
    script.write_text(SCALED)
    environment = os.environ | {
        "QT_SCALE_FACTOR": "2",
        "XDG_CACHE_HOME": str(folder / "cache"),
        "XRAYMEASURE_HOME": str(folder / "home"),
    }
    window = subprocess.Popen(
        [sys.executable, str(script), str(film), os.path.dirname(__file__)],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    )
    lines = []
    try:
        for line in window.stdout:
            lines.append(line.strip())
            if line.strip() == "dragging":
                break
    finally:
        window.send_signal(signal.SIGKILL)
        window.wait(10)
        window.stdout.close()
    return lines, film


def test_nothing_is_cut_off_at_twice_the_letter_size_and_the_film_has_its_room(killed):
    lines, _film = killed
    assert lines == [
        "film True",
        "Place []",
        "Explain []",
        "Plan []",
        "Film []",
        "Practice []",
        "Keep []",
        "study []",
        "film True",
        "dragging",
    ]


def test_a_window_killed_in_the_middle_of_a_drag_loses_no_click(killed, open_film):
    _lines, film = killed
    hand = open_film(film)
    points = hand.dock.session.reading.landmarks["femoral_head_left"]
    assert len(points) == 4
    # A pixel of this screen is four of the film.
    assert points[-1] == pytest.approx((700, 990), abs=4.0)
    assert hand.dock.saved.text() == "Taken up again."
    assert {path.name for path in film.parent.iterdir()} == {
        "well_placed.dcm",
        "well_placed.A.reading.json",
    }
