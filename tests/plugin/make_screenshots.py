"""Pictures of the window at each stage and size, to be looked at; two of them stand in the README.

    xvfb-run -a -s "-screen 0 1920x1200x24" python tests/plugin/make_screenshots.py FOLDER

Each size is a folder of its own: a small screen, a large one, and a large one whose letters are
twice as large. Films and readings are the synthetic samples; the window is driven through its
session and its controls, and photographed as it stands.
"""

import os
import shutil
import subprocess
import sys
import tempfile

os.environ["NAPARI_CONFIG"] = ""
os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="xraymeasure-pictures-")
os.environ["XRAYMEASURE_HOME"] = f"{os.environ['XDG_CACHE_HOME']}/home"

from pathlib import Path

from napari_xraymeasure.window import DOCK_SHARE, make_window
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QDockWidget

from xraymeasure.reading.file import read_reading
from xraymeasure.samples import sample_folder

STUDY = """format = "xraymeasure-study"
version = 1
title = "Two readers, twice (synthetic films)"
films = "*.dcm"
readers = ["A", "B"]
occasions = 2
blinded = true
seed = 3
"""


SIZES = {"1366x768": ((1366, 768), 1), "1920x1200": ((1920, 1200), 1), "200 %": ((960, 600), 2)}
"""Width and height of the window in pixels of its own, and how many of the screen one is."""


class Photographer:
    """A window, and what is placed in it."""

    def __init__(self, folder, size):
        self.folder = folder
        self.viewer, self.dock = make_window()
        self.window = self.viewer.window._qt_window
        self.window.showNormal()
        self.window.resize(*size)
        QTest.qWait(50)
        holder = self.dock.parentWidget()
        while not isinstance(holder, QDockWidget):
            holder = holder.parentWidget()
        share = round(DOCK_SHARE * size[0])
        self.window.resizeDocks([holder], [share], Qt.Orientation.Horizontal)
        self.dock.proposes = False

    def shoot(self, name):
        QTest.qWait(700)
        self.window.grab().save(str(self.folder / f"{name}.png"))

    def tab(self, title):
        tabs = self.dock.tabs
        index = next(i for i in range(tabs.count()) if tabs.tabText(i) == title)
        tabs.setCurrentIndex(index)
        QTest.qWait(100)

    def open_sample(self, name):
        self.dock.open_sample(sample_folder() / f"{name}.dcm")
        QTest.qWait(200)
        return read_reading(sample_folder() / f"{name}.reading.json")

    def tell_sizes(self, reading):
        session = self.dock.session
        session.set_operated(reading.operated_side)
        session.record(
            head_diameter_mm=reading.head_diameter_mm,
            cup_diameter_mm=reading.cup_diameter_mm,
            neck_shaft_angle_deg=reading.neck_shaft_angle_deg,
        )

    def place_armed(self, reading):
        session, name = self.dock.session, self.dock.session.armed
        points = reading.landmarks.get(name, ())
        if not points:
            session.skip()
            return
        for point in points:
            session.click(point)
        if session.armed == name:
            session.step(1)

    def place_all(self, reading):
        while self.dock.session.armed:
            self.place_armed(reading)
        QTest.qWait(2500)

    def propose(self, name):
        """Open a film that nobody has read, and wait for what the program proposes on it."""
        film = Path(tempfile.mkdtemp(dir=os.environ["XDG_CACHE_HOME"])) / f"{name}.dcm"
        shutil.copy(sample_folder() / film.name, film)
        self.dock.proposes = True
        self.dock.open_path(film)
        self.dock.session.set_operated("left")
        while self.dock.session.reading.proposed is None:
            QTest.qWait(100)
        self.dock.proposes = False

    def close(self):
        self.viewer.close()
        QTest.qWait(100)


def every_stage(folder, size):
    work = Photographer(folder, size)
    work.shoot("01-first-page")
    reading = work.open_sample("well_placed")
    work.shoot("02-which-hip")
    work.dock.notices.clear()
    work.dock.session.set_operated(reading.operated_side)
    work.shoot("02-film-opened")
    work.dock.act("zoom_region")
    for point in reading.landmarks["femoral_head_left"]:
        work.dock.session.click(point)
    work.shoot("03-outline-of-the-head")
    work.dock.session.record_for("left", head_diameter_mm=28.0)
    work.shoot("03-a-doubted-size")
    work.tell_sizes(reading)
    work.dock.session.step(1)
    for point in reading.landmarks["cup_rim_left"]:
        work.dock.session.click(point)
    work.shoot("03-which-way-the-cup-opens")
    work.dock.session.say_opening("left", "anterior")
    work.dock.session.step(1)
    work.dock.act("zoom_film")
    row, column = reading.landmarks["teardrop_right"][0]
    work.dock.session.click((row, column - 60))
    work.shoot("04-which-side")
    work.dock.session.answer("drop")
    work.place_all(reading)
    work.shoot("05-every-landmark-placed")
    work.dock.numbers.choose(("radiographic_anteversion", "left"))
    work.shoot("06-a-number-explained")
    work.dock.explain.closed.emit()
    work.tab("Plan")
    work.shoot("07-plan")
    area = work.dock.compare.parentWidget().parentWidget()
    area.verticalScrollBar().setValue(area.verticalScrollBar().maximum())
    work.shoot("07-plan-and-its-plot")
    work.tab("Film")
    work.shoot("07-how-the-film-was-taken")
    film = work.dock.view.layer
    other = work.viewer.add_image(film.data, name="another", scale=film.scale, units=film.units)
    work.shoot("07-another-image-over-the-film")
    work.viewer.layers.remove(other)
    work.dock.act("metal")
    work.dock.act("free")
    for point in ((650.0, 1000.0), (650.0, 1100.0), (750.0, 1050.0)):
        work.dock.tools.take_click(point)
    work.shoot("07-metal-and-a-free-angle")
    work.dock.act("release")
    work.dock.act("metal")
    work.tab("Practice")
    work.dock.practice.show_truth.click()
    work.shoot("08-practice")
    work.dock.session.lay_over(None)
    work.tab("Keep")
    work.dock.work.export(folder / "pages")
    work.shoot("09-exporting")
    while work.dock.keep.progress.isVisible():
        QTest.qWait(100)
    work.shoot("10-exported")
    shutil.rmtree(folder / "pages")
    study = Path(tempfile.mkdtemp(dir=os.environ["XDG_CACHE_HOME"]))
    for name in ("well_placed", "bilateral", "long_leg"):
        shutil.copy(sample_folder() / f"{name}.dcm", study)
    (study / "study.toml").write_text(STUDY)
    work.dock.open_path(study)
    work.dock.bar.started.emit("A", 1)
    work.shoot("11-study")
    work.dock.session.set_operated("left")
    work.shoot("11-study-begun")
    work.dock.bar.left.emit()
    shutil.rmtree(study)
    work.dock.open_path(study / "gone.dcm")
    work.shoot("12-no-such-film")
    work.dock.notices.clear()
    work.propose("well_placed")
    work.shoot("13-proposed")
    work.dock.act("confirm")
    work.dock.act("zoom_region")
    work.shoot("13-one-confirmed")
    reading = work.open_sample("off_plan_cup")
    work.dock.notices.clear()
    work.tell_sizes(reading)
    work.place_all(reading)
    work.shoot("20-cup-off-its-plan")
    work.dock.session.arm("cup_rim_right")
    work.dock.act("zoom_region")
    work.dock.session.arm(None)
    work.shoot("21-on-metal")
    work.dock.act("zoom_film")
    reading = work.open_sample("bilateral")
    work.tell_sizes(reading)
    work.dock.session.set_hips(type(work.dock.session.hips)("replaced", "replaced"))
    work.dock.session.show_further(True)
    work.place_all(reading)
    work.shoot("22-both-hips-and-all-landmarks")
    work.viewer.theme = "light"
    work.shoot("23-light-theme")
    work.viewer.theme = "dark"
    work.close()


if __name__ == "__main__":
    target = Path(sys.argv[1])
    if len(sys.argv) > 2:
        target.mkdir(parents=True, exist_ok=True)
        every_stage(target, SIZES[sys.argv[2]][0])
    else:
        for name, (_size, scale) in SIZES.items():
            subprocess.run(
                [sys.executable, __file__, str(target / name), name],
                env=os.environ | {"QT_SCALE_FACTOR": str(scale)},
                check=True,
            )
    shutil.rmtree(os.environ["XDG_CACHE_HOME"], ignore_errors=True)
