"""From seeded draws of everything that a measurement rests on to the interval of each number.

Monte Carlo (JCGM 101:2008) of the model that `xraymeasure.measuring.uncertainty` takes to first
order, and the intervals where first order does not hold.
"""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import chndtrix, ndtr, ndtri

from xraymeasure.measuring.uncertainty import (
    AGREEMENT,
    BENT,
    COVERAGE,
    Key,
    Linear,
    Model,
    Term,
    Uncertain,
    by_name,
    sources_of,
)
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import SOURCES

_ENDS = (0.025, 0.975)
"""The quantiles at which a 95 % interval ends."""


@dataclass(frozen=True, eq=False)
class Draws:
    """Numbers drawn with all inputs at once.

    Attributes
    ----------
    rows : mapping of Key to int
        Where each number stands.
    table : numpy.ndarray, shape (rows, draws)
        Each row rising.
    straight : numpy.ndarray, shape (rows, draws)
        What the same draws make of the model to first order, rising; empty where it is not known.
    spread : numpy.ndarray, shape (rows,)
        The spread of that, which is known without draws; nought where it tells nothing.
    """

    rows: Mapping[Key, int]
    table: np.ndarray
    straight: np.ndarray
    spread: np.ndarray

    def quantiles(self, probabilities: Sequence[float], keys: Sequence[Key]) -> np.ndarray:
        """Return quantiles of some numbers, shape (probabilities, keys).

        What the draws miss of the model to first order they miss of the model (control variates).
        """
        rows = [self.rows[key] for key in keys]
        found = _between(self.table[rows], probabilities)
        if not len(self.straight):
            return found
        exact = np.multiply.outer(ndtri(probabilities), self.spread[rows])
        missed = exact - _between(self.straight[rows], probabilities)
        return found + np.where(self.spread[rows] > 0.0, missed, 0.0)

    def ends(self) -> dict[Key, tuple[float, float]]:
        """Return the 95 % interval of every number."""
        low, high = self.quantiles(_ENDS, list(self.rows)).tolist()
        return dict(zip(self.rows, zip(low, high, strict=True), strict=True))

    def distributions(self, keys: Sequence[Key]) -> dict[Key, Distribution]:
        """Return how some numbers are distributed."""
        quantiles = self.quantiles(_PROBABILITIES, keys).T
        return {key: Distribution(one) for key, one in zip(keys, quantiles, strict=True)}


def _between(rising: np.ndarray, probabilities: Sequence[float]) -> np.ndarray:
    """Return quantiles of rising rows, shape (probabilities, rows), linear between two draws.

    numpy's own does the same, at four times the price: it looks for each place anew.
    """
    place = np.asarray(probabilities) * (rising.shape[1] - 1)
    below = np.floor(place).astype(int)
    above = np.minimum(below + 1, rising.shape[1] - 1)
    low, high = rising[:, below], rising[:, above]
    return np.asarray((low + (high - low) * (place - below)).T)


_PROBABILITIES = ndtr(np.linspace(-3.0, 3.0, 61))
"""At which a distribution is kept: evenly in standard deviations of a normal one."""


@dataclass(frozen=True, eq=False)
class Distribution:
    """How a number is distributed, by its quantiles.

    Attributes
    ----------
    quantiles : numpy.ndarray, shape (m,)
        Evenly from -3 to 3 standard deviations, were it normal.
    """

    quantiles: np.ndarray

    def below(self, value: float) -> float:
        """Return the probability that the number is less than a value."""
        rising = np.maximum.accumulate(self.quantiles)
        return float(np.interp(value, rising, _PROBABILITIES, left=0.0, right=1.0))


def draw(
    model: Model, terms: Sequence[Term], draws: int, seed: int, linear: Linear | None = None
) -> Draws:
    """Return draws of all inputs at once; the same seed gives the same.

    The draws fill the space of the inputs evenly (scrambled Sobol points through the inverse
    normal; Owen AB, J Complex 1998;14:466-489, from memory), each seed in another way. Where the
    model to first order is given, what it makes of the same draws tells what they miss (JCGM 101
    leaves the sampling open).

    Draws that the model cannot answer (an outline so noisy that no ellipse passes near it) are
    left out, as is a number that fewer than half of the draws answer.

    Parameters
    ----------
    model, terms
        The model and its inputs.
    draws : int
        How many; a power of two fills space most evenly.
    seed : int
        Of how the points stand to the inputs.
    linear : Linear, optional
        The same model to first order; needed where numbers learn from agreements.
    """
    sources = sources_of(terms)
    size = len(sources)
    bent = tuple(place for place, source in enumerate(sources) if source in BENT)
    deviations = _even_deviations(size, draws, seed, bent)
    inputs = deviations.of(terms)
    if linear:
        count = len(linear.keys)
        slopes = np.vstack([linear.learned, linear.jacobian[count:]])[:, :size]
        straight, off = np.split(deviations.through(slopes), [count])
        off += linear.middle[count:, None].astype(off.dtype)
        moved, gone = linear.settled(off)
        start = 0
        for term in terms:
            if term.source in BENT:
                stop = start + len(term.mean)
                inputs[term.key] -= term.u[:, None].astype(off.dtype) * moved[start:stop]
                start = stop
    numbers = model(inputs)
    keys = [key for key in numbers if key[0] != AGREEMENT]
    kind = deviations.points.dtype
    table = np.stack([numbers[key] for key in keys], dtype=kind) if keys else np.zeros((0, draws))
    if linear:
        rows = [linear.keys.index(key) for key in keys]
        straight, slopes = straight[rows], slopes[rows]
        if linear.agreements:
            still = np.stack([numbers[key] for key in linear.agreements])
            table += gone[rows] - linear.gain[rows].astype(still.dtype) @ still
    answered = np.isfinite(table)
    known = answered.mean(axis=1) >= 0.5
    whole = answered[known].all(axis=0)
    if not whole.all() or not known.all():
        table = table[known][:, whole]
    of_key = {key: row for row, key in enumerate(itertools.compress(keys, known))}
    if not linear:
        return Draws(of_key, np.sort(table, axis=1), np.zeros((0, 0)), np.zeros(len(of_key)))
    if not whole.all() or not known.all():
        straight, slopes = straight[known][:, whole], slopes[known]
    # Where a step tells nothing of the whole spread (a rim seen edge on), neither do its ends.
    alike = (table - straight).var(axis=1) < 0.25 * table.var(axis=1)
    spread = alike * np.sqrt((slopes**2).sum(axis=1))
    table.sort(axis=1)
    straight.sort(axis=1)
    return Draws(of_key, table, straight, spread)


@dataclass(frozen=True, eq=False)
class Deviations:
    """Draws of standard normal inputs.

    Attributes
    ----------
    points : numpy.ndarray, shape (inputs, draws)
        In an order of their own. In single precision, which moves a click by a ten-thousandth of a
        pixel and is half as much to move about.
    order : numpy.ndarray, shape (inputs,)
        The input that each row stands for.
    signs : numpy.ndarray, shape (inputs,)
        1 or -1: the inputs, in their own order, that are mirrored.
    """

    points: np.ndarray
    order: np.ndarray
    signs: np.ndarray

    def of(self, terms: Sequence[Term]) -> dict[str, np.ndarray]:
        """Return the inputs of these terms, each ``(k, draws)``, by name."""
        if not terms:
            return {}
        spreads = self.signs * np.concatenate([term.u for term in terms])
        drawn = self.points[np.argsort(self.order)]
        drawn *= spreads[:, None].astype(drawn.dtype)
        drawn += np.concatenate([term.mean for term in terms])[:, None].astype(drawn.dtype)
        return by_name(terms, drawn)

    def through(self, slopes: np.ndarray) -> np.ndarray:
        """Return what slopes, (numbers, inputs), make of them, shape (numbers, draws)."""
        return np.asarray(
            (slopes * self.signs)[:, self.order].astype(self.points.dtype) @ self.points
        )


def _even_deviations(size: int, draws: int, seed: int, first: tuple[int, ...]) -> Deviations:
    """Return draws of standard normal inputs that fill their space evenly.

    One set of points serves all seeds, which exchange its coordinates and mirror them: a new set
    for each reading of a study would cost as much as measuring it. The first Sobol coordinates
    are the evenest: they go to the inputs in `first`, which bend the model.
    """
    rng = np.random.default_rng(seed)
    rest = np.setdiff1d(np.arange(size), first)
    order = np.concatenate([rng.permutation(np.array(each, dtype=int)) for each in (first, rest)])
    # Films differ in their number of inputs: one set for as many as the next power of two.
    points = _even_points(max(16, 1 << (size - 1).bit_length()), draws)[:size]
    return Deviations(points, order, rng.choice([-1.0, 1.0], size))


@lru_cache(maxsize=4)
def _even_points(size: int, draws: int) -> np.ndarray:
    """Return scrambled Sobol points as standard normal deviations, (size, draws)."""
    # Imported here: it takes longer than measuring a film, and a live number does without.
    from scipy.stats import qmc

    with warnings.catch_warnings():
        # Any number of draws is valid; a power of two is only evener.
        warnings.filterwarnings("ignore", message="The balance properties of Sobol")
        uniform = qmc.Sobol(size, scramble=True, seed=0).random(draws)
    points = np.array(ndtri(np.clip(uniform.T, 1e-12, 1.0 - 1e-12)), np.float32, order="C")
    points.setflags(write=False)
    return points


_OF_A_RIM = ("perspective", "perspective_other", "ellipse")
"""Methods by which a cup's angles are read from its rim."""


def with_flat_rims(
    intervals: Mapping[Key, Uncertain],
    drawn: Mapping[Key, tuple[float, float]],
    flat: Collection[Side],
) -> dict[Key, Uncertain]:
    """Return first-order intervals with those of flat rims taken from draws.

    A small step has no meaning where the axis ratio has its floor. A ratio larger than placing
    allows is drawn back to the end of its interval.
    """
    mended = dict(intervals)
    for key, (low, high) in drawn.items():
        name, side, method = key
        if side in flat and (method in _OF_A_RIM or name.startswith("head_to_cup")):
            mended[key] = replace(
                mended[key],
                value=min(max(mended[key].value, low), high),
                low=low,
                high=high,
                standard_uncertainty=(high - low) / (2.0 * COVERAGE),
                sources={**dict.fromkeys(SOURCES, 0.0), "placing": 1.0},
            )
    return mended


def with_ellipse_biased(
    intervals: Mapping[Key, Uncertain], drawn: dict[Key, tuple[float, float]]
) -> dict[Key, Uncertain]:
    """Return intervals in which the ellipse method owns up to what it leaves out.

    It takes rays as parallel. By how much that is off follows from the perspective method on the
    same outline; the interval, still about the method's own value, is as wide as holds the truth
    95 times in 100.
    """
    mended = dict(intervals)
    for key, interval in intervals.items():
        name, side, method = key
        if method != "ellipse":
            continue
        drawn.pop(key, None)
        exact = intervals[name, side, "perspective"]
        low, high = drawn.get((name, side, "perspective"), (exact.low, exact.high))
        spread = (high - low) / (2.0 * COVERAGE)
        bias = interval.value - (low + high) / 2.0
        half = biased_half_width(bias, spread)
        u = (spread**2 + bias**2) ** 0.5
        shares = {source: share * (spread / u) ** 2 for source, share in exact.sources.items()}
        shares["geometry"] += (bias / u) ** 2
        mended[key] = Uncertain(
            interval.value, interval.value - half, interval.value + half, u, shares
        )
    return mended


def biased_half_width(bias: float, spread: float) -> float:
    """Return how far about a value the truth lies 95 times in 100, if the value is off by `bias`.

    The truth scatters normally, by `spread`, about the value less its bias: its squared distance
    from the value is a non-central chi-square.

    Examples
    --------
    >>> print(f"{biased_half_width(0.0, 1.0):.2f} {biased_half_width(5.0, 1.0):.2f}")
    1.96 6.64
    """
    if spread == 0.0:
        return abs(bias)
    return spread * float(np.sqrt(chndtrix(0.95, 1, (bias / spread) ** 2)))
