"""The shaft of the femur and the axis of the stem: pairs of straight edges, paired by width.

A pair of edges is searched at once over place, slope, width and taper, so that an edge of the stem
is never paired with one of the bone. Far below the hip the outer cortices are straight; nearer, the
trochanter flares and the stem's edges mislead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xraymeasure.detect.field import Field, Plate
from xraymeasure.vocabulary.landmarks import Side, lateral_sign, other_side

_ROW_MM = 3.0
_COLUMN_MM = 0.5
_BROAD_MM = 5.0
_FLAT, _BESIDE_FLAT_MM = 0.012, 2.5
"""Change of grey along a column, of the film's whole range, and how near such a column no edge is
looked for: the collimator's would pair with a cortex."""


@dataclass(frozen=True)
class _Kind:
    """What is looked for: where below the hip, how wide, how slanted (all on the detector).

    The placing spread of its points gives the axis the spread that was found: 0.9 deg at twelve
    shafts on films of another program (bow and all), 0.7 deg at stems.
    """

    below_mm: tuple[float, float]
    aside_mm: tuple[float, float]
    width_mm: tuple[float, float]
    tapers: tuple[float, ...]
    metal: bool
    outward: float
    placing_sd_mm: float


SHAFT = _Kind(
    (98.0, 162.0),
    (0.0, 80.0),
    (25.0, 54.0),
    (-0.06, 0.0, 0.06),
    metal=False,
    outward=0.012,
    placing_sd_mm=0.9,
)
STEM = _Kind(
    (95.0, 150.0),
    (5.0, 80.0),
    (7.0, 26.0),
    (-0.15, -0.1, -0.05, 0.0),
    metal=True,
    outward=0.0,
    placing_sd_mm=0.5,
)
HIPS_APART_MM = 178.0
"""From hip to hip, in their plane; give or take 15 (common practice, no source)."""

_SHORTEST_MM = 30.0
_FLESH_MM, _AS_HIGH = (1.5, 6.0), 5.0
"""Where beside an edge flesh is looked for; how many times one step down may be as high as the
other."""
_BEYOND_MM = 200.0
"""How far from a field an edge may be looked for; half of it is enough."""
_SLOPES = np.arange(-0.275, 0.2751, 0.025)


@dataclass(frozen=True)
class Axis:
    """The middle between two edges.

    Attributes
    ----------
    points_mm : tuple of (x, y)
        From proximal to distal, on the detector.
    score : float
        How much of both edges is seen, 0 to 1.
    spread_mm : float
        Scatter of the edges about straight lines.
    bend_deg : float
        By how much both edges turn from end to end, the lesser of the two; 0 if not the same way.
    """

    points_mm: tuple[tuple[float, float], ...]
    score: float
    spread_mm: float
    bend_deg: float

    @property
    def lean_deg(self) -> float:
        """Angle of the axis to the film's columns, positive where it runs to the patient's left."""
        across, down = np.subtract(self.points_mm[-1], self.points_mm[0])
        return float(np.degrees(np.arctan2(across, down)))


def find_axis(plate: Plate, x_mm: float, y_mm: float, side: Side, kind: _Kind) -> Axis | None:
    """Return the axis between the two edges of `kind` below a hip, or None.

    Parameters
    ----------
    plate : Plate
    x_mm, y_mm : float
        The hip's centre on the detector.
    side : {"left", "right"}
    kind : SHAFT or STEM
    """
    lateral = lateral_sign(side)
    slack = 40.0
    ends = sorted((lateral * (kind.aside_mm[0] - slack), lateral * (kind.aside_mm[1] + slack)))
    field = plate.field(
        _COLUMN_MM,
        (x_mm + ends[0], x_mm + ends[1], y_mm + kind.below_mm[0], y_mm + kind.below_mm[1]),
    )
    edges = _edges(field, kind.metal)
    if edges is None:
        return None
    y, greys, slope = edges
    found = _search(field, greys, slope, y, x_mm, lateral, kind)
    if found is None:
        return None
    (place, lean, width, taper), score = found
    middle_y = float(y.mean())
    lines = []
    for sign in (-1.0, 1.0):
        expected = place + lean * (y - middle_y) + sign * 0.5 * (width + taper * (y - middle_y))
        line = _refine(field, slope, y, expected, -sign)
        if line is not None:
            # Once more about what was found: the first window was cut about a coarser guess.
            line = _refine(field, slope, y, np.polyval(line[0], y - middle_y), -sign)
        if line is None:
            return None
        lines.append(line)
    (first, first_spread, first_bend), (second, second_spread, second_bend) = lines
    bend = min(abs(first_bend), abs(second_bend)) if first_bend * second_bend > 0 else 0.0
    low, high = float(y[0]), float(y[-1])
    points = []
    for at in np.linspace(low, high, 4 if not kind.metal else 2):
        across = 0.5 * (np.polyval(first, at - middle_y) + np.polyval(second, at - middle_y))
        points.append((float(across), float(at)))
    return Axis(tuple(points), score, float(np.hypot(first_spread, second_spread)), bend)


def find_other_shaft(
    plate: Plate, x_mm: float, y_mm: float, side: Side, magnification: float
) -> Axis | None:
    """Return the shaft of the other femur, as `find_axis` does from about where its hip lies.

    A shaft is found wherever its hip lies within some 25 mm of where it is taken to be.
    """
    other = other_side(side)
    across = lateral_sign(other) * HIPS_APART_MM * magnification
    return find_axis(plate, x_mm + across, y_mm, other, SHAFT)


def _edges(field: Field, metal: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Return the y of bands of rows, their greys, and the capped slope of these along x."""
    from scipy.ndimage import gaussian_filter1d, maximum_filter1d

    band = max(1, round(_ROW_MM / field.pitch_mm[0]))
    count = field.greys.shape[0] // band
    if count * _ROW_MM < _SHORTEST_MM or field.greys.shape[1] < 80:
        return None
    greys = field.greys[: count * band].reshape(count, band, -1).mean(axis=1)
    y = field.y_mm[: count * band].reshape(count, band).mean(axis=1)
    slope = gaussian_filter1d(greys, 0.8 / field.pitch_mm[1], axis=1, order=1)
    # The thigh's own outline is a broad slope, steeper than a cortex where the film is bright.
    broad = np.abs(gaussian_filter1d(slope, _BROAD_MM / field.pitch_mm[1], axis=1))
    slope = np.sign(slope) * np.maximum(np.abs(slope) - broad, 0.0)
    if not metal:
        # Beside the body, and behind the collimator, nothing changes along a column.
        flat = np.ptp(greys, axis=0) < _FLAT
        reach = 2 * round(_BESIDE_FLAT_MM / field.pitch_mm[1]) + 1
        slope[:, maximum_filter1d(flat.astype(np.uint8), reach).astype(bool)] = 0.0
    cap = float(np.percentile(np.abs(slope), 98.5 if metal else 93.0))
    return y, greys, np.clip(slope / max(cap, 1e-9), -1.0, 1.0)


def _search(
    field: Field,
    greys: np.ndarray,
    slope: np.ndarray,
    y: np.ndarray,
    x_mm: float,
    lateral: float,
    kind: _Kind,
) -> tuple[tuple[float, float, float, float], float] | None:
    """Return (place, lean, width, taper) of the pair of edges that is seen best, and how well."""
    pitch, first = field.pitch_mm[1], field.first_mm[0]
    # Every other band is enough to find it.
    off = (y - y.mean())[::2, None, None]
    places = x_mm + lateral * np.arange(kind.aside_mm[0], kind.aside_mm[1], 1.5)
    widths = np.arange(kind.width_mm[0], kind.width_mm[1], 1.5)
    best, seen, found = 0.0, 0.0, None
    # Edges that lean out of their column within a band still count; beyond the field there is none.
    from scipy.ndimage import maximum_filter1d

    reach, beyond = 2 * round(1.2 / pitch) + 1, round(_BEYOND_MM / pitch)
    rising, falling = (
        np.pad(maximum_filter1d(edge[::2], reach, axis=1), ((0, 0), (beyond, beyond))).ravel()
        for edge in (np.maximum(slope, 0.0), np.maximum(-slope, 0.0))
    )
    first_of_row = np.arange(len(off))[:, None, None] * (slope.shape[1] + 2 * beyond) + beyond
    steps = _stands_out(greys[::2], _SLOPES * off[:, 0], field, places, widths)
    for lean, stands_out in zip(_SLOPES, steps, strict=True):
        middle = (places[:, None] + lean * off - first) / pitch + first_of_row
        for taper in kind.tapers:
            half = 0.5 * (widths + taper * off) / pitch
            left, right = (np.rint(edge).astype(np.intp) for edge in (middle - half, middle + half))
            # Of pairs that are seen alike the outer one is the bone's: metal and marrow lie inside.
            share = np.minimum(rising[left], falling[right]).mean(axis=0)
            score = (share + kind.outward * widths) * stands_out
            top = np.unravel_index(int(score.argmax()), score.shape)
            if score[top] > best:
                best, seen = float(score[top]), float(share[top])
                found = (float(places[top[0]]), float(lean), float(widths[top[1]]), taper)
    return None if found is None else (found, seen)


def _stands_out(
    greys: np.ndarray, aside_mm: np.ndarray, field: Field, places: np.ndarray, widths: np.ndarray
) -> np.ndarray:
    """Return by how much what lies between two edges is denser than what lies beside, 0 to 1.

    Bone has flesh on either side: the step down is about as high on both. Where one edge is the
    skin, beyond which is air, or the inside of a cortex, it is not.

    Parameters
    ----------
    aside_mm : numpy.ndarray, shape (rows, leans)
        By how much each row lies aside.

    Returns
    -------
    numpy.ndarray, shape (leans, places, widths)
    """
    pitch, first = field.pitch_mm[1], field.first_mm[0]
    columns = np.arange(greys.shape[1])
    aside = np.rint(aside_mm.T / pitch).astype(np.intp)
    at = np.clip(columns + aside[..., None], 0, columns[-1])
    sheared = np.take_along_axis(greys[None], at, axis=2).mean(axis=1)
    upto = np.pad(sheared.cumsum(axis=1), ((0, 0), (1, 0)))

    def mean(low_mm: np.ndarray, high_mm: np.ndarray) -> np.ndarray:
        low, high = (
            np.clip(np.rint((each - first) / pitch).astype(np.intp), 0, columns[-1])
            for each in (low_mm, high_mm)
        )
        return np.asarray((upto[:, high] - upto[:, low]) / np.maximum(high - low, 1))

    left, right = places[:, None] - widths / 2.0, places[:, None] + widths / 2.0
    inside = mean(left, right)
    steps = [
        inside - mean(left - _FLESH_MM[1], left - _FLESH_MM[0]),
        inside - mean(right + _FLESH_MM[0], right + _FLESH_MM[1]),
    ]
    lower, higher = np.minimum(*steps), np.maximum(*steps)
    return np.where(lower > 0.0, np.minimum(_AS_HIGH * lower / np.maximum(higher, 1e-9), 1.0), 0.0)


def _refine(
    field: Field, slope: np.ndarray, y: np.ndarray, expected: np.ndarray, sign: float
) -> tuple[np.ndarray, float, float] | None:
    """Return the line through an edge near where it is expected, its scatter, its bend in deg."""
    pitch, first = field.pitch_mm[1], field.first_mm[0]
    reach = round(2.5 / pitch)
    off = np.arange(-reach, reach + 1)
    at = np.rint((expected - first) / pitch).astype(np.intp)
    columns = np.clip(at[:, None] + off, 0, slope.shape[1] - 1)
    strength = np.maximum(sign * slope[np.arange(len(y))[:, None], columns], 0.0) ** 2
    total = strength.sum(axis=1)
    seen = total > 0.2 * max(float(np.median(total)), 1e-9)
    if seen.sum() < 8:
        return None
    x = first + pitch * (strength * columns).sum(axis=1)[seen] / total[seen]
    centred = y[seen] - y.mean()
    weight = np.ones(len(x))
    line, spread = np.zeros(2), 0.0
    for _ in range(5):
        line = np.polyfit(centred, x, 1, w=weight)
        left = np.abs(x - np.polyval(line, centred))
        spread = max(1.4826 * float(np.median(left)), 0.05)
        weight = np.minimum(1.0, 2.0 * spread / np.maximum(left, 1e-9)) ** 0.5
    bend = 2.0 * np.polyfit(centred, x, 2, w=weight)[0] * np.ptp(y)
    return line, spread, float(np.degrees(bend))
