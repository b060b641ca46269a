"""Implicit shapes: functions of space in mm, negative inside, near the surface like a distance."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

Grid = tuple[np.ndarray, np.ndarray, np.ndarray]
"""x, y and z, of shapes that broadcast together."""


def _from(grid: Grid, centre: Sequence[float]) -> Grid:
    """Coordinates from a centre; plain floats, which leave a grid of single precision single."""
    x, y, z = grid
    return x - float(centre[0]), y - float(centre[1]), z - float(centre[2])


def ball(grid: Grid, centre: Sequence[float], radius: float) -> np.ndarray:
    """Ball."""
    x, y, z = _from(grid, centre)
    return np.asarray(np.sqrt(x**2 + y**2 + z**2) - radius)


def ellipsoid(
    grid: Grid, centre: Sequence[float], axes: Sequence[float], tilt_deg: float = 0.0
) -> np.ndarray:
    """Ellipsoid along x, y, z, turned by `tilt_deg` in the coronal plane (x toward y)."""
    x, y, z = _from(grid, centre)
    cosine, sine = float(np.cos(np.radians(tilt_deg))), float(np.sin(np.radians(tilt_deg)))
    u, v = x * cosine + y * sine, y * cosine - x * sine
    inner = np.sqrt((u / axes[0]) ** 2 + (v / axes[1]) ** 2 + (z / axes[2]) ** 2)
    slope = np.sqrt((u / axes[0] ** 2) ** 2 + (v / axes[1] ** 2) ** 2 + (z / axes[2] ** 2) ** 2)
    return inner * (inner - 1.0) / np.maximum(slope, 1e-6)


def tube(grid: Grid, *knots: Sequence[float]) -> np.ndarray:
    """Round tube through knots (x, y, z, radius), straight and evenly tapered between them."""
    result: np.ndarray | None = None
    for start, end in pairwise(knots):
        ax, ay, az = (float(b - a) for a, b in zip(start[:3], end[:3], strict=True))
        x, y, z = _from(grid, start)
        t = np.clip((x * ax + y * ay + z * az) / (ax**2 + ay**2 + az**2), 0.0, 1.0)
        distance = np.sqrt((x - t * ax) ** 2 + (y - t * ay) ** 2 + (z - t * az) ** 2)
        piece = distance - (float(start[3]) + t * float(end[3] - start[3]))
        result = piece if result is None else join(result, piece, 3.0)
    if result is None:
        raise ValueError("a tube needs two knots")
    return result


def plane(grid: Grid, point: Sequence[float], normal: Sequence[float]) -> np.ndarray:
    """Half space behind a plane; `normal` points out of it."""
    x, y, z = _from(grid, point)
    nx, ny, nz = (float(value) for value in np.asarray(normal) / np.linalg.norm(normal))
    return x * nx + y * ny + z * nz


def join(first: np.ndarray, second: np.ndarray, blend: float) -> np.ndarray:
    """Union, its crease filled over about `blend` mm."""
    if blend <= 0:
        return np.asarray(np.minimum(first, second))
    h = np.maximum(blend - np.abs(first - second), 0.0) / blend
    return np.asarray(np.minimum(first, second) - h * h * blend * 0.25)


def meet(first: np.ndarray, second: np.ndarray, blend: float) -> np.ndarray:
    """Intersection, its edge rounded over about `blend` mm."""
    return -join(-first, -second, blend)


def outline(x: np.ndarray, y: np.ndarray, corners: Sequence[Sequence[float]]) -> np.ndarray:
    """Signed distance to a closed smooth curve through `corners` in a plane, negative inside."""
    from scipy.interpolate import splev, splprep

    knots = np.array([*corners, corners[0]], dtype=float).T
    spline, _ = splprep(knots, s=0, per=True)
    px, py = splev(np.linspace(0, 1, 161), spline)
    px[-1], py[-1] = px[0], py[0]
    best = np.full(np.broadcast(x, y).shape, np.inf, dtype=np.float32)
    inside = np.zeros(best.shape, dtype=bool)
    for x0, y0, x1, y1 in zip(px[:-1], py[:-1], px[1:], py[1:], strict=True):
        dx, dy = x1 - x0, y1 - y0
        t = np.clip(((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy), 0.0, 1.0)
        best = np.minimum(best, (x - x0 - t * dx) ** 2 + (y - y0 - t * dy) ** 2)
        if y0 != y1:
            crosses = ((y0 > y) != (y1 > y)) & (x < x0 + (y - y0) * dx / dy)
            inside ^= crosses
    return np.where(inside, -np.sqrt(best), np.sqrt(best)).astype(np.float32)


def through(x: np.ndarray, y: np.ndarray, knots: Sequence[Sequence[float]]) -> np.ndarray:
    """Smooth height over the plane through knots (x, y, height): a thin plate."""
    from scipy.interpolate import RBFInterpolator

    table = np.asarray(knots, dtype=float)
    plate = RBFInterpolator(table[:, :2], table[:, 2], kernel="thin_plate_spline", smoothing=1.0)
    shape = np.broadcast(x, y).shape
    where = np.stack(np.broadcast_arrays(x, y), axis=-1).reshape(-1, 2)
    return np.asarray(plate(where).reshape(shape).astype(np.float32))


def sheet(
    grid: Grid,
    corners: Sequence[Sequence[float]],
    heights: Sequence[Sequence[float]],
    thicknesses: Sequence[Sequence[float]],
    rounding: float,
) -> np.ndarray:
    """Bent plate: outline in the coronal plane, its middle and its thickness over that plane."""
    x, y, z = grid
    flat_x, flat_y = x[..., 0], y[..., 0]
    edge = outline(flat_x, flat_y, corners)
    middle = through(flat_x, flat_y, heights)
    thickness = np.maximum(through(flat_x, flat_y, thicknesses), 2.0)
    slope_x, slope_y = np.gradient(
        middle, float(x.ravel()[1] - x.ravel()[0]), float(y.ravel()[1] - y.ravel()[0])
    )
    lean = 1.0 / np.sqrt(1.0 + slope_x**2 + slope_y**2)
    across = np.abs(z - middle[..., None]) * lean[..., None] - 0.5 * thickness[..., None]
    return meet(across, edge[..., None] + np.zeros_like(across), rounding)
