"""What is told of the changes in one hip between two films."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from xraymeasure.change.difference import Interval
from xraymeasure.change.kinds import KINDS, ChangeKind
from xraymeasure.change.position import Position
from xraymeasure.change.positioning import Comparability
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import Unit

ChangeVerdict = Literal["changed", "not shown", "not resolved", "not comparable"]


@dataclass(frozen=True)
class Change:
    """One change between two films of a hip, later minus earlier.

    Attributes
    ----------
    name : str
        A key of `KINDS`.
    side : {"left", "right"}
        The hip.
    unit : str
        ``deg`` or ``mm``.
    value, low, high : float
        The change and its 95 % interval.
    before, after : float or None
        The two measurements; None where the change is one of a vector.
    method, reference : str or None
        How both were obtained, and the reference line.
    verdict : str or None
        ``changed`` where the change is shown among all that were asked of the hip; ``not shown``
        where it is not; ``not resolved`` where it is shown but lies below what a pair of plain
        films resolves; ``not comparable`` where the films were taken from different sides. None
        where no verdict is given, and `reason` says why.
    reason : str
        What speaks against a verdict of ``changed``, or for doubting it; empty where nothing does.
    years : float or None
        Between the films.
    per_year : (value, low, high) or None
        Where it is asked for and the films lie apart in time.
    detectable : float or None
        The smallest change that this pair of films would have shown in nine of ten cases.
    """

    name: str
    side: Side
    unit: Unit
    value: float
    low: float
    high: float
    before: float | None
    after: float | None
    method: str | None
    reference: str | None
    verdict: ChangeVerdict | None = None
    reason: str = ""
    years: float | None = None
    per_year: Interval | None = None
    detectable: float | None = None

    @property
    def kind(self) -> ChangeKind:
        """The words for it."""
        return KINDS[self.name]


@dataclass(frozen=True)
class Changes:
    """All changes between two films of a hip.

    Attributes
    ----------
    rows : tuple of Change
        In the order of `KINDS`.
    missing : mapping of str to str
        Names of changes that cannot be told, and why.
    comparability : Comparability
        Of the two films.
    position : Position
        How the pelvis lay on the later one against the earlier one.
    """

    rows: tuple[Change, ...]
    missing: Mapping[str, str]
    comparability: Comparability
    position: Position

    def row(self, name: str) -> Change | None:
        """Return the change of that name, or None where it cannot be told."""
        return next((row for row in self.rows if row.name == name), None)
