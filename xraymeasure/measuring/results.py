"""What comes out: numbers that never travel alone, and the words for them.

A `Measurement` carries its unit, interval, method, reference line and assumptions.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from xraymeasure.reading.reading import FilmBinding, Posture
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import QUANTITIES, Unit
from xraymeasure.vocabulary.wording import interval, is_signed, with_unit

if TYPE_CHECKING:
    import pandas as pd

    from xraymeasure.measuring.draws import Distribution
    from xraymeasure.measuring.uncertainty import Key, Linear


@dataclass(frozen=True)
class Measurement:
    """One number with all that it needs to be read.

    Attributes
    ----------
    name, side, unit, method
        What it is; `side` is None for what belongs to the film.
    value, low, high : float
        The number and its 95 % interval.
    standard_uncertainty : float
        First-order standard uncertainty.
    primary : bool
        Whether this is the method that stands for the measurement; one for each name and side.
    reference : str or None
        The reference line.
    assumptions : tuple of str
        What must hold for the number to be right.
    sources : mapping of str to float
        Share of the variance from each of `SOURCES`; sums to 1 where anything is uncertain.
    rests_on : tuple of str
        The landmarks it is computed from.
    """

    name: str
    side: Side | None
    value: float
    unit: Unit
    low: float
    high: float
    method: str
    primary: bool
    reference: str | None
    assumptions: tuple[str, ...] = ()
    standard_uncertainty: float = 0.0
    sources: Mapping[str, float] = field(default_factory=dict)
    rests_on: tuple[str, ...] = ()

    def __repr__(self) -> str:
        side = f", {self.side}" if self.side else ""
        return f"{self.name}{side}: {value_text(self)} ({interval_text(self)}), {self.method}"


@dataclass(frozen=True)
class Missing:
    """What could not be measured, and why.

    Attributes
    ----------
    name : str
        A key of `QUANTITIES`.
    side : {"left", "right"} or None
        The hip; None for what belongs to the film.
    method : str or None
        The one method that could not be used; None where no method could.
    reason : str
        Why, in the words of the files (landmarks by their names).
    """

    name: str
    side: Side | None
    method: str | None
    reason: str


@dataclass(frozen=True)
class KnownSizes:
    """What is known of the index hip's implants, not measured; None where nobody said."""

    head_diameter_mm: float | None = None
    cup_diameter_mm: float | None = None
    neck_shaft_angle_deg: float | None = None


@dataclass(frozen=True)
class Finding:
    """Something about the film or the reading that a person should know.

    Attributes
    ----------
    code : str
        Stable name, as in files.
    text : str
        One or two sentences with the numbers.
    touches : tuple of str
        Names of the measurements it bears on; empty means all.
    severity : {"note", "warning", "strong"}
        How loud it is said.
    """

    code: str
    text: str
    touches: tuple[str, ...] = ()
    severity: Literal["note", "warning", "strong"] = "warning"


@dataclass(frozen=True)
class Drawing:
    """One thing to draw on the film, in (row, column) pixels.

    Attributes
    ----------
    kind : str
        ``head``, ``native_head``, ``shell``, ``marker``, ``rim``, ``rim_axis``, ``cup_axis``,
        ``reference``, ``alternative_reference``, ``midline``, ``shaft``, ``stem``, ``neck``,
        ``offset``, ``leg_length``, ``hip_centre``, ``off_point`` or ``beam``.
    side : str or None
        The hip it belongs to.
    path : numpy.ndarray, shape (n, 2)
        The line; one point for ``hip_centre``, ``off_point`` and ``beam``.
    names : tuple of str
        The measurements it illustrates.
    anchor : (row, column)
        Where its label may stand.
    """

    kind: str
    side: Side | None
    path: np.ndarray
    names: tuple[str, ...]
    anchor: tuple[float, float]


@dataclass(frozen=True)
class Measurements:
    """Everything measured on one film from one reading.

    Attributes
    ----------
    film : FilmBinding
        The film's identifiers.
    reader, read_at, operated_side
        From the reading.
    rows : tuple of Measurement
        In the order of `QUANTITIES`.
    missing : tuple of Missing
        What could not be measured, and why.
    findings : tuple of Finding
        Warnings and notes.
    drawings : tuple of Drawing
        What was fitted, to be drawn on the film.
    mm_per_px : float or None
        Scale in the plane of the index hip centre (geometric mean of row and column pitch).
    notes : tuple of str
        Where scale, spacing and geometry came from, as sentences.
    known : KnownSizes
        The sizes of the index hip that the reading states.
    cup_opening : mapping of side to str
        Who, beside the film, states how a cup opens, as the end of a sentence.
    posture : {"supine", "standing"} or None
        In which the film was taken, as the reading states; no file keeps it.
    linear : Linear or None
        The film to first order, for what is solved together with another film; no file keeps it.
    distributions : mapping of (name, side, method) to Distribution
        How the numbers that a plan may be held against were drawn; no file keeps it.
    """

    film: FilmBinding
    reader: str
    read_at: str
    operated_side: Side
    rows: tuple[Measurement, ...]
    missing: tuple[Missing, ...]
    findings: tuple[Finding, ...]
    drawings: tuple[Drawing, ...]
    mm_per_px: float | None
    notes: tuple[str, ...]
    known: KnownSizes = KnownSizes()
    cup_opening: Mapping[Side, str] = field(default_factory=dict)
    posture: Posture | None = None
    linear: Linear | None = field(default=None, repr=False, compare=False)
    distributions: Mapping[Key, Distribution] = field(
        default_factory=dict, repr=False, compare=False
    )

    def __getitem__(self, key: str | tuple[str, Side | None]) -> Measurement:
        """Return the primary row of a name, or of a name and side.

        Raises
        ------
        KeyError
            With the reason, if it could not be measured.
        """
        name, side = (key, None) if isinstance(key, str) else key
        row = self.primary(name, side)
        if row is None:
            if name not in QUANTITIES:
                raise KeyError(f"{name}: no such measurement; there are {', '.join(QUANTITIES)}")
            why = self.why_missing(name, side) or "it was not measured on this film"
            raise KeyError(f"{name}: {why}")
        return row

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self) -> Iterator[Measurement]:
        return iter(self.rows)

    def __repr__(self) -> str:
        lines = [
            f"  {row.name:<28} {row.side or '':<6} {value_text(row):>9}  {interval_text(row)}"
            for row in self.rows
            if row.primary
        ]
        more = [f"  and {len(lines) - 8} more; to_frame() has all"] if len(lines) > 9 else []
        shown = lines[:8] if more else lines
        return "\n".join([f"Measurements of the {self.operated_side} hip (95 %)", *shown, *more])

    def to_frame(self) -> pd.DataFrame:
        """Return a pandas table, one row a measurement: value, interval, method, side.

        See Also
        --------
        missing : What is not in it, and why.
        """
        import pandas as pd

        columns = (
            "name", "side", "value", "low", "high", "unit", "standard_uncertainty", "method",
            "primary", "reference",
        )  # fmt: skip
        return pd.DataFrame(
            [[getattr(row, column) for column in columns] for row in self.rows], columns=columns
        )

    def primary(self, name: str, side: Side | None = None) -> Measurement | None:
        """Return the primary row of a name; `side` None takes the index side or the film's."""
        wanted = (side,) if side else (self.operated_side, None)
        for row in self.rows:
            if row.name == name and row.primary and row.side in wanted:
                return row
        return None

    def why_missing(
        self, name: str, side: Side | None = None, method: str | None = None
    ) -> str | None:
        """Return why there is no row of a name, or None if it was not asked for or is there."""
        wanted = (side,) if side else (self.operated_side, None)
        for each in self.missing:
            if (each.name, each.method) == (name, method) and each.side in wanted:
                return each.reason
        return None

    def by_method(self, name: str, method: str, side: Side | None = None) -> Measurement | None:
        """Return the row of a name that was obtained by `method`."""
        wanted = (side,) if side else (self.operated_side, None)
        for row in self.rows:
            if row.name == name and row.method == method and row.side in wanted:
                return row
        return None


def value_text(row: Measurement) -> str:
    """Return a measurement's value with its unit."""
    decimals = QUANTITIES[row.name].decimals
    return with_unit(row.value, row.unit, decimals, is_signed(row.name))


def interval_text(row: Measurement) -> str:
    """Return a measurement's 95 % interval."""
    return interval(row.low, row.high, QUANTITIES[row.name].decimals, is_signed(row.name))
