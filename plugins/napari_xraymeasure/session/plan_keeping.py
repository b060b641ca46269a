"""Where the plan of a film is kept: typed in the window, it comes back with the film.

A plan that was written by hand lies beside its film as ``FILM.plan.toml`` and is never written
over. What a reader types or changes in the window is kept as ``FILM.READER.plan.toml`` where the
reading is kept, and comes back before the other.
"""

from __future__ import annotations

from pathlib import Path

from napari_xraymeasure.session.autosave import Keeper, Saved, read_bytes
from xraymeasure.errors import XrayMeasureError
from xraymeasure.files.atomic import write_atomically
from xraymeasure.plan.plan import Plan, format_plan, read_plan

SUFFIX = ".plan.toml"


class PlanShelf:
    """The plans of one film.

    Parameters
    ----------
    own : pathlib.Path
        Where this reader's plan is kept.
    given : pathlib.Path or None
        A plan that someone else wrote, where there may be one.
    fallback : pathlib.Path
        Where the plan lies if `own` cannot be written.
    """

    def __init__(self, own: Path, given: Path | None, fallback: Path) -> None:
        self._own, self._given = own, given
        self._keeper = Keeper(own, fallback, write=_write, read=read_plan, suffix=SUFFIX)

    def find(self) -> tuple[Plan | None, str]:
        """Return the plan that comes back, and what there is to say of it."""
        notices = []
        for path in (self._own, self._given):
            if path is None or not path.exists():
                continue
            try:
                plan = read_plan(path)
            except XrayMeasureError as error:
                notices.append(str(error))
                continue
            if path == self._own:
                self._keeper.know()
            return plan, " ".join(notices)
        return None, " ".join(notices)

    def keep(self, plan: Plan | None) -> Saved:
        """Keep a plan, or take away the one that was kept here."""
        if plan is None:
            if self._keeper.written_here:
                self._keeper.path.unlink(missing_ok=True)
                self._keeper.know()
            return Saved(self._keeper.path)
        if self._given is not None and read_bytes(self._keeper.path) is None:
            try:
                if self._given.exists() and read_plan(self._given) == plan:
                    return Saved(self._given)
            except XrayMeasureError:
                pass  # a broken file is left alone; the plan is kept beside it
        return self._keeper.save(plan)


def _write(plan: Plan, path: Path) -> None:
    write_atomically(path, format_plan(plan))
