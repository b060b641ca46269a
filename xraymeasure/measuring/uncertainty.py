"""From the spread of what a measurement rests on to the interval of each number.

Everything uncertain is one vector of inputs with a mean and a standard uncertainty each. It is
pushed through the one model of the measurement, either by small steps (first order; GUM, JCGM
100:2008, 5.1.2) or by seeded draws (Monte Carlo; JCGM 101:2008).
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.special import ndtr, ndtri

from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side
from xraymeasure.vocabulary.quantities import SOURCES

Key = tuple[str, Side | None, str]
"""Name, side and method of a number."""

Numbers = dict[Key, np.ndarray]
"""Numbers, each ``(draws,)``."""

Model = Callable[[Mapping[str, np.ndarray]], Mapping[Key, np.ndarray]]
"""From inputs, each ``(k, draws)``, to numbers, each ``(draws,)``."""

COVERAGE = 1.959963984540054
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
        return np.asarray(self.mean[:, None] + self.u[:, None] * deviations)


@dataclass(frozen=True)
class Uncertain:
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


_ENDS = (0.025, 0.975)
"""The quantiles at which a 95 % interval ends."""

AS_READ = "as_read"
"""The input, ``(draws,)`` of truth values, that says which draw is the film as it was read."""

AGREEMENT = "agreement"
"""Name of a number that is zero where every input is what it is in truth."""

LEARNING = ("posture", "in_space")
"""Methods whose numbers learn from the agreements: what disagrees with the film is less likely."""

_BENT = ("posture", "anatomy")
"""Sources so wide that the model bends over them."""

_FAR = 3.0**0.5
"""Where a bent input is looked at besides its mean, in standard uncertainties (Gauss-Hermite)."""


def _unpack(terms: Sequence[Term], deviations: np.ndarray) -> dict[str, np.ndarray]:
    """Return inputs from deviations in standard uncertainties, shape (all inputs, draws)."""
    inputs, start = {}, 0
    for term in terms:
        stop = start + len(term.mean)
        inputs[term.key] = term.drawn(deviations[start:stop])
        start = stop
    return inputs


@dataclass(frozen=True)
class LandmarkShare:
    """What the clicks of one landmark do to a number.

    Attributes
    ----------
    landmark : str
        Its name.
    share : float
        Of the number's variance.
    click : int
        The click that moves the number most, from 0.
    per_px : float
        By how much it moves the number for each pixel, in the worst direction.
    """

    landmark: str
    share: float
    click: int
    per_px: float


@dataclass(frozen=True, eq=False)
class Linear:
    """The model to first order in its inputs, and what its numbers learn from the agreements.

    Attributes
    ----------
    terms : tuple of Term
        The inputs.
    keys, agreements : tuple of Key
        Of the numbers, and of what should be zero.
    as_read : numpy.ndarray, shape (keys,)
        Each number as the film was read.
    middle : numpy.ndarray, shape (keys + agreements,)
        Their expectations.
    jacobian : numpy.ndarray, shape (keys + agreements, inputs)
        Change for one standard uncertainty of each input. Behind the inputs stand the bends: what
        an input of `_BENT` adds when it is far from its mean on either side.
    sources : tuple of str
        Of each column.
    bent : tuple of int
        The inputs whose bends stand behind, in their order.
    """

    terms: tuple[Term, ...]
    keys: tuple[Key, ...]
    agreements: tuple[Key, ...]
    as_read: np.ndarray
    middle: np.ndarray
    jacobian: np.ndarray
    sources: tuple[str, ...]
    bent: tuple[int, ...]

    @cached_property
    def gain(self) -> np.ndarray:
        """How much of each agreement is taken off each number, shape (keys, agreements).

        Linear Bayes: the inputs are normal, the agreements are zero; ``cov(number, agreement)
        cov(agreement)^-1`` (Goldstein M, Wooff D, Bayes Linear Statistics, Wiley 2007; from
        memory).
        """
        ours = self.jacobian[: len(self.keys)]
        learning = np.array([method in LEARNING for _, _, method in self.keys])
        return np.asarray((ours @ self._from_agreements) * learning[:, None])

    @cached_property
    def _from_agreements(self) -> np.ndarray:
        """How far the agreements move each input, shape (inputs, agreements)."""
        zeros = self.jacobian[len(self.keys) :]
        return zeros.T @ np.linalg.pinv(zeros @ zeros.T, hermitian=True)

    def settled(self, deviations: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return draws whose bent inputs learned from the agreements, and what numbers still lack.

        The model is then looked at where the film leaves the femurs, not over all that they might
        have been before it (Matheron's rule; Doucet A, Tech Rep, Univ British Columbia 2010; from
        memory). Nothing but what learns depends on the bent inputs.

        Parameters
        ----------
        deviations : numpy.ndarray, shape (inputs, draws)
            In standard uncertainties.

        Returns
        -------
        deviations : numpy.ndarray, shape (inputs, draws)
        lacking : numpy.ndarray, shape (keys + agreements, draws)
            To be taken off the numbers and the agreements that these draws give.
        """
        size, count = len(deviations), len(self.keys)
        slopes = self.jacobian[:, :size]
        off = self.middle[count:, None] + slopes[count:] @ deviations
        bent = np.isin(self.sources[:size], _BENT)
        moved = self._from_agreements[:size] * bent[:, None] @ off
        learned = slopes @ moved
        lacking = np.vstack([self.gain @ off - learned[:count], off - learned[count:]])
        return deviations - moved, lacking

    @cached_property
    def learned(self) -> np.ndarray:
        """The jacobian of the numbers with what they learn, shape (keys, inputs)."""
        ours, zeros = np.split(self.jacobian, [len(self.keys)])
        return np.asarray(ours - self.gain @ zeros)

    @cached_property
    def expected(self) -> np.ndarray:
        """The expectation of each number with what it learns, shape (keys,)."""
        ours, zeros = np.split(self.middle, [len(self.keys)])
        return np.asarray(ours - self.gain @ zeros)

    def difference(self, one: Key, other: Key) -> tuple[float, float, float] | None:
        """Return one number minus another with its 95 % interval, by their joint covariance.

        None where either is lacking. What both share, such as the scale, the line and what is
        common to two femurs, counts once.
        """
        if one not in self.keys or other not in self.keys:
            return None
        row, less, count = self.keys.index(one), self.keys.index(other), len(self.keys)
        slopes = self.jacobian[row] - self.jacobian[less]
        if one[2] not in LEARNING:
            as_read = float(self.as_read[row] - self.as_read[less])
            return learned_interval(slopes, as_read, self.jacobian[:0], np.zeros(0))
        middle = float(self.middle[row] - self.middle[less])
        return learned_interval(slopes, middle, self.jacobian[count:], self.middle[count:])

    def intervals(self) -> dict[Key, Uncertain]:
        """Return every number as read, its interval and what that is made of."""
        squares = self.learned**2
        of_source = np.array([[one == source for one in self.sources] for source in SOURCES])
        by_source = squares @ of_source.T
        found = {}
        for key, as_read, middle, parts in zip(
            self.keys, self.as_read.tolist(), self.expected.tolist(), by_source, strict=True
        ):
            variance = float(parts.sum())
            u = variance**0.5
            shares = (parts / variance if variance > 0 else parts).tolist()
            found[key] = Uncertain(
                middle if key[2] in LEARNING else as_read,
                middle - COVERAGE * u,
                middle + COVERAGE * u,
                u,
                dict(zip(SOURCES, shares, strict=True)),
            )
        return found

    def of_landmarks(self, key: Key) -> tuple[LandmarkShare, ...]:
        """Return what the clicks of each landmark do to a number, the largest share first."""
        row = self.learned[self.keys.index(key)]
        variance = float(row @ row)
        found, start = [], 0
        for term in self.terms:
            stop = start + len(term.mean)
            if term.source == "placing" and len(term.mean) > 1 and variance > 0:
                moved = row[start:stop].reshape(-1, 2)
                steps = np.hypot(*(moved / term.u.reshape(-1, 2)).T)
                click = int(steps.argmax())
                share = float((moved**2).sum() / variance)
                found.append(LandmarkShare(term.key, share, click, float(steps[click])))
            start = stop
        return tuple(sorted(found, key=lambda item: -item.share))


def learned_interval(
    slopes: np.ndarray, middle: float, zeros: np.ndarray, off: np.ndarray
) -> tuple[float, float, float]:
    """Return a number that learned from agreements, with its 95 % interval.

    Parameters
    ----------
    slopes : numpy.ndarray, shape (inputs,)
        Of the number, for one standard uncertainty of each input.
    middle : float
        Its expectation before it learned.
    zeros : numpy.ndarray, shape (agreements, inputs)
        Slopes of the agreements.
    off : numpy.ndarray, shape (agreements,)
        By how much each is off zero at the means.
    """
    gain = slopes @ zeros.T @ np.linalg.pinv(zeros @ zeros.T, hermitian=True)
    value = middle - float(gain @ off)
    half = COVERAGE * float(np.sqrt(((slopes - gain @ zeros) ** 2).sum()))
    return value, value - half, value + half


def linearise(model: Model, terms: Sequence[Term]) -> Linear:
    """Return the model to first order: one small step in each input, from one evaluation.

    An input of posture or anatomy is looked at far on both sides of its mean instead: over its
    spread the film's answer bends. The interval is centred where the model puts the number when
    every input has its mean; that need not be the number as read, where a method is biased.
    """
    counts = [len(term.mean) for term in terms]
    size, step = sum(counts), 1e-3
    sources = np.repeat([term.source for term in terms], counts)
    bent = np.flatnonzero(np.isin(sources, _BENT))
    steps = np.full(size, step)
    steps[bent] = _FAR
    # The means, a step in each input, a step back in each bent one, and the film as read.
    deviations = np.zeros((size, size + len(bent) + 2))
    deviations[np.arange(size), np.arange(size) + 1] = steps
    deviations[bent, size + 1 + np.arange(len(bent))] = -_FAR
    inputs = _unpack(terms, deviations)
    for term in terms:
        if term.as_read is not None:
            inputs[term.key][:, -1] = term.as_read
    inputs[AS_READ] = np.arange(deviations.shape[1]) == deviations.shape[1] - 1
    numbers = model(inputs)
    keys = tuple(key for key in numbers if key[0] != AGREEMENT)
    agreements = tuple(key for key in numbers if key[0] == AGREEMENT)
    rows = [numbers[key] for key in (*keys, *agreements)]
    table = np.stack(rows) if rows else np.zeros((0, deviations.shape[1]))
    middle = table[:, 0].copy()
    slopes = (table[:, 1 : size + 1] - table[:, :1]) / steps
    back = (table[:, size + 1 : -1] - table[:, :1]) / _FAR
    bends = (slopes[:, bent] + back) / _FAR
    slopes[:, bent] = (slopes[:, bent] - back) / 2.0
    middle += bends.sum(axis=1) / 2.0
    return Linear(
        tuple(terms),
        keys,
        agreements,
        table[: len(keys), -1],
        middle,
        np.hstack([slopes, bends / 2.0**0.5]),
        (*sources.tolist(), *sources[bent].tolist()),
        tuple(bent.tolist()),
    )


@dataclass(frozen=True, eq=False)
class Draws:
    """Numbers drawn with all inputs at once.

    Attributes
    ----------
    rows : mapping of Key to int
        Where each number stands.
    table : numpy.ndarray, shape (rows, draws)
    straight : numpy.ndarray, shape (rows, draws)
        What the same draws make of the model to first order; empty where it is not known.
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
        found = np.asarray(np.quantile(self.table[rows], probabilities, axis=1))
        if not len(self.straight):
            return found
        exact = np.multiply.outer(ndtri(probabilities), self.spread[rows])
        missed = exact - np.quantile(self.straight[rows], probabilities, axis=1)
        return found + np.where(self.spread[rows] > 0.0, missed, 0.0)

    def ends(self) -> dict[Key, tuple[float, float]]:
        """Return the 95 % interval of every number."""
        low, high = self.quantiles(_ENDS, list(self.rows)).tolist()
        return dict(zip(self.rows, zip(low, high, strict=True), strict=True))

    def distribution(self, key: Key) -> Distribution:
        """Return how one number is distributed."""
        return Distribution(self.quantiles(_PROBABILITIES, [key])[:, 0])


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
    normal; Owen AB, J Complex 1998;14:466-489, from memory). Where the model to first order is
    given, what it makes of the same draws tells what they miss (JCGM 101 leaves the sampling
    open). So a fifth of the pseudo-random draws does.

    Draws that the model cannot answer (an outline so noisy that no ellipse passes near it) are
    left out, as is a number that fewer than half of the draws answer.

    Parameters
    ----------
    model, terms
        The model and its inputs.
    draws : int
        How many; a power of two fills space most evenly.
    seed : int
        Of the scrambling.
    linear : Linear, optional
        The same model to first order; needed where numbers learn from agreements.
    """
    sources = np.repeat([term.source for term in terms], [len(term.mean) for term in terms])
    # The first Sobol coordinates are the evenest: they go to what bends the model.
    order = np.argsort(~np.isin(sources, _BENT), kind="stable")
    deviations = np.empty((len(sources), draws))
    deviations[order] = _even_deviations(len(sources), draws, seed)
    settled, lacking = linear.settled(deviations) if linear else (deviations, np.zeros((0, draws)))
    numbers = model(_unpack(terms, settled))
    keys = [key for key in numbers if key[0] != AGREEMENT]
    table = np.stack([numbers[key] for key in keys]) if keys else np.zeros((0, draws))
    if linear:
        rows, count = [linear.keys.index(key) for key in keys], len(linear.keys)
        table = table - lacking[rows]
        if linear.agreements:
            still = np.stack([numbers[key] for key in linear.agreements]) - lacking[count:]
            table = table - linear.gain[rows] @ still
    answered = np.isfinite(table)
    known = answered.mean(axis=1) >= 0.5
    whole = answered[known].all(axis=0)
    table = table[known][:, whole]
    found = [key for key, one in zip(keys, known, strict=True) if one]
    of_key = dict(zip(found, range(len(found)), strict=True))
    if not linear:
        return Draws(of_key, table, np.zeros((0, 0)), np.zeros(len(found)))
    slopes = linear.learned[rows][known, : len(deviations)]
    straight = slopes @ deviations[:, whole]
    # Where a step tells nothing of the whole spread (a rim seen edge on), neither do its ends.
    alike = (table - straight).std(axis=1) < 0.5 * table.std(axis=1)
    return Draws(of_key, table, straight, alike * np.sqrt((slopes**2).sum(axis=1)))


@lru_cache(maxsize=4)
def _even_deviations(size: int, draws: int, seed: int) -> np.ndarray:
    """Return draws of standard normal inputs that fill their space evenly, (size, draws).

    The last few are kept: the next film of a study, or the next click, asks for the same.
    """
    # Imported here: it takes longer than measuring a film, and a live number does without.
    from scipy.stats import qmc

    with warnings.catch_warnings():
        # Any number of draws is valid; a power of two is only evener.
        warnings.filterwarnings("ignore", message="The balance properties of Sobol")
        uniform = qmc.Sobol(size, scramble=True, seed=seed).random(draws)
    deviations = np.asarray(ndtri(np.clip(uniform.T, 1e-12, 1.0 - 1e-12)))
    deviations.setflags(write=False)
    return deviations
