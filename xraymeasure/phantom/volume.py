"""Bone parts as volumes of density, and their exact projection from a point source."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xraymeasure.phantom import bones
from xraymeasure.phantom.scene import Geometry, Pose
from xraymeasure.phantom.shapes import Grid


@dataclass(frozen=True)
class Volume:
    """Density (0 to 255 for 0 to 1, compact bone being 1) on a regular grid.

    Attributes
    ----------
    density : numpy.ndarray of uint8, shape (z, y, x)
    origin : numpy.ndarray
        Position (x, y, z) in mm of the first voxel's centre, in the bone's own frame.
    spacing : float
        Edge of a voxel in mm.
    """

    density: np.ndarray
    origin: np.ndarray
    spacing: float


_THICK = 40
"""Planes filled at a time, so that little memory is touched."""


def voxelise(parts: tuple[bones.Part, ...], spacing: float, seed: int) -> Volume:
    """Fill a grid with compact shell and spongy inside; overlapping parts keep the denser value."""
    low = np.min([[edge[0] for edge in part.box] for part in parts], axis=0)
    high = np.max([[edge[1] for edge in part.box] for part in parts], axis=0)
    shape = np.ceil((high - low) / spacing).astype(int) + 1
    density = np.zeros(shape[::-1], dtype=np.uint8)
    random = np.random.default_rng(seed)
    for part in parts:
        first = [
            int(np.floor((edge[0] - start) / spacing))
            for edge, start in zip(part.box, low, strict=True)
        ]
        last = [
            min(int(np.ceil((edge[1] - start) / spacing)) + 1, size)
            for edge, start, size in zip(part.box, low, shape, strict=True)
        ]
        for begin in range(first[0], last[0], _THICK):
            end = min(begin + _THICK, last[0])
            # One plane more on either side, for the slope.
            ranges = [(begin - 1, end + 1), (first[1], last[1]), (first[2], last[2])]
            axes = [
                (start + spacing * np.arange(a, b)).astype(np.float32)
                for start, (a, b) in zip(low, ranges, strict=True)
            ]
            grid = np.meshgrid(*axes, indexing="ij", sparse=True)
            value = _density(part, grid, spacing, random)[1:-1].transpose(2, 1, 0)
            block = density[first[2] : last[2], first[1] : last[1], begin:end]
            np.maximum(block, np.round(255 * value).astype(np.uint8), out=block)
    return Volume(density, np.asarray(low, dtype=float), spacing)


def _density(
    part: bones.Part, grid: Grid, spacing: float, random: np.random.Generator
) -> np.ndarray:
    """Share of compact bone at each point of a grid, 0 outside."""
    from scipy.ndimage import gaussian_filter

    field = np.asarray(part.shape(grid), dtype=np.float32)
    near = field < 2.0 * spacing
    if not near.any():
        return np.zeros_like(field)
    slope = np.sqrt(sum(step**2 for step in np.gradient(field, spacing)))
    depth = field / np.maximum(slope, 0.35)
    # The edge is a ramp of one voxel; it starts outside, or thin grazed bone would look too small.
    solid = np.clip(0.75 - depth / spacing, 0.0, 1.0)
    inner = np.clip(0.5 - (depth + part.cortex_mm(grid)) / spacing, 0.0, 1.0)
    grain = gaussian_filter(random.standard_normal(field.shape, dtype=np.float32), 0.7 / spacing)
    grain *= 0.42 / max(float(grain.std()), 1e-6)
    marrow = np.clip(part.marrow(grid) * (1.0 + grain), 0.0, 1.0)
    return np.asarray(solid - (1.0 - marrow) * inner)


@lru_cache(maxsize=8)
def bone_volume(name: str, spacing: float) -> Volume:
    """Return the volume of ``hip_bone``, ``spine``, ``femur`` or ``resected_femur``."""
    parts = {
        "hip_bone": (bones.HIP_BONE, bones.TEARDROP),
        "spine": (bones.SACRUM, bones.COCCYX, *bones.VERTEBRAE),
        "femur": (bones.FEMUR,),
        "resected_femur": (bones.RESECTED_FEMUR,),
    }[name]
    return voxelise(parts, spacing, seed=len(name))


_WAVE_MM = 45.0
"""Distance between the places whose displacements are drawn independently."""


def bend(
    volume: Volume, random: np.random.Generator, warp_mm: float
) -> tuple[int, list[np.ndarray]]:
    """Return where each voxel of a bent bone comes from: a smooth random field of displacements.

    Free-form deformation: a grid of control points, splines between them (Sederberg TW, Parry SR,
    Comput Graph 1986;20:151-160, from memory).

    Parameters
    ----------
    volume : Volume
    random : numpy.random.Generator
    warp_mm : float
        Standard deviation of a control point's displacement in each direction.

    Returns
    -------
    margin : int
        How many voxels were added on every side.
    moved : list of numpy.ndarray
        Index along z, y, x into the density with that margin.
    """
    from scipy.ndimage import map_coordinates

    spacing = volume.spacing
    margin = int(np.ceil(2.5 * warp_mm / spacing))
    shape = [size + 2 * margin for size in volume.density.shape]
    knots = [int(np.ceil(size * spacing / _WAVE_MM)) + 4 for size in shape]
    # The splines on a grid are those along each axis in turn.
    along = [
        np.array(
            [
                map_coordinates(knot, [np.arange(size) * (spacing / _WAVE_MM) + 1.5], order=3)
                for knot in np.eye(count)
            ],
            dtype=np.float32,
        )
        for size, count in zip(shape, knots, strict=True)
    ]
    where = np.meshgrid(
        *(np.arange(size, dtype=np.float32) for size in shape), indexing="ij", sparse=True
    )
    moved = [
        axis
        + np.einsum(
            "abc,ai,bj,ck->ijk",
            random.normal(0.0, warp_mm / spacing, knots).astype(np.float32),
            *along,
            optimize=True,
        )
        for axis in where
    ]
    return margin, moved


def warped(volume: Volume, random: np.random.Generator, warp_mm: float) -> Volume:
    """Return a bone bent out of shape; see `bend`."""
    from scipy.ndimage import map_coordinates

    margin, moved = bend(volume, random, warp_mm)
    bent = map_coordinates(np.pad(volume.density, margin), moved, order=1, output=np.uint8)
    return Volume(bent, volume.origin - margin * volume.spacing, volume.spacing)


def project(volume: Volume, pose: Pose, geometry: Geometry) -> np.ndarray:
    """Return mm of compact bone along the ray to each pixel, shape (rows, columns).

    Every plane of the volume is met by each ray in one point, found exactly, so that the
    projection is that of a point source for any pose.
    """
    from scipy.ndimage import map_coordinates

    inverse = np.linalg.inv(pose.linear)
    source = inverse @ (geometry.source - pose.shift)
    depth, height, width = volume.density.shape
    corners = volume.origin + volume.spacing * np.array(
        [[i, j, k] for i in (0, width) for j in (0, height) for k in (0, depth)]
    )
    seen = geometry.project(pose(corners))
    size = np.array([geometry.rows, geometry.columns])
    low = np.clip(np.floor(seen.min(axis=0)).astype(int), 0, size)
    high = np.clip(np.ceil(seen.max(axis=0)).astype(int) + 1, 0, size)
    result = np.zeros(size, dtype=np.float32)
    if np.any(high <= low):
        return result
    row, column = geometry.foot
    x = (np.arange(low[1], high[1]) - column) * geometry.pitch_mm
    y = (np.arange(low[0], high[0]) - row) * geometry.pitch_mm
    x, y = np.meshgrid(x, y)
    target = np.stack([x, y, np.zeros_like(x)], axis=-1)
    reach = np.linalg.norm(target - geometry.source, axis=-1)
    ray = ((target - geometry.source) @ inverse.T).astype(np.float32)
    start = ((source - volume.origin) / volume.spacing).astype(np.float32)
    ray /= np.float32(volume.spacing)
    total = np.zeros(x.shape, dtype=np.float32)
    slope_x, slope_y = ray[..., 0] / ray[..., 2], ray[..., 1] / ray[..., 2]
    for k in range(depth):
        plane = volume.density[k]
        if not plane.any():
            continue
        rows = np.flatnonzero(plane.any(axis=1))
        columns = np.flatnonzero(plane.any(axis=0))
        at_y = start[1] + (k - start[2]) * slope_y
        at_x = start[0] + (k - start[2]) * slope_x
        hit = (
            (at_y > rows[0] - 1) & (at_y < rows[-1] + 1)
            & (at_x > columns[0] - 1) & (at_x < columns[-1] + 1)
        )  # fmt: skip
        total[hit] += map_coordinates(
            plane, [at_y[hit], at_x[hit]], output=np.float32, order=1, mode="constant"
        )
    step = reach / np.abs(ray[..., 2])
    result[low[0] : high[0], low[1] : high[1]] = total * step / 255.0
    return result
