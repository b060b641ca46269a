"""Undo and redo through whole readings: an edit keeps the reading that it replaced."""

from __future__ import annotations

from xraymeasure.reading.reading import Reading


class History:
    """The readings before and after the present one.

    Examples
    --------
    >>> first = Reading("A", "2026-01-31T10:15:00Z", "left")
    >>> history = History(first)
    >>> history.push(first.with_points("symphysis", [(10, 20)]))
    True
    >>> history.undo().has("symphysis"), history.redo().has("symphysis")
    (False, True)
    """

    def __init__(self, reading: Reading) -> None:
        self._before: list[Reading] = []
        self._after: list[Reading] = []
        self.present = reading

    @property
    def can_undo(self) -> bool:
        """Whether there is an edit to take back."""
        return bool(self._before)

    @property
    def can_redo(self) -> bool:
        """Whether an edit was taken back and none was made since."""
        return bool(self._after)

    def push(self, reading: Reading) -> bool:
        """Make `reading` the present one; return whether it differs from the one it replaces."""
        if reading == self.present:
            return False
        self._before.append(self.present)
        self._after.clear()
        self.present = reading
        return True

    def undo(self) -> Reading:
        """Return to the reading before the last edit, if there is one."""
        if self._before:
            self._after.append(self.present)
            self.present = self._before.pop()
        return self.present

    def redo(self) -> Reading:
        """Return to the reading that was taken back last, if there is one."""
        if self._after:
            self._before.append(self.present)
            self.present = self._after.pop()
        return self.present
