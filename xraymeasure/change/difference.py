"""What changed between two films, with the interval of the change."""

from __future__ import annotations

import math

from xraymeasure.measuring.results import Measurement, Measurements
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import QUANTITIES

Interval = tuple[float, float, float]
"""A value and the low and high end of its 95 % interval."""


def difference(one: Interval, other: Interval) -> Interval:
    """Return `one` minus `other`, two independent values, with its 95 % interval.

    The half-widths that lead the same way are added as root of the sum of squares; on each side
    on its own, so that an interval that is longer on one side stays so.

    Examples
    --------
    >>> difference((10.0, 7.0, 18.0), (4.0, -2.0, 8.0))
    (6.0, 1.0, 16.0)
    """
    value = one[0] - other[0]
    below = math.hypot(max(one[0] - one[1], 0.0), max(other[2] - other[0], 0.0))
    above = math.hypot(max(one[2] - one[0], 0.0), max(other[0] - other[1], 0.0))
    return value, value - below, value + above


def change(after: Measurement, before: Measurement) -> Interval:
    """Return how much a measurement changed between two films, and the 95 % interval of that.

    The two films are taken as independent. An error that both share, such as a wrong diameter of
    a head that stands on both, then counts twice: the interval is rather too wide than too
    narrow.
    """
    return difference((after.value, after.low, after.high), (before.value, before.low, before.high))


def same_measurement(
    after: Measurements, before: Measurements, name: str, side: Side | None = None
) -> tuple[Measurement, Measurement] | str:
    """Return a measurement of two films by one method and to one line, or why there is none.

    Parameters
    ----------
    after, before : Measurements
        Of the later and the earlier film.
    name : str
        A key of `QUANTITIES`.
    side : {"left", "right"}, optional
        The hip; the index hip, or the film, if not given.

    Returns
    -------
    (later, earlier) or str
        The method is the later film's primary one where the earlier film has it too, else the
        earlier film's primary one.
    """
    later, earlier = after.primary(name, side), before.primary(name, side)
    if later is None:
        return why_missing(after, name, side)
    if earlier is None:
        return f"film before: {why_missing(before, name, side)}"
    if later.method != earlier.method:
        if twin := before.by_method(name, later.method, side):
            earlier = twin
        elif twin := after.by_method(name, earlier.method, side):
            later = twin
        else:
            return "no method that both films allow"
    if later.reference != earlier.reference:
        return "measured to different reference lines on the two films"
    return later, earlier


def why_missing(measurements: Measurements, name: str, side: Side | None = None) -> str:
    """Return why a film does not give a measurement."""
    label = QUANTITIES[name].label if name in QUANTITIES else name
    return measurements.why_missing(name, side) or f"{label.lower()} was not measured on this film"
