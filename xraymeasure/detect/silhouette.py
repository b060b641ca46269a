"""Where a cup is on a film that is clipped to white: by the silhouette of head and shell.

There the greys of metal are lost and those of bone next to it may be near white as well, so that a
descent over greys wanders off. What is left is where the film is white, and how much of each point
of a grid is, which is finer than the grid: metal is always, bone may be. A head of which the shell
leaves little to see is looked for with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from xraymeasure.detect.candidates import Candidate
from xraymeasure.detect.cup import PRIOR, STEP, area_share, start_parameters
from xraymeasure.detect.field import Plate
from xraymeasure.detect.head import Head
from xraymeasure.detect.picture import (
    FACE,
    RADIUS,
    SHELL,
    CupScene,
    faces_tube,
    mirrored,
    whiteness,
)
from xraymeasure.detect.picture import scene as scene_of
from xraymeasure.measuring.inputs import PLAUSIBLE_MAGNIFICATION
from xraymeasure.reading.reading import Opens

if TYPE_CHECKING:
    from scipy.optimize import OptimizeResult

_SHAPE = slice(0, SHELL + 1)
"""Of a silhouette's parameters, those of the cup; the shell's attenuation is that over what makes
white."""
_OF_HEAD = slice(SHELL + 1, SHELL + 4)
"""Where it is looked for as well: how far it lies from there (mm on the detector), and the
logarithm of how much larger it is."""
_STEP = np.append(STEP[_SHAPE], [0.05, 0.05, 0.003])
_MEAN = np.append(PRIOR[_SHAPE], [0.0, 0.0, 0.0])
_SD = np.array([0.8, 0.8, 4.0, 1.0, 40.0, 40.0, 0.4, 0.5, 3.0, 3.0, 0.15])
_SCALE = np.array([1.0, 1.0, 1.0, 1.0, 5.0, 5.0, 1.0, 0.5, 1.0, 1.0, 0.03])
_LEAST = np.array([-6.0, -6.0, 19.0, 1.0, 10.0, -5.0, -3.0, -5.0, -6.0, -6.0, -0.35])
_MOST = np.array([6.0, 6.0, 38.0, 8.0, 85.0, 60.0, 3.0, 0.0, 6.0, 6.0, 0.35])
_USUAL_HEAD_MM = 32.0
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
_FIRST, _LAST = (10, 1e-3), (20, 1e-4)
"""Trials at most, and the relative change from which a descent has settled."""
GRIDS_MM = 1.6, 1.2
"""Between points: of the first descents, and of the last."""
_DENSE_MM, _LEAST_OF_HEAD = 3.0, 0.75
"""Chord of a head that is always white, and how much of it is: 0.80 and more on rendered films."""
_MOST_DARK = 0.14
"""Of the metal, what is not white: 0.06 and less on rendered films."""
_ALL_WHITE = 0.025
"""Likewise, where the shell is white all over; where it is not, its silhouette tells the less."""
_LEAST_TOLD = 0.1
"""Of what is white, how much tells metal from bone: below that, rendered films were up to 20 deg
off."""


class Silhouette(NamedTuple):
    """The parameters of a cup by its silhouette, and how precise each is by that alone."""

    parameters: np.ndarray
    precision: np.ndarray


def pose_by_silhouette(
    scenes: Sequence[CupScene], outer_mm: float, opens: Opens | None
) -> Silhouette | None:
    """Return the cup whose silhouette, with the head's, is what is white.

    None where the head, or the best of cups, should be white and is not, or all may be bone.

    Parameters
    ----------
    scenes : sequence of CupScene
        On the grids of `GRIDS_MM`.
    outer_mm : float
        A guess of the shell's radius; usual ones are tried as well.
    opens : {"anterior", "posterior"}, optional
        Which of the two poses with one picture is meant; the first by default.
    """
    coarse, scene = scenes
    if not _may_be_told(scene):
        return None
    p = PRIOR.copy()
    p[_SHAPE] = _best(coarse, outer_mm, _MEAN[_SHAPE])
    if faces_tube(scene, p) != (opens != "posterior"):
        p = mirrored(scene, p)
    last = _fitted(scene, p[_SHAPE], *_LAST)
    p[_SHAPE] = last.x
    dark = _dark(scene, last.x)
    if dark > _MOST_DARK:
        return None
    slopes = last.jac[: len(scene.greys)]
    seen = slopes.T @ slopes * min(1.0, (_ALL_WHITE / dark) ** 4)
    precision = np.zeros((len(p), len(p)))
    # What is left of it as the shell's attenuation is not known.
    shared = np.outer(seen[-1, :-1], seen[-1, :-1]) / (seen[-1, -1] + _SD[SHELL] ** -2)
    precision[:SHELL, :SHELL] = seen[:-1, :-1] - shared
    p[SHELL] = PRIOR[SHELL]
    return Silhouette(p, precision)


def hidden_head(plate: Plate, candidate: Candidate) -> Head | None:
    """Return a head of which a white shell leaves little to see, by the silhouette of both.

    None where what is white is not that of a head and a shell. A known diameter is not asked for:
    a wrong one would be found again.

    Parameters
    ----------
    plate : Plate
    candidate : Candidate
        Whose edge is not that of a head.
    """
    height = plate.source_detector_mm
    usual = PLAUSIBLE_MAGNIFICATION[0]
    seen = 0.5 * _USUAL_HEAD_MM * usual
    radius, reach = seen / usual, candidate.shell_radius_mm + 5.0
    x, y = at = candidate.x_mm, candidate.y_mm
    box = x - reach - 3.0, x + reach + 3.0, y - reach - 3.0, y + reach + 3.0
    distance = radius * float(np.sqrt(1.0 + (height / seen) ** 2))
    coarse, scene = (
        scene_of(
            plate.field(step, box), height, candidate.side, at, radius, distance,
            candidate.neck_rad, at, reach, True,
        )
        for step in GRIDS_MM
    )  # fmt: skip
    if not _may_be_told(scene):
        return None
    best = _best(coarse, candidate.shell_radius_mm / usual, _MEAN)
    last = _fitted(scene, best, *_LAST)
    if _dark(scene, last.x) > _MOST_DARK:
        return None
    dx, dy, growth = last.x[_OF_HEAD]
    spread = np.sqrt(np.diag(np.linalg.inv(last.jac.T @ last.jac)))[_OF_HEAD]
    centre_sd = float(np.hypot(*spread[:2]))
    found = seen * float(np.exp(growth))
    return Head(
        x + float(dx), y + float(dy), found, centre_sd, found * float(spread[2]),
        sectors=0.0, misfit=0.0, seen=0.0,
    )  # fmt: skip


def _may_be_told(scene: CupScene) -> bool:
    """Whether the head is white, and enough of what is white no bone."""
    head = scene.head_chord[0][scene.used] > _DENSE_MM
    return bool(scene.white[head].mean() > _LEAST_OF_HEAD and scene.told > _LEAST_TOLD)


def _best(scene: CupScene, outer_mm: float, mean: np.ndarray) -> np.ndarray:
    """Return the best of short descents from several poses."""
    starts = []
    for radius, inclination, anteversion, face in _STARTS:
        starts.append(mean.copy())
        cup = start_parameters(radius or outer_mm, inclination, anteversion)
        starts[-1][_SHAPE], starts[-1][FACE] = cup[_SHAPE], face
    tried = (_fitted(scene, start, *_FIRST) for start in starts)
    found: np.ndarray = min(tried, key=lambda each: float(each.cost)).x
    return found


def _dark(scene: CupScene, shape: np.ndarray) -> float:
    """Return how much of the metal is not white, 0 to 1."""
    metal = _whiteness(scene, shape)
    return float(metal @ (1.0 - scene.field.white[scene.used])) / float(metal.sum())


def _whiteness(scene: CupScene, shape: np.ndarray) -> np.ndarray:
    p = PRIOR.copy()
    p[_SHAPE] = shape[_SHAPE]
    here = scene.with_head(*shape[_OF_HEAD]) if len(shape) > _OF_HEAD.start else scene
    return whiteness(here, p)


def _fitted(scene: CupScene, start: np.ndarray, trials: int, settled: float) -> OptimizeResult:
    """Return the shape that a descent over whiteness reaches."""
    from scipy.optimize import least_squares

    weight = np.sqrt(scene.counts * area_share(scene)) / _SPREAD
    white, free = scene.field.white[scene.used], slice(0, len(start))

    def off(shape: np.ndarray) -> np.ndarray:
        left = weight * (_whiteness(scene, shape) - white)
        return np.concatenate([left, (shape - _MEAN[free]) / _SD[free]])

    def slopes(shape: np.ndarray) -> np.ndarray:
        here, steps = off(shape), np.diag(_STEP[free])
        moved = np.stack([off(shape + step) - here for step in steps], axis=1)
        found: np.ndarray = moved / _STEP[free]
        return found

    return least_squares(
        off,
        start,
        slopes,
        x_scale=_SCALE[free],
        max_nfev=trials,
        ftol=settled,
        xtol=settled,
        bounds=(_LEAST[free], _MOST[free]),
        loss="soft_l1",
    )
