"""One film being read: what follows from an edit, and what the panels show of it."""

from __future__ import annotations

from pathlib import Path
from time import perf_counter
from typing import Any

from qtpy.QtGui import QGuiApplication

from napari_xraymeasure.canvas.drawn_shapes import (
    DrawnShapes,
    Focus,
    Stroke,
    focus_of,
    in_hand,
    plan_strokes,
    scene,
)
from napari_xraymeasure.canvas.film_layer import Opened
from napari_xraymeasure.canvas.film_view import FilmView
from napari_xraymeasure.canvas.tools import FilmTools
from napari_xraymeasure.dock_layout import DockLayout
from napari_xraymeasure.panels.notices import identity_notice
from napari_xraymeasure.panels.number_words import shares_table
from napari_xraymeasure.panels.saving import export_words
from napari_xraymeasure.panels.widgets import once
from napari_xraymeasure.session.background import (
    final_numbers,
    found_bones,
    found_implants,
    write_page,
)
from napari_xraymeasure.session.numbers import Key, Numbers, numbers_text, row_of
from napari_xraymeasure.session.opening import marked_films
from napari_xraymeasure.session.session import Session
from xraymeasure.carry.carry import Carried
from xraymeasure.detect.propose import Proposals
from xraymeasure.examination import Examination
from xraymeasure.vocabulary.landmarks import Side

SETTLE_MS = 180
"""How long after the last edit, or the opening of a film, work beside the window begins."""
DRAG_MS, DRAG_SHARE = 80, 0.1
"""How far numbers, and lines that rest on other landmarks too, may be behind a drag, and which
part of the time they may take where that is longer.

The point and its outline are not: nobody reads faster, and the film is smoother.
"""

NOT_SAVED = "▲ NOT SAVED"
EXPLAIN = 1


class FilmWork:
    """A session, the view of its film, and the panels that show both.

    Parameters
    ----------
    panels : DockLayout
    opened : Opened
        The film as it was opened.
    session : Session
    view : FilmView
    follows : bool
        Whether the view goes to the next landmark by itself.
    """

    def __init__(
        self, panels: DockLayout, opened: Opened, session: Session, view: FilmView, *, follows: bool
    ) -> None:
        self.panels, self.opened, self.session, self.view = panels, opened, session, view
        self.explained: Key | None = None
        self._asked: tuple[Any, ...] = ()
        self._implants_wanted = self._implants_awaited = self._proposals_said = False
        self._heads_sought: dict[Side, float] | None = None
        self._carried_from: Examination | None = None
        self._planned: tuple[Numbers | None, list[Stroke]] = None, []
        self._focus = Focus()
        self.tools = FilmTools(
            session,
            view,
            panels.notices.say,
            self.redraw,
            self.copy_numbers,
            panels.placing.question.answer,
            follows=follows,
        )
        self._settle = once(panels, SETTLE_MS, self._work_beside)
        self._beside_drag = once(panels, DRAG_MS, self._show_drag)
        session.on_change.append(self._on_change)
        view.listen(session, self.tools.take_click)

    def stop(self) -> None:
        """Show no longer what becomes of the session."""
        self._settle.stop()
        self._beside_drag.stop()
        self.session.on_change.clear()

    def let_go(self) -> None:
        """Leave the panels and the canvas to another film."""
        self.stop()
        self._settle.deleteLater()
        self._beside_drag.deleteLater()
        self.tools.take_before_away()

    def begin(self, reader: str) -> None:
        """Show the film for the first time."""
        panels, session = self.panels, self.session
        panels.numbers.choose_none()
        panels.tabs.setCurrentIndex(0)
        panels.notices.say("identity", identity_notice(session.film), "strong")
        panels.notices.say("spacing", session.film.spacing.contradiction or "")
        panels.notices.say("plan", session.plan_notice)
        if not session.blinded:
            panels.notices.say("found", " ".join(session.found.notes))
        panels.keep.reader.setEnabled(self.opened.place is None)
        self.show_films(reader)
        hidden = panels.numbers.table.isHidden()
        self._on_change("edit")
        if hidden and not session.blinded:
            panels.give_numbers_room()

    # What a person does

    def explain_number(self, key: Key | None) -> None:
        """Explain a number; without one, say what there is to know of the film."""
        self.explained = key
        if key is None:
            self.panels.numbers.choose_none()
        self.panels.tabs.setCurrentIndex(EXPLAIN)
        self.show_tab()
        self.redraw()

    def explain_none(self) -> None:
        """Go back to placing."""
        self.explained = None
        self.panels.numbers.choose_none()
        self.panels.tabs.setCurrentIndex(0)
        self.redraw()

    def copy_numbers(self) -> None:
        """Put the numbers on the clipboard, as text for the notes."""
        session = self.session
        said = "The numbers are on the clipboard, as text."
        if session.blinded:
            said = "This study is blinded: no number is copied."
        elif session.result.measurements is None or not session.result.measurements.rows:
            said = "Nothing is measured yet: no number is copied."
        else:
            QGuiApplication.clipboard().setText(numbers_text(session.result))
        self.panels.notices.say("copied", said, "note")

    def export(self, folder: Path) -> None:
        """Write page and tables of what is shown, in the background."""
        session = self.session
        stem = f"{session.film_path.stem}.{session.reading.reader}"
        self.panels.keep.show_exporting(True)
        given = session.inputs, Path(folder), stem
        self.panels.beside.start(self._take_export, write_page, *given)

    def _take_export(self, outcome: list[Path] | str) -> None:
        keep = self.panels.keep
        keep.show_exporting(False)
        if self.session.on_change:
            keep.show_export(outcome)
        else:
            # Another film is open: its panel does not offer this one's page.
            said = f"The film before, {self.opened.title}: {export_words(outcome)}"
            self.panels.notices.say("export", said, "note")

    # What is done beside the window

    def look_for_implants(self) -> None:
        """Have the program propose the metal that it finds, once the film is seen and listens."""
        self._implants_wanted = True
        self._settle.start()

    def _work_beside(self) -> None:
        self.measure_finally()
        if self._implants_wanted:
            self._implants_wanted = False
            self._implants_awaited, self._proposals_said = True, False
            self._heads_sought = self.session.head_diameters
            given = self.session.film, self._heads_sought
            self.panels.beside.start(self._take_proposals, found_implants, *given)
        self._look_for_bones()

    def _look_for_bones(self) -> None:
        """Have the bones of an earlier film looked for, once it is known where the metal is."""
        session = self.session
        before = None if session.blinded else session.before
        if self._implants_awaited or before is None or before is self._carried_from:
            return
        # Metal that was found waits for the side.
        if not (session.on_change and session.side_known):
            return
        if self.panels.placing.proposes.isChecked() and self.opened.truth is None:
            self._carried_from = before
            given = (before.film, before.reading), session.film, session.reading
            self.panels.beside.start(self._take_bones, found_bones, *given)

    def measure_finally(self) -> None:
        """Draw the intervals anew, as the command line does."""
        if not self.session.dragging:
            asked = self._asked = self.session.inputs
            self.panels.beside.start(
                lambda result: self._take_numbers(result, asked), final_numbers, *asked
            )

    def _take_numbers(self, result: Numbers, of: tuple[Any, ...]) -> None:
        # Anything edited meanwhile will have its own numbers.
        if of is self._asked and self.session.on_change and self.session.settle(result, of):
            self.show_all()

    def _take_proposals(self, found: Proposals | None) -> None:
        session, panels = self.session, self.panels
        self._implants_awaited = False
        if found is not None and session.on_change and panels.placing.proposes.isChecked():
            session.receive(found)
            self._say_proposals()
        self._look_for_bones()

    def _take_bones(self, found: Carried | None) -> None:
        session = self.session
        if found is not None and session.on_change and session.before is self._carried_from:
            self._proposals_said = False
            session.receive_carried(found)
            if found.landmarks:
                # Now they can be laid on one another.
                self.panels.notices.say("before", "")
            self._say_proposals()

    def _say_proposals(self) -> None:
        """Say what was proposed, also where the side was told only after; not again once noted."""
        notices, said = self.panels.notices, self.session.proposal_notice
        if "proposed" in notices.texts or (said and not self._proposals_said):
            notices.say("proposed", said, "note")
            self._proposals_said = True

    # What follows from an edit

    def _on_change(self, what: str) -> None:
        if what == "drag":
            held = self._held()
            if held is None:
                self.redraw()
            else:
                self.view.overlay.show_held(held)
            if not self._beside_drag.isActive():
                self._beside_drag.start()
            return
        self._beside_drag.stop()
        if what == "edit":
            # Where no head of the size known then was found, one of the size known now may be.
            sought, session, panels = self._heads_sought, self.session, self.panels
            if sought not in (None, session.head_diameters) and session.takes_proposals:
                self._implants_wanted = True
            self._settle.start()
            self._say_proposals()
            panels.notices.say("unfinished", "")
        self.show_all()
        self.tools.follow()

    def _show_drag(self) -> None:
        """Measure and show where a drag has come to."""
        session, panels, began = self.session, self.panels, perf_counter()
        session.measure_drag()
        self.redraw()
        panels.numbers.show_numbers(session, session.result)
        panels.placing.show_spread(session, session.mm_per_px)
        self._show_explained()
        took_ms = 1e3 * (perf_counter() - began)
        self._beside_drag.setInterval(max(DRAG_MS, min(round(took_ms / DRAG_SHARE), 3 * DRAG_MS)))

    def show_all(self) -> None:
        """Show the session as it stands."""
        session, panels = self.session, self.panels
        self.view.show_scale(session, session.mm_per_px)
        self.redraw()
        panels.placing.show_session(session, session.mm_per_px)
        panels.numbers.show_numbers(session, session.result)
        self.show_tab()
        panels.form.show_session(session)
        panels.practice.show_session(session, self.opened.truth, session.result)
        panels.keep.show_session(session)
        self._show_saved()

    def show_tab(self) -> None:
        """Show what only one tab shows."""
        self._show_explained()
        self.panels.compare.show_plan(self.session)
        self.panels.compare.show_numbers(self.session.result)

    def _show_explained(self) -> None:
        session = self.session
        if self.panels.tabs.currentIndex() != EXPLAIN:
            return
        result = Numbers(problem="This study is blinded") if session.blinded else session.result
        row = row_of(result, session.reading, self.explained) if self.explained else None
        shares = ""
        if row is not None and row.measurement is not None and not session.dragging:
            shares = shares_table(session.shares(row.measurement), row.measurement)
        self.panels.explain.show_row(row, result, shares)

    def _show_saved(self) -> None:
        session, panels = self.session, self.panels
        saved = session.saved
        if saved is None:
            panels.saved.setText("Taken up again." if session.found.own else "Nothing changed yet.")
        elif saved.path is None:
            panels.saved.setText(NOT_SAVED)
            panels.notices.say("save", saved.notice, "strong")
        else:
            recovered = panels.saved.text() == NOT_SAVED
            panels.saved.setText("Saved." if session.blinded else f"Saved: {saved.path.name}")
            if saved.notice or recovered:
                panels.notices.say("save", saved.notice)
        plan_saved = session.plan_saved
        if plan_saved is not None and plan_saved.notice:
            panels.notices.say("plan", plan_saved.notice)

    def show_films(self, reader: str) -> None:
        """List the films of the folder, each with how far its reading is."""
        films, opened = self.panels.films, self.opened
        paths = opened.folder or (opened.path,)
        films.clear()
        if len(paths) > 1:
            for path, mark in marked_films(paths, reader, opened.keep_in):
                films.addItem(f"{mark} {path.name}", path)
        else:
            films.addItem(opened.title, opened.path)
        if opened.path in paths:
            films.setCurrentIndex(paths.index(opened.path))
        films.setEnabled(len(paths) > 1)

    def redraw(self) -> None:
        """Draw the film's lines, marks and labels."""
        session = self.session
        result = session.result
        if self._planned[0] is not result:
            self._planned = result, plan_strokes(*session.inputs[:3], result)
        focus = self._focus = focus_of(session, self.explained, self.tools.ruler)
        drawn = scene(session.reading, result.measurements, focus, self._planned[1], session.second)
        self.view.draw(drawn, self._held())

    def _held(self) -> DrawnShapes | None:
        """Return what is drawn of what the hand holds."""
        session = self.session
        measured, before = session.result.measurements, session.history.present
        return in_hand(session.reading, measured, self._focus, before)
