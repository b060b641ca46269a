"""How long a drag takes from the mouse to the drawn film and the numbers.

A point of a finished reading is dragged with real mouse events under the display that is there
(software GL under Xvfb in the tests), once in a bare napari where nothing but that point is drawn,
and once in the plugin, where circle, ellipse, axes, reference line, distances, labels and numbers
follow. Printed: the median and the 95th percentile of a move, their ratio to the bare drag in the
same run, and how much of a move is our own Python: what each move does, what is done beside it a
few times in a second, and all of it divided by the moves; that last for landmarks of every kind.

    xvfb-run -a -s "-screen 0 1920x1200x24" python tests/benchmarks/bench_drag.py
"""

import os
import shutil
import tempfile
import time
from pathlib import Path

os.environ["NAPARI_CONFIG"] = ""
os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="xraymeasure-bench-")
os.environ["XRAYMEASURE_HOME"] = os.environ["XDG_CACHE_HOME"]

import napari
import numpy as np
from napari_xraymeasure.canvas.film_layer import Opened, layer_data
from napari_xraymeasure.canvas.overlay import FilmOverlay
from napari_xraymeasure.dock import Dock
from napari_xraymeasure.film_work import FilmWork
from napari_xraymeasure.session import session as session_module
from napari_xraymeasure.session.session import Session
from qtpy.QtCore import QPoint, Qt
from qtpy.QtTest import QTest

from xraymeasure.film.read import read_film
from xraymeasure.samples import sample_folder

SCRATCH = os.environ["XDG_CACHE_HOME"]
SIZE = (1600, 1000)
MOVES = 80
NAME = "well_placed"
HELD = (
    ("femoral_head_left", 2),
    ("cup_rim_left", 3),
    ("teardrop_left", 0),
    ("femoral_shaft_left", 1),
)
LEFT, NO_KEY = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier


def on_canvas(viewer, layer, point):
    canvas = viewer.window._qt_viewer.canvas
    y, x = np.asarray(layer.data_to_world(point), float)[list(viewer.dims.displayed)]
    mapped = (canvas.view.transform * canvas.view.scene.transform).map([x, y, 0, 1])
    return canvas.native, QPoint(round(mapped[0]), round(mapped[1]))


def drag(viewer, layer, point):
    """Drag `point` along a circle; return the milliseconds of each move, a pause of 15 included."""
    native, start = on_canvas(viewer, layer, point)
    QTest.mousePress(native, LEFT, NO_KEY, start)
    times = []
    for step in range(MOVES):
        angle = 2 * np.pi * step / MOVES
        place = start + QPoint(round(12 * np.sin(angle)), round(12 - 12 * np.cos(angle)))
        began = time.perf_counter()
        QTest.mouseMove(native, place)
        # napari drops moves that come closer than 5 ms apart.
        QTest.qWait(15)
        times.append(1e3 * (time.perf_counter() - began))
    QTest.mouseRelease(native, LEFT, NO_KEY, start)
    QTest.qWait(300)
    return np.array(times)


def bare(film, point):
    """A napari with the film and one point, which is dragged with napari's own tool."""
    viewer = napari.Viewer(show=True)
    viewer.window._qt_window.resize(*SIZE)
    data, arguments, _ = layer_data(film)
    layer = viewer.add_image(data, **arguments)
    points = viewer.add_points(
        [point], size=14, scale=layer.scale, affine=layer.affine, units=layer.units
    )
    points.mode = "select"
    QTest.qWait(800)
    drag(viewer, points, point)
    times = drag(viewer, points, points.data[0])
    viewer.close()
    QTest.qWait(100)
    return times


def in_plugin(folder, held):
    spent = {
        "following the point": _time(Session, "drag_to"),
        "painting": _time(FilmOverlay, "paintEvent"),
        "measuring, and the numbers": _time(FilmWork, "_show_drag"),
        "  of it measuring": _time(session_module, "numbers"),
    }
    viewer = napari.Viewer(show=True)
    viewer.window._qt_window.resize(*SIZE)
    dock = Dock(viewer)
    dock.proposes = False
    viewer.window.add_dock_widget(dock, area="right")
    dock.reader = "S"
    dock.open_path(folder / f"{NAME}.dcm")
    QTest.qWait(1500)
    layer = dock.view.layer
    found = {}
    for name, index in (held[0], *held):
        for values in spent.values():
            values.clear()
        times = drag(viewer, layer, dock.session.reading.landmarks[name][index])
        found[name] = times, {key: np.array(values) for key, values in spent.items()}
    viewer.close()
    QTest.qWait(100)
    return found


def _time(owner, attribute):
    """Return a list to which each call of a function adds its milliseconds."""
    original, into = getattr(owner, attribute), []

    def timed(*arguments, **named):
        # Time of this thread: other programs on the machine do not count as ours.
        began = time.thread_time()
        result = original(*arguments, **named)
        into.append(1e3 * (time.thread_time() - began))
        return result

    setattr(owner, attribute, timed)
    return into


def main():
    folder = Path(SCRATCH) / "films"
    folder.mkdir()
    for path in sample_folder().glob(f"{NAME}.*"):
        shutil.copy(path, folder)
    path = folder / f"{NAME}.dcm"
    film = Opened(read_film(path), path)
    alone = bare(film, (600.0, 1000.0))
    found = in_plugin(folder, HELD)
    again = bare(film, (600.0, 1000.0))
    alone = np.concatenate([alone, again])
    print(f"bare drag: median {np.median(alone):.1f} ms, 95th {np.percentile(alone, 95):.1f} ms")
    for name, (ours, spent) in found.items():
        own = sum(times.sum() for label, times in spent.items() if not label.startswith(" "))
        ratios = [np.percentile(ours, q) / np.percentile(alone, q) for q in (50, 95)]
        print(
            f"{name}: our own Python {own / MOVES:.1f} ms for each of {MOVES} moves; a move "
            f"{np.median(ours):.1f} ms, to the bare drag {ratios[0]:.2f}, 95th {ratios[1]:.2f}"
        )
        for label, times in spent.items():
            print(
                f"  {label}: {len(times)} times, median {np.median(times):.1f} ms, "
                f"95th {np.percentile(times, 95):.1f} ms"
            )
    shutil.rmtree(SCRATCH, ignore_errors=True)


if __name__ == "__main__":
    main()
