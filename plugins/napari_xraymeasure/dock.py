"""The dock: which film is read, and what of the panels leads where."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Any

import napari
from qtpy.QtCore import QEvent

from napari_xraymeasure.canvas.film_layer import Opened, empty, exchange, layer_data, opened_of
from napari_xraymeasure.canvas.film_view import FilmView
from napari_xraymeasure.canvas.napari_private import Drops, canvas_widget, plain_arrays
from napari_xraymeasure.canvas.tools import FilmTools
from napari_xraymeasure.dock_layout import DockLayout
from napari_xraymeasure.film_work import FilmWork
from napari_xraymeasure.panels.first_page import chosen_film
from napari_xraymeasure.panels.widgets import GiveBackKeys
from napari_xraymeasure.panels.worklist import StudyDesk
from napari_xraymeasure.session.numbers import Key
from napari_xraymeasure.session.opening import (
    film_of_reading,
    is_plan,
    is_reading,
    is_study,
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
        self.work: FilmWork | None = None
        self.reader = remembered_reader()
        self.proposes = True
        self._own_window = own_window
        self._habits = {"labels": True, "loupe": True}
        self._follows = own_window
        self._left = False
        self.study = StudyDesk(self.bar)
        self._connect()
        self._keys = GiveBackKeys(self.give_keys_to_film)
        self._keys.watch(self)
        viewer.layers.events.inserted.connect(self._on_inserted)
        viewer.layers.events.removing.connect(self._on_removing)
        self._drops = Drops(viewer, self, self.open_paths)
        canvas = canvas_widget(viewer)
        self.notices.stand_over(canvas)
        canvas.destroyed.connect(self._on_canvas_gone)
        for layer in list(viewer.layers):
            if opened_of(layer):
                self._take(layer)

    @property
    def session(self) -> Session | None:
        """The reader's work on the film that is open."""
        return self.work.session if self.work else None

    @property
    def opened(self) -> Opened | None:
        """The film that is open, as it was opened."""
        return self.work.opened if self.work else None

    @property
    def view(self) -> FilmView | None:
        """The film that is open, on the canvas."""
        return self.work.view if self.work else None

    @property
    def tools(self) -> FilmTools | None:
        """What a person can do at it beside clicking."""
        return self.work.tools if self.work else None

    @property
    def all_kept(self) -> bool:
        """Whether nothing of the reader's work would be lost if the window closed now."""
        saved = self.session.saved if self.session else None
        return (saved is None or saved.path is not None) and not self.keep.exporting

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
        self.numbers.copy.connect(lambda: self.work and self.work.copy_numbers())
        self.explain.closed.connect(self._back_to_placing)
        self.placing.proposing.connect(self._propose_or_not)
        self.compare.plan_changed.connect(self.set_plan)
        self.compare.plan_file.connect(self.open_path)
        self.compare.second_changed.connect(lambda r: self.session and self.session.lay_over(r))
        self.compare.before_chosen.connect(
            lambda path: self.tools and self.tools.compare_with(path, self.reader)
        )
        self.compare.beside_wanted.connect(lambda: self.tools and self.tools.show_before("beside"))
        self.form.beam_wanted.connect(self._want_beam)
        self.practice.again.connect(lambda: self._begin_again(afresh=True))
        self.practice.revealed.connect(lambda r: self.session and self.session.lay_over(r))
        self.keep.reader_changed.connect(self._change_reader)
        self.keep.save_again.connect(lambda: self.session and self.session.save_again())
        self.keep.export_to.connect(lambda folder: self.work and self.work.export(folder))
        self.tabs.currentChanged.connect(lambda _index: self.work and self.work.show_tab())
        self.bar.handed_in.connect(lambda: self.study.hand_in(self.session))
        self.bar.started.connect(lambda reader, _occasion: setattr(self, "reader", reader))
        self.study.opened.connect(self.add)
        self.study.closed.connect(self.close_film)
        self.study.said.connect(self.notices.say)

    def give_keys_to_film(self) -> None:
        """Let the keys act on the film again."""
        if self.session is not None:
            canvas_widget(self.viewer).setFocus()

    # --- opening

    def _ask_for_film(self) -> None:
        path = chosen_film(self)
        if path is not None:
            self.open_path(path)

    def open_paths(self, paths: list[Path]) -> None:
        """Open what came together: one film, the others to be chosen, then what is no film."""
        films = tuple(p for p in paths if not (is_study(p) or is_plan(p) or is_reading(p)))
        for path in (*films[:1], *(path for path in paths if path not in films)):
            self.open_path(path, films)

    def open_path(self, path: Path, among: tuple[Path, ...] = ()) -> None:
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
                self.add(open_film(path, among))
        except (XrayMeasureError, OSError) as error:
            self.notices.say("message", str(error), "strong")

    def open_sample(self, path: Path) -> None:
        """Open a sample film."""
        self.add(open_sample(path))

    def add(self, opened: Opened) -> None:
        """Show a film and take it up, in the place of the one before."""
        if self.view is not None:
            # In the layer of that one: napari never lets go of a layer that was removed.
            self._take(self.view.layer, opened)
            return
        data, arguments, _kind = layer_data(opened)
        with plain_arrays():
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
            session.lay_over(reading)

    def _choose_film(self, index: int) -> None:
        path = self.films.itemData(index)
        if self.opened is None or path is None or path == self.opened.path:
            return
        if self.opened.truth is not None:
            self.open_sample(path)
        else:
            self.open_path(path, self.opened.folder)
        if self.work is not None:
            self.work.show_films(self.reader)

    def _on_inserted(self, event: Any) -> None:
        if opened_of(event.value):
            self._take(event.value)

    def _on_removing(self, event: Any) -> None:
        # Before the layer goes: what was put on the canvas must go first.
        if self.view is not None and self.viewer.layers[event.index] is self.view.layer:
            layer = self.view.layer
            self._let_go()
            empty(layer)
            self.notices.clear()
            self.stack.setCurrentIndex(FIRST_PAGE)

    def _take(self, layer: Any, instead: Opened | None = None) -> None:
        """Make a film's layer the one that is read, or read another film `instead` in it.

        The film before has been saved already.
        """
        # A film that came by napari's own ways stands beside the former one for a moment.
        former, opened = self.view.layer if self.view else None, instead or opened_of(layer)
        try:
            session = self._new_session(opened)
        except XrayMeasureError as error:
            self.notices.say("message", str(error), "strong")
            if instead is None:
                self.viewer.layers.remove(layer)
            return
        self._let_go()
        if instead is not None:
            exchange(layer, instead)
            # Views, panels and events of the film before hold one another: left to itself Python
            # clears them away only many films later.
            gc.collect()
            self.viewer.layers.move(self.viewer.layers.index(layer), len(self.viewer.layers))
        elif former is not None and former in self.viewer.layers:
            empty(former)
            self.viewer.layers.remove(former)
        self._start(session, opened, layer)
        second = opened.second
        if second is not None and second != session.reading:
            session.lay_over(second)
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

    def _start(self, session: Session, opened: Opened, layer: Any = None) -> None:
        view = self.view
        if self.work is not None:
            self.work.let_go()
        self.notices.clear()
        if layer is not None:
            view = FilmView(
                self.viewer,
                layer,
                self.act,
                self._on_parted,
                own_window=self._own_window,
                **self._habits,
            )
        self.work = FilmWork(self, opened, session, view, follows=self._follows)
        self.stack.setCurrentIndex(PARTED if view.deaf else WORK)
        self._say_caution()
        self.work.begin(self.reader)
        self._propose_or_not(self.proposes)

    def _say_caution(self) -> None:
        global _caution_shown
        if not _caution_shown:
            self.notices.say("caution", CAUTION, "note")
            _caution_shown = True

    def _let_go(self) -> None:
        if self.work is not None:
            self.work.let_go()
            self._follows = self.tools.follows
            self._habits = {"labels": self.view.labels, "loupe": self.view.loupe_wanted}
            self.view.let_go()
        self.work = None

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

    def _want_beam(self) -> None:
        if self.tools is not None:
            self.tools.want_beam()
            self.give_keys_to_film()

    def explain_number(self, key: Key | None) -> None:
        """Explain a number; without one, say what there is to know of the film."""
        if self.work is not None:
            self.work.explain_number(key)

    def _back_to_placing(self) -> None:
        if self.work is not None:
            self.work.explain_none()
            self.give_keys_to_film()

    def _change_reader(self, code: str) -> None:
        self.reader = code
        remember_reader(code)
        self._begin_again()

    def _begin_again(self, afresh: bool = False) -> None:
        if self.work is not None:
            opened = self.work.opened
            self._start(self._new_session(opened, afresh), opened)

    def _propose_or_not(self, wanted: bool) -> None:
        """Look for metal on a film that nobody has read, unless it is to be read unaided."""
        self.proposes = wanted
        work = self.work
        # On a practice film the reader is to be tried, not the program.
        if wanted and work and work.opened.truth is None and work.session.takes_proposals:
            work.look_for_implants()

    # --- Qt and napari

    def _on_parted(self, why: str) -> None:
        """Show placing and numbers only while the film that they are of is seen."""
        self.parted.setText(
            f"<p><b>{why}</b></p><p>What was placed and measured is hidden until the film is on "
            "top again. Nothing is lost.</p>"
        )
        if self.session is not None:
            self.stack.setCurrentIndex(PARTED if why else WORK)

    def _on_canvas_gone(self) -> None:
        # napari closes its window without a word to its docks; what is still on its way comes late.
        self.beside.end()
        if self.work is not None:
            self.work.stop()

    def _bring_back(self) -> None:
        if self.view is not None:
            self.view.guard.bring_back()
            self.give_keys_to_film()

    def event(self, event: QEvent) -> bool:
        """Let the viewer go once napari takes the dock out of its window, or closes it."""
        taken_out = event.type() == QEvent.Type.ParentChange and self.parentWidget() is None
        if (taken_out or event.type() == QEvent.Type.Close) and not self._left:
            self._left = True
            self.viewer.layers.events.inserted.disconnect(self._on_inserted)
            self.viewer.layers.events.removing.disconnect(self._on_removing)
            self._drops.deleteLater()
            self._let_go()
            self.beside.end()
            self.notices.clear()
        return super().event(event)
