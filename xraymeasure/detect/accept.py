"""What may be proposed, what is doubtful and why, and what is left out.

Thresholds were found on rendered films only. The misfit is the robust spread of what the picture of
head and shell leaves, over the contrast of the metal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from xraymeasure.detect import cup, picture
from xraymeasure.detect.femur import Axis
from xraymeasure.detect.head import Head
from xraymeasure.measuring.inputs import PLAUSIBLE_MAGNIFICATION

_COARSE_LIMIT, _LIMIT, MISFIT_DOUBTFUL = 0.085, 0.06, 0.04
"""Of the first fit, on a grid of about 1.5 mm, and of the last."""
_COARSE_LIMIT_IF_CLIPPED, _LIMIT_IF_CLIPPED, _LIMIT_IF_WHITE = 0.12, 0.1, 0.08
"""On clipped films, where what is left to be explained is bone, and where the shell is white."""
_FARTHEST_MM, _FAR_MM = 4.0, 1.5
"""Between the centres of head and shell on the detector: left out, and doubtful. Rendered cups with
up to 0.6 mm of wear come out within 0.8 mm."""
_LEAST_ATTENUATION, _LEAST_OF_HEADS = 0.046, 0.2
"""Of the shell, per mm. Rendered shells come out at 0.050 and more, one of 230 at 0.030; bone and
cement about a cup that has no shell, but a wire, at 0.0435 and less. Where the film's tone leaves
the scale open, of the head's: there such bone comes out at 0.12 and less."""
_RADII_MM, _THICKEST_MM = (19.0, 37.0), 21.0
"""Of shells, and from the head's surface to theirs: a head of 28 mm in a shell of 66 mm has 19 mm
(from memory). Circles on native hips have 25."""
_INCLINATIONS_DEG, _STEEPEST_ANTEVERSION_DEG = (12.0, 80.0), 55.0
_FROM_SILHOUETTE, _NEAR_SILHOUETTE = (12.0, 15.0, 1.2, 3.2), (2.0, 5.0, 0.5, 2.5)
"""Where all is white, how far inclination, anteversion (deg) and radius (mm) may move from those of
the silhouette, and how far the shell may lie from the head (mm); the second where most of what is
white may be bone, from `_TOLD` on down: of 101 rendered hips those beyond were up to 15 deg off."""
_TOLD_BY_GREYS = 0.25
"""From which, where all is white and no silhouette was found, greys alone may tell a cup: below it
rendered ones were up to 27 deg off."""
_TOLD, _SHORTEST_MM = 0.16, -1.4
"""How far inward the opening may seem to lie there: 1.1 where the pose was right, 1.6 where it was
10 deg off (rendered films)."""
_MISFIT_OF_HEAD, _HEAD_SD = 0.02, 0.006
"""Relative uncertainty of a head's radius."""
_FLOOR_DEG = np.array([0.08, 0.22])
"""Standard uncertainty of inclination and anteversion that no agreement of variants takes away.
Shells with screw holes read 0.2 deg of anteversion high (46 rendered hips)."""
_SHARE_OF_SPREAD, _SHARE_OF_LIP = np.array([0.45, 0.7]), np.array([0.5, 0.6])
_OF_MISFIT_DEG, _FAR_DEG = 5.0, np.array([0.4, 0.5])
_LONG_DEG = np.array([0.15, 0.3])
"""What counts of the spread over variants, of what a lip would turn, and of the misfit, and what is
added where the opening lies far from the middle, or the shell is longer all round. These and the
floor were set on 150 rendered hips of seeds below 250, shells plain and unlike the model's, edges
enhanced, films clipped: 99 % and 99 % were held; see tests/benchmarks/bench_propose.py."""
_OF_SHAPE_DEG_PER_MM, _MOST_OF_SHAPE_DEG = 2.2, 3.6
"""What a raised lip may turn the inclination by, for each mm that the opening seems to lie outward:
rendered shells 2.2 to 3.7 deg, always low; below `_FARTHEST_FACE_MM` it fades, and beyond
`_LIPPED_TO_MM` it is gone within `_FADES_MM`."""
_FADES_MM = 0.3
_LIPPED_FROM_MM, _LIPPED_TO_MM, _LIPS_MM, _AS_GOOD = 0.8, 2.1, (1.0, 5.5), 1.25
"""Half balls come out below 0.6 mm, shells with a lip of 2 to 4 mm between 1.1 and 1.8, those with
3 mm more all round at 2.4 and beyond."""
_LIP_TURNS_ANTEVERSION_DEG = 4.0
LONGER_TURNS, _OF_LIP = 1.45, np.array([0.15, 0.07])
"""For each mm of lip: by how much the inclination is lower if the shell is longer all round
instead, and what is added to the uncertainty: 23 rendered shells with a lip of the model's shape
were 0.3 and 0.2 deg off (root mean square); the rest is for lips of other shapes (no source)."""
_OF_CLIPPING_DEG, _OF_MISFIT_IF_WHITE_DEG = np.array([0.25, 0.3]), np.array([0.0, 4.0])
_SHARE_OF_HIDDEN = 0.6
"""Of the angle under which a shell's radius sees how unsure the centre of a hidden head is."""
_WIDE_DEG, _WIDEST_DEG, _WIDEST_IN_WHITE_DEG = 1.2, 3.5, 7.0
"""Between models of the shell: doubtful, and left out, also where the silhouette tells as well."""
_LIP_TURNS_DEG = 1.5
"""Rendered shells without a lip: 0.8 and less."""
_SHAPE_FROM_MM, _FARTHEST_FACE_MM = 0.5, 1.0
"""Half balls come out within 0.5 mm of their centre, shells with a raised lip beyond 1.1 mm."""
_ANGLES = [picture.INCLINATION, picture.ANTEVERSION]
_MAGNIFIED = PLAUSIBLE_MAGNIFICATION[0]
_HEADS_APART = 1.04
"""Ratio of two magnifications on one film from which on no position of a pelvis explains it: turned
by five degrees, it sets those of its hips 2 % apart. Working default."""

_STEM_OFF_SHAFT_DEG = 5.0
"""Stems stand within 3 deg of the shaft. Working value, no source."""
_BENT_DEG = 4.5
"""Shafts on films of another program: 4 deg and less but five of twelve, two of these 1.2 and 2.3
deg off."""
_AXIS_SCORE, _AXIS_SPREAD_MM = 0.8, 0.8


def has_shell(fit: cup.Fitted) -> bool:
    """Whether what surrounds the head is metal."""
    shell, head = np.exp(fit.parameters[[picture.SHELL, picture.HEAD]])
    return bool(shell > _LEAST_ATTENUATION or shell > _LEAST_OF_HEADS * head)


def may_become_cup(scene: picture.CupScene, fit: cup.Fitted) -> bool:
    """Whether a first fit is worth a finer one."""
    limit = _COARSE_LIMIT_IF_CLIPPED if scene.clipped else _COARSE_LIMIT
    return fit.misfit < limit and has_shell(fit)


def may_be_cup(scene: picture.CupScene, fit: cup.Fitted) -> bool:
    """Whether a fine fit is that of a cup: a picture that agrees, and a shape that cups have."""
    p, limit = fit.parameters, _LIMIT_IF_CLIPPED if scene.clipped else _LIMIT
    return bool(
        fit.misfit < (_LIMIT_IF_WHITE if scene.all_white else limit)
        and p[picture.RADIUS] - scene.head_radius_mm < _THICKEST_MM
        and np.hypot(p[picture.U], p[picture.V]) < _FARTHEST_MM
        and has_shell(fit)
        and _RADII_MM[0] < p[picture.RADIUS] < _RADII_MM[1]
        and _INCLINATIONS_DEG[0] < p[picture.INCLINATION] < _INCLINATIONS_DEG[1]
        and abs(p[picture.ANTEVERSION]) < _STEEPEST_ANTEVERSION_DEG
        # Tone rises with metal, or what was fitted is a hole; where all is white, nothing tells.
        and (scene.all_white or _shown_by_the_densest(fit) > 0)
    )


def _shown_by_the_densest(fit: cup.Fitted) -> float:
    shown, squared = fit.solution.coefficients[1:3]
    densest = fit.solution.design[:, 1].max()
    return float(shown * densest + squared * densest**2)


def may_have_lip(scene: picture.CupScene, fit: cup.Fitted) -> bool:
    """Whether the opening lies as far outward as where one half of the rim is raised.

    Where all is white nothing tells.
    """
    outward = fit.parameters[picture.FACE]
    return bool(not scene.all_white and _LIPPED_FROM_MM < outward < _LIPPED_TO_MM)


def is_lip(lipped: cup.Fitted, plain: cup.Fitted) -> bool:
    """Whether a shell with a raised lip explains the picture as well as a longer one."""
    low, high = _LIPS_MM
    turned = lipped.parameters[picture.ANTEVERSION] - plain.parameters[picture.ANTEVERSION]
    return bool(
        low < lipped.parameters[picture.LIP] < high
        and lipped.misfit < _AS_GOOD * plain.misfit
        and abs(turned) < _LIP_TURNS_ANTEVERSION_DEG
    )


def tells_by_greys(scene: picture.CupScene) -> bool:
    """Whether so much of what is white is no bone that greys alone may tell a cup."""
    return scene.told > _TOLD_BY_GREYS


def lies_far(scene: picture.CupScene, fit: cup.Fitted) -> bool:
    """Whether a fit where all is white has its opening where that of no half ball is."""
    return bool(scene.all_white and abs(fit.parameters[picture.FACE]) > _FARTHEST_FACE_MM)


def stays_by(scene: picture.CupScene, silhouette: np.ndarray, fit: cup.Fitted) -> bool:
    """Whether a fit where all is white stays by the pose of the silhouette, and by the head."""
    p, limits = fit.parameters, _FROM_SILHOUETTE if scene.told > _TOLD else _NEAR_SILHOUETTE
    moved = np.abs(p - silhouette)[[picture.INCLINATION, picture.ANTEVERSION, picture.RADIUS]]
    off = np.append(moved, np.hypot(p[picture.U], p[picture.V]))
    return bool(np.all(off < limits) and p[picture.FACE] > _SHORTEST_MM)


def angle_sd_deg(
    fit: cup.Fitted, covariance: np.ndarray, lip: np.ndarray, clipped: bool, head: Head
) -> tuple[float, float] | None:
    """Return the standard uncertainty of inclination and anteversion, degrees.

    None where they depend so much on the model that nothing is to be proposed.

    Parameters
    ----------
    fit : Fitted
    covariance : numpy.ndarray
        By `spread.spread_over_variants`.
    lip : numpy.ndarray
        By `spread.turned_by_a_lip`.
    clipped : bool
        Whether head and shell are all white.
    head : Head
    """
    over_variants = np.sqrt(np.diag(covariance))[_ANGLES]
    parts = [
        _FLOOR_DEG,
        _SHARE_OF_SPREAD * over_variants,
        _SHARE_OF_LIP * lip[_ANGLES],
        np.full(2, _OF_MISFIT_DEG * fit.misfit),
    ]
    if over_variants.max() > (_WIDEST_IN_WHITE_DEG if clipped else _WIDEST_DEG):
        return None
    face = abs(float(fit.parameters[picture.FACE]))
    rises = np.clip((face - _SHAPE_FROM_MM) / (_FARTHEST_FACE_MM - _SHAPE_FROM_MM), 0.0, 1.0)
    long = _longer_all_round(fit)
    lip_turns = (1.0 - long) * min(_OF_SHAPE_DEG_PER_MM * face, _MOST_OF_SHAPE_DEG)
    far = (1.0 - long) * _FAR_DEG + long * _LONG_DEG
    parts += [
        np.array([lip_turns, 0.0]) * rises,
        far * rises,
        _OF_LIP * fit.parameters[picture.LIP],
    ]
    if clipped:
        parts += [_OF_CLIPPING_DEG, _OF_MISFIT_IF_WHITE_DEG * fit.misfit]
    if not head.sectors:
        off = np.degrees(head.centre_sd_mm / (fit.parameters[picture.RADIUS] * _MAGNIFIED))
        parts.append(np.full(2, _SHARE_OF_HIDDEN * off))
    inclination, anteversion = np.sqrt(np.sum(np.square(parts), axis=0))
    return float(inclination), float(anteversion)


def _longer_all_round(fit: cup.Fitted) -> float:
    """Return how sure it is that the shell is no half ball but longer, and has no lip, 0 to 1."""
    outward = float(fit.parameters[picture.FACE])
    return float(np.clip((outward - _LIPPED_TO_MM) / _FADES_MM, 0.0, 1.0))


def heads_apart(magnifications: Sequence[float]) -> tuple[str, ...]:
    """Return that the heads of one film cannot all have the diameter given, or nothing."""
    if len(magnifications) < 2 or max(magnifications) < _HEADS_APART * min(magnifications):
        return ()
    each = " and ".join(f"{magnification:.2f}" for magnification in magnifications)
    said = f"With the diameters given the heads would be magnified by {each}: one is wrong."
    return (said,)


def doubts_of(
    head: Head,
    scene: picture.CupScene,
    fit: cup.Fitted,
    angle_sd_deg: tuple[float, float],
    lip: np.ndarray,
    axes: Mapping[str, Axis],
) -> tuple[str, ...]:
    """Return why a proposal is doubtful, as sentences; none if it is not.

    Parameters
    ----------
    head : Head
    scene : CupScene
    fit : Fitted
    angle_sd_deg : (inclination, anteversion)
    lip : numpy.ndarray
        By `spread.turned_by_a_lip`.
    axes : mapping of str to Axis
        Of ``femoral_shaft`` and ``stem_axis``, those that are proposed.
    """
    found = []
    if fit.misfit > MISFIT_DOUBTFUL:
        found.append(
            f"The shell's picture leaves {100 * fit.misfit:.1f} % of the contrast of the metal "
            f"unexplained (doubtful from {100 * MISFIT_DOUBTFUL:.0f} %)."
        )
    if not head.sectors:
        found.append("White metal hides the head: its place and size are those of the silhouette.")
    elif head.misfit > _MISFIT_OF_HEAD or head.radius_sd_mm > _HEAD_SD * head.radius_mm:
        found.append("The edge of the head does not settle its diameter.")
    if 0.0 < head.sectors < 0.2:
        found.append(f"Only {100 * head.sectors:.0f} % of the head's outline is seen.")
    if max(angle_sd_deg) > _WIDE_DEG:
        found.append("Other models of the shell give other angles.")
    if np.hypot(fit.parameters[picture.U], fit.parameters[picture.V]) > _FAR_MM:
        found.append("The head lies off the middle of the shell: it is worn, or no half ball.")
    if (lip_turns_deg := float(np.abs(lip[_ANGLES]).max())) > _LIP_TURNS_DEG:
        found.append(
            f"With a raised lip the angles of the shell would be {lip_turns_deg:.0f} deg other."
        )
    if lip_mm := float(fit.parameters[picture.LIP]):
        found.append(
            "The rim is taken to be raised on its upper half; if it is raised all round, the "
            f"inclination is {LONGER_TURNS * lip_mm:.0f} deg less."
        )
    if abs(fit.parameters[picture.FACE]) > _FARTHEST_FACE_MM and _longer_all_round(fit) < 1.0:
        found.append(
            "The opening does not lie where that of half a ball does: a raised lip or another "
            "shape may turn the angles by some degrees."
        )
    if scene.all_white and scene.told < _TOLD:
        found.append(
            f"{100 * scene.white.mean():.0f} % of head and shell is clipped to white, and bone "
            "beside them as well."
        )
    if "femoral_shaft" in axes and axes["femoral_shaft"].bend_deg > _BENT_DEG:
        found.append(
            f"The shaft bends by {axes['femoral_shaft'].bend_deg:.0f} deg from end to end of what "
            "is seen: nearer the hip its axis runs otherwise."
        )
    leans = [axis.lean_deg for axis in axes.values()]
    if leans and max(leans) - min(leans) > _STEM_OFF_SHAFT_DEG:
        found.append(
            f"Stem and shaft lean {max(leans) - min(leans):.0f} deg apart: one of them is not what "
            "was found."
        )
    return tuple(found)


def may_be_axis(axis: Axis) -> bool:
    """Whether an axis is seen well enough to be proposed."""
    return axis.score > _AXIS_SCORE and axis.spread_mm < _AXIS_SPREAD_MM
