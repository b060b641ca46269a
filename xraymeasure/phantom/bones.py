"""Pelvis and femora as implicit shapes of our own drawing; no mesh and no patient stands behind them.

The pelvis' frame: origin midway between the hip centres, x to the left, y caudal, z anterior. The
femur's frame: origin in the head's centre, x lateral, y distal, z anterior, the neck in z = 0.
Only left bones are drawn; right ones are their mirror image.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from xraymeasure.phantom.scene import NATIVE_CENTRE_MM, NATIVE_OFFSET_MM
from xraymeasure.phantom.shapes import (
    Grid,
    ball,
    ellipsoid,
    join,
    meet,
    outline,
    plane,
    sheet,
    tube,
)

HEAD_RADIUS_MM = 24.0
SOCKET_RADIUS_MM = 28.0
SHAFT_RADIUS_MM = 14.5
SYMPHYSIS_MM = (0.0, 13.0, 43.0)
SACROCOCCYGEAL_MM = (0.0, -22.0, -86.0)
FORAMEN_MM = (44.0, 36.0, 18.0)

Box = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Part:
    """One piece of bone.

    Attributes
    ----------
    box : ((x0, x1), (y0, y1), (z0, z1))
        What holds it, in mm.
    shape : callable
        Its implicit function on a grid.
    cortex_mm : callable
        Thickness of the compact shell on a grid.
    marrow : callable
        Density inside the shell, as a share of compact bone, on a grid.
    """

    box: Box
    shape: Callable[[Grid], np.ndarray]
    cortex_mm: Callable[[Grid], np.ndarray | float]
    marrow: Callable[[Grid], np.ndarray | float]


# --- hip bone ------------------------------------------------------------------------------------

_WING_OUTLINE = [
    (117, -20), (113, -34), (117, -50), (124, -66), (131, -80), (140, -98), (141, -116),
    (130, -134), (112, -144), (92, -143), (73, -131), (57, -114), (46, -100), (44, -84),
    (46, -66), (47, -53), (56, -52), (65, -43), (68, -28), (72, -12), (95, -5),
]  # fmt: skip
_WING_MIDDLE = [
    (131, -80, 48), (117, -46, 30), (116, -24, 14), (141, -108, 24), (128, -136, -4),
    (110, -144, -28), (90, -143, -48), (70, -128, -70), (50, -104, -90), (45, -85, -84),
    (48, -60, -72), (60, -48, -58), (70, -28, -22), (90, -15, -4), (100, -85, -12),
    (85, -70, -30), (110, -60, 12), (75, -95, -52),
]  # fmt: skip
_WING_THICKNESS = [
    (131, -80, 12), (141, -108, 13), (128, -136, 13), (110, -144, 13), (90, -143, 12),
    (70, -128, 12), (50, -104, 18), (45, -75, 22), (50, -58, 16), (62, -44, 14), (100, -100, 4.0),
    (85, -85, 5), (112, -90, 5.5), (95, -65, 9), (113, -45, 18), (90, -40, 22), (92, -15, 30),
    (72, -20, 14),
]  # fmt: skip


def _hip_bone(grid: Grid) -> np.ndarray:
    x, y, z = grid
    centre = np.array(NATIVE_CENTRE_MM)
    wing = sheet(grid, _WING_OUTLINE, _WING_MIDDLE, _WING_THICKNESS, 6.0)
    block = ball(grid, centre + [-2.0, -3.0, 0.0], 37.0)
    block = meet(block, plane(grid, centre + [7.0, 7.0, 2.0], (0.66, 0.66, 0.30)), 4.0)
    block = meet(block, plane(grid, (61.0, 0.0, 0.0), (-1.0, -0.10, 0.10)), 8.0)
    result = join(wing, block, 14.0)
    ischium = tube(
        grid, (86, 8, -30, 13), (78, 26, -38, 12.5), (68, 42, -42, 13), (61, 50, -42, 13.5)
    )
    spine = tube(grid, (72, 4, -44, 8), (58, 12, -56, 3))
    result = join(join(result, ischium, 12.0), spine, 6.0)
    upper = tube(grid, (84, -14, 24, 13), (66, 3, 33, 9), (45, 12, 40, 7.5), (22, 18, 43, 8.5))
    result = join(result, upper, 12.0)
    body = ellipsoid(grid, (15, 30, 38), (14, 19, 8.5), 18.0)
    lower = tube(grid, (14, 42, 34, 7.5), (28, 50, 18, 6.2), (42, 54, -8, 6.2), (58, 52, -34, 10))
    result = join(join(result, body, 8.0), lower, 8.0)
    # The rami end at the symphysis, and the socket is hollowed out last.
    result = meet(result, plane(grid, (2.6, 0.0, 0.0), (-1.0, 0.0, 0.0)), 2.0)
    result = meet(result, -ball(grid, centre, SOCKET_RADIUS_MM), 2.0)
    fossa = ellipsoid(grid, centre + [-19.0, 8.0, 0.0], (12.5, 17.0, 11.0), -20.0)
    return meet(result, -fossa, 2.0)


def _teardrop(grid: Grid) -> np.ndarray:
    x, y, z = grid
    profile = outline(
        x[..., 0], y[..., 0],
        [(60.5, 12.0), (56.8, 9.2), (55.8, 3.0), (57.4, -7.0), (59.4, -18.0), (61.4, -18.0),
         (62.2, -7.0), (64.0, 3.0), (63.8, 9.2)],
    )  # fmt: skip
    along = np.abs(z - 12.0) - 11.0
    return meet(profile[..., None] + np.zeros_like(along), along, 2.0)


HIP_BONE = Part(
    ((-1, 150), (-152, 70), (-110, 66)),
    _hip_bone,
    lambda grid: 1.5 + 1.3 * np.exp(-((ball(grid, NATIVE_CENTRE_MM, SOCKET_RADIUS_MM) / 4.0) ** 2)),
    lambda grid: 0.20 + 0.12 * np.exp(-((ball(grid, NATIVE_CENTRE_MM, 34.0) / 16.0) ** 2)),
)
TEARDROP = Part(((50, 70), (-24, 18), (-4, 28)), _teardrop, lambda grid: 1.5, lambda grid: 0.1)

# --- sacrum, coccyx, lower lumbar spine ----------------------------------------------------------

_SACRUM_OUTLINE = [
    (0, -93), (20, -94), (34, -101), (48, -98), (56, -86), (53, -70), (46, -57), (34, -46),
    (26, -36), (17, -28), (8, -24.5), (0, -24), (-8, -24.5), (-17, -28), (-26, -36), (-34, -46),
    (-46, -57), (-53, -70), (-56, -86), (-48, -98), (-34, -101), (-20, -94),
]  # fmt: skip


def _both(table: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    return [*table, *((-x, y, value) for x, y, value in table if x)]


_SACRUM_MIDDLE = _both(
    [(0, -93, -52), (20, -93, -55), (50, -90, -68), (50, -70, -78), (0, -75, -70), (30, -55, -88),
     (0, -50, -94), (18, -32, -92), (0, -24, -86)]
)  # fmt: skip
_SACRUM_THICKNESS = _both(
    [(0, -93, 40), (22, -90, 32), (50, -90, 26), (50, -65, 18), (0, -75, 30), (25, -60, 18),
     (0, -50, 18), (18, -34, 10), (0, -24, 9)]
)  # fmt: skip


def _sacrum(grid: Grid) -> np.ndarray:
    result = sheet(grid, _SACRUM_OUTLINE, _SACRUM_MIDDLE, _SACRUM_THICKNESS, 5.0)
    for sx in (-1, 1):
        for hx, hy, radius in ((20, -82, 4.2), (19, -68, 4.0), (17, -55, 3.6), (14, -42, 3.2)):
            hole = tube(grid, (sx * hx, hy - 4, -120, radius), (sx * (hx + 3), hy + 4, -30, radius))
            result = meet(result, -hole, 3.0)
    for y, z in ((-84, -92), (-70, -104), (-56, -108)):
        result = join(result, ellipsoid(grid, (0, y, z), (3.0, 6.0, 7.0)), 3.0)
    return result


def _coccyx(grid: Grid) -> np.ndarray:
    result = ellipsoid(grid, (0, -16.0, -83.5), (10.0, 4.6, 4.5))
    result = join(result, ellipsoid(grid, (0, -7.0, -78.0), (6.5, 4.2, 4.0)), 1.0)
    return join(result, ellipsoid(grid, (0, 1.0, -71.0), (4.5, 4.0, 3.5)), 1.0)


def _vertebra(grid: Grid, top: float, bottom: float, z: float, width: float) -> np.ndarray:
    x, y, depth = grid
    middle = 0.5 * (top + bottom)
    waist = width - 2.5 * np.cos((y - middle) / (bottom - top) * np.pi)
    radial = np.sqrt((x / waist) ** 2 + ((depth - z) / (0.72 * waist)) ** 2)
    wall = (radial - 1.0) * 0.8 * width
    dish = 1.8 * np.clip(1.0 - radial, 0.0, 1.0)
    ends = np.abs(y - middle) - 0.5 * (bottom - top) + dish
    result = meet(wall, ends, 3.0)
    high = middle - 0.18 * (bottom - top)
    for sx in (-1, 1):
        pedicle = tube(
            grid, (sx * 0.64 * width, high, z - 10, 6.5), (sx * 0.66 * width, high, z - 38, 6.0)
        )
        process = tube(
            grid, (sx * 0.70 * width, high, z - 28, 5.0), (sx * 1.75 * width, high - 4, z - 34, 3.0)
        )
        facet = tube(
            grid,
            (sx * 0.60 * width, high - 12, z - 44, 5.0),
            (sx * 0.62 * width, middle + 16, z - 46, 5.0),
        )
        lamina = tube(grid, (sx * 0.5 * width, high + 2, z - 44, 4.5), (0, middle + 8, z - 50, 4.5))
        result = join(join(result, pedicle, 2.0), process, 3.0)
        result = join(join(result, facet, 2.0), lamina, 3.0)
    spine = ellipsoid(grid, (0, middle + 11, z - 62), (3.2, 9.0, 14.0))
    return join(result, spine, 3.0)


SACRUM = Part(((-62, 62), (-108, -18), (-122, -24)), _sacrum, lambda grid: 1.2, lambda grid: 0.16)
COCCYX = Part(((-14, 14), (-24, 8), (-92, -62)), _coccyx, lambda grid: 1.2, lambda grid: 0.22)
VERTEBRAE = tuple(
    Part(
        ((-50, 50), (top - 14, bottom + 22), (z - 80, z + 26)),
        lambda grid, top=top, bottom=bottom, z=z, width=width: _vertebra(
            grid, top, bottom, z, width
        ),
        lambda grid: 1.3,
        lambda grid: 0.17,
    )
    for top, bottom, z, width in (
        (-124, -98, -44, 26),
        (-160, -133, -34, 25),
        (-196, -169, -30, 24),
    )
)

# --- femur ---------------------------------------------------------------------------------------


def _femur(grid: Grid) -> np.ndarray:
    head = ball(grid, (0, 0, 0), HEAD_RADIUS_MM)
    neck = tube(grid, (6, 5, 0, 16.5), (22, 18.5, 0, 15.5), (40, 34, -1, 19))
    result = join(head, neck, 8.0)
    offset = NATIVE_OFFSET_MM
    shaft = tube(
        grid, (offset, 36, 0, 19), (offset, 62, 0, 16.5), (offset, 84, 0, SHAFT_RADIUS_MM),
        (offset, 260, 0, SHAFT_RADIUS_MM),
    )  # fmt: skip
    result = join(result, shaft, 10.0)
    great = ellipsoid(grid, (57, 21, -4), (11.5, 20, 17), -6.0)
    tip = ellipsoid(grid, (54.5, 8, -12), (8.5, 11.5, 9), -20.0)
    result = join(join(result, great, 9.0), tip, 6.0)
    lesser = ellipsoid(grid, (28.5, 57, -11), (8.0, 11.0, 8.0), -18.0)
    result = join(result, lesser, 7.0)
    crest = tube(grid, (52, 12, -18, 4.5), (40, 38, -18, 4.0), (31, 54, -14, 5.0))
    return join(result, crest, 6.0)


NECK_CUT_MM = (20.0, 33.0, 0.0)


def _resected_femur(grid: Grid) -> np.ndarray:
    return meet(_femur(grid), plane(grid, NECK_CUT_MM, (-0.70, -0.71, 0.0)), 1.0)


def _femur_cortex(grid: Grid) -> np.ndarray:
    x, y, z = grid
    shaft = 1.3 + 5.2 * np.clip((y - 42.0) / 62.0, 0.0, 1.0) ** 1.2
    calcar = 2.2 * np.exp(-(((x - 16) / 16) ** 2) - ((y - 34) / 18) ** 2)
    return shaft + calcar + 0.0 * z


def _femur_marrow(grid: Grid) -> np.ndarray:
    x, y, z = grid
    head = 0.26 * np.exp(-((ball(grid, (4, 3, 0), 6.0) / 24.0) ** 2))
    return 0.02 + head + 0.15 * np.clip((70.0 - y) / 60.0, 0.0, 1.0) + 0.0 * (x + z)


_FEMUR_BOX: Box = ((-28, 76), (-28, 215), (-32, 30))
FEMUR = Part(_FEMUR_BOX, _femur, _femur_cortex, _femur_marrow)
RESECTED_FEMUR = Part(_FEMUR_BOX, _resected_femur, _femur_cortex, _femur_marrow)
