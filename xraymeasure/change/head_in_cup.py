"""How far the head moved in its cup between two films, and the cup without its head."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from xraymeasure.change.difference import Interval, change, difference, same_measurement
from xraymeasure.change.kinds import KINDS
from xraymeasure.change.positioning import Visit
from xraymeasure.change.result import Change
from xraymeasure.measuring.uncertainty import COVERAGE

TWO_AT_ONCE = 2.241403
"""Half-width, in standard uncertainties, of each of two intervals that hold both components of a
vector in 95 % of cases whatever their correlation (Bonferroni; each holds it in 97.5 %)."""


def penetration(after: Visit, before: Visit) -> tuple[tuple[Change, ...], str]:
    """Return components and length of the head's movement in the cup, or why there are none."""
    side = after.side
    sources = {after.cup_centre_from, before.cup_centre_from} - {None}
    if len(sources) > 1:
        return (), "the cup's centre comes from the shell on one film and from the rim on the other"
    rows = []
    for name in ("head_penetration_cranial", "head_penetration_lateral"):
        kind = KINDS[name]
        pair = same_measurement(after.measurements, before.measurements, kind.quantity, side)
        if isinstance(pair, str):
            return (), pair
        later, earlier = pair
        rows.append(
            Change(
                name,
                side,
                "mm",
                *change(later, earlier),
                earlier.value,
                later.value,
                later.method,
                later.reference,
                reason="judged together with the other direction",
            )
        )
    value, low, high = vector_length([(row.value, row.low, row.high) for row in rows])
    whole = replace(
        rows[0],
        name="head_penetration",
        value=value,
        low=low,
        high=high,
        before=None,
        after=None,
        reason="",
    )
    return (*rows, whole), ""


def vector_length(components: Sequence[Interval]) -> Interval:
    """Return the length of a noisy vector in a plane, freed of noise's bias, with a 95 % interval.

    A measured vector is too long on average, because noise across it can only lengthen it: the
    variance across is taken off the square (Wardle JFC, Kronberg PP, Astrophys J
    1974;194:249-255, for equal variances; from memory), never below zero. The interval spans the
    least and the greatest length in the box that holds both components in 95 % of cases, whatever
    their correlation. It begins at zero exactly where the box holds the origin, and so serves as
    the test of the vector.

    Parameters
    ----------
    components : sequence of (value, low, high)
        Two, with their own 95 % intervals.

    Examples
    --------
    >>> [round(end, 2) for end in vector_length([(2.0, 1.0, 3.0), (0.5, -0.5, 1.5)])]
    [2.0, 0.86, 3.55]
    """
    (x, x_low, x_high), (y, y_low, y_high) = components
    u_x, u_y = ((high - low) / (2.0 * COVERAGE) for _, low, high in components)
    square = x * x + y * y
    across = ((x * u_y) ** 2 + (y * u_x) ** 2) / square if square else 0.0
    widen = TWO_AT_ONCE / COVERAGE
    least = most = 0.0
    for value, below, above in ((x, x_low, x_high), (y, y_low, y_high)):
        low, high = value - widen * (value - below), value + widen * (above - value)
        least += max(low, -high, 0.0) ** 2
        most += max(-low, high) ** 2
    # Never outside its own interval, where more noise is taken off than there is.
    value = math.sqrt(max(square - across, least))
    return value, math.sqrt(least), math.sqrt(most)


def of_cup(row: Change, after: Visit, before: Visit) -> Change:
    """Turn a movement of the hip centre into one of the cup's: take off that of the head in it.

    The head's own placing error is in both and cancels; counted twice it adds to the interval
    (less than a tenth, for a head's centre is far better known than a teardrop).
    """
    inside = f"head_to_cup_{row.name.rpartition('_')[2]}"
    later, earlier = (visit.measurements[inside, after.side] for visit in (after, before))
    value, low, high = difference((row.value, row.low, row.high), change(later, earlier))
    return replace(
        row,
        value=value,
        low=low,
        high=high,
        before=None if row.before is None else row.before - earlier.value,
        after=None if row.after is None else row.after - later.value,
    )
