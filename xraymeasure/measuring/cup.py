"""Cup inclination and anteversion, from the outline of the rim.

Two methods. ``ellipse``: rays taken as parallel, anteversion is the arcsine of the axis ratio.
``perspective``: the circle in space whose outline, seen from the tube, is the ellipse. Angles are
radiographic (Murray DW, J Bone Joint Surg Br 1993;75-B:228-232; abstract read).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, chdtri, chndtr

from xraymeasure.geometry.anchored import Anchor
from xraymeasure.geometry.cup_angles import along_line, angles_of_axis
from xraymeasure.geometry.curves import arc_covered_deg
from xraymeasure.geometry.projection import Poses, circle_poses
from xraymeasure.vocabulary.landmarks import Side

FLAT_BELOW = 6.0
"""A rim is flat when its points scatter about its long axis as those of an ellipse whose short
half-axis is less than this many times the placing spread."""


CONCENTRIC_U_MM = 0.6
"""Spread, each direction, of the rim's centre about the head's where nothing is worn and the
liner's face is the rim's. Working default, no source."""

RIM_U_MM = {"known": 0.5, "shell": 0.5, "plausible": 3.0}
"""Spread of the rim's half-axis about half the cup's known diameter, about the radius of its
shell's outline, and about that of a cup that nobody states. Working defaults, no source."""

PLAUSIBLE_RIM_MM = 27.0
"""Radius of a cup that nobody states. Working default, no source."""

LONGEST_RIM_MM = 36.0
"""No rim's half-axis is longer where the cup's size is not known: cups are made up to some 70 mm
wide (common practice, no source)."""

WIDER_THAN_ITS_CUP = 1.2
"""A rim may come out so many times as wide as its shell's outline, or the cup as known."""

ONE_ARC_DEG = 200.0
"""A rim whose points span less than this, seen from its middle, is placed on one arc."""


REACHES_THE_ENDS = 0.9
"""Points that reach this far along a rim's long half-axis may lie all around it."""

THROUGH_THE_CENTRE = 2.5
"""So many spreads of the rim's centre about the head's may its long axis lie from the head's."""

BOWED_WITHIN = 2.5
"""Points that scatter about one bow by less than this many placing spreads lie on one arc."""

BOWED_BEYOND = 3.0
"""Points whose bow is more than this many of its own spreads, with nothing else across that placing
could not do in `SELDOM` of films, lie on one arc if they lie no nearer to two: those around a flat
rim come in pairs, one on either side. Working defaults, no source."""

SELDOM = 0.001

AS_NEAR = 4.0
"""Two arcs are no nearer than one where their squares, in placing spreads, differ by less."""

REACHES_BEYOND = (1.01, 1.08, 1.2)
"""So many times as far as its outermost points a flat rim may reach. Six points spread evenly over
an ellipse reach 0.87 of it at the least (derived)."""

NO_WORSE = 2.0
"""Arrangements of points on two arcs are as likely where their squares differ by less."""


def on_one_arc(points: np.ndarray, spread: float, head: np.ndarray | None) -> bool:
    """Whether the points of a rim lie on one arc of it.

    Parameters
    ----------
    points : numpy.ndarray, shape (n, 2)
    spread : float
        Placing spread of a point (each coordinate), in the same unit.
    head : numpy.ndarray, shape (2,), or None
        The centre of the head, from which points all around are seen all around.
    """
    if head is not None:
        return arc_covered_deg(points, head) < ONE_ARC_DEG
    u, v = _along_and_across(points)
    if len(points) < 6:
        return False
    bow = np.polynomial.Polynomial.fit(u, v, 2)
    return bool(np.sqrt(((v - bow(u)) ** 2).sum() / (len(u) - 3)) < BOWED_WITHIN * spread)


def may_lie_around(points: np.ndarray, anchor: Anchor, sized: bool) -> bool:
    """Whether the points of a flat rim span its long axis, which passes through its centre.

    How long it is tells only where the cup's size is known (`sized`).
    """
    u, v = (each / anchor.spread for each in _along_and_across(points))
    if _clearly_bowed(u, v):
        return False
    u = u * anchor.spread
    reaches = not sized or np.ptp(u) / 2.0 > REACHES_THE_ENDS * anchor.half
    if anchor.centre is None:
        return bool(reaches)
    middle = points.mean(axis=0)
    across = np.linalg.svd(points - middle, full_matrices=False)[2][1]
    off = abs(across @ (np.array(anchor.centre) - middle))
    return bool(reaches and off < THROUGH_THE_CENTRE * anchor.centre_u)


def _clearly_bowed(u: np.ndarray, v: np.ndarray) -> bool:
    """Whether points, in placing spreads, lie on one bow rather than on a line or on two."""
    scatter = _off_axis(u, v)
    bowed = _left(scatter, _off_axis(u, u**2))
    around = _left(scatter, _off_axis(u, _on_either(u, v)))
    bow = scatter @ scatter - bowed @ bowed
    nearer = bowed @ bowed <= around @ around
    return bool(bow > BOWED_BEYOND**2 and nearer and _explained(bowed, SELDOM))


def _along_and_across(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the points along and across their longest extent, about their middle."""
    centred = points - points.mean(axis=0)
    u, v = (centred @ np.linalg.svd(centred, full_matrices=False)[2].T).T
    return u, v


def landing(poses: Poses, which: int, source_detector: float | np.ndarray) -> np.ndarray:
    """Return where a circle's centre lands about the beam; it is not the centre of its outline."""
    towards = poses.centre_over_radius[which]
    return np.asarray(-towards[:2] / towards[2] * source_detector)


def outline_off_centre(
    ellipse: np.ndarray, beam: np.ndarray, source_detector: float, lateral_sign: int, opens: int
) -> np.ndarray:
    """Return how far the centre of a rim's outline lies from where the rim's own centre lands.

    Parameters
    ----------
    ellipse : numpy.ndarray, shape (5,)
    beam : numpy.ndarray, shape (2,)
        The beam's foot, in the unit of the ellipse.
    source_detector : float
        Height of the tube, in that unit.
    lateral_sign, opens : {1, -1}
        As in `ellipse_angles`.
    """
    about_beam = np.array([*(ellipse[:2] - beam), *ellipse[2:]])
    poses = circle_poses(about_beam[:, None], source_detector, lateral_sign)
    landed = landing(poses, 0 if opens > 0 else 1, source_detector)[:, 0]
    return np.asarray(about_beam[:2] - landed)


def ellipse_angles(
    ellipse: np.ndarray, tilt_rad: np.ndarray, lateral_sign: int, opens: int | np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return inclination and anteversion of the ellipse method, in degrees.

    sin RA = b / a (Lewinnek GE et al., J Bone Joint Surg Am 1978;60-A:217-220; from memory).

    Parameters
    ----------
    ellipse : numpy.ndarray, shape (5,) or (5, draws)
        x, y, half-axes a >= b, angle in radians; patient frame.
    tilt_rad : float or numpy.ndarray
        Angle of the reference line to x.
    lateral_sign : {1, -1}
        1 for a left hip.
    opens : {1, -1}, or an array of them
        1 when the cup opens anteriorly, which one film does not show.

    Examples
    --------
    >>> inclination, anteversion = ellipse_angles(np.array([0, 0, 2, 1, -np.pi / 4]), 0.0, 1, 1)
    >>> print(f"{inclination:.0f} {anteversion:.0f}")
    45 30
    """
    _, _, a, b, angle = ellipse
    # The axis of the cup projects on the short axis of the ellipse, laterally and caudally.
    x, y = -np.sin(angle - tilt_rad), np.cos(angle - tilt_rad)
    lateral = lateral_sign * x
    inward = lateral + y < 0
    inclination = np.degrees(
        np.arctan2(np.where(inward, -lateral, lateral), np.where(inward, -y, y))
    )
    return inclination, opens * np.degrees(np.arcsin(np.clip(b / a, 0.0, 1.0)))


def pose_angles(
    poses: Poses, which: int | list[int], tilt_rad: np.ndarray, side: Side
) -> tuple[np.ndarray, np.ndarray]:
    """Return inclination and anteversion of one of the two poses, or of both, in degrees.

    Parameters
    ----------
    poses : Poses
        Of the rim's outline.
    which : {0, 1}, or a list of them
        0 takes the circle whose opening faces the tube; of a list both angles have a row for each.
    tilt_rad : float or numpy.ndarray
        Angle of the reference line to x; the patient's long axis is perpendicular to it.
    side : {"left", "right"}
        The hip.
    """
    x, y, z = (poses.axis[which, each] for each in range(3))
    return angles_of_axis(np.stack([*along_line(x, y, tilt_rad), z], axis=-1), side)


@dataclass(frozen=True, eq=False)
class FlatRim:
    """What is known of the short half-axis of a nearly flat ellipse.

    A noisy ellipse is never flat: near zero the fitted half-axis is about the placing spread
    whatever the true one is. The scatter of the points about the rim's long axis still tells: of
    a flat rim it is what placing explains. The confidence that the true half-axis is below a
    value is the probability that it would give more scatter than was seen (Neyman J, Phil Trans
    R Soc A 1937;236:333-380; the construction is from memory).

    Attributes
    ----------
    half_axis : numpy.ndarray, shape (m,)
        Possible true half-axes, rising from 0.
    confidence : numpy.ndarray, shape (m,)
        That the true one is not larger; at 0 it is the confidence of a flat rim.
    """

    half_axis: np.ndarray
    confidence: np.ndarray

    def quantile(self, probability: np.ndarray) -> np.ndarray:
        """Return the half-axis below which the true one lies with this confidence."""
        return np.asarray(np.interp(probability, self.confidence, self.half_axis))


def flat_rim(points: np.ndarray, spread: float, half: float = 0.0) -> FlatRim | None:
    """Return the confidence of the short half-axis if the rim is flat, None if it is not.

    The fitted ellipse is not used: near flat its length may come out as anything.

    Parameters
    ----------
    points : numpy.ndarray, shape (n, 2)
        Outline of the rim.
    spread : float
        Placing spread of a point (each coordinate), in the same unit.
    half : float
        How long its long half-axis should be, where its points may lie on one arc that does not
        reach the ends: it bows less.
    """
    u, v = (each / spread for each in _along_and_across(points))
    scatter = _off_axis(u, v)
    if scatter @ scatter > len(v) * (1.0 + FLAT_BELOW**2 / 2.0):
        return None
    possible = np.linspace(0.0, 3.0 * FLAT_BELOW, 181)
    # Points on both arcs, or all on one, which scatters less for the same half-axis: where they
    # may be either, the half-axis may be as small as the one and as large as the other.
    one = _off_axis(u, _height(u, half / spread))
    of_two, of_bow = (_left(scatter, arc) for arc in (_off_axis(u, _on_either(u, v)), one))
    fits_both, fits_one = (_explained(left, 0.05) for left in (of_two, of_bow))
    # Where the cup's size does not tell them apart, one arc is not given up for a little scatter.
    if half and of_bow @ of_bow < of_two @ of_two + AS_NEAR:
        fits_one = _explained(of_bow, SELDOM)
    if fits_one and not fits_both:
        return None  # a short arc, not a flat rim
    least, most = _arc_squares(scatter, u, v)
    confidence = _between(*(_confidence(scatter, each, possible) for each in (most, least)))
    if fits_one:
        confidence = _between(confidence, _confidence(scatter, one @ one, possible))
    # Strictly rising, as interpolation wants.
    rising = np.maximum.accumulate(confidence) + 1e-12 * np.arange(len(possible))
    return FlatRim(spread * possible, rising)


def _confidence(scatter: np.ndarray, arc_squares: float, possible: np.ndarray) -> np.ndarray:
    """Return the probability of more scatter than was seen, for each possible half-axis.

    All in placing spreads: the squared scatter is then a non-central chi-square. Points that happen
    to scatter less than those of a flat rim mostly do tell no more than if they did as much: taken
    at their word, points right on one curve would leave no half-axis at all (Cowan G et al.,
    Power-constrained limits, arXiv:1105.3166, 2011; from memory).
    """
    freedom, shift = len(scatter) - 2, np.maximum(possible**2 * arc_squares, 1e-9)
    seen = max(scatter @ scatter, chdtri(freedom, 0.5))
    return 1.0 - np.asarray(chndtr(seen, freedom, shift))


def _between(below: np.ndarray, above: np.ndarray) -> np.ndarray:
    """Return a confidence whose half-axis may be as small as one has it and as large as another."""
    return np.where(below < 0.5, below, np.maximum(np.minimum(below, above), 0.5))


def _arc_squares(scatter: np.ndarray, u: np.ndarray, v: np.ndarray) -> tuple[float, float]:
    """Return how much points on both arcs scatter for one half-axis, the least and the most.

    Which of them lies on which arc, and how far beyond the outermost the rim reaches, is taken
    in every way that leaves about as little as the best one does.
    """
    order = np.sort(v)
    above = np.where(v > (order[1:, None] + order[:-1, None]) / 2.0, 1.0, -1.0)
    arcs = _off_axis(u, np.vstack([above * _height(u, beyond=by) for by in REACHES_BEYOND]).T)
    squares = (arcs**2).sum(axis=0)
    taken = (scatter @ arcs) ** 2 / squares
    likely = squares[taken >= taken.max() - NO_WORSE]
    return float(likely.min()), float(likely.max())


def _on_either(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Return how high points stand that lie on the arc of their own side of the long axis."""
    return np.asarray(np.copysign(_height(u), v))


def _height(u: np.ndarray, half: float = 0.0, beyond: float = REACHES_BEYOND[0]) -> np.ndarray:
    """Return how high points along a flat rim stand, in its short half-axes.

    Its long half-axis is `half`, or `beyond` times what the points span: the outermost seldom lie
    at the ends.
    """
    middle, half = (u.max() + u.min()) / 2.0, max(beyond * np.ptp(u) / 2.0, half)
    return np.asarray(np.sqrt(1.0 - np.clip((u - middle) / half, -1.0, 1.0) ** 2))


def _off_axis(u: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return what of values is no long axis: two parameters, whatever the half-axis."""
    axis, _ = np.linalg.qr(np.column_stack([np.ones_like(u), u]))
    return np.asarray(values - axis @ (axis.T @ values))


def _left(scatter: np.ndarray, arc: np.ndarray) -> np.ndarray:
    """Return what the nearest multiple of an arrangement of the points leaves."""
    return np.asarray(scatter - arc * (arc @ scatter) / (arc @ arc))


def _explained(left: np.ndarray, seldom: float) -> bool:
    """Whether placing leaves this much, in placing spreads, in more than this share of films.

    Chi-square; three parameters were fitted.
    """
    return bool(chdtrc(len(left) - 3, left @ left) > seldom)
