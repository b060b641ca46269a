"""Where labels stand on a film: near what they name, never over one another."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""
Point = tuple[float, float] | np.ndarray

_ANGLES = np.radians(np.arange(0, 360, 22.5))
_ALONG = np.linspace(0.0, 1.0, 12)
_STEPS = np.array([0.0, 0.5, 1.0, 1.6, 2.4, 3.4, 4.6, 6.0, 8.0])


def dense(path: np.ndarray, count: int) -> np.ndarray:
    """Return points along a path, shape (n, 2), so close that no label slips between two."""
    if not 1 < len(path) < count:
        return path
    at = np.linspace(0, len(path) - 1, count)
    return np.stack([np.interp(at, np.arange(len(path)), path[:, axis]) for axis in (0, 1)], 1)


def place_labels(
    anchors: Sequence[Point],
    sizes: Sequence[Point],
    lines: np.ndarray,
    frame: Box,
    taken: Sequence[Box] = (),
) -> list[tuple[float, float]]:
    """Return the centre of each label.

    Parameters
    ----------
    anchors : sequence of (x, y)
        What each label names, in any one unit.
    sizes : sequence of (width, height)
        Of each label with the air about it.
    lines : numpy.ndarray, shape (n, 2)
        Points that labels should rather not cover: what is drawn.
    frame : (left, top, right, bottom)
        Where labels may stand.
    taken : sequence of Box
        Where other things stand already.

    Returns
    -------
    list of (x, y)
        In order; each takes the cheapest free place around its anchor: close to it, covering
        little of what is drawn, its leader across no other label. Where no free place is left, a
        label takes the one where it covers least.
    """
    boxes = [np.array(box, dtype=float) for box in taken]
    lines = np.reshape(lines, (-1, 2))
    centres = []
    for anchor, (width, height) in zip(anchors, sizes, strict=True):
        # Labels are wide: the ring of candidates is an ellipse that just clears the anchor.
        reach = np.array([width / 2 + height, height]) + _STEPS[:, None] * height
        ring = np.stack([np.cos(_ANGLES), np.sin(_ANGLES)], axis=-1)
        candidates = (np.array(anchor) + reach[:, None, :] * ring).reshape(-1, 2)
        half = np.array([width, height]) / 2
        low = np.array(frame[:2]) + half
        high = np.maximum(np.array(frame[2:]) - half, low)
        candidates = np.clip(candidates, low, high)
        cost = np.hypot(*((candidates - anchor) / height).T)
        cost += 1.5 * _covered(candidates, half, lines)
        leaders = anchor + _ALONG[:, None, None] * (candidates - anchor)
        for box in boxes:
            covered = _overlap(candidates, half, box)
            # Even a sliver is worse than any free place.
            cost += 1e4 * covered / (width * height) + 1e3 * (covered > 0.0)
            crossed = np.all((leaders > box[:2]) & (leaders < box[2:]), axis=-1)
            cost += 10.0 * crossed.sum(axis=0)
        chosen = int(np.argmin(cost))
        best = candidates[chosen]
        boxes.append(np.concatenate([best - half, best + half]))
        lines = np.concatenate([lines, leaders[:, chosen]])
        centres.append((float(best[0]), float(best[1])))
    return centres


def _covered(centres: np.ndarray, half: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Return how many points lie under a box at each centre."""
    low, high = centres.min(axis=0) - half, centres.max(axis=0) + half
    near = (points > low) & (points < high)
    points = points[near[:, 0] & near[:, 1]]
    x, y = centres.T[:, :, None]
    under = (np.abs(points[:, 0] - x) < half[0]) & (np.abs(points[:, 1] - y) < half[1])
    return np.asarray(np.count_nonzero(under, axis=1))


def _overlap(centres: np.ndarray, half: np.ndarray, box: np.ndarray) -> np.ndarray:
    """Return the area that a box at each centre shares with another box."""
    sides = np.minimum(centres + half, box[2:]) - np.maximum(centres - half, box[:2])
    return np.asarray(np.prod(np.maximum(sides, 0.0), axis=1))
