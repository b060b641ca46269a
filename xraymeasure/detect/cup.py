"""The cup by synthesis: the shell whose picture, with that of the head, is the one on the film.

Two balls cut by a plane, with a ring about the opening, are rendered from the tube (attenuation,
blur, scatter) and fitted to the film's greys. What the film does to exposures (tone, sharpening,
slow harmonising) and what lies behind (soft tissue, bone) enters linearly and is solved inside
(variable projection: Golub GH, Pereyra V, SIAM J Numer Anal 1973;10:413-432; from memory). Weights
fall off beyond three robust spreads (Huber); where the film is as white as it can be, a model that
is whiter still agrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from xraymeasure.detect.field import Field
from xraymeasure.detect.render import Beam, flange_length, half_chord, lip_length, shell_length
from xraymeasure.geometry.cup_angles import angles_of_axis, cup_axis
from xraymeasure.vocabulary.landmarks import Side

U, V, RADIUS, WALL, INCLINATION, ANTEVERSION, FACE, SHELL, HEAD = range(9)
SCATTER, BLUR, FLANGE, LIP = range(9, 13)
"""Parameters: centre on the detector against the head's (mm), outer radius, wall (mm), angles
(degrees), how far the opening lies from the centre (mm), logarithms of the attenuation of shell and
head (per mm), scatter, blur (mm on the detector), how far a ring about the opening stands out (mm),
by how much the cranial half is raised (degrees)."""

_PRIOR = np.array(
    [0.0, 0.0, 26.5, 3.8, 43.0, 0.0, 0.0, np.log(0.1), np.log(0.3), 0.12, 0.22, 0.0, 0.0]
)
_PRIOR_SD = np.array([2.5, 2.5, 6.0, 1.2, 60.0, 60.0, 0.7, 0.5, 0.8, 0.12, 0.08, 0.8, 5.0])
_STEP = np.array([0.05, 0.05, 0.05, 0.05, 0.2, 0.2, 0.05, 0.03, 0.03, 0.01, 0.02, 0.05, 0.3])
_LONGEST_STEP = np.array([2.0, 2.0, 2.0, 1.5, 12.0, 12.0, 1.5, 0.7, 0.7, 0.15, 0.12, 1.0, 4.0])
_LEAST = np.array([-9.0, -9.0, 17.0, 0.6, -20.0, -75.0, -6.0, -5.5, -6.0, 0.003, 0.03, -0.5, -2.0])
_MOST = np.array([9.0, 9.0, 40.0, 12.0, 110.0, 75.0, 6.0, 1.5, 1.5, 1.2, 0.9, 3.0, 14.0])
_AREA_OF_A_VOTE_MM2 = 4.0
"""Area of the detector whose pixels count as one, because what the model lacks is smooth."""
_HUBER = 3.0
_LEAST_GAIN = 0.0005
"""Of the cost, from one more step of the descent."""
_NEAR = 4.0
"""Steps of the slopes."""
_NECK_HALF_MM = 13.0
"""Half the width of the strip about the neck that is left out, at the head."""


class Solution(NamedTuple):
    """A picture fitted to the greys: its linear parts solved."""

    design: np.ndarray
    coefficients: np.ndarray
    residual: np.ndarray
    weight: np.ndarray
    spread: float


@dataclass(frozen=True, eq=False)
class CupScene:
    """The part of a film that holds head and cup, and the rays to it.

    Attributes
    ----------
    field : Field
    beam : Beam
    side : {"left", "right"}
    head_xy_mm : (x, y)
        Where the head's centre is seen.
    head_radius_mm, distance_mm : float
        Radius of the head in space, and how far its centre is from the tube.
    head_chord : numpy.ndarray
        Length of each ray in the head.
    ground : numpy.ndarray, shape (pixels, 6)
        A quadratic in the plane.
    used : tuple of numpy.ndarray
        Rows and columns of the pixels that are fitted.
    """

    field: Field
    beam: Beam
    side: Side
    head_xy_mm: tuple[float, float]
    head_radius_mm: float
    distance_mm: float
    head_chord: np.ndarray
    ground: np.ndarray
    used: tuple[np.ndarray, ...]
    greys: np.ndarray
    white: np.ndarray

    @property
    def magnification(self) -> float:
        """Of the plane of the head's centre."""
        height = self.beam.source_detector_mm
        return height / (height - float(self.centre(0.0, 0.0)[2]))

    def centre(self, u: float, v: float) -> np.ndarray:
        """Return the centre of the shell in space, as far from the tube as the head's."""
        height = self.beam.source_detector_mm
        ray = np.array([self.head_xy_mm[0] + u, self.head_xy_mm[1] + v, -height])
        centre: np.ndarray = np.array([0.0, 0.0, height]) + ray * (
            self.distance_mm / np.linalg.norm(ray)
        )
        return centre


def scene(
    field: Field,
    source_detector_mm: float,
    side: Side,
    head_xy_mm: tuple[float, float],
    head_radius_mm: float,
    distance_mm: float,
    neck_rad: float,
    about_mm: tuple[float, float],
    reach_mm: float,
) -> CupScene:
    """Return the scene of a field: what lies within `reach_mm` of `about_mm` and off the neck."""
    beam = Beam.to(field, source_detector_mm)
    x, y = np.meshgrid(field.x_mm, field.y_mm)
    dx, dy = x - head_xy_mm[0], y - head_xy_mm[1]
    along = dx * np.cos(neck_rad) + dy * np.sin(neck_rad)
    across = dy * np.cos(neck_rad) - dx * np.sin(neck_rad)
    magnified = head_radius_mm * source_detector_mm / distance_mm
    neck = (along > 0.75 * magnified) & (np.abs(across) < _NECK_HALF_MM + 0.12 * along)
    near = np.hypot(x - about_mm[0], y - about_mm[1]) < reach_mm
    used = np.nonzero(near & ~neck)
    p, q = dx[used] / 40.0, dy[used] / 40.0
    ground = np.stack([np.ones_like(p), p, q, p * p, p * q, q * q], axis=1)
    height = np.array([head_xy_mm[0], head_xy_mm[1], -source_detector_mm])
    centre = np.array([0.0, 0.0, source_detector_mm]) + height * (
        distance_mm / np.linalg.norm(height)
    )
    _, gap = beam.depth_and_gap(centre)
    return CupScene(
        field, beam, side, head_xy_mm, head_radius_mm, distance_mm,
        2.0 * half_chord(gap, head_radius_mm), ground, used,
        field.greys[used].astype(float), field.clipped[used],
    )  # fmt: skip


_SHAPE = [U, V, RADIUS, WALL, INCLINATION, ANTEVERSION, FACE, FLANGE, LIP]
"""The parameters that say where metal is."""


def _lengths(scene: CupScene, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each ray runs in the shell, and half as far in the whole ball where used."""
    axis, centre = cup_axis(p[INCLINATION], p[ANTEVERSION], scene.side), scene.centre(p[U], p[V])
    outer = float(p[RADIUS])
    shell = scene.beam, centre, axis, outer, max(outer - float(p[WALL]), 1.0), float(p[FACE])
    metal = shell_length(*shell)
    if p[LIP]:
        metal += lip_length(*shell, float(p[LIP]))
    if p[FLANGE]:
        metal += flange_length(scene.beam, centre, axis, outer, float(p[FLANGE]), float(p[FACE]))
    _, gap = scene.beam.depth_and_gap(centre)
    return metal, half_chord(gap[scene.used], outer)


def _blurred(pictures: np.ndarray, sigma: float, truncate: float = 3.0) -> np.ndarray:
    """Return a stack of pictures, each blurred."""
    from scipy.ndimage import gaussian_filter

    found: np.ndarray = gaussian_filter(
        pictures, (0.0, sigma, sigma), mode="nearest", truncate=truncate
    )
    return found


def _toned(scene: CupScene, several: np.ndarray) -> np.ndarray:
    """Return the columns that tone combines into greys, for each row of parameters.

    Parameters
    ----------
    several : numpy.ndarray, shape (n, parameters)

    Returns
    -------
    numpy.ndarray, shape (n, pixels, 6)
        Missing bone; the picture, which is the logarithm of the exposure, 0 without metal; its
        square; wide and narrow sharpening; slow harmonising.
    """
    pitch = scene.field.pitch_mm[0]
    known: dict[bytes, tuple[np.ndarray, np.ndarray]] = {}
    for p in several:
        if (key := p[_SHAPE].tobytes()) not in known:
            known[key] = _lengths(scene, p)
    lengths = [known[p[_SHAPE].tobytes()] for p in several]
    passed = np.exp(
        [
            -(np.exp(p[SHELL]) * metal + np.exp(p[HEAD]) * scene.head_chord)
            for p, (metal, _) in zip(several, lengths, strict=True)
        ]
    )
    for blur in np.unique(several[:, BLUR]):
        same = several[:, BLUR] == blur
        passed[same] = _blurred(passed[same], blur / pitch)
    scatter = several[:, SCATTER, None, None]
    pictures = -np.log((passed + scatter) / (1.0 + scatter))
    wide = pictures - _blurred(pictures, 1.5 / pitch, 2.5)
    narrow = pictures - _blurred(pictures, 0.5 / pitch)
    slow = _blurred(pictures[:, ::4, ::4], 5.0 / pitch, 2.5)
    rows, columns = (used // 4 for used in scene.used)
    pixels = (slice(None), *scene.used)
    here = pictures[pixels]
    # Bone is missing inside the ball.
    bone = np.array([ball for _, ball in lengths]) / 25.0
    return np.stack(
        [bone, here, here * here, wide[pixels], narrow[pixels], slow[:, rows, columns]], axis=2
    )


def _design(scene: CupScene, p: np.ndarray) -> np.ndarray:
    """Return the columns that are combined linearly into greys, shape (pixels, 12)."""
    return np.concatenate([scene.ground, _toned(scene, p[None])[0]], axis=1)


def solve(scene: CupScene, design: np.ndarray) -> Solution:
    """Return the best linear combination of the columns, robustly."""
    greys, white = scene.greys, scene.white
    weight = np.ones(len(greys))
    residual, coefficients, spread = greys, np.zeros(design.shape[1]), 1.0
    for _ in range(3):
        weighted = design * weight[:, None]
        normal = weighted.T @ design
        # A column may vanish (no sharpening to see); the ridge keeps the solution small there.
        normal[np.diag_indices_from(normal)] *= 1.0 + 1e-7
        coefficients = np.linalg.solve(normal, weighted.T @ greys)
        residual = greys - design @ coefficients
        agrees = white & (residual < 0)
        counted = np.abs(residual[~agrees])
        spread = 1.4826 * float(np.median(counted)) if len(counted) else 1e-6
        spread = max(spread, 1e-6)
        weight = np.minimum(1.0, _HUBER * spread / np.maximum(np.abs(residual), 1e-12))
        weight[agrees] = 0.0
    return Solution(design, coefficients, residual, weight, spread)


def _cost(scene: CupScene, solution: Solution, p: np.ndarray, spread: float) -> float:
    off = np.abs(solution.residual) / spread
    loss = np.where(off < _HUBER, off * off, _HUBER * (2.0 * off - _HUBER)) * (solution.weight > 0)
    pitch = scene.field.pitch_mm
    share = pitch[0] * pitch[1] / _AREA_OF_A_VOTE_MM2
    return float(share * loss.sum() + (((p - _PRIOR) / _PRIOR_SD) ** 2).sum())


def _jacobian(
    scene: CupScene, p: np.ndarray, solution: Solution, free: Sequence[int]
) -> np.ndarray:
    """Return the slope of the greys in each free parameter, the linear part held; others are 0."""
    base = solution.design[:, 6:] @ solution.coefficients[6:]
    moved = _toned(scene, p + np.diag(_STEP)[free]) @ solution.coefficients[6:]
    slopes = np.zeros((len(base), len(p)))
    slopes[:, free] = (moved - base).T / _STEP[free]
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
    """

    parameters: np.ndarray
    cost: float
    misfit: float
    solution: Solution
    slopes: np.ndarray


def descend(
    scene: CupScene, start: np.ndarray, iterations: int, held: Sequence[int] = ()
) -> Fitted:
    """Return the fit that a damped Gauss-Newton descent reaches from `start`.

    Parameters
    ----------
    scene : CupScene
    start : numpy.ndarray, shape (13,)
    iterations : int
        At most.
    held : sequence of int
        Parameters that stay at their prior, where `start` must have them.
    """
    free = [k for k in range(len(_PRIOR)) if k not in held]
    pitch = scene.field.pitch_mm
    share = pitch[0] * pitch[1] / _AREA_OF_A_VOTE_MM2
    p = np.clip(np.asarray(start, dtype=float), _LEAST, _MOST)
    solution = solve(scene, _design(scene, p))
    spread = solution.spread
    cost = _cost(scene, solution, p, spread)
    damping = 1e-3
    slopes, fresh, sloped_at = np.zeros((len(scene.greys), len(p))), False, np.full(len(p), np.inf)
    left = iterations
    while left:
        # Slopes are dear and change slowly: those of a near place serve, but not for the last word.
        fresh = bool(np.any(np.abs(p - sloped_at) > _NEAR * _STEP))
        if fresh:
            slopes, sloped_at = _jacobian(scene, p, solution, free), p
            left -= 1
        found = None
        normal, gradient = normal_equations(solution, slopes, share / spread**2)
        normal[np.diag_indices_from(normal)] += 1.0 / _PRIOR_SD**2
        gradient -= (p - _PRIOR) / _PRIOR_SD**2
        for _ in range(4):
            damped = normal + damping * np.diag(np.diag(normal))
            step = np.clip(np.linalg.solve(damped, gradient), -_LONGEST_STEP, _LONGEST_STEP)
            moved = np.clip(p + step, _LEAST, _MOST)
            tried = solve(scene, _design(scene, moved))
            new = _cost(scene, tried, moved, spread)
            if new < cost:
                found = moved, tried, new
                break
            damping = 10.0 * max(damping, 1e-3)
        settled = found is None
        if found is not None:
            gain, still = cost - found[2], np.all(np.abs(found[0] - p) < 0.5 * _STEP)
            settled = bool(still) or gain < _LEAST_GAIN * found[2]
            p, solution, _ = found
            damping /= 5.0
            spread = solution.spread
            cost = _cost(scene, solution, p, spread)
        if settled and fresh:
            break
        if settled:
            sloped_at, damping = np.full(len(p), np.inf), min(damping, 1e-3)
    metal = solution.design[:, 6:] @ solution.coefficients[6:]
    contrast = max(float(np.ptp(metal)), 1e-6)
    return Fitted(p, cost, solution.spread / contrast, solution, slopes)


def normal_equations(
    solution: Solution, slopes: np.ndarray, share: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return matrix and right side of the Gauss-Newton step, the linear part projected out."""
    root = np.sqrt(solution.weight)[:, None]
    basis, _ = np.linalg.qr(solution.design * root)
    j, r = slopes * root, solution.residual * root[:, 0]
    j = j - basis @ (basis.T @ j)
    r = r - basis @ (basis.T @ r)
    return share * (j.T @ j), share * (j.T @ r)


def start_parameters(outer_mm: float, inclination_deg: float, anteversion_deg: float) -> np.ndarray:
    """Return parameters to start from."""
    start = _PRIOR.copy()
    start[[RADIUS, INCLINATION, ANTEVERSION]] = outer_mm, inclination_deg, anteversion_deg
    return start


def mirrored(scene: CupScene, p: np.ndarray) -> np.ndarray:
    """Return the other pose of the same circle: its axis mirrored at the line of sight."""
    axis = cup_axis(p[INCLINATION], p[ANTEVERSION], scene.side)
    ray = scene.centre(p[U], p[V]) - np.array([0.0, 0.0, scene.beam.source_detector_mm])
    ray = ray / np.linalg.norm(ray)
    other = p.copy()
    other[[INCLINATION, ANTEVERSION]] = angles_of_axis(axis - 2.0 * (axis @ ray) * ray, scene.side)
    return other


def faces_tube(scene: CupScene, p: np.ndarray) -> bool:
    """Whether the opening looks toward the tube."""
    axis = cup_axis(p[INCLINATION], p[ANTEVERSION], scene.side)
    ray = scene.centre(p[U], p[V]) - np.array([0.0, 0.0, scene.beam.source_detector_mm])
    return bool(axis @ ray < 0)


def sharpening(fitted: Fitted) -> float:
    """Return how strongly the film raises edges, over how strongly it shows metal."""
    _, shown, _, wide, narrow, _ = fitted.solution.coefficients[6:]
    return float((wide + narrow) / shown)


def turned_by_a_lip(scene: CupScene, fitted: Fitted) -> float:
    """Return by how much the angles change when the shell may have a raised lip, degrees."""
    lipped = descend(scene, fitted.parameters, 5)
    moved = np.abs(lipped.parameters - fitted.parameters)
    return float(max(moved[INCLINATION], moved[ANTEVERSION]))


def spread_over_variants(scene: CupScene, fitted: Fitted, sectors: int = 8) -> np.ndarray:
    """Return the covariance of the parameters from what they would be under other models.

    Each variant is one Gauss-Newton step from the fit: without one sector of the picture at a time
    (jackknife: Quenouille MH, Biometrika 1956;43:353-360, from memory), and without one of the
    columns that describe tone and ground, or with a cubic ground.
    """
    pitch = scene.field.pitch_mm
    share = pitch[0] * pitch[1] / _AREA_OF_A_VOTE_MM2 / fitted.solution.spread**2
    p = fitted.parameters
    x = scene.field.x_mm[scene.used[1]] - scene.head_xy_mm[0] - p[U]
    y = scene.field.y_mm[scene.used[0]] - scene.head_xy_mm[1] - p[V]
    sector = np.floor((np.arctan2(y, x) / (2 * np.pi) + 0.5) * sectors).astype(int) % sectors
    steps = []
    for k in range(sectors):
        weight = np.where(sector == k, 0.0, fitted.solution.weight)
        steps.append(_one_step(fitted, fitted.solution._replace(weight=weight), share))
    left_out = np.array(steps)
    jackknife = (sectors - 1.0) / sectors * _scatter(left_out - left_out.mean(axis=0))
    variants = []
    design = fitted.solution.design
    for columns in _without(design.shape[1]):
        other = solve(scene, design[:, columns])
        variants.append(_one_step(fitted, other, share))
    cubic = np.stack([x**3, x * x * y, x * y * y, y**3], axis=1) / 40.0**3
    variants.append(_one_step(fitted, solve(scene, np.concatenate([design, cubic], axis=1)), share))
    return jackknife + _scatter(np.array(variants)) / len(variants)


def _without(count: int) -> Sequence[np.ndarray]:
    # The curvature of the tone, the wide sharpening, the slow harmonising; see `_design`.
    return [np.delete(np.arange(count), column) for column in (8, 9, 11)]


def _one_step(fitted: Fitted, solution: Solution, share: float) -> np.ndarray:
    normal, gradient = normal_equations(solution, fitted.slopes, share)
    normal[np.diag_indices_from(normal)] += 1.0 / _PRIOR_SD**2
    gradient -= (fitted.parameters - _PRIOR) / _PRIOR_SD**2
    step: np.ndarray = np.linalg.solve(normal, gradient)
    clipped: np.ndarray = np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
    return clipped


def _scatter(steps: np.ndarray) -> np.ndarray:
    found: np.ndarray = steps.T @ steps
    return found
