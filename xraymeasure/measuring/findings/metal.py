"""What the metal in the picture says of the landmarks placed on it."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.measuring.needs import touched_by
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, landmark_name, other_side

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

DENSER = 0.15
"""By how much of a film's range a native head must outshine one that is called prosthetic. On
rendered films of two programs metal heads are denser than native ones by 0.25 to 0.38 of it; half
of that is asked for, the other way round."""

TURNS_DEG = np.arange(-60, 61, 2)
RATIOS = np.array([0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.4, 1.6, 2.0, 2.5])
"""By how much a rim is turned, and its axis ratio changed, in search of the metal's edge."""

RING_FROM, RING_TO, STEP_DEG = 0.7, 0.85, 5
"""Where the edge is looked for, in half long axes (outside the head, inside the shell), and how
far to both sides of it densities are averaged."""

SEEN_AT = 0.92
"""The axis ratio at which the edge of the metal is seen, over that of the rim: 1 for an opaque
shell, 0.8 to 0.9 on rendered films of two programs, as the wall is thin where it is seen along."""

TURNED_DEG, OPENED_DEG = 6.0, 4.5
"""By how much inclination and anteversion at the metal's edge may differ from the rim's."""

FAR_DEG = 8.0
"""From here the metal's edge contradicts the rim, below it asks; bevels and thick walls
of shells that were not rendered may move the edge so far. Working default, no source."""

EDGE_SEEN, EDGE_MISSED = 0.15, 0.85
"""The step of density at the best edge must be this part of what the ring spans, and the rim's own
less than that part of the best. On the rendered films of two programs (five hips and nine, with
human clicks) the step is 0.2 to 0.9 of the span, the turn found within 2 degrees of the rim's and
the anteversion within 3."""

MIDDLE, MIDDLE_WITHIN = 0.87, (0.7, 1.15)
"""Where the middle of the drop of density lies, in anteversions of the rim, and beyond what at both
ends it asks: the drop may be so wide that the rim's own step is hardly less than the best. On
rendered films of two programs sound rims have 0.77 to 0.97 at an end, those flattened by a third
1.2 to 1.4, those thickened by half 0.53 to 0.67."""

STANDS_OPEN_DEG = 6.0
"""Under this anteversion the drop is wider than the rim is open, and has no middle."""

SEEN_IN_DEPTH = 0.7
"""A rim whose axes are more alike than this has no ends to go by."""


def bone_that_outshines(film: Film, setting: Setting) -> Iterator[Finding]:
    """Notice a head that is called prosthetic and is less dense than the native one."""
    reading = setting.reading
    called = [side for side in SIDES if side in reading.head_diameter_mm]
    heads = {landmark_name("femoral_head", side) for side in SIDES}
    if len(called) != 1 or not heads <= setting.placed:
        return
    side, other = called[0], other_side(called[0])
    inside = [
        _within(film, reading.points(landmark_name("femoral_head", each))) for each in (side, other)
    ]
    if not all(each.any() for each in inside):
        return
    called_metal, called_bone = (float(np.median(each)) for each in inside)
    if called_bone - called_metal > DENSER:
        yield Finding(
            "bone_outshines_metal",
            f"The {side} head is said to be prosthetic, and the {other} one is denser on this "
            f"film. Is {other} the side that was replaced?",
            (),
            "strong",
        )


_MIDDLE = np.array(list(product(np.linspace(-1.0, 1.0, 20), repeat=2)))


def _within(film: Film, outline: np.ndarray) -> np.ndarray:
    """Return the densities in the middle of a head: 400, or none where it is too small."""
    middle, reach = outline.mean(axis=0), 0.35 * float(np.ptp(outline, axis=0).min())
    if reach < 3.0:
        return np.empty(0)
    return film.density(middle + reach * _MIDDLE)


def rims_off_metal(film: Film, setting: Setting) -> Iterator[Finding]:
    """Notice a rim that does not end where the metal of the shell does.

    A hemispherical shell casts half a disc and half of the rim's ellipse: on a ring outside the
    head, density falls where the ellipse is crossed, beyond both ends of its long axis.
    """
    for side, hip in setting.hips.items():
        if hip.rim is None:
            continue
        x, y, long, short, angle = hip.rim.parameters
        inner = RING_FROM if hip.head is None else hip.head.parameters[2] / long + 0.04
        rings = np.linspace(max(RING_FROM, inner), RING_TO, 4)
        if short > SEEN_IN_DEPTH * long or inner > RING_TO:
            continue
        along = np.array([np.cos(angle), np.sin(angle)])
        dome = np.array([-along[1], along[0]])
        dome = -dome if dome[1] > 0.0 else dome
        turn = np.radians(np.arange(360))
        circle = np.cos(turn)[:, None] * along + np.sin(turn)[:, None] * dome
        at = setting.pixels(
            (np.array([x, y]) + long * rings[:, None, None] * circle).reshape(-1, 2)
        )
        if at.min() < 0.0 or (at > np.array(film.shape) - 1).any():
            continue
        densities = film.density(at).reshape(len(rings), 360)
        # Of a flat rim too, an edge that lies beyond both ends is no turned one.
        flat = np.sin(np.radians(STANDS_OPEN_DEG))
        ratios = np.minimum(max(short / long, flat) * RATIOS, 0.99)
        ends = _ends(densities, rings, ratios)
        opened = np.degrees(np.arcsin(np.minimum(ratios / SEEN_AT, 1.0)))
        off = np.abs(opened - np.degrees(np.arcsin(short / long)))
        own = (off < OPENED_DEG)[:, None] & (np.abs(TURNS_DEG) < TURNED_DEG)
        near = (off < 0.7 * OPENED_DEG)[:, None] & (np.abs(TURNS_DEG) < TURNED_DEG)
        edges = ends.mean(axis=0)
        ratio, turned = np.unravel_index(edges.argmax(), edges.shape)
        span = float(np.ptp(np.percentile(densities, [5, 95])))
        if edges.max() <= EDGE_SEEN * span:
            continue
        is_turned = abs(TURNS_DEG[turned]) >= TURNED_DEG
        # A lip, an osteophyte or another implant may hide one end; both must be elsewhere.
        seen = ends[:, near].max(axis=1, initial=0.0) / ends.max(axis=(1, 2))
        if not own[ratio, turned] and seen.max() < EDGE_MISSED:
            name = landmark_name("cup_rim", side)
            longer = not is_turned and ratios[ratio] > short / long
            far = off[ratio] > FAR_DEG or abs(TURNS_DEG[turned]) >= FAR_DEG
            yield Finding(
                "rim_off_metal",
                f"{LANDMARKS[name].title} does not run where the metal in the picture ends: a rim "
                f"turned by {abs(TURNS_DEG[turned])} degrees, with an anteversion of "
                f"{opened[ratio]:.0f} degrees on the film, would fit it better. Check its points"
                + (", unless the shell is longer than half a sphere." if longer else "."),
                touched_by(name, setting),
                "note" if longer else "strong" if far else "warning",
            )
        elif not is_turned:
            yield from _rim_off_middle(densities, rings, short / long, side, setting)


def _rim_off_middle(
    densities: np.ndarray, rings: np.ndarray, own: float, side: Side, setting: Setting
) -> Iterator[Finding]:
    """Notice a rim as turned as the metal's edge, and flatter or rounder than it."""
    rim_deg = float(np.degrees(np.arcsin(own)))
    if rim_deg < STANDS_OPEN_DEG:
        return
    degrees = np.arange(2, round(2.5 * rim_deg) + 4)
    ratios = np.minimum(np.sin(np.radians(degrees)), 0.99)
    ends = _ends(densities, rings, ratios)[:, :, np.abs(TURNS_DEG) < TURNED_DEG].max(axis=2)
    best = int(ends.sum(axis=0).argmax())
    if ends[:, best].min() <= 0.0:
        return
    middles = np.array([degrees[0] + _middle(each, best) for each in ends])
    low, high = MIDDLE_WITHIN
    # A lip widens one end alone.
    longer = middles.min() > high * rim_deg
    if longer or middles.max() < low * rim_deg:
        name = landmark_name("cup_rim", side)
        yield Finding(
            "rim_off_metal",
            f"{LANDMARKS[name].title} is {'flatter' if longer else 'rounder'} than the metal in "
            f"the picture ends: an anteversion of about {middles.mean() / MIDDLE:.0f} degrees on "
            "the film would fit it better. Check its points"
            + (", unless the shell is longer than half a sphere." if longer else "."),
            touched_by(name, setting),
            "note" if longer else "warning",
        )


def _middle(drops: np.ndarray, best: int) -> float:
    """Return the index of the middle of the run about the best where density falls steeply."""
    least = 0.6 * drops[best]
    shallow = np.flatnonzero(drops <= least)
    first = shallow[shallow < best].max(initial=-1) + 1
    last = shallow[shallow > best].min(initial=len(drops))
    weights = drops[first:last] - least
    return float(np.average(np.arange(first, last), weights=weights))


def _ends(densities: np.ndarray, rings: np.ndarray, ratios: np.ndarray) -> np.ndarray:
    """Return how far density falls at the two ends of ellipses, shape (2, ratios, turns).

    Parameters
    ----------
    densities : numpy.ndarray, shape (rings, 360)
        From one end of the long axis over the dome to the other, and back.
    rings : numpy.ndarray
        Their radii, in half long axes.
    ratios : numpy.ndarray
        Axis ratios of the ellipses.
    """
    around = np.concatenate([densities, densities, densities], axis=1)
    sums = np.cumsum(around, axis=1)[:, 360 - STEP_DEG - 1 : 720 + STEP_DEG]
    middle = sums[:, STEP_DEG : STEP_DEG + 360]
    rises = (sums[:, 2 * STEP_DEG :][:, :360] + sums[:, :360] - 2.0 * middle) / STEP_DEG
    # The ellipse has these radii so many degrees beyond the ends of its long axis.
    beyond = np.arcsin(np.minimum(np.sqrt((rings**-2 - 1.0) / (ratios[:, None] ** -2 - 1.0)), 1.0))
    after = np.rint(np.degrees(beyond)).astype(int)[:, :, None]
    ring = np.arange(len(rings))[:, None]
    first = rises[ring, (TURNS_DEG - after) % 360].mean(axis=1)
    second = -rises[ring, (180 + TURNS_DEG + after) % 360].mean(axis=1)
    return np.stack([first, second])
