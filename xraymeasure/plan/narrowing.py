"""What one more thing on the same film would narrow the undecided rows of a comparison most."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from xraymeasure.measuring.helps import Help, what_helps
from xraymeasure.measuring.prepared import Reference
from xraymeasure.plan.rows import Comparison, ComparisonRow, verdict_of
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.quantities import QUANTITIES, Unit
from xraymeasure.vocabulary.wording import with_unit

if TYPE_CHECKING:
    from xraymeasure.film.film import Film


def with_helps(
    comparison: Comparison, film: Film, reading: Reading, reference: Reference | None = None
) -> Comparison:
    """Return a comparison whose undecided rows say what one more thing would narrow them most.

    Parameters
    ----------
    comparison : Comparison
    film : Film
    reading : Reading
        Of the film that was compared.
    reference : {"inter_teardrop", "bi_ischial"}, optional
        The reference line, as in `measure`.

    See Also
    --------
    xraymeasure.measuring.helps.what_helps : Of one number.
    """
    rows = []
    for row in comparison.rows:
        # An interval that is itself decided waits for an answer, not for a narrower one.
        if row.name in QUANTITIES and _undecided_by_width(row):
            helps = what_helps(film, reading, row.name, row.side, reference=reference)
            said = [row.reason, _said(row.unit, helps)]
            row = replace(row, helps=helps, reason="; ".join(filter(None, said)))
        rows.append(row)
    return replace(comparison, rows=tuple(rows))


def _undecided_by_width(row: ComparisonRow) -> bool:
    if row.verdict != "undecided" or row.low is None or row.high is None or row.tolerance is None:
        return False
    if row.withheld:  # what is in doubt is not the width
        return False
    return verdict_of(row.low, row.high, row.tolerance) == "undecided"


def _said(unit: Unit, helps: tuple[Help, ...]) -> str:
    if not helps:
        return ""
    best = helps[0]
    return f"narrowed most with {best.thing}: to ± {with_unit(best.half_width, unit, 1)}"
