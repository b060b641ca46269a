"""How long the window takes to start, and whether memory stays flat over twenty films.

The window is opened as the command line opens it, in a process of its own, on sample films that
are copied into a folder: each is opened, its side is told, what the program proposes is awaited,
every landmark is placed by real clicks, it is handed in, and the next one opens. Printed: from the
start of the process to the first click that is taken, in seconds and in seconds of processor time,
each also as a ratio to the start of a bare napari in the same run; and for each film the seconds
that it took and the resident memory after it. Both programs are started twice, and the second start
counts.

    xvfb-run -a -s "-screen 0 1920x1200x24" python tests/benchmarks/bench_window.py [FILMS]
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SAMPLES = ("well_placed", "bilateral", "off_plan_cup", "long_leg")
STUDY = """format = "xraymeasure-study"
version = 1
title = "Twenty films (synthetic)"
films = "*.dcm"
readers = ["A"]
occasions = 1
blinded = false
seed = 3
"""


def bare():
    """Open a bare napari; say when it is seen."""
    import napari

    viewer = napari.Viewer(show=True)
    # Only now: Qt's binding slows down every import that comes after it.
    from qtpy.QtTest import QTest

    QTest.qWait(50)
    print("first click", time.time(), time.process_time(), flush=True)
    viewer.close()


def resident_mb():
    """Return the resident memory of this process, MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def on_canvas(viewer, layer, point):
    import numpy as np
    from qtpy.QtCore import QPoint

    canvas = viewer.window._qt_viewer.canvas
    y, x = np.asarray(layer.data_to_world(point), float)[list(viewer.dims.displayed)]
    mapped = (canvas.view.transform * canvas.view.scene.transform).map([x, y, 0, 1])
    return canvas.native, QPoint(round(mapped[0]), round(mapped[1]))


def click(viewer, dock, point):
    from qtpy.QtCore import Qt
    from qtpy.QtTest import QTest

    native, place = on_canvas(viewer, dock.view.layer, point)
    QTest.mouseClick(native, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, place)


def first_click(film):
    """Open the window on a film; say when the first click has placed a point."""
    from napari_xraymeasure.window import make_window

    viewer, dock = make_window(film)
    from qtpy.QtTest import QTest

    dock.session.set_operated("left")
    QTest.qWait(50)
    click(viewer, dock, dock.view.middle())
    assert dock.session.reading.landmarks
    print("first click", time.time(), time.process_time(), flush=True)
    dock.session.undo()
    viewer.close()


def session(folder, count):
    """Open, place, hand in and close `count` films; print what each took."""
    from napari_xraymeasure.window import make_window
    from qtpy.QtTest import QTest

    from xraymeasure.reading.file import read_reading
    from xraymeasure.samples import sample_folder

    readings = {name: read_reading(sample_folder() / f"{name}.reading.json") for name in SAMPLES}
    viewer, dock = make_window(folder)
    dock.bar.started.emit("A", 1)
    for number in range(count):
        began = time.perf_counter()
        name = dock.session.film_path.stem.split("-")[1]
        reading, work = readings[name], dock.session
        work.set_operated(reading.operated_side)
        work.record(head_diameter_mm=reading.head_diameter_mm)
        for _tenth in range(100):
            if work.reading.proposed is None:
                QTest.qWait(100)
        for landmark, points in reading.landmarks.items():
            work.arm(landmark)
            dock.act("zoom_film")
            for point in points:
                click(viewer, dock, point)
        QTest.qWait(300)
        dock.bar.handed_in.emit()
        if dock.session is work:
            dock.bar.handed_in.emit()
        QTest.qWait(100)
        spent = time.perf_counter() - began
        print(f"film {number + 1:2d}: {spent:5.1f} s, {resident_mb():6.0f} MB", flush=True)
    assert dock.session is None
    viewer.close()


def start(which, environment, *arguments):
    """Return the seconds, and those of processor time, until a program says its first click."""
    began = time.time()
    command = [sys.executable, __file__, which, *arguments]
    said = subprocess.run(command, env=environment, stdout=subprocess.PIPE, text=True, check=True)
    line = next(line for line in said.stdout.splitlines() if line.startswith("first click"))
    clock, processor = map(float, line.split()[2:])
    return clock - began, processor


def main(count):
    scratch = Path(tempfile.mkdtemp(prefix="xraymeasure-bench-"))
    environment = os.environ | {
        "NAPARI_CONFIG": "",
        "XDG_CACHE_HOME": str(scratch / "cache"),
        "XRAYMEASURE_HOME": str(scratch / "home"),
        # Compiled once, as an installed program is, whatever is set about that outside.
        "PYTHONDONTWRITEBYTECODE": "",
        "PYTHONPYCACHEPREFIX": str(scratch / "code"),
    }
    films = scratch / "films"
    films.mkdir()
    import pydicom

    from xraymeasure.samples import sample_folder

    for number in range(count):
        name = SAMPLES[number % len(SAMPLES)]
        data = pydicom.dcmread(sample_folder() / f"{name}.dcm")
        data.SOPInstanceUID = data.file_meta.MediaStorageSOPInstanceUID = pydicom.uid.generate_uid()
        data.save_as(films / f"{number:02d}-{name}.dcm")
    for _warm in range(2):
        bare = start("--bare", environment)
        first = start("--first", environment, str(films / "00-well_placed.dcm"))
    for what, spent, yardstick in zip(("wall", "processor"), first, bare, strict=True):
        ratio = spent / yardstick
        print(f"start to first click: {spent:.1f} s {what}, {ratio:.2f} of a bare napari")
    (films / "study.toml").write_text(STUDY)
    command = [sys.executable, __file__, "--session", str(films), str(count)]
    print("ended with exit code", subprocess.run(command, env=environment, check=False).returncode)
    shutil.rmtree(scratch, ignore_errors=True)


if __name__ == "__main__":
    if "--session" in sys.argv:
        session(Path(sys.argv[2]), int(sys.argv[3]))
    elif "--first" in sys.argv:
        first_click(Path(sys.argv[2]))
    elif "--bare" in sys.argv:
        bare()
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
