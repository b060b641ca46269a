"""The cup by synthesis: the shell whose picture, with that of the head, is the one on the film.

The picture's linear parts are solved inside (variable projection: Golub GH, Pereyra V, SIAM J Numer
Anal 1973;10:413-432; from memory). Weights fall off beyond three robust spreads (Huber); where the
film is as white as it can be, a model that is whiter still agrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from xraymeasure.detect.picture import (
    ANTEVERSION,
    INCLINATION,
    RADIUS,
    TONES,
    CupScene,
    design_of,
    shown,
)

PRIOR = np.array(
    [0.0, 0.0, 26.5, 3.8, 43.0, 0.0, 0.0, np.log(0.1), np.log(0.3), 0.12, 0.22, 0.0, 0.0]
)
PRIOR_SD = np.array([2.5, 2.5, 6.0, 1.2, 60.0, 60.0, 0.7, 0.5, 0.8, 0.12, 0.08, 0.8, 2.0])
STEP = np.array([0.05, 0.05, 0.05, 0.05, 0.2, 0.2, 0.05, 0.03, 0.03, 0.01, 0.02, 0.05, 0.1])
LONGEST_STEP = np.array([2.0, 2.0, 2.0, 1.5, 12.0, 12.0, 1.5, 0.7, 0.7, 0.15, 0.12, 1.0, 1.5])
_LEAST = np.array([-9.0, -9.0, 17.0, 0.6, -20.0, -75.0, -6.0, -5.5, -6.0, 0.003, 0.03, -0.5, -1.0])
_MOST = np.array([9.0, 9.0, 40.0, 12.0, 110.0, 75.0, 6.0, 1.5, 1.5, 1.2, 0.9, 3.0, 14.0])
_AREA_OF_A_VOTE_MM2 = 4.0
"""Area of the detector whose pixels count as one, because what the model lacks is smooth."""
_HUBER, _BEYOND = 3.0, 0.2
"""Robust spreads from which the cost rises straight, and what is kept there of the curvature that
the weights give: all of it makes steps so short that the descent ends on the way, none of it is
what the cost has and makes some too long (rendered films)."""
_RIDGE = 0.001
"""Of the tone's finer columns on a clipped film, over the weight of the picture itself."""
_STABLE = 1.0 + 1e-7
"""A column may vanish (no sharpening to see): this keeps its share of the solution small."""
_LEAST_GAIN = 0.0005
"""Of the cost, from one more step of the descent."""
ITERATIONS = 30
"""At most; most descents settle within ten."""
_NEAR = 4.0
"""Steps of the slopes."""
_ROWS = 512
"""Of a matrix that are multiplied at once: with more, BLAS shares the work among threads, which
wait for each other in what is over in 0.2 ms; beside other work that took ten times as long."""


class Prior(NamedTuple):
    """What is known of a cup's parameters before its greys are looked at, as a Gaussian."""

    mean: np.ndarray
    precision: np.ndarray

    def and_seen(self, where: np.ndarray, precision: np.ndarray) -> Prior:
        """Return the prior when the parameters were also seen elsewhere, independently."""
        both = self.precision + precision
        pull = self.precision @ self.mean + precision @ where
        return Prior(np.linalg.solve(both, pull), both)


USUAL = Prior(PRIOR, np.diag(PRIOR_SD**-2.0))


class Solution(NamedTuple):
    """A picture fitted to the greys: its linear parts solved."""

    design: np.ndarray
    coefficients: np.ndarray
    residual: np.ndarray
    weight: np.ndarray
    spread: float
    ridge: np.ndarray


def solve(scene: CupScene, design: np.ndarray) -> Solution:
    """Return the best linear combination of the columns, robustly."""
    greys, white = scene.greys, scene.white
    # On a clipped film nothing tells curvature of the tone and sharpening from bone.
    share = np.zeros(design.shape[1])
    if scene.clipped:
        share[2:TONES] = _RIDGE
    weight, ridge = np.ones(len(greys)), share
    residual, coefficients, spread = greys, np.zeros(design.shape[1]), 1.0
    for _ in range(3):
        weighted = design * weight[:, None]
        normal = _inner(weighted, design)
        normal[np.diag_indices_from(normal)] *= _STABLE
        ridge = share * normal[1, 1]
        normal[np.diag_indices_from(normal)] += ridge
        coefficients = np.linalg.solve(normal, weighted.T @ greys)
        residual = greys - design @ coefficients
        agrees = white & (residual < 0)
        counted = np.abs(residual[~agrees])
        spread = 1.4826 * float(np.median(counted)) if len(counted) else 1e-6
        spread = max(spread, 1e-6)
        weight = np.minimum(1.0, _HUBER * spread / np.maximum(np.abs(residual), 1e-12))
        weight *= scene.counts
        weight[agrees] = 0.0
    return Solution(design, coefficients, residual, weight, spread, ridge)


def _inner(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return ``first.T @ second``, of tall matrices."""
    found = np.zeros((first.shape[1], second.shape[1]))
    for k in range(0, len(first), _ROWS):
        found += first[k : k + _ROWS].T @ second[k : k + _ROWS]
    return found


def _times(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return ``first @ second``, the first tall."""
    return np.vstack([first[k : k + _ROWS] @ second for k in range(0, len(first), _ROWS)])


def area_share(scene: CupScene) -> float:
    """Return for how much one pixel counts."""
    pitch = scene.field.pitch_mm
    return pitch[0] * pitch[1] / _AREA_OF_A_VOTE_MM2


def _cost(scene: CupScene, solution: Solution, p: np.ndarray, spread: float, prior: Prior) -> float:
    off = np.abs(solution.residual) / spread
    loss = np.where(off < _HUBER, off * off, _HUBER * (2.0 * off - _HUBER))
    loss *= scene.counts * (solution.weight > 0)
    off_prior = p - prior.mean
    return float(area_share(scene) * loss.sum() + off_prior @ prior.precision @ off_prior)


def jacobian(scene: CupScene, p: np.ndarray, solution: Solution, free: Sequence[int]) -> np.ndarray:
    """Return the slope of the greys in each free parameter, the linear part held; others are 0."""
    base = solution.design @ solution.coefficients
    moved = shown(scene, p + np.diag(STEP)[list(free)], solution.coefficients)
    slopes = np.zeros((len(base), len(p)))
    slopes[:, list(free)] = (moved - base).T / STEP[list(free)]
    return slopes


@dataclass(frozen=True, eq=False)
class Fitted:
    """Parameters at the foot of the descent.

    Attributes
    ----------
    parameters : numpy.ndarray, shape (13,)
    cost : float
        Squared residuals in robust spreads, and priors.
    misfit : float
        Robust spread of the residual over the contrast of the metal.
    solution : Solution
    slopes : numpy.ndarray, shape (pixels, 13)
    prior : Prior
    """

    parameters: np.ndarray
    cost: float
    misfit: float
    solution: Solution
    slopes: np.ndarray
    prior: Prior


def descend(
    scene: CupScene,
    start: np.ndarray,
    held: Sequence[int] = (),
    iterations: int = ITERATIONS,
    prior: Prior = USUAL,
) -> Fitted:
    """Return the fit that a damped Gauss-Newton descent reaches from `start`.

    Parameters
    ----------
    scene : CupScene
    start : numpy.ndarray, shape (13,)
    held : sequence of int
        Parameters that stay at their prior, where `start` must have them.
    iterations : int
        At most.
    prior : Prior
        Of the parameters.
    """
    free = [k for k in range(len(PRIOR)) if k not in held]
    share = area_share(scene)
    p = np.clip(np.asarray(start, dtype=float), _LEAST, _MOST)
    solution = solve(scene, design_of(scene, p))
    spread = solution.spread
    cost = _cost(scene, solution, p, spread, prior)
    damping = 1e-3
    slopes, fresh, sloped_at = np.zeros((len(scene.greys), len(p))), False, np.full(len(p), np.inf)
    left = iterations
    while left:
        # Slopes are dear and change slowly: those of a near place serve, but not for the last word.
        fresh = bool(np.any(np.abs(p - sloped_at) > _NEAR * STEP))
        if fresh:
            slopes, sloped_at = jacobian(scene, p, solution, free), p
            left -= 1
        found = None
        normal, gradient = normal_equations(solution, slopes, share / spread**2)
        normal += prior.precision
        gradient -= prior.precision @ (p - prior.mean)
        for _ in range(4):
            moved = _moved(p, normal + damping * np.diag(np.diag(normal)), gradient)
            step = moved - p
            if 2.0 * gradient @ step - step @ normal @ step < _LEAST_GAIN * cost:
                break
            tried = solve(scene, design_of(scene, moved))
            new = _cost(scene, tried, moved, spread, prior)
            if new < cost:
                found = moved, tried, new
                break
            damping = 10.0 * max(damping, 1e-3)
        settled = found is None
        if found is not None:
            gain, still = cost - found[2], np.all(np.abs(found[0] - p) < 0.5 * STEP)
            settled = bool(still) or gain < _LEAST_GAIN * found[2]
            p, solution, _ = found
            damping /= 5.0
            spread = solution.spread
            cost = _cost(scene, solution, p, spread, prior)
        if settled and fresh:
            break
        if settled:
            sloped_at, damping = np.full(len(p), np.inf), min(damping, 1e-3)
    metal = solution.design[:, :TONES] @ solution.coefficients[:TONES]
    contrast = max(float(np.ptp(metal)), 1e-6)
    return Fitted(p, cost, solution.spread / contrast, solution, slopes, prior)


def _moved(p: np.ndarray, normal: np.ndarray, gradient: np.ndarray) -> np.ndarray:
    """Return where a step leads; where one parameter is stopped, the others go on without it."""
    low = np.maximum(_LEAST, p - LONGEST_STEP)
    high = np.minimum(_MOST, p + LONGEST_STEP)
    step = np.linalg.solve(normal, gradient)
    moved = np.clip(p + step, low, high)
    held = moved != p + step
    if held.any() and not held.all():
        pull = gradient[~held] - normal[np.ix_(~held, held)] @ (moved - p)[held]
        step[~held] = np.linalg.solve(normal[np.ix_(~held, ~held)], pull)
        moved[~held] = np.clip(p + step, low, high)[~held]
    found: np.ndarray = moved
    return found


def normal_equations(
    solution: Solution, slopes: np.ndarray, share: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return matrix and right side of the Gauss-Newton step, the linear part projected out."""
    design = solution.design
    weighted = design * solution.weight[:, None]
    inner = _inner(weighted, design)
    inner[np.diag_indices_from(inner)] *= _STABLE
    inner[np.diag_indices_from(inner)] += solution.ridge
    columns = np.column_stack([slopes, solution.residual])
    pull = _inner(weighted, columns)
    pull[:, -1] -= solution.ridge * solution.coefficients
    columns -= _times(design, np.linalg.solve(inner, pull))
    free, left = columns[:, :-1], columns[:, -1]
    beyond = np.abs(solution.residual) > _HUBER * solution.spread
    bent = free * np.where(beyond, _BEYOND, 1.0)[:, None]
    weighted_free = free * solution.weight[:, None]
    return share * _inner(weighted_free, bent), share * (weighted_free.T @ left)


def start_parameters(outer_mm: float, inclination_deg: float, anteversion_deg: float) -> np.ndarray:
    """Return parameters to start from."""
    start = PRIOR.copy()
    start[[RADIUS, INCLINATION, ANTEVERSION]] = outer_mm, inclination_deg, anteversion_deg
    return start
