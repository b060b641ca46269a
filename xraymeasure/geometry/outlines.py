"""Which clicks of an outline count: one on each spot, and none that does not fit the others.

A fit by least squares follows a wrong click. Every click is therefore held against the curve
through the others: leaving it out takes so much off the sum of squares that placing does not
explain it. What remains is compared with the placing spread, which is widened where it was too
small.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import dist
from typing import Literal

import numpy as np
from scipy.special import chdtrc, fdtri

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import as_key, fit_circle, fitted, squares_about_circles
from xraymeasure.geometry.ellipses import fit_ellipse, squares_about_ellipses

SIGNIFICANCE = 0.05
"""How often an outline of sound clicks may be said to hold one that does not fit; less often where
the placing spread is as stated, which the test does not take for certain."""

SPREAD_FREEDOM = 8.0
"""Degrees of freedom that the stated placing spread counts for beside the clicks' own scatter.
Working default: a default spread may be twice a careful reader's."""

WIDER_SIGNIFICANCE = 0.02
"""Below this probability of the residuals the placing spread was stated too small."""

SUSPECTS = 16
"""So many clicks of an outline are each held against the others; of more, those farthest off."""

SAME_SPOT = 0.5
"""Two clicks nearer than this many placing spreads, and one pixel, are one."""

Shape = Literal["circle", "ellipse"]
_PARAMETERS = {"circle": 3, "ellipse": 5}
_FIT = {"circle": fit_circle, "ellipse": fit_ellipse}


@dataclass(frozen=True)
class Outline:
    """What became of the clicks on one outline; all are numbered from 0 as they were placed.

    Attributes
    ----------
    used : tuple of int
        Clicks that count.
    repeated : tuple of int
        Clicks on the spot of an earlier one.
    off : tuple of int
        Clicks that do not fit the others and were left out.
    one_is_off : bool
        Whether one does not fit and there are too few to tell which.
    spread_factor : float
        By how much the clicks scatter more than stated; 1 where placing explains them.
    """

    used: tuple[int, ...]
    repeated: tuple[int, ...] = ()
    off: tuple[int, ...] = ()
    one_is_off: bool = False
    spread_factor: float = 1.0


def sound_clicks(
    points: np.ndarray,
    spread: float,
    pixel: float,
    shape: Shape,
    minimum: int,
    longest: float = np.inf,
) -> Outline:
    """Return which clicks of an outline count.

    Parameters
    ----------
    points : numpy.ndarray, shape (n, 2)
        In any unit with equal scale on both axes.
    spread : float
        Placing spread of each coordinate, in that unit.
    pixel : float
        Size of a pixel in that unit.
    shape : {"circle", "ellipse"}
        What the outline is.
    minimum : int
        Least number of clicks of this landmark.
    longest : float
        How long a half-axis of an ellipse can be.

    Examples
    --------
    >>> turn = np.arange(10) * np.pi / 5
    >>> points = 100.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    >>> points[3] += [12.0, 0.0]
    >>> sound_clicks(points, 1.0, 1.0, "circle", 3).off
    (3,)
    """
    placed = as_key(np.asarray(points, dtype=float))
    return _sound_clicks(placed, float(spread), float(pixel), shape, minimum, float(longest))


@lru_cache(maxsize=128)
def _sound_clicks(
    placed: tuple[tuple[float, ...], ...],
    spread: float,
    pixel: float,
    shape: Shape,
    minimum: int,
    longest: float,
) -> Outline:
    points = np.array(placed)
    used, repeated = _once_each(placed, max(pixel, SAME_SPOT * spread))
    if len(used) < minimum:
        return Outline(tuple(range(len(points))))
    size = _PARAMETERS[shape]
    off: list[int] = []
    most = max(1, len(used) // 4)
    one_is_off = False
    left = 0.0
    while len(used) > size:
        left = _about_one_curve(points[used], spread, shape, longest)
        found = _worst(points[used], left, spread, shape, longest)
        if found is None:
            break
        if len(used) == size + 1 or len(used) <= minimum or len(off) == most:
            one_is_off = True
            break
        off.append(used.pop(found))
    factor = _wider(left, len(used) - size, spread) if len(used) > size else 1.0
    return Outline(tuple(used), tuple(repeated), tuple(sorted(off)), one_is_off, factor)


def _once_each(points: tuple[tuple[float, ...], ...], near: float) -> tuple[list[int], list[int]]:
    used: list[int] = []
    repeated: list[int] = []
    for index, point in enumerate(points):
        same = any(dist(point, points[earlier]) < near for earlier in used)
        (repeated if same else used).append(index)
    return used, repeated


def _squares(sets: np.ndarray, shape: Shape, longest: float) -> np.ndarray:
    """Return for each set of points the sum of squares about its curve."""
    if shape == "circle":
        return squares_about_circles(sets)
    return squares_about_ellipses(sets, longest)


def _about_one_curve(points: np.ndarray, spread: float, shape: Shape, longest: float) -> float:
    """Return the sum of squares of the clicks about their curve.

    From one fit where that leaves no more than placing explains, else the least of several starts.
    """
    try:
        fit = fitted(_FIT[shape], as_key(points))
        left = float(fit.residuals @ fit.residuals) if fit.parameters[2] <= longest else np.inf
    except MeasureError:
        left = np.inf
    if chdtrc(len(points) - _PARAMETERS[shape], left / spread**2) >= WIDER_SIGNIFICANCE:
        return left
    return min(left, float(_squares(points[:, :, None], shape, longest)[0]))


def _worst(
    points: np.ndarray, whole: float, spread: float, shape: Shape, longest: float
) -> int | None:
    """Return the click that does not fit the others; None where all do.

    `whole` is the sum of squares about the curve through all. The test is that of the largest
    deleted residual (Cook RD, Weisberg S, Residuals and Influence in Regression, Chapman and Hall
    1982; from memory), Bonferroni's share for each click, with the stated spread as so many
    further degrees of freedom.
    """
    count, freedom = len(points), len(points) - _PARAMETERS[shape]
    tests = count if freedom > 1 else 1  # with one to spare, every click explains it alike
    limit = float(fdtri(1, SPREAD_FREEDOM + freedom - 1, 1.0 - SIGNIFICANCE / tests))
    stated = SPREAD_FREEDOM * spread**2
    if whole <= limit * stated / (SPREAD_FREEDOM + freedom - 1):
        return None
    if freedom == 1:
        return 0 if whole > limit * spread**2 else None
    suspects = _farthest(points, shape)
    others = np.stack([np.delete(points, each, axis=0) for each in suspects], axis=-1)
    left = _squares(others, shape, longest)
    least = float(left.min())
    test = (whole - least) / ((stated + least) / (SPREAD_FREEDOM + freedom - 1))
    return suspects[int(left.argmin())] if test > limit else None


def _farthest(points: np.ndarray, shape: Shape) -> list[int]:
    """Return the clicks that may be the one off: all, of many those farthest from their curve.

    A click draws the curve of a few others to itself, but not that of many.
    """
    every = list(range(len(points)))
    if len(points) <= SUSPECTS:
        return every
    try:
        off = np.abs(fitted(_FIT[shape], as_key(points)).residuals)
    except MeasureError:
        return every
    return sorted(np.argsort(off)[-SUSPECTS:].tolist())


def _wider(left: float, freedom: int, spread: float) -> float:
    """Return how much wider the clicks scatter than stated; 1 where placing explains it."""
    wider = chdtrc(freedom, left / spread**2) < WIDER_SIGNIFICANCE
    return float((left / freedom) ** 0.5 / spread) if wider else 1.0
