"""Placing with what the program proposes: taken in, confirmed, refused."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from napari_xraymeasure.session.placing import Placing
from napari_xraymeasure.session.placing_order import next_step
from napari_xraymeasure.session.proposals import (
    in_words,
    same_bone,
    with_carried,
    with_proposals,
    without_proposal,
)
from xraymeasure.carry.carry import Carried
from xraymeasure.detect.propose import Proposals
from xraymeasure.film.film import Film
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import Side


class Proposing(Placing):
    """A reading that is being placed, partly by confirming what the program found.

    Parameters
    ----------
    film, reading, side_known
        As for `Placing`.
    """

    def __init__(self, film: Film, reading: Reading, *, side_known: bool = True) -> None:
        self._proposals: Proposals | None = None
        self._carried: Carried | None = None
        super().__init__(film, reading, side_known=side_known)

    def set_operated(self, side: Side) -> None:
        """Say which hip is the index; what was proposed meanwhile is taken in."""
        super().set_operated(side)
        self._take_proposals()
        self._take_carried()

    def receive(self, proposals: Proposals) -> None:
        """Take proposals in, once the side is known; nothing of the reader's is touched."""
        self._proposals = proposals
        self._take_proposals()

    def receive_carried(self, carried: Carried) -> None:
        """Take the bones of an earlier film in likewise."""
        self._carried = carried
        self._take_carried()

    def _take_carried(self) -> None:
        proposed = self.reading.proposed
        known = proposed is not None and proposed.carried is not None
        if self._carried is None or not self.side_known or known:
            return
        if self.history.push(with_carried(self.reading, self._carried)):
            self._tell("edit")

    def _take_proposals(self) -> None:
        if self._proposals is None or not self.side_known or self.reading.proposed is not None:
            return
        reading = with_proposals(self.reading, self._proposals)
        found = {hip.side for hip in self._proposals.hips}
        for side in found:
            self.hips = self.hips.with_state(side, "replaced")
        # Not an edit of the reader's: it is kept with the first one.
        self._tell("edit" if self.history.push(reading) else "armed")

    @property
    def proposal_notice(self) -> str:
        """What was proposed and waits for the reader; empty where nothing does."""
        return in_words(self._proposals, self._carried, self.reading)

    @property
    def proposed_here(self) -> str | None:
        """The proposal that is to be answered: the chosen one, or the armed one."""
        chosen = self.selected[0] if self.selected else None
        # The point placed last stays chosen while the next landmark, a proposal, is armed.
        return next((n for n in (chosen, self.armed) if n in self.reading.unconfirmed), None)

    def confirm(self) -> None:
        """Confirm a proposal as it stands, and go on."""
        name = self.proposed_here
        if name is not None:
            reading = self.reading.confirmed(name)
            self.selected = None
            self.armed = next_step(reading, self.steps, name)
            self._commit(reading)

    @property
    def proposed_beside(self) -> tuple[str, ...]:
        """What was carried over with the proposal that is to be answered: all of one bone."""
        name = self.proposed_here
        return () if name is None else same_bone(self.reading, name)

    def confirm_bone(self, shown: Callable[[np.ndarray], bool]) -> None:
        """Confirm what was carried over of a bone, as far as `shown` says of its points."""
        name, reading = self.proposed_here, self.reading
        for each in self.proposed_beside:
            if shown(reading.points(each)):
                reading = reading.confirmed(each)
        if name is not None and reading is not self.reading:
            self.selected = None
            self.armed = next_step(reading, self.steps, name)
            self._commit(reading)

    def refuse(self) -> None:
        """Take a proposal away, so that the landmark is placed by hand."""
        name = self.proposed_here
        if name is not None:
            self.armed, self.selected = name, None
            self._commit(without_proposal(self.reading, name))
