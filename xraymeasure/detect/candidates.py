"""Where a replaced hip may be: circles that many edges point at, and a neck that leaves them.

Gradient voting: every edge point votes for the centres that lie in the direction of its gradient,
at every radius (Kimme C, Ballard D, Sklansky J, Finding circles by an array of accumulators,
Commun ACM 1975;18:120-122; from memory). The vote's weight is capped, so that a weak edge under
the shell votes as well. An opaque shell hides most of the head's outline, so a circle of the
shell's size about the same centre counts as well. On a film that is clipped to white, bone hides
the upper half of a head, a white shell most of the rest, and grey tells nothing: there the outline
of what is white votes, below for the head and above for the shell about it, and the neck is white
between two sides that are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xraymeasure.detect.field import Field
from xraymeasure.vocabulary.landmarks import Side, lateral_sign

HEAD_RADII_MM = (12.0, 30.0)
"""On the detector: heads of 22 to 44 mm, magnified 1.05 to 1.35."""
SHELL_RADII_MM = (25.0, 42.0)
_STEP_MM = 1.0
_FEWEST_IN_WHITE, _LEAST_NECK_IN_WHITE = 0.2, 0.95
"""Votes of the lower half of a white head's outline and of its shell's, over the whole of each, and
how white the neck is and how little the whiter of its sides: 70 heads 0.24 and 1.00 and more, the
first circles on their side; circles of bone 0.15 and 0.89 (rendered films)."""
_MOST_IN_WHITE = 2
"""Of circles in white, on each side."""
_OF_HEAD, _OF_SHELL = np.cos(np.radians(100.0)), 0.3
"""Cosine between what the outline faces and the neck, from which it may be the head's, and below
which the shell's."""
_CLIPPED_FROM = 0.004
"""Share of the film's points with a clipped pixel in them, from which silhouettes vote."""
_SILHOUETTE_SLOPE = 0.2
"""Per mm, from which an edge of the silhouette has its full vote; a straight one has 0.28."""
_FEWEST_OF_SHELL = 0.55
"""Of the larger circle, where a shell hides the head: opaque ones 0.76, native hips 0.37 at most
(rendered films)."""
_FEWEST_VOTES = 0.38
"""Share of the circumference, in capped votes. Native heads reach 0.5, the heads of prostheses 0.5
and more (rendered films): what is between is settled by the neck, the metal and the fit."""
_MOST = 8
_APART_MM = 12.0
_LEAST_NECK = 0.3
"""Contrast of the neck over that of the head; prostheses 0.47 and more (rendered films)."""
_LEAST_METAL = 0.5
"""How far the circle's inside stands out from the body, 1 being the densest 3 in 1000 of the film.
Prosthetic heads 0.83 and more, other circles 0.75 and less, most below 0.5 (rendered films)."""


@dataclass(frozen=True)
class Candidate:
    """A circle that may be a prosthetic head.

    Attributes
    ----------
    side : {"left", "right"}
        Where the neck leaves: laterally and caudally.
    x_mm, y_mm, radius_mm : float
        The circle on the detector.
    shell_radius_mm : float
        Of the larger circle about the same centre that has most votes.
    neck_rad : float
        Direction of the neck, from x toward y.
    votes, neck : float
        Votes over the circumference; contrast of the neck over that of the head.
    in_white : bool
        Whether it was found by the outline of what is clipped to white.
    """

    side: Side
    x_mm: float
    y_mm: float
    radius_mm: float
    shell_radius_mm: float
    neck_rad: float
    votes: float
    neck: float
    in_white: bool


@dataclass(frozen=True, eq=False)
class Votes:
    """Votes over the circumference for circles of each radius about each point of a field.

    Attributes
    ----------
    radii_mm : numpy.ndarray
    share : numpy.ndarray of float32, shape (radii, rows, columns)
    """

    radii_mm: np.ndarray
    share: np.ndarray


def find_candidates(
    field: Field, votes: Votes, side: Side, head_radii_mm: tuple[float, float] = HEAD_RADII_MM
) -> list[Candidate]:
    """Return the circles that may be heads of prostheses on one side, the likeliest first.

    Parameters
    ----------
    field : Field
        The whole film at about 1 mm.
    votes : Votes
        Of its edges, by `circle_votes`.
    side : {"left", "right"}
    head_radii_mm : (float, float)
        Smallest and largest radius of a head on the detector. A known head narrows it, so that the
        larger circle of an opaque shell is not taken for one.
    """
    from scipy.ndimage import maximum_filter

    radii = votes.radii_mm
    smallest = max(head_radii_mm[0], HEAD_RADII_MM[0])
    heads = (radii >= smallest) & (radii <= max(head_radii_mm[1], smallest + _STEP_MM))
    shells = radii >= SHELL_RADII_MM[0]
    best_head, best_shell = votes.share[heads].max(axis=0), votes.share[shells].max(axis=0)
    score = best_head + 0.5 * best_shell
    size = 2 * round(_APART_MM / field.pitch_mm[0]) + 1
    enough = (best_head > _FEWEST_VOTES) | (best_shell > _FEWEST_OF_SHELL)
    peaks = np.argwhere((score == maximum_filter(score, size=size)) & enough)
    order = np.argsort(-score[tuple(peaks.T)], kind="stable")
    body, dense = _levels(field)
    found: list[Candidate] = []
    for row, column in peaks[order]:
        if len(found) == _MOST:
            break
        x, y = float(field.x_mm[column]), float(field.y_mm[row])
        if _inside(field, x, y) - body < _LEAST_METAL * (dense - body):
            continue
        near = _near(votes, row, column)[heads]
        radius = float(radii[heads][near.argmax()])
        neck, strength = _neck(field, x, y, radius)
        if strength > _LEAST_NECK:
            leaves: Side = "left" if np.cos(neck) > 0 else "right"
            shell = _shell_radius(votes, row, column, radius)
            share = float(best_head[row, column])
            found.append(Candidate(leaves, x, y, radius, shell, neck, share, strength, False))
    of_side = [candidate for candidate in found if candidate.side == side]
    if field.clipped.mean() < _CLIPPED_FROM:
        return of_side
    return [*of_side, *_in_white(field, radii[heads], side, size, found)]


def _in_white(
    field: Field, radii: np.ndarray, side: Side, size: int, usual: Sequence[Candidate]
) -> list[Candidate]:
    """Return the likeliest circles of one side by the outline of what is white, but the usual."""
    from scipy.ndimage import maximum_filter

    edges = _edges(field, field.white, _SILHOUETTE_SLOPE)
    # What the outline faces, along the line of a neck.
    faces = -(edges[4] * lateral_sign(side) + edges[3]) * 0.5**0.5
    shells = np.arange(SHELL_RADII_MM[0], SHELL_RADII_MM[1] + _STEP_MM, _STEP_MM)
    below = _counted(field, edges[:, faces > _OF_HEAD], radii)
    above = _counted(field, edges[:, faces < _OF_SHELL], shells)
    share = below.max(axis=0) + above.max(axis=0)
    is_peak = (share == maximum_filter(share, size=size)) & (share > _FEWEST_IN_WHITE)
    white = []
    for row, column in np.argwhere(is_peak & (field.white > 0.5)):
        x, y = float(field.x_mm[column]), float(field.y_mm[row])
        if any(np.hypot(x - each.x_mm, y - each.y_mm) < 0.5 * _APART_MM for each in usual):
            continue
        radius = float(radii[below[:, row, column].argmax()])
        neck, strength = _white_neck(field, x, y, radius, side)
        if strength > _LEAST_NECK_IN_WHITE:
            shell = float(shells[above[:, row, column].argmax()])
            votes = float(share[row, column])
            found = Candidate(side, x, y, radius, shell, neck, votes, strength, True)
            white.append((votes + 0.5 * strength, row, column, found))
    return [found for *_, found in sorted(white, key=lambda each: each[:3], reverse=True)][
        :_MOST_IN_WHITE
    ]


def _near(votes: Votes, row: int, column: int) -> np.ndarray:
    """Return the most votes within two points of a place, for each radius."""
    near = votes.share[:, max(row - 2, 0) : row + 3, max(column - 2, 0) : column + 3]
    return np.asarray(near.max(axis=(1, 2)))


def _shell_radius(votes: Votes, row: int, column: int, head_radius: float) -> float:
    """Return the radius of the circle about a head that its shell's votes are for."""
    wider = votes.radii_mm >= max(SHELL_RADII_MM[0], head_radius + 6.0)
    return float(votes.radii_mm[wider][_near(votes, row, column)[wider].argmax()])


def circle_votes(field: Field) -> Votes:
    """Return the votes of all edges of a field, and of the outline of what is clipped to white.

    Where metal is clipped its silhouette is all that is left, a weak edge beside those of bone.
    """
    radii = np.arange(HEAD_RADII_MM[0], SHELL_RADII_MM[1] + _STEP_MM, _STEP_MM)
    edges = _edges(field, field.greys, None)
    share = _counted(field, edges, radii)
    if field.clipped.mean() > _CLIPPED_FROM:
        outline = _edges(field, field.white, _SILHOUETTE_SLOPE)
        np.maximum(share, _counted(field, outline, radii), out=share)
    return Votes(radii, share)


def _edges(field: Field, greys: np.ndarray, cap: float | None) -> np.ndarray:
    """Return row, column, capped weight and uphill direction (y, x) of every edge point."""
    from scipy.ndimage import gaussian_filter

    smooth = gaussian_filter(greys, 1.0)
    slope_y, slope_x = np.gradient(smooth, *field.pitch_mm)
    slope = np.hypot(slope_x, slope_y)
    if cap is None:
        cap = max(float(np.percentile(slope, 92)), 1e-6)
    row, column = np.nonzero(slope > 0.35 * cap)
    here = slope[row, column]
    uphill = slope_y[row, column] / here, slope_x[row, column] / here
    return np.stack([row, column, np.minimum(here / cap, 1.0), *uphill])


def _counted(field: Field, edges: np.ndarray, radii: np.ndarray) -> np.ndarray:
    """Return the votes of edges over the circumference, shape (radii, rows, columns)."""
    from scipy.ndimage import gaussian_filter1d

    row, column, weight, toward_y, toward_x = edges
    step_y, step_x = field.pitch_mm
    rows, columns = field.greys.shape
    votes = np.zeros((len(radii), rows, columns), dtype=np.float32)
    for k, radius in enumerate(radii):
        y = np.rint(row + radius * toward_y / step_y).astype(np.int64)
        x = np.rint(column + radius * toward_x / step_x).astype(np.int64)
        inside = (y >= 0) & (y < rows) & (x >= 0) & (x < columns)
        total = np.bincount(y[inside] * columns + x[inside], weight[inside], rows * columns)
        # Radius and both directions are smoothed alike: an edge is as wide as a step.
        votes[k] = total.reshape(rows, columns) * ((step_x * step_y) ** 0.5 / radius)
    for axis, spread in ((1, 0.9), (2, 0.9), (0, 0.6)):
        votes = gaussian_filter1d(votes, spread, axis=axis, truncate=3.0)
    return votes


def _levels(field: Field) -> tuple[float, float]:
    """Return the greys of the body and of the densest 3 in 1000 of the film."""
    # The air beside the body, if any, is the darkest third.
    dark, dense = np.percentile(field.greys, [30.0, 99.7])
    above = field.greys[field.greys > dark]
    body = float(np.median(above)) if above.size else float(dark)
    return body, max(float(dense), body + 1e-6)


def _inside(field: Field, x: float, y: float) -> float:
    """Return the grey about the middle of a circle."""
    turns = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    reach = np.array([[2.0], [5.0], [9.0]])
    return float(np.nanmedian(field.at(x + reach * np.cos(turns), y + reach * np.sin(turns))))


def _neck(field: Field, x: float, y: float, radius: float) -> tuple[float, float]:
    """Return the direction of the brightest bar that leaves the circle, and its contrast.

    Contrast is that of the bar with what lies on both sides of it, over that of the circle with
    what lies around it. Only directions that a neck can have are looked at: lateral and caudal.
    """
    down = np.radians(np.arange(12.0, 79.0, 3.0))
    angles = np.concatenate([down, np.pi - down])
    along = radius + np.arange(5.0, 24.0, 1.5)
    across = np.array([-24.0, -20.0, -3.0, 0.0, 3.0, 20.0, 24.0])
    a, s, t = np.meshgrid(angles, along, across, indexing="ij")
    grey = field.at(x + s * np.cos(a) - t * np.sin(a), y + s * np.sin(a) + t * np.cos(a))
    grey = np.nan_to_num(grey)  # beyond the film there is no metal
    bar = grey[:, :, 2:5].mean(axis=2)
    beside = np.maximum(grey[:, :, :2].mean(axis=2), grey[:, :, 5:].mean(axis=2))
    # A bar is bright along all of its length: its weaker half counts.
    contrast = bar - beside
    strength = np.sort(contrast, axis=1)[:, : contrast.shape[1] // 2].mean(axis=1)
    ring = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    inner = field.at(x + 0.6 * radius * np.cos(ring), y + 0.6 * radius * np.sin(ring))
    outer = field.at(x + 2.4 * radius * np.cos(ring), y + 2.4 * radius * np.sin(ring))
    head = float(np.median(np.nan_to_num(inner)) - np.percentile(np.nan_to_num(outer), 30))
    best = int(strength.argmax())
    return float(angles[best]), float(strength[best] / max(head, 1e-3))


def _white_neck(field: Field, x: float, y: float, radius: float, side: Side) -> tuple[float, float]:
    """Return the direction of the white bar that leaves a circle, and how it stands out, 0 to 1."""
    angles = np.radians(np.arange(21.0, 70.0, 3.0))
    angles = angles if side == "left" else np.pi - angles
    along, across = (
        radius + np.arange(3.0, 20.0, 1.5),
        np.array([-16.0, -13.0, -3.0, 0.0, 3.0, 13.0, 16.0]),
    )
    a, s, t = np.meshgrid(angles, along, across, indexing="ij")
    at = x + s * np.cos(a) - t * np.sin(a), y + s * np.sin(a) + t * np.cos(a)
    white = field.clipped_at(*at).mean(axis=1)
    bar, first, second = white[:, 2:5].mean(axis=1), white[:, :2].mean(1), white[:, 5:].mean(1)
    stands = bar - np.maximum(first, second)
    # Several directions may be as good: the bar runs in the middle of them.
    best = stands > stands.max() - 0.01
    return float(angles[best].mean()), float(stands.max())
