"""From the spread of what a measurement rests on to the interval of each number.

Everything uncertain is one vector of inputs with a mean and a standard uncertainty each. It is
pushed through the one model of the measurement, here by small steps (first order; GUM, JCGM
100:2008, 5.1.2); `xraymeasure.measuring.draws` does it with seeded draws.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

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


@dataclass(frozen=True)
class Uncertain:
    """A number as read, its 95 % interval, its standard uncertainty and what that is made of."""

    value: float
    low: float
    high: float
    standard_uncertainty: float
    sources: Mapping[str, float]


def placing_sd_px(reading: Reading, name: str, mm_per_px: float) -> float:
    """Return the placing spread of one point of a landmark, in pixels.

    The reading's own value where it has one, else the default of the vocabulary.
    """
    own = reading.placing_sd_px
    if isinstance(own, Mapping):
        own = own.get(name)
    return float(own) if own else LANDMARKS[name].kind.placing_sd_mm / mm_per_px


AGREEMENT = "agreement"
"""Name of a number that is zero where every input is what it is in truth."""

LEARNING = ("posture", "in_space")
"""Methods whose numbers learn from the agreements: what disagrees with the film is less likely."""

BENT = ("posture", "anatomy")
"""Sources so wide that the model bends over them."""

_FAR = 3.0**0.5
"""Where a bent input is looked at besides its mean, in standard uncertainties (Gauss-Hermite)."""


def sources_of(terms: Sequence[Term]) -> list[str]:
    """Return the source of every input."""
    return [source for term in terms for source in [term.source] * len(term.mean)]


def by_name(terms: Sequence[Term], drawn: np.ndarray) -> dict[str, np.ndarray]:
    """Return the rows of all inputs by the names of their terms."""
    inputs, start = {}, 0
    for term in terms:
        stop = start + len(term.mean)
        inputs[term.key] = drawn[start:stop]
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
        an input of `BENT` adds when it is far from its mean on either side.
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
        return _from_zeros(self.jacobian[len(self.keys) :])

    def settled(self, off: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return by how much bent inputs learn from the agreements, and numbers with them.

        The model is then looked at where the film leaves the femurs, not over all that they might
        have been before it (Matheron's rule; Doucet A, Tech Rep, Univ British Columbia 2010; from
        memory). Nothing but what learns depends on the bent inputs.

        Parameters
        ----------
        off : numpy.ndarray, shape (agreements, draws)
            The agreements to first order.

        Returns
        -------
        moved : numpy.ndarray, shape (bent inputs, draws)
            To be taken off the deviations of `bent`.
        gone : numpy.ndarray, shape (keys, draws)
            What the numbers, with what they learn, lose by that to first order.
        """
        bent = list(self.bent)
        moved = self._from_agreements[bent].astype(off.dtype) @ off
        return moved, self.learned[:, bent].astype(off.dtype) @ moved

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
        row, less = self.keys.index(one), self.keys.index(other)
        slopes = self.learned[row] - self.learned[less]
        values = self.expected if one[2] in LEARNING else self.as_read
        value, half = float(values[row] - values[less]), COVERAGE * float((slopes @ slopes) ** 0.5)
        return value, value - half, value + half

    def intervals(self) -> dict[Key, Uncertain]:
        """Return every number as read, its interval and what that is made of."""
        by_source = self.learned**2 @ _of_source(self.sources)
        variance = by_source.sum(axis=1)
        shares = by_source / np.where(variance > 0.0, variance, 1.0)[:, None]
        found = {}
        for key, as_read, middle, u, share in zip(
            self.keys,
            self.as_read.tolist(),
            self.expected.tolist(),
            np.sqrt(variance).tolist(),
            shares.tolist(),
            strict=True,
        ):
            found[key] = Uncertain(
                middle if key[2] in LEARNING else as_read,
                middle - COVERAGE * u,
                middle + COVERAGE * u,
                u,
                dict(zip(SOURCES, share, strict=True)),
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


@lru_cache(maxsize=8)
def _of_source(sources: tuple[str, ...]) -> np.ndarray:
    """Return which column is of which of `SOURCES`, as ones and noughts, (columns, sources)."""
    return np.asarray(np.array(sources)[:, None] == np.array(list(SOURCES)), dtype=float)


def _from_zeros(zeros: np.ndarray) -> np.ndarray:
    """Return how far agreements of these slopes, (agreements, inputs), move each input.

    ``Z' (Z Z')^+``: numpy's own pseudo-inverse takes three times as long over a few rows.
    """
    squares, axes = np.linalg.eigh(zeros @ zeros.T)
    known = squares > 1e-15 * squares.max(initial=0.0)
    axes = axes[:, known]
    return np.asarray((zeros.T @ axes / squares[known]) @ axes.T)


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
    gain = slopes @ _from_zeros(zeros)
    value = middle - float(gain @ off)
    half = COVERAGE * float(np.sqrt(((slopes - gain @ zeros) ** 2).sum()))
    return value, value - half, value + half


def _small(u: np.ndarray) -> np.ndarray:
    """Return steps of about a thousandth of standard uncertainties, powers of two.

    The spread of every click hangs on the scale: while a head is dragged, the copies of the other
    outlines stay what they were, and need not be fitted again.
    """
    return np.asarray(2.0 ** np.round(np.log2(1e-3 * np.where(u > 0.0, u, 1.0))))


def linearise(model: Model, terms: Sequence[Term]) -> Linear:
    """Return the model to first order: one small step in each input, from one evaluation.

    An input of posture or anatomy is looked at far on both sides of its mean instead: over its
    spread the film's answer bends. The interval is centred where the model puts the number when
    every input has its mean; that need not be the number as read, where a method is biased.
    """
    sources = sources_of(terms)
    size = len(sources)
    bent = [place for place, source in enumerate(sources) if source in BENT]
    means = np.concatenate([[], *(term.mean for term in terms)])
    u = np.concatenate([[], *(term.u for term in terms)])
    moves = _small(u)
    moves[bent] = _FAR * u[bent]
    # The means, a step in each input, a step back in each bent one, and the film as read.
    count = size + len(bent) + 2
    drawn = np.repeat(means[:, None], count, axis=1)
    drawn[np.arange(size), np.arange(size) + 1] += moves
    drawn[bent, size + 1 + np.arange(len(bent))] -= moves[bent]
    inputs = by_name(terms, drawn)
    for term in terms:
        if term.as_read is not None:
            inputs[term.key][:, -1] = term.as_read
    numbers = model(inputs)
    keys = tuple(key for key in numbers if key[0] != AGREEMENT)
    agreements = tuple(key for key in numbers if key[0] == AGREEMENT)
    rows = [numbers[key] for key in (*keys, *agreements)]
    table = np.array(rows) if rows else np.zeros((0, count))
    middle = table[:, 0].copy()
    slopes = (table[:, 1 : size + 1] - table[:, :1]) * (u / moves)
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
        (*sources, *(sources[place] for place in bent)),
        tuple(bent),
    )
