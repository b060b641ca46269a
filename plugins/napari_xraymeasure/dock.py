"""The dock: it joins the session, the view of the film, and the panels."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import napari
from qtpy.QtCore import QEvent, QTimer
from qtpy.QtGui import QGuiApplication

from napari_xraymeasure.canvas.drawn_shapes import focus_of, plan_strokes, scene
from napari_xraymeasure.canvas.film_layer import Opened, layer_data, opened_of
from napari_xraymeasure.canvas.film_view import FilmView
from napari_xraymeasure.canvas.napari_private import canvas_widget, drop_widgets
from napari_xraymeasure.canvas.tools import FilmTools
from napari_xraymeasure.dock_layout import DockLayout
from napari_xraymeasure.panels.first_page import chosen_film
from napari_xraymeasure.panels.notices import identity_notice
from napari_xraymeasure.panels.number_words import shares_table
from napari_xraymeasure.panels.widgets import GiveBackKeys
from napari_xraymeasure.panels.worklist import StudyDesk
from napari_xraymeasure.session.background import final_numbers, write_page
from napari_xraymeasure.session.numbers import Key, Numbers, numbers_text, row_of
from napari_xraymeasure.session.opening import (
    film_of_reading,
    is_plan,
    is_reading,
    is_study,
    marked_films,
    open_film,
    open_sample,
)
from napari_xraymeasure.session.resume import open_session
from napari_xraymeasure.session.session import Session
from napari_xraymeasure.session.study_place import study_session
from napari_xraymeasure.session.userdata import remember_reader, remembered_reader
from xraymeasure.about import CAUTION
from xraymeasure.errors import XrayMeasureError
from xraymeasure.plan.plan import Plan, read_plan
from xraymeasure.reading.binding import binding_fault
from xraymeasure.reading.file import read_reading
from xraymeasure.reading.reading import Reading

SETTLE_MS = 180
"""How long after the last edit the intervals are drawn anew."""

NOT_SAVED = "▲ NOT SAVED"
FIRST_PAGE, WORK, PARTED = range(3)

_caution_shown = False


class Dock(DockLayout):
    """The plugin's one widget.

    Parameters
    ----------
    viewer : napari.viewer.Viewer
        The viewer whose films are read.
    own_window : bool
        Whether the viewer is for reading films alone.
    """

    def __init__(self, viewer: napari.viewer.Viewer, own_window: bool = False) -> None:
        super().__init__()
        self.viewer = viewer
        self.session: Session | None = None
        self.opened: Opened | None = None
        self.view: FilmView | None = None
        self.reader = remembered_reader()
        self.tools: FilmTools | None = None
        self._own_window = own_window
        self._explained: Key | None = None
        self._habits = {"labels": True, "loupe": True}
        self._follows = own_window
        self._settle = QTimer(self)
        self._settle.setSingleShot(True)
        self._settle.setInterval(SETTLE_MS)
        self._settle.timeout.connect(self._measure_finally)
        self.study = StudyDesk(self.bar)
        self._connect()
        self._keys = GiveBackKeys(self.give_keys_to_film)
        self._keys.watch(self)
        viewer.layers.events.inserted.connect(self._on_inserted)
        viewer.layers.events.removing.connect(self._on_removing)
        self.setAcceptDrops(True)
        for widget in (self, *drop_widgets(viewer)):
            widget.installEventFilter(self)
        canvas = canvas_widget(viewer)
        if canvas is None:
            self.layout().insertWidget(0, self.notices)
        else:
            self.notices.stand_over(canvas)
        for layer in list(viewer.layers):
            if opened_of(layer):
                self._take(layer)

    # --- what leads where

    def _connect(self) -> None:
        self.open_wanted.connect(self._ask_for_film)
        self.film_wanted.connect(self._bring_back)
        self.first.path_chosen.connect(self.open_path)
        self.first.sample_chosen.connect(self.open_sample)
        self.films.activated.connect(self._choose_film)
        self.placing.asked.connect(self.act)
        for panel in (self.placing, self.form):
            panel.refused.connect(lambda text: self.notices.say("message", text))
        self.placing.findings_wanted.connect(lambda: self.explain_number(None))
        self.numbers.findings_wanted.connect(lambda: self.explain_number(None))
        self.numbers.chosen.connect(self.explain_number)
        self.numbers.copy.connect(self.copy_numbers)
        self.explain.closed.connect(self._back_to_placing)
        self.compare.plan_changed.connect(self.set_plan)
        self.compare.plan_file.connect(self.open_path)
        self.compare.second_changed.connect(self.lay_over)
        self.compare.before_chosen.connect(self.compare_with_before)
        self.compare.beside_wanted.connect(lambda: self.tools and self.tools.show_before("beside"))
        self.form.beam_wanted.connect(self._want_beam)
        self.practice.again.connect(lambda: self._start(self._new_session(self.opened, True)))
        self.practice.revealed.connect(self.lay_over)
        self.keep.reader_changed.connect(self._change_reader)
        self.keep.save_again.connect(lambda: self.session and self.session.save_again())
        self.keep.export_to.connect(self.export)
        self.tabs.currentChanged.connect(self._on_tab)
        self.bar.handed_in.connect(lambda: self.study.hand_in(self.session))
        self.bar.started.connect(lambda reader, _occasion: setattr(self, "reader", reader))
        self.study.opened.connect(self.add)
        self.study.closed.connect(self.close_film)
        self.study.said.connect(self.notices.say)

    def give_keys_to_film(self) -> None:
        """Let the keys act on the film again."""
        canvas = canvas_widget(self.viewer)
        if canvas is not None and self.session is not None:
            canvas.setFocus()

    # --- opening

    def _ask_for_film(self) -> None:
        path = chosen_film(self)
        if path is not None:
            self.open_path(path)

    def open_path(self, path: Path) -> None:
        """Open a film, a folder, a reading or a plan; what it is not, is said."""
        path = Path(path)
        try:
            if is_study(path):
                self.study.open(path, self.reader)
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

    def _on_removing(self, event: Any) -> None:
        # Before the layer goes: what was put on the canvas must go first.
        if self.view is not None and self.viewer.layers[event.index] is self.view.layer:
            self._let_go()
            self.notices.clear()
            self.stack.setCurrentIndex(FIRST_PAGE)

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
        if former is not None and former in self.viewer.layers:
            self.viewer.layers.remove(former)
        self._start(session, layer)
        second = opened.second
        if second is not None and second != session.reading:
            self.lay_over(second)
        self.view.zoom_to_film()
        self.give_keys_to_film()

    def _new_session(self, opened: Opened, afresh: bool = False) -> Session:
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

    def _start(self, session: Session, layer: Any = None) -> None:
        if self.tools is not None:
            self.tools.take_before_away()
        self.session, self._explained = session, None
        self.numbers.choose_none()
        self.notices.clear()
        session.on_change.append(self._on_change)
        if layer is not None:
            self.view = FilmView(
                self.viewer,
                layer,
                self.act,
                self._on_parted,
                own_window=self._own_window,
                **self._habits,
            )
        self.tools = FilmTools(
            session,
            self.view,
            self.notices.say,
            self._redraw,
            self.copy_numbers,
            follows=self._follows,
        )
        self.view.listen(session, self.tools.take_click)
        self.stack.setCurrentIndex(PARTED if self.view.deaf else WORK)
        self.tabs.setCurrentIndex(0)
        self._say_what_is_known(session)
        self._show_films()
        self.keep.reader.setEnabled(self.opened.place is None)
        self._on_change("edit")

    def _say_what_is_known(self, session: Session) -> None:
        global _caution_shown
        if not _caution_shown:
            self.notices.say("caution", CAUTION, "note")
            _caution_shown = True
        self.notices.say("identity", identity_notice(session.film), "strong")
        self.notices.say("spacing", session.film.spacing.contradiction or "")
        self.notices.say("plan", session.plan_notice)
        if not session.blinded:
            self.notices.say("found", " ".join(session.found.notes))

    def _show_films(self) -> None:
        films = self.opened.folder or (self.opened.path,)
        self.films.clear()
        if len(films) > 1:
            for path, mark in marked_films(films, self.reader, self.opened.keep_in):
                self.films.addItem(f"{mark} {path.name}", path)
        else:
            self.films.addItem(self.opened.title, self.opened.path)
        if self.opened.path in films:
            self.films.setCurrentIndex(films.index(self.opened.path))
        self.films.setEnabled(len(films) > 1)

    def _let_go(self) -> None:
        self._settle.stop()
        if self.tools is not None:
            self.tools.take_before_away()
            self._follows = self.tools.follows
        if self.view is not None:
            self._habits = {"labels": self.view.labels, "loupe": self.view.loupe_wanted}
            self.view.let_go()
        self.view = self.tools = self.session = self.opened = None

    # --- what a person does

    def act(self, action: str) -> None:
        """Do what a key or a button of the shortcuts' table stands for."""
        if self.tools is not None:
            self.tools.act(action)

    def set_plan(self, plan: Plan | None) -> None:
        """Hold the film against a plan, or against none."""
        if self.session is None:
            self.notices.say("message", "Open the film first, then its plan.")
        elif self.session.blinded:
            self.notices.say("blinded", "This study is blinded: the plan stays hidden.")
        else:
            self.session.hold_against(plan)

    def lay_over(self, reading: Reading | None) -> None:
        """Lay another reading of this film over the reader's own, or none."""
        if self.session is not None:
            self.session.lay_over(reading)

    def compare_with_before(self, path: Path | None) -> None:
        """Hold the film against the one before the operation, or against none."""
        if self.tools is not None:
            self.tools.compare_with(None if path is None else Path(path), self.reader)

    def _want_beam(self) -> None:
        if self.tools is not None:
            self.tools.want_beam()
            self.give_keys_to_film()

    # --- numbers

    def explain_number(self, key: Key | None) -> None:
        """Explain a number; without one, say what there is to know of the film."""
        self._explained = key
        if key is None:
            self.numbers.choose_none()
        self.tabs.setCurrentIndex(1)
        self._on_tab()
        self._redraw()

    def _back_to_placing(self) -> None:
        self._explained = None
        self.numbers.choose_none()
        self.tabs.setCurrentIndex(0)
        self._redraw()
        self.give_keys_to_film()

    def copy_numbers(self) -> None:
        """Put the numbers on the clipboard, as text for the notes."""
        session = self.session
        if session is not None and not session.blinded and session.result.measurements:
            QGuiApplication.clipboard().setText(numbers_text(session.result))
            self.notices.say("copied", "The numbers are on the clipboard, as text.", "note")

    def export(self, folder: Path) -> None:
        """Write page and tables of what is shown, in the background."""
        session = self.session
        stem = f"{session.film_path.stem}.{session.reading.reader}"
        self.keep.show_exporting(True)
        worker = write_page(*session.inputs, Path(folder), stem)
        worker.returned.connect(self.keep.show_export)
        worker.start()

    def _change_reader(self, code: str) -> None:
        self.reader = code
        remember_reader(code)
        if self.opened is not None:
            self._start(self._new_session(self.opened))

    # --- what follows from it

    def _on_change(self, what: str) -> None:
        session = self.session
        if what == "drag":
            self._redraw()
            self.numbers.show_numbers(session, session.result)
            self.placing.show_spread(session, session.mm_per_px)
            self._show_explained()
            return
        if what == "edit":
            self._settle.start()
        self._show_all()
        self.tools.follow()

    def _measure_finally(self) -> None:
        session = self.session
        if session is None or session.dragging:
            return
        inputs = session.inputs

        def arrived(result: Numbers) -> None:
            # Anything edited meanwhile will have its own numbers.
            if self.session is session and session.settle(result, inputs):
                self._show_all()

        worker = final_numbers(*inputs)
        worker.returned.connect(arrived)
        worker.start()

    def _show_all(self) -> None:
        session = self.session
        self.view.show_scale(session, session.mm_per_px)
        self._redraw()
        self.placing.show_session(session, session.mm_per_px)
        self.numbers.show_numbers(session, session.result)
        self._on_tab()
        self.form.show_session(session)
        self.practice.show_session(session, self.opened.truth, session.result)
        self.keep.show_session(session)
        self._show_saved(session)

    def _on_tab(self, _index: int = 0) -> None:
        if self.session is not None:
            self._show_explained()
            self.compare.show_plan(self.session)
            self.compare.show_numbers(self.session.result)

    def _show_explained(self) -> None:
        session = self.session
        if self.tabs.currentIndex() != 1:
            return
        result = Numbers(problem="This study is blinded") if session.blinded else session.result
        key = self._explained
        row = row_of(result, session.reading, key) if key else None
        shares = ""
        if row is not None and row.measurement is not None and not session.dragging:
            shares = shares_table(session.shares(row.measurement), row.measurement)
        self.explain.show_row(row, result, shares)

    def _show_saved(self, session: Session) -> None:
        saved = session.saved
        if saved is None:
            self.saved.setText("Taken up again." if session.found.own else "Nothing changed yet.")
        elif saved.path is None:
            self.saved.setText(NOT_SAVED)
            self.notices.say("save", saved.notice, "strong")
        else:
            recovered = self.saved.text() == NOT_SAVED
            self.saved.setText("Saved." if session.blinded else f"Saved: {saved.path.name}")
            if saved.notice or recovered:
                self.notices.say("save", saved.notice)
        plan_saved = session.plan_saved
        if plan_saved is not None and plan_saved.notice:
            self.notices.say("plan", plan_saved.notice)

    def _redraw(self) -> None:
        session = self.session
        if session is None:
            return
        result = session.result
        focus = focus_of(session, self._explained, self.tools.ruler)
        planned = plan_strokes(
            session.film, session.reading, result.measurements, session.plan, result.comparison
        )
        self.view.draw(
            scene(session.reading, result.measurements, focus, planned, session.second),
            moving=session.dragging,
        )

    # --- Qt and napari

    def _on_parted(self, why: str) -> None:
        """Show placing and numbers only while the film that they are of is seen."""
        self.parted.setText(
            f"<p><b>{why}</b></p><p>What was placed and measured is hidden until the film is on "
            "top again. Nothing is lost.</p>"
        )
        if self.session is not None:
            self.stack.setCurrentIndex(PARTED if why else WORK)

    def _bring_back(self) -> None:
        if self.view is not None:
            self.view.guard.bring_back()
            self.give_keys_to_film()

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
        self.viewer.layers.events.removing.disconnect(self._on_removing)
        self._let_go()
        super().closeEvent(event)
