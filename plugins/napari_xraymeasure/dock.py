"""The dock: it joins the session, the view of the film, and the panels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import napari
from qtpy.QtCore import QEvent, QTimer

from napari_xraymeasure.canvas.drawn_shapes import Focus, plan_strokes, scene
from napari_xraymeasure.canvas.film_layer import Opened, layer_data, opened_of
from napari_xraymeasure.canvas.film_view import FilmView
from napari_xraymeasure.canvas.napari_private import drop_widgets
from napari_xraymeasure.dock_layout import DockLayout
from napari_xraymeasure.panels.notices import identity_notice
from napari_xraymeasure.samples import open_sample
from napari_xraymeasure.session.background import final_numbers, write_page
from napari_xraymeasure.session.numbers import NumberRow, Numbers, numbers
from napari_xraymeasure.session.opening import (
    film_of_reading,
    is_plan,
    is_reading,
    is_study,
    open_film,
)
from napari_xraymeasure.session.session import NUDGE_FAR_PX, NUDGE_PX, Session, open_session
from napari_xraymeasure.session.study_place import study_session
from napari_xraymeasure.session.userdata import remember_reader, remembered_reader
from napari_xraymeasure.study_desk import StudyDesk
from xraymeasure.about import CAUTION
from xraymeasure.errors import XrayMeasureError
from xraymeasure.plan.compare import Plan, read_plan
from xraymeasure.reading.binding import binding_fault
from xraymeasure.reading.file import read_reading
from xraymeasure.reading.reading import Reading

SETTLE_MS = 180
"""How long after the last edit the intervals are drawn anew."""

NOT_SAVED = "▲ NOT SAVED"

_caution_shown = False


class Dock(DockLayout):
    """The plugin's one widget.

    Parameters
    ----------
    viewer : napari.viewer.Viewer
        The viewer whose films are read.
    """

    def __init__(self, viewer: napari.viewer.Viewer) -> None:
        super().__init__()
        self.viewer = viewer
        self.session: Session | None = None
        self.opened: Opened | None = None
        self.view: FilmView | None = None
        self.result = Numbers()
        self.plan: Plan | None = None
        self.second: Reading | None = None
        self.reader = remembered_reader()
        self._explained: NumberRow | None = None
        self._labels = True
        self._settle = QTimer(self)
        self._settle.setSingleShot(True)
        self._settle.setInterval(SETTLE_MS)
        self._settle.timeout.connect(self._measure_finally)
        self._connect()
        self.study = StudyDesk(self)
        viewer.layers.events.inserted.connect(self._on_inserted)
        viewer.layers.events.removed.connect(self._on_removed)
        self.setAcceptDrops(True)
        for widget in (self, *drop_widgets(viewer)):
            widget.installEventFilter(self)
        for layer in list(viewer.layers):
            if opened_of(layer):
                self._take(layer)

    # --- what leads where

    def _connect(self) -> None:
        self.first.path_chosen.connect(self.open_path)
        self.first.sample_chosen.connect(self.open_sample)
        self.films.activated.connect(self._choose_film)
        self.placing.asked.connect(self.act)
        self.placing.refused.connect(lambda text: self.notices.say("message", text))
        self.numbers.chosen.connect(self._explain)
        self.explain.closed.connect(self.numbers.choose_none)
        self.compare.plan_changed.connect(self.set_plan)
        self.compare.plan_file.connect(self.open_path)
        self.compare.second_changed.connect(self.lay_over)
        self.practice.again.connect(self._read_afresh)
        self.practice.revealed.connect(self.lay_over)
        self.keep.reader_changed.connect(self._change_reader)
        self.keep.save_again.connect(self._save_again)
        self.keep.export_to.connect(self.export)
        self.tabs.currentChanged.connect(self._on_tab)

    # --- opening

    def open_path(self, path: Path) -> None:
        """Open a film, a folder, a reading or a plan; what it is not, is said."""
        path = Path(path)
        try:
            if is_study(path):
                self.study.open(path)
            elif is_plan(path):
                self.set_plan(read_plan(path))
            elif is_reading(path):
                self._open_reading(path)
            else:
                self.add(open_film(path))
        except (XrayMeasureError, OSError) as error:
            self.notices.say("message", str(error), "strong")

    def open_sample(self, path: Path) -> None:
        """Open a sample film."""
        self.add(open_sample(path))

    def add(self, opened: Opened) -> None:
        """Show a film and take it up, in the place of the one before."""
        self.close_film()
        data, arguments, _kind = layer_data(opened)
        self.viewer.add_image(data, **arguments)

    def close_film(self) -> None:
        """Take the film off the canvas; its reading is on disk."""
        if self.view is not None:
            self.viewer.layers.remove(self.view.layer)

    def _open_reading(self, path: Path) -> None:
        session = self.session
        reading = read_reading(path)
        if session is None or binding_fault(session.film, reading):
            film, film_path, reading = film_of_reading(path)
            self.add(Opened(film, film_path, second=reading))
        elif session.blinded:
            self.notices.say("blinded", "This study is blinded: other readings stay hidden.")
        else:
            self.lay_over(reading)

    def _choose_film(self, index: int) -> None:
        path = self.films.itemData(index)
        if self.opened is None or path is None or path == self.opened.path:
            return
        try:
            if self.opened.truth is not None:
                self.open_sample(path)
            else:
                self.add(replace(open_film(path), folder=self.opened.folder))
        except XrayMeasureError as error:
            self._show_films()
            self.notices.say("message", str(error), "strong")

    def _on_inserted(self, event: Any) -> None:
        if opened_of(event.value):
            self._take(event.value)

    def _on_removed(self, event: Any) -> None:
        if self.view is not None and event.value is self.view.layer:
            self._let_go()
            self.notices.clear()
            self.stack.setCurrentIndex(0)

    def _take(self, layer: Any) -> None:
        """Make a film's layer the one that is read; the film before has been saved already."""
        # A film that came by napari's own ways stands beside the former one for a moment.
        former, opened = self.view.layer if self.view else None, opened_of(layer)
        try:
            session = self._new_session(opened)
        except XrayMeasureError as error:
            self.notices.say("message", str(error), "strong")
            self.viewer.layers.remove(layer)
            return
        self._let_go()
        self.opened = opened
        self.view = FilmView(self.viewer, layer, self._key_actions(), self._labels)
        if former is not None and former in self.viewer.layers:
            self.viewer.layers.remove(former)
        self._start(session)
        second = self.opened.second
        if second is not None and second != self.session.reading:
            self.lay_over(second)
        self.viewer.layers.selection.active = layer
        self.view.zoom_to_film()

    def _new_session(self, opened: Opened, *, afresh: bool = False) -> Session:
        if opened.place is not None:
            return study_session(opened.film, opened.place)
        return open_session(
            opened.film,
            opened.path,
            self.reader,
            keep_in=opened.keep_in,
            blinded=opened.blinded,
            afresh=afresh,
        )

    def _start(self, session: Session) -> None:
        self.session, self.second, self.plan = session, None, None
        self.numbers.choose_none()
        session.on_change.append(self._on_change)
        self.view.listen(session)
        self.stack.setCurrentIndex(1)
        self.tabs.setCurrentIndex(0)
        self.notices.clear()
        self._say_what_is_known(session)
        self._show_films()
        self.keep.reader.setEnabled(self.opened.place is None)
        place = self.opened.place
        beside = place.plan if place else session.film_path.with_suffix(".plan.toml")
        if beside and beside.exists() and not session.blinded:
            try:
                self.plan = read_plan(beside)
            except XrayMeasureError as error:
                self.notices.say("plan", str(error))
        self._on_change("edit")

    def _say_what_is_known(self, session: Session) -> None:
        global _caution_shown
        if not _caution_shown:
            self.notices.say("caution", CAUTION, "note")
            _caution_shown = True
        self.notices.say("identity", identity_notice(session.film), "strong")
        self.notices.say("spacing", session.film.spacing.contradiction or "")
        if not session.blinded:
            self.notices.say("found", " ".join(session.found.notes))

    def _show_films(self) -> None:
        films = self.opened.folder or (self.opened.path,)
        self.films.clear()
        for path in films:
            self.films.addItem(path.name if len(films) > 1 else self.opened.title, path)
        if self.opened.path in films:
            self.films.setCurrentIndex(films.index(self.opened.path))
        self.films.setEnabled(len(films) > 1)

    def _let_go(self) -> None:
        self._settle.stop()
        if self.view is not None:
            self._labels = self.view.labels
            self.view.let_go()
        self.view = self.session = self.opened = None

    # --- what a person does

    def _key_actions(self) -> dict[str, Callable[[], None]]:
        def nudge(step: tuple[int, int], by: float) -> Callable[[], None]:
            return lambda: self._nudge(*step, by)

        def press(action: str) -> Callable[[], None]:
            return lambda: self.act(action)

        steps = {"up": (-1, 0), "down": (1, 0), "left": (0, -1), "right": (0, 1)}
        return {
            **{action: press(action) for action in self._acts()},
            **{f"nudge_{way}": nudge(step, NUDGE_PX) for way, step in steps.items()},
            **{f"far_{way}": nudge(step, NUDGE_FAR_PX) for way, step in steps.items()},
        }

    def _acts(self) -> dict[str, Callable[[Session, FilmView], None]]:
        return {
            "next": lambda session, view: session.step(1),
            "previous": lambda session, view: session.step(-1),
            "skip": lambda session, view: session.skip(),
            "delete": lambda session, view: session.delete(),
            "undo": lambda session, view: session.undo(),
            "redo": lambda session, view: session.redo(),
            "release": lambda session, view: session.release(),
            "zoom_region": lambda session, view: view.zoom_to_landmark(session),
            "zoom_film": lambda session, view: view.zoom_to_film(),
            "zoom_in": lambda session, view: view.zoom_in(),
            "zoom_out": lambda session, view: view.zoom_out(),
            "labels": lambda session, view: view.toggle_labels(),
        }

    def act(self, action: str) -> None:
        """Do what a key or a button of the shortcuts' table stands for."""
        if self.session is not None:
            self._acts()[action](self.session, self.view)

    def _nudge(self, down: float, along: float, by: float) -> None:
        """Move the chosen point as the screen sees it, whichever way the film lies."""
        (x_row, x_column), (y_row, y_column) = self.session.film.patient_axes
        self.session.nudge(
            by * (down * y_row + along * x_row), by * (down * y_column + along * x_column)
        )

    def set_plan(self, plan: Plan | None) -> None:
        """Hold the film against a plan, or against none."""
        if self.session is None:
            self.notices.say("message", "Open the film first, then its plan.")
        elif self.session.blinded:
            self.notices.say("blinded", "This study is blinded: the plan stays hidden.")
        else:
            self.plan = plan
            self._on_change("edit")

    def lay_over(self, reading: Reading | None) -> None:
        """Lay another reading of this film over the reader's own, or none."""
        self.second = reading
        self._redraw()

    def _explain(self, row: NumberRow | None) -> None:
        self._explained = row
        self.explain.show_row(row, self.result)
        self.tabs.setCurrentIndex(1 if row else 0)
        self._redraw()

    def _change_reader(self, code: str) -> None:
        self.reader = code
        remember_reader(code)
        if self.opened is not None:
            self._start(self._new_session(self.opened))

    def _read_afresh(self) -> None:
        self._start(self._new_session(self.opened, afresh=True))

    def _save_again(self) -> None:
        if self.session is not None:
            self.session.save_again()

    def export(self, folder: Path) -> None:
        """Write page and tables of what is shown, in the background."""
        session = self.session
        stem = f"{session.film_path.stem}.{session.reading.reader}"
        self.keep.show_exporting(True)
        worker = write_page(session.film, session.reading, self.plan, Path(folder), stem)
        worker.returned.connect(self.keep.show_export)
        worker.start()

    # --- what follows from it

    def _on_change(self, what: str) -> None:
        if what != "armed":
            session = self.session
            self.result = numbers(session.film, session.reading, self.plan, final=False)
        if what == "drag":
            self._redraw()
            self.numbers.show_numbers(self.session, self.result)
            self.placing.show_spread(self.session, self._scale)
            return
        if what == "edit":
            self._settle.start()
        self._show_all()

    @property
    def _scale(self) -> float | None:
        return self.result.measurements.mm_per_px if self.result.measurements else None

    def _measure_finally(self) -> None:
        session, plan = self.session, self.plan
        if session is None or session.dragging:
            return
        reading = session.reading

        def arrived(result: Numbers) -> None:
            # Anything edited meanwhile will have its own numbers.
            if self.session is session and session.reading is reading and self.plan is plan:
                self.result = result
                self._show_all()

        worker = final_numbers(session.film, reading, plan)
        worker.returned.connect(arrived)
        worker.start()

    def _show_all(self) -> None:
        session = self.session
        self.view.show_scale(session, self._scale)
        self._redraw()
        self.placing.show_session(session, self._scale)
        self.numbers.show_numbers(session, self.result)
        self._on_tab()
        self.practice.show_session(session, self.opened.truth, self.result)
        self.keep.show_session(session)
        self._show_saved(session)

    def _on_tab(self, _index: int = 0) -> None:
        if self.session is not None:
            self.explain.show_row(self._explained, self.result)
            self.compare.show_plan(self.session, self.plan)
            self.compare.show_numbers(self.result)

    def _show_saved(self, session: Session) -> None:
        saved = session.saved
        if saved is None:
            self.saved.setText("Taken up again." if session.found.own else "Nothing changed yet.")
        elif saved.path is None:
            self.saved.setText(NOT_SAVED)
            self.notices.say("save", saved.notice, "strong")
        else:
            recovered = self.saved.text() == NOT_SAVED
            self.saved.setText(f"Saved: {saved.path.name}")
            if saved.notice or recovered:
                self.notices.say("save", saved.notice)

    def _redraw(self) -> None:
        session = self.session
        if session is None:
            return
        explained = self._explained
        row = explained.measurement if explained else None
        focus = Focus(
            armed=session.armed,
            selected=session.selected,
            number=explained.name if explained else None,
            rests_on=row.rests_on if row else (),
            question=session.question.point if session.question else None,
        )
        result = self.result
        planned = plan_strokes(
            session.film, session.reading, result.measurements, self.plan, result.comparison
        )
        self.view.draw(
            scene(session.reading, result.measurements, focus, planned, self.second),
            moving=session.dragging,
        )

    # --- Qt

    def eventFilter(self, watched: Any, event: QEvent) -> bool:
        """Open what is dropped on the window, without napari asking which plugin should."""
        if event.type() in (QEvent.Type.DragEnter, QEvent.Type.Drop) and event.mimeData().hasUrls():
            urls = event.mimeData().urls()
            paths = [Path(url.toLocalFile()) for url in urls if url.isLocalFile()]
            if paths:
                event.acceptProposedAction()
                if event.type() == QEvent.Type.Drop:
                    self.open_path(paths[0])
                return True
        return False

    def closeEvent(self, event: Any) -> None:
        """Let the viewer go."""
        self.viewer.layers.events.inserted.disconnect(self._on_inserted)
        self.viewer.layers.events.removed.disconnect(self._on_removed)
        self._let_go()
        super().closeEvent(event)
