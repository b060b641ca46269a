"""From the spread of what a measurement rests on to the interval of each number.

Everything uncertain is one vector of inputs with a mean and a standard uncertainty each. It is
pushed through the one model of the measurement, either by small steps (first order; GUM, JCGM
100:2008, 5.1.2) or by seeded draws (Monte Carlo; JCGM 101:2008).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS
from xraymeasure.vocabulary.quantities import SOURCES

Key = tuple[str, str | None, str]
"""Name, side and method of a number."""

Numbers = dict[Key, np.ndarray]
"""Numbers, each ``(draws,)``."""

Model = Callable[[Mapping[str, np.ndarray]], Mapping[Key, np.ndarray]]
"""From inputs, each ``(k, draws)``, to numbers, each ``(draws,)``."""

COVERAGE = 1.959964
"""Half-width of a 95 % interval in standard uncertainties, normal distribution."""


@dataclass(frozen=True, eq=False)
class Term:
    """Some inputs of one source.

    Attributes
    ----------
    key : str
        What the model calls them.
    source : str
        One of `SOURCES`.
    mean, u : numpy.ndarray, shape (k,)
        Estimates and standard uncertainties.
    as_read : numpy.ndarray, shape (k,), optional
        What the number as read takes instead of the estimate.
    """

    key: str
    source: str
    mean: np.ndarray
    u: np.ndarray
    as_read: np.ndarray | None = None

    def drawn(self, deviations: np.ndarray) -> np.ndarray:
        """Return the inputs at so many standard uncertainties from their estimates."""
        return self.mean[:, None] + self.u[:, None] * deviations


@dataclass(frozen=True)
class Interval:
    """A number as read, its 95 % interval, its standard uncertainty and what that is made of."""

    value: float
    low: float
    high: float
    standard_uncertainty: float
    sources: Mapping[str, float]


def biased_half_width(bias: float, spread: float) -> float:
    """Return how far about a value the truth lies 95 times in 100, if the value is off by `bias`.

    The truth scatters normally, by `spread`, about the value less its bias: the quantile of a
    folded normal distribution.

    Examples
    --------
    >>> print(f"{biased_half_width(0.0, 1.0):.2f} {biased_half_width(5.0, 1.0):.2f}")
    1.96 6.64
    """
    low, high = abs(bias), abs(bias) + COVERAGE * spread
    for _ in range(30):
        middle = (low + high) / 2.0
        inside = ndtr((middle - bias) / spread) - ndtr((-middle - bias) / spread)
        low, high = (middle, high) if inside < 0.95 else (low, middle)
    return high


def placing_sd_px(reading: Reading, name: str, mm_per_px: float) -> float:
    """Return the placing spread of one point of a landmark, in pixels.

    The reading's own value where it has one, else the default of the vocabulary.
    """
    own = reading.placing_sd_px
    if isinstance(own, Mapping):
        own = own.get(name)
    return float(own) if own else LANDMARKS[name].kind.placing_sd_mm / mm_per_px


AS_READ = "as_read"
"""The input, ``(draws,)`` of truth values, that says which draw is the film as it was read."""


def at_means(terms: list[Term], draws: int = 1) -> dict[str, np.ndarray]:
    """Return the inputs at their estimates, each ``(k, draws)``."""
    return {term.key: np.repeat(term.mean[:, None], draws, axis=1) for term in terms}


def _unpack(terms: list[Term], deviations: np.ndarray) -> dict[str, np.ndarray]:
    """Return inputs from deviations in standard uncertainties, shape (all inputs, draws)."""
    inputs, start = {}, 0
    for term in terms:
        stop = start + len(term.mean)
        inputs[term.key] = term.drawn(deviations[start:stop])
        start = stop
    return inputs


def first_order(model: Model, terms: list[Term]) -> dict[Key, Interval]:
    """Return every number as read, and its interval to first order: one small step in each input.

    The interval is centred where the model puts the number when every input has its mean; that
    need not be the number as read, where a method is biased. Both come from one evaluation.
    """
    counts = [len(term.mean) for term in terms]
    size, step = sum(counts), 1e-3
    of_source = np.array([[term.source == source for term in terms] for source in SOURCES])
    of_source = np.repeat(of_source, counts, axis=1)
    # The means, a step in each input, and the film as read.
    deviations = np.zeros((size, size + 2))
    deviations[np.arange(size), np.arange(size) + 1] = step
    inputs = _unpack(terms, deviations)
    for term in terms:
        if term.as_read is not None:
            inputs[term.key][:, -1] = term.as_read
    inputs[AS_READ] = np.arange(size + 2) == size + 1
    numbers = model(inputs)
    if not numbers:
        return {}
    table = np.stack(list(numbers.values()))
    parts = ((table[:, 1:-1] - table[:, :1]) / step) ** 2
    by_source = parts @ of_source.T
    found = {}
    for key, values, shares in zip(numbers, table.tolist(), by_source, strict=True):
        middle, variance = values[0], float(shares.sum())
        u = variance**0.5
        shares = (shares / variance if variance > 0 else shares).tolist()
        found[key] = Interval(
            values[-1],
            middle - COVERAGE * u,
            middle + COVERAGE * u,
            u,
            dict(zip(SOURCES, shares, strict=True)),
        )
    return found


def monte_carlo(
    model: Model, terms: list[Term], draws: int, seed: int
) -> dict[Key, tuple[float, float]]:
    """Return 95 % intervals from draws of all inputs at once; the same seed gives the same.

    Draws that the model cannot answer (an outline so noisy that no ellipse passes near it) are
    left out; a number that fewer than half of the draws answer has no interval of its own here.
    """
    rng = np.random.Generator(np.random.SFC64(seed))
    size = sum(len(term.mean) for term in terms)
    numbers = model(_unpack(terms, rng.standard_normal((size, draws))))
    if not numbers:
        return {}
    table = np.stack(list(numbers.values()))
    answered = np.isfinite(table)
    known = answered.mean(axis=1) >= 0.5
    whole = answered[known].all(axis=0)
    low, high = np.quantile(table[known][:, whole], [0.025, 0.975], axis=1)
    keys = [key for key, one in zip(numbers, known, strict=True) if one]
    return dict(zip(keys, zip(low.tolist(), high.tolist(), strict=True), strict=True))
