"""How sure a cup is: what its parameters would be under other models of shell, tone and ground."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xraymeasure.detect.cup import (
    LONGEST_STEP,
    Fitted,
    Solution,
    area_share,
    jacobian,
    normal_equations,
    solve,
)
from xraymeasure.detect.picture import LIP, CupScene, U, V

_SECTORS = 8
_LEFT_OUT = ([2], [3], [5], [-5, -4, -3, -2, -1])
"""Of a design: the tone's curvature, wide sharpening, slow harmonising, the ground's top."""


def turned_by_a_lip(scene: CupScene, fitted: Fitted) -> np.ndarray:
    """Return by how much the parameters would change if the shell may have a raised lip.

    One Gauss-Newton step from the fit.
    """
    slopes = fitted.slopes.copy()
    slopes[:, LIP] = jacobian(scene, fitted.parameters, fitted.solution, (LIP,))[:, LIP]
    return _one_step(replace(fitted, slopes=slopes), fitted.solution, _share(scene, fitted))


def spread_over_variants(scene: CupScene, fitted: Fitted) -> np.ndarray:
    """Return the covariance of the parameters from what they would be under other models.

    Each variant is one Gauss-Newton step from the fit: without one sector of the picture at a time
    (jackknife: Quenouille MH, Biometrika 1956;43:353-360, from memory), without one of the columns
    that describe tone, and with a ground of lower degree.
    """
    share = _share(scene, fitted)
    p = fitted.parameters
    x = scene.field.x_mm[scene.used[1]] - scene.head_xy_mm[0] - p[U]
    y = scene.field.y_mm[scene.used[0]] - scene.head_xy_mm[1] - p[V]
    sector = np.floor((np.arctan2(y, x) / (2 * np.pi) + 0.5) * _SECTORS).astype(int) % _SECTORS
    steps = []
    for k in range(_SECTORS):
        weight = np.where(sector == k, 0.0, fitted.solution.weight)
        steps.append(_one_step(fitted, fitted.solution._replace(weight=weight), share))
    left_out = np.array(steps)
    jackknife = (_SECTORS - 1.0) / _SECTORS * _scatter(left_out - left_out.mean(axis=0))
    variants = []
    design = fitted.solution.design
    for columns in _LEFT_OUT:
        other = solve(scene, np.delete(design, columns, axis=1))
        variants.append(_one_step(fitted, other, share))
    return jackknife + _scatter(np.array(variants)) / len(variants)


def _one_step(fitted: Fitted, solution: Solution, share: float) -> np.ndarray:
    normal, gradient = normal_equations(solution, fitted.slopes, share)
    normal += fitted.prior.precision
    gradient -= fitted.prior.precision @ (fitted.parameters - fitted.prior.mean)
    step: np.ndarray = np.linalg.solve(normal, gradient)
    clipped: np.ndarray = np.clip(step, -LONGEST_STEP, LONGEST_STEP)
    return clipped


def _scatter(steps: np.ndarray) -> np.ndarray:
    found: np.ndarray = steps.T @ steps
    return found


def _share(scene: CupScene, fitted: Fitted) -> float:
    return area_share(scene) / fitted.solution.spread**2
