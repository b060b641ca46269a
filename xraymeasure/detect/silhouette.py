"""Where a cup is on a film that is clipped to white: by the silhouette of head and shell.

There the greys of metal are lost and those of bone next to it are near white as well, so that a
descent over greys wanders off. What is left is where the film is white: metal is always, bone may
be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.detect.cup import PRIOR, STEP, area_share, start_parameters
from xraymeasure.detect.picture import FACE, RADIUS, CupScene, whiteness

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

_SHAPE = slice(0, FACE + 1)
_PRIOR_SD = np.array([0.8, 0.8, 4.0, 1.0, 40.0, 40.0, 0.4])
_SCALE = np.array([1.0, 1.0, 1.0, 1.0, 5.0, 5.0, 1.0])
_LEAST = np.array([-6.0, -6.0, 19.0, 1.0, 10.0, -5.0, -3.0])
_MOST = np.array([6.0, 6.0, 38.0, 8.0, 85.0, 60.0, 3.0])
_SPREAD = 0.35
"""Of whiteness, 0 to 1, over the area that counts as one observation."""
_STARTS = (
    (None, 43.0, 12.0, 0.0),
    (None, 43.0, 30.0, 0.0),
    (PRIOR[RADIUS], 43.0, 30.0, 0.0),
    (27.0, 55.0, 25.0, 0.0),
    (None, 43.0, 20.0, 2.5),
)
"""Radius, or the guess of it, inclination, anteversion, and how far the opening lies outward."""
_TRIALS, _LAST_TRIALS = 7, 14
_DENSE_MM, _LEAST_OF_HEAD = 3.0, 0.75
"""Chord of a head that is always white, and how much of it is: 0.80 and more on rendered films."""
_MOST_DARK = 0.14
"""Of the metal, what is not white: 0.06 and less on rendered films."""
_LEAST_TOLD = 0.1
"""Of what is white, how much tells metal from bone: below that, rendered films were up to 20 deg
off."""


def pose_by_silhouette(scene: CupScene, outer_mm: float) -> np.ndarray | None:
    """Return the parameters of a cup whose silhouette, with the head's, is what is white.

    None where the head, or the best of cups, should be white and is not, or all may be bone.

    Parameters
    ----------
    scene : CupScene
        On a coarse grid.
    outer_mm : float
        A guess of the shell's radius; usual ones are tried as well.
    """
    head = scene.head_chord[0][scene.used] > _DENSE_MM
    if scene.white[head].mean() < _LEAST_OF_HEAD or scene.told < _LEAST_TOLD:
        return None
    starts = []
    for radius, inclination, anteversion, face in _STARTS:
        starts.append(start_parameters(radius or outer_mm, inclination, anteversion)[_SHAPE])
        starts[-1][FACE] = face
    tried = (_fitted(scene, start, _TRIALS) for start in starts)
    best = min(tried, key=lambda found: float(found.cost))
    p = PRIOR.copy()
    p[_SHAPE] = _fitted(scene, best.x, _LAST_TRIALS).x
    metal = whiteness(scene, p)
    return p if float(metal @ ~scene.white) < _MOST_DARK * float(metal.sum()) else None


def _fitted(scene: CupScene, start: np.ndarray, trials: int) -> OptimizeResult:
    """Return the shape that a descent over whiteness reaches."""
    from scipy.optimize import least_squares

    weight = np.sqrt(scene.counts * area_share(scene)) / _SPREAD

    def off(shape: np.ndarray) -> np.ndarray:
        p = PRIOR.copy()
        p[_SHAPE] = shape
        left = weight * (whiteness(scene, p) - scene.white)
        return np.concatenate([left, (shape - PRIOR[_SHAPE]) / _PRIOR_SD])

    def slopes(shape: np.ndarray) -> np.ndarray:
        here, steps = off(shape), np.diag(STEP[_SHAPE])
        moved = np.stack([off(shape + step) - here for step in steps], axis=1)
        found: np.ndarray = moved / STEP[_SHAPE]
        return found

    return least_squares(
        off,
        start,
        slopes,
        x_scale=_SCALE,
        max_nfev=trials,
        bounds=(_LEAST, _MOST),
        loss="soft_l1",
    )
