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
from scipy.special import chdtrc, chdtri, fdtri

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import as_key, fit_circle, fitted, squares_about_circles
from xraymeasure.geometry.ellipses import (
    first_ellipse,
    fit_ellipse,
    passes_close,
    squares_about_ellipses,
)
from xraymeasure.geometry.least_squares import Fit

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

CLEARLY = 1.25
"""A click is off whatever the last steps of a fit, where its sum of squares is so many times what
is allowed."""

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
        last = len(used) == size + 1 or len(used) <= minimum or len(off) == most
        found, left = _worst(points[used], spread, shape, longest, to_the_end=last)
        if found is None or last:
            one_is_off = found is not None
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


def _squares(sets: np.ndarray, shape: Shape, longest: float, enough: float = np.inf) -> np.ndarray:
    """Return for each set of points the sum of squares about its curve."""
    if shape == "circle":
        return squares_about_circles(sets)
    return squares_about_ellipses(sets, longest, enough)


def _first_fit(points: np.ndarray, shape: Shape, longest: float) -> Fit | None:
    """Return the curve that is found without trying several starts, None where none is."""
    try:
        fit = fitted(fit_circle, as_key(points)) if shape == "circle" else first_ellipse(points)
    except MeasureError:
        return None
    return None if fit is None or fit.parameters[2] > longest else fit


def _at_once(points: np.ndarray, shape: Shape, longest: float) -> float:
    """Return the sum of squares of the clicks about a curve that is surely theirs, or infinity."""
    fit = _first_fit(points, shape, longest)
    if fit is None or (shape == "ellipse" and not passes_close(fit, points)):
        return np.inf
    return float(fit.residuals @ fit.residuals)


def _about_one_curve(points: np.ndarray, shape: Shape, longest: float) -> float:
    """Return the sum of squares of the clicks about their curve, the least of several starts."""
    try:
        fit = fitted(_FIT[shape], as_key(points))
        left = float(fit.residuals @ fit.residuals) if fit.parameters[2] <= longest else np.inf
    except MeasureError:
        left = np.inf
    return min(left, float(_squares(points[:, :, None], shape, longest)[0]))


def _worst(
    points: np.ndarray, spread: float, shape: Shape, longest: float, *, to_the_end: bool
) -> tuple[int | None, float]:
    """Return the click that does not fit the others, None where all do, and the sum of squares.

    That of all clicks about their curve; only roughly where one is off and it is not wanted
    `to_the_end`. The test is that of the largest deleted residual (Cook RD, Weisberg S, Residuals
    and Influence in Regression, Chapman and Hall 1982; from memory), Bonferroni's share for each
    click, with the stated spread as so many further degrees of freedom.
    """
    count, freedom = len(points), len(points) - _PARAMETERS[shape]
    tests = count if freedom > 1 else 1  # with one to spare, every click explains it alike
    largest = float(fdtri(1, SPREAD_FREEDOM + freedom - 1, 1.0 - SIGNIFICANCE / tests))
    stated, share = SPREAD_FREEDOM * spread**2, largest / (SPREAD_FREEDOM + freedom - 1)
    whole = _at_once(points, shape, longest)
    explained = chdtrc(freedom, whole / spread**2) >= WIDER_SIGNIFICANCE
    if freedom == 1 or (explained and whole <= share * stated):
        if not explained:
            whole = _about_one_curve(points, shape, longest)
        return 0 if whole > share * stated else None, whole
    suspects = _farthest(points, shape, longest)
    others = np.stack([np.delete(points, each, axis=0) for each in suspects], axis=-1)
    placing = float(chdtri(freedom - 1, WIDER_SIGNIFICANCE)) * spread**2
    left = _squares(others, shape, longest, placing)
    least, worst = float(left.min()), suspects[int(left.argmin())]
    limit = max(share * stated, least + share * (stated + least))
    if not explained:
        # Of any length: one that is held to its own lies no nearer.
        roughly = float(_squares(points[:, :, None], shape, np.inf, limit)[0])
        if min(whole, roughly) > CLEARLY * limit and not to_the_end:
            return worst, whole
        whole = _about_one_curve(points, shape, longest)
    return worst if whole > limit else None, whole


def _farthest(points: np.ndarray, shape: Shape, longest: float) -> list[int]:
    """Return the clicks that may be the one off: all, of many those farthest from their curve.

    A click draws the curve of a few others to itself, but not that of many.
    """
    every = list(range(len(points)))
    if len(points) <= SUSPECTS:
        return every
    fit = _first_fit(points, shape, longest)
    if fit is None:
        return every
    return sorted(np.argsort(np.abs(fit.residuals))[-SUSPECTS:].tolist())


def _wider(left: float, freedom: int, spread: float) -> float:
    """Return how much wider the clicks scatter than stated; 1 where placing explains it."""
    wider = chdtrc(freedom, left / spread**2) < WIDER_SIGNIFICANCE
    return float((left / freedom) ** 0.5 / spread) if wider else 1.0
