"""A piece of a film found on another: anywhere near first, then as exactly as it can be told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from xraymeasure.carry.sight import Sight

_ANOTHER_MM = 10.0
"""From the best place on, another one is another place."""
_STEP_MM, _WIDTH = 1.6, 0.6
"""Of the points that are compared, and the spread of their weights over the radius."""
_SHIFT_SD_MM, _SHAPE_SD = 4.0, 0.05
"""How far the first search may be off, and by how much a piece may turn, stretch or shear."""
_ALIKE_MM = 3.0
"""Within which what two films differ by is one observation."""
_STEPS, _ENOUGH_MM, _FEWEST = 8, 0.03, 60


@dataclass(frozen=True, eq=False)
class Way:
    """An affine map: ``linear @ (x - origin) + target``, all in mm on the detectors."""

    linear: np.ndarray
    origin: np.ndarray
    target: np.ndarray

    def __call__(self, points: np.ndarray) -> np.ndarray:
        """Map points, shape (..., 2)."""
        return np.asarray((points - self.origin) @ self.linear.T + self.target)

    def about(self, centre: np.ndarray) -> Way:
        """Return the same map, written about another point."""
        return Way(self.linear, centre, self(centre))

    def inverse(self) -> Way:
        """Return the map back."""
        return Way(np.linalg.inv(self.linear), self.target, self.origin)


@dataclass(frozen=True, eq=False)
class Match:
    """A piece that was found.

    Attributes
    ----------
    way : Way
        From the earlier film to the later one.
    likeness : float
        Correlation of the two, 1 at most.
    second : float
        Of the next best place; 0 where only one was looked at.
    sd_mm : float
        By how much the picture leaves the place open, each direction.
    """

    way: Way
    likeness: float
    second: float = 0.0
    sd_mm: float = 0.0


def found(
    early: Sight,
    late: Sight,
    box: tuple[np.ndarray, np.ndarray],
    start: Way,
    reach_mm: float,
    turns_deg: Sequence[float],
    scales: Sequence[float],
) -> Match | None:
    """Return where a box of the earlier film is found on the later one.

    Normalised correlation, for every turn and scale beside those of `start`.

    Parameters
    ----------
    early, late : Sight
        On one grid, coarse.
    box : (low, high)
        Corners in mm, shape (2,) each.
    start : Way
        Where it is expected.
    reach_mm : float
        How far from there it may be, in either direction.
    turns_deg, scales : sequence of float
        To be tried.
    """
    low, high = box
    pitch = np.array(late.pitch_mm[::-1])
    count = np.maximum(np.rint((high - low) / pitch).astype(int) // 2, 1)
    offsets = [np.arange(-n, n + 1) * step for n, step in zip(count, pitch, strict=True)]
    grid = np.stack(np.meshgrid(*offsets), axis=-1)
    middle = 0.5 * (low + high)
    expected = start(middle)
    about = np.rint((expected - late.first_mm) / pitch).astype(int)
    reach = np.ceil(reach_mm / pitch).astype(int)
    # What lies beyond the film does not stand out.
    pad = int((count + reach).max()) + 1
    from_column, from_row = about - reach - count + pad
    to_column, to_row = about + reach + count + pad + 1
    part = np.pad(late.contrast, pad)[max(from_row, 0) : to_row, max(from_column, 0) : to_column]
    if min(part.shape[0] - grid.shape[0], part.shape[1] - grid.shape[1]) < 0:
        return None
    likeness_of = correlation_with(part, (grid.shape[0], grid.shape[1]))
    best: tuple[float, np.ndarray, np.ndarray] | None = None
    for turn in np.radians(turns_deg):
        for scale in scales:
            cos, sin = scale * np.cos(turn), scale * np.sin(turn)
            linear = np.array([[cos, -sin], [sin, cos]]) @ start.linear
            piece, _ = early.at(middle + grid @ np.linalg.inv(linear).T)
            likeness = likeness_of(piece)
            if best is None or likeness.max() > best[0]:
                best = float(likeness.max()), linear, likeness
    if best is None:
        return None
    top, linear, likeness = best
    row, column = np.unravel_index(int(likeness.argmax()), likeness.shape)
    at = np.array([column + max(from_column, 0), row + max(from_row, 0)]) - pad + count
    rows, columns = np.ogrid[: likeness.shape[0], : likeness.shape[1]]
    far = np.hypot((rows - row) * pitch[1], (columns - column) * pitch[0]) > _ANOTHER_MM
    way = Way(linear, middle, late.first_mm + at * pitch)
    return Match(way, top, float(likeness[far].max(initial=0.0)))


def correlation_with(
    part: np.ndarray, shape: tuple[int, int]
) -> Callable[[np.ndarray], np.ndarray]:
    """Return what gives the correlation of a piece of that shape with each place of a part.

    As ``skimage.feature.match_template``, but what does not depend on the piece is done once, and
    without ``scipy.signal``, to import which takes longer than all that is done here.
    """
    from scipy.fft import irfft2, next_fast_len, rfft2

    part = part.astype(float)
    rows, columns = shape
    whole = [next_fast_len(size, real=True) for size in part.shape]
    spectrum = rfft2(part, whole)

    def sums(values: np.ndarray) -> np.ndarray:
        upto = np.pad(values.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
        down = upto[rows:] - upto[:-rows]
        return np.asarray(down[:, columns:] - down[:, :-columns])

    size = np.sqrt(np.maximum(sums(part**2) - sums(part) ** 2 / (rows * columns), 1e-9))

    def likeness(piece: np.ndarray) -> np.ndarray:
        off = piece - piece.mean()
        together = irfft2(spectrum * np.conj(rfft2(off, whole)), whole)
        share = together[: size.shape[0], : size.shape[1]] / size
        return np.asarray(share / max(float(np.linalg.norm(off)), 1e-9))

    return likeness


def refined(
    early: Sight,
    late: Sight,
    start: Way,
    radius_mm: float,
    region: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Match | None:
    """Return the affine map that lays what is about ``start.origin`` on the later film.

    Inverse compositional alignment (Baker S, Matthews I, Int J Comput Vis 2004;56:221-255, from
    memory) with weights that fade outward, Huber's for what differs, and a prior about `start`, so
    that what slides along an edge stays.

    Parameters
    ----------
    early, late : Sight
    start : Way
    radius_mm : float
        Of what is compared.
    region : callable, optional
        Which points of the earlier film, (n, 2), belong to the bone.
    """
    steps = np.arange(-radius_mm, radius_mm + _STEP_MM / 2, _STEP_MM)
    offsets = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    share = np.linalg.norm(offsets, axis=1) / radius_mm
    points = start.origin + offsets
    keep = share <= 1.0
    if region is not None:
        keep &= region(points)
    piece, seen = early.at(points)
    keep &= seen
    offsets, points, piece, share = (each[keep] for each in (offsets, points, piece, share))
    if len(points) < _FEWEST:
        return None
    weight = np.exp(-0.5 * (share / _WIDTH) ** 2)
    half = _STEP_MM / 2
    slope = [
        (early.at(points + step)[0] - early.at(points - step)[0]) / (2 * half)
        for step in (np.array([half, 0.0]), np.array([0.0, half]))
    ]
    u, v = (offsets / radius_mm).T
    slopes = np.stack([*slope, *(each * by for each in slope for by in (u, v))], axis=1)
    shape_sd = _SHAPE_SD * radius_mm
    prior = 1.0 / np.array([_SHIFT_SD_MM] * 2 + [shape_sd] * 4) ** 2
    back = np.linalg.inv(start.linear)
    linear, target = start.linear, start.target
    normal = np.diag(prior)
    for _ in range(_STEPS):
        values, seen = late.at(offsets @ linear.T + target)
        counts = np.where(seen, weight, 0.0)
        if np.count_nonzero(seen) < _FEWEST:
            return None
        rest = _toned(values, piece, counts) - piece
        spread = 1.4826 * float(np.median(np.abs(rest[seen]))) + 0.01
        counts = counts / np.maximum(1.0, np.abs(rest) / (2.0 * spread))
        weighted = slopes * (counts * (_STEP_MM / _ALIKE_MM / spread) ** 2)[:, None]
        now = np.concatenate(
            [back @ (target - start.target), ((back @ linear - np.eye(2)) * radius_mm).ravel()]
        )
        normal = weighted.T @ slopes + np.diag(prior)
        step = np.linalg.solve(normal, weighted.T @ rest + prior * now)
        undone = np.linalg.inv(np.eye(2) + step[2:].reshape(2, 2) / radius_mm)
        target = target - linear @ undone @ step[:2]
        linear = linear @ undone
        if np.hypot(*step[:2]) < _ENOUGH_MM:
            break
    values, seen = late.at(offsets @ linear.T + target)
    sd = np.sqrt(np.diag(np.linalg.inv(normal))[:2].max())
    likeness = _correlation(values, piece, np.where(seen, weight, 0.0))
    return Match(Way(linear, start.origin, target), likeness, sd_mm=float(sd))


def _toned(values: np.ndarray, wanted: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return values stretched and shifted to what is wanted, in the least squares sense."""
    values_off, wanted_off = (each - np.average(each, weights=weight) for each in (values, wanted))
    gain = (weight * values_off) @ wanted_off / max((weight * values_off) @ values_off, 1e-9)
    return np.asarray(gain * values_off + wanted - wanted_off)


def _correlation(one: np.ndarray, other: np.ndarray, weight: np.ndarray) -> float:
    first, second = (each - np.average(each, weights=weight) for each in (one, other))
    size = ((weight * first) @ first * ((weight * second) @ second)) ** 0.5
    return float((weight * first) @ second / max(size, 1e-9))
