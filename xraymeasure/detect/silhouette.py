"""Where a cup is on a film that is clipped to white: by the silhouette of head and shell.

There the greys of metal are lost and those of bone next to it are near white as well, so that a
descent over greys wanders off. What is left is where the film is white: metal is always, bone may
be.
"""

from __future__ import annotations

import numpy as np

from xraymeasure.detect.cup import PRIOR, area_share, start_parameters
from xraymeasure.detect.picture import FACE, RADIUS, CupScene, whiteness

_SHAPE = slice(0, FACE + 1)
_PRIOR_SD = np.array([0.8, 0.8, 4.0, 1.0, 40.0, 40.0, 0.4])
_SCALE = np.array([1.0, 1.0, 1.0, 1.0, 5.0, 5.0, 1.0])
_LEAST = np.array([-6.0, -6.0, 19.0, 1.0, 10.0, -5.0, -3.0])
_MOST = np.array([6.0, 6.0, 38.0, 8.0, 85.0, 60.0, 3.0])
_SPREAD = 0.35
"""Of whiteness, 0 to 1, over the area that counts as one observation."""
_WHITE_BONE = 0.3
"""For how much a white point counts that no metal explains."""
_MOST_TRIALS = 12
_DENSE_MM, _LEAST_OF_HEAD = 3.0, 0.75
"""Chord of a head that is always white, and how much of it is: 0.80 and more on rendered films."""
_MOST_DARK = 0.14
"""Of the metal, what is not white: 0.10 and less on rendered films."""
_MOST_OF_BONE = 0.3
"""Of what is not metal, what is white: where bone is, its outline is taken for the shell's."""


def pose_by_silhouette(scene: CupScene, outer_mm: float) -> np.ndarray | None:
    """Return the parameters of a cup whose silhouette, with the head's, is what is white.

    None where the head, or the best of cups, should be white and is not, or too much bone is.

    Parameters
    ----------
    scene : CupScene
        On a coarse grid.
    outer_mm : float
        A guess of the shell's radius; a usual one is tried as well.
    """
    from scipy.optimize import least_squares

    head = scene.head_chord[scene.used] > _DENSE_MM
    if scene.white[head].mean() < _LEAST_OF_HEAD:
        return None
    weight = np.where(scene.white, _WHITE_BONE, 1.0) * area_share(scene) / _SPREAD**2

    def off(shape: np.ndarray) -> np.ndarray:
        p = PRIOR.copy()
        p[_SHAPE] = shape
        left = np.sqrt(weight) * (whiteness(scene, p) - scene.white)
        return np.concatenate([left, (shape - PRIOR[_SHAPE]) / _PRIOR_SD])

    starts = [
        start_parameters(radius, 43.0, anteversion)[_SHAPE]
        for radius in (outer_mm, float(PRIOR[RADIUS]))
        for anteversion in (12.0, 30.0)
    ]
    starts.sort(key=lambda start: float((off(start) ** 2).sum()))
    best = min(
        (
            least_squares(off, start, x_scale=_SCALE, max_nfev=_MOST_TRIALS, bounds=(_LEAST, _MOST))
            for start in starts[:2]
        ),
        key=lambda found: float(found.cost),
    )
    p = PRIOR.copy()
    p[_SHAPE] = best.x
    metal = whiteness(scene, p)
    dark = float(metal @ ~scene.white) / float(metal.sum())
    bone = float((1.0 - metal) @ scene.white) / float((1.0 - metal).sum())
    return p if dark < _MOST_DARK and bone < _MOST_OF_BONE else None
