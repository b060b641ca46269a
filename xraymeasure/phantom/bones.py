"""Pelvis and femora as implicit shapes of our own drawing, no mesh or patient behind them.

The pelvis' frame: origin midway between the hip centres, x to the left, y caudal, z anterior. The
femur's frame: origin in the head's centre, x lateral, y distal, z anterior, the neck in z = 0.
Only left bones are drawn; right ones are their mirror image.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

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
FORAMEN_MM = (43.0, 23.0, 20.0)

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
    (119, -18), (116, -28), (119, -38), (115, -47), (117, -60), (128, -74), (137, -80),
    (142, -92), (145, -108), (139, -125), (124, -138), (105, -144), (86, -142), (69, -132),
    (55, -117), (45, -102), (41, -86), (42, -68), (45, -52), (55, -50), (64, -42), (66, -28),
    (68, -12), (95, -5),
]  # fmt: skip
_WING_MIDDLE = [
    (134, -80, 50), (117, -46, 30), (116, -24, 14), (144, -108, 24), (130, -134, -4),
    (110, -144, -28), (90, -143, -48), (70, -128, -70), (50, -104, -90), (45, -85, -84),
    (48, -60, -72), (60, -48, -58), (70, -28, -22), (90, -15, -4), (100, -85, -12),
    (85, -70, -30), (110, -60, 12), (75, -95, -52),
]  # fmt: skip
_WING_THICKNESS = [
    (134, -80, 12), (144, -108, 13), (130, -134, 13), (110, -144, 13), (90, -143, 12),
    (70, -128, 12), (50, -104, 18), (45, -75, 22), (50, -58, 16), (62, -44, 14), (100, -100, 4.0),
    (85, -85, 5), (112, -90, 5.5), (95, -65, 9), (113, -45, 18), (90, -40, 22), (92, -15, 30),
    (72, -20, 14),
]  # fmt: skip


def _hip_bone(grid: Grid) -> np.ndarray:
    wing = sheet(grid, _WING_OUTLINE, _WING_MIDDLE, _WING_THICKNESS, 4.0)
    block = ball(grid, (88.0, -3.0, 0.0), 38.0)
    block = meet(block, plane(grid, (97.0, 7.0, 2.0), (0.66, 0.66, 0.30)), 4.0)
    block = meet(block, plane(grid, (58.8, 0.0, 0.0), (-1.0, -0.16, 0.06)), 6.0)
    result = join(wing, block, 10.0)
    ischium = tube(grid, (86, 2, -28, 15), (78, 20, -36, 15), (70, 35, -42, 15), (61, 43, -42, 15))
    spine = tube(grid, (72, 0, -44, 8), (57, 6, -58, 3))
    result = join(join(result, ischium, 8.0), spine, 6.0)
    upper = tube(grid, (82, -24, 20, 15), (63, -11, 32, 11.5), (44, 3, 39, 9), (22, 14, 43, 9))
    result = join(result, upper, 8.0)
    body = ellipsoid(grid, (14, 25, 40), (14, 17, 9), 20.0)
    lower = tube(grid, (14, 31, 36, 10), (30, 42, 16, 10.2), (45, 48, -12, 12), (60, 45, -36, 14))
    result = join(join(result, body, 8.0), lower, 20.0)
    tubercle = ball(grid, (25, 10, 49), 5.0)
    result = join(result, tubercle, 6.0)
    # The rami end at the symphysis, and the socket is hollowed out last.
    result = meet(result, plane(grid, (2.4, 0.0, 0.0), (-1.0, 0.0, 0.0)), 2.0)
    result = meet(result, -ball(grid, NATIVE_CENTRE_MM, SOCKET_RADIUS_MM), 2.0)
    fossa = ellipsoid(grid, (73.0, 8.0, 0.0), (11.0, 17.0, 11.0), -20.0)
    return meet(result, -fossa, 2.0)


def _teardrop(grid: Grid) -> np.ndarray:
    x, y, z = grid
    profile = outline(
        x[..., 0], y[..., 0],
        [(60.4, 12.0), (57.2, 9.4), (56.2, 3.0), (58.4, -8.0), (62.2, -20.0), (65.4, -27.0),
         (66.2, -27.0), (64.6, -20.0), (62.6, -8.0), (63.6, 3.0), (63.4, 9.4)],
    )  # fmt: skip
    along = np.abs(z - 12.0) - 7.0
    return meet(profile[..., None] + np.zeros_like(along), along, 2.0)


def _hip_cortex(grid: Grid) -> np.ndarray:
    roof = 1.2 * np.exp(-((ball(grid, NATIVE_CENTRE_MM, SOCKET_RADIUS_MM) / 4.0) ** 2))
    roof = roof * np.clip((8.0 - grid[1]) / 24.0, 0.1, 1.0)
    # The pelvic brim and the iliac crest are stout.
    brim = tube(grid, (46, -58, -74, 0), (62, -42, -48, 0), (65, -32, -10, 0))
    crest = np.clip((-112.0 - grid[1]) / 25.0, 0.0, 1.0)
    return 1.3 + roof + 1.3 * np.exp(-((brim / 9.0) ** 2)) + 1.3 * crest


def _hip_marrow(grid: Grid) -> np.ndarray:
    near = np.exp(-((ball(grid, NATIVE_CENTRE_MM, 32.0) / 14.0) ** 2))
    return 0.16 + 0.16 * near


HIP_BONE = Part(((-1, 150), (-152, 70), (-110, 66)), _hip_bone, _hip_cortex, _hip_marrow)
TEARDROP = Part(((50, 72), (-34, 18), (2, 24)), _teardrop, lambda grid: 1.1, lambda grid: 0.03)

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
        for hx, hy, radius in ((21, -80, 5.2), (19, -66, 4.8), (16.5, -53, 4.2), (13, -41, 3.4)):
            # From the canal outward and forward, so that the film shows an arch above each.
            hole = tube(
                grid,
                (sx * (hx - 7), hy - 5, -100, 0.6 * radius),
                (sx * (hx + 5), hy + 7, -40, radius),
            )
            result = meet(result, -hole, 5.0)
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
            grid, (sx * 0.70 * width, high, z - 28, 6.0), (sx * 1.5 * width, high - 6, z - 40, 3.4)
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
COCCYX = Part(((-14, 14), (-24, 8), (-92, -62)), _coccyx, lambda grid: 1.5, lambda grid: 0.4)
VERTEBRAE = tuple(
    Part(
        ((-50, 50), (top - 14, bottom + 22), (z - 80, z + 26)),
        partial(_vertebra, top=top, bottom=bottom, z=z, width=width),
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
    """Saw the neck off square to its axis, and leave the greater trochanter."""
    above = plane(grid, NECK_CUT_MM, (-0.70, -0.71, 0.0))
    beside = plane(grid, (43.0, 0.0, 0.0), (-1.0, 0.0, 0.0))
    return meet(_femur(grid), join(above, beside, 0.0), 1.5)


def _femur_cortex(grid: Grid) -> np.ndarray:
    x, y, z = grid
    shaft = 1.3 + 5.6 * np.clip((y - 42.0) / 66.0, 0.0, 1.0) ** 1.2
    calcar = 2.2 * np.exp(-(((x - 16) / 16) ** 2) - ((y - 34) / 18) ** 2)
    return shaft + calcar + 0.0 * z


def _femur_marrow(grid: Grid) -> np.ndarray:
    # Plates of spongy bone along the two lines of load: from the calcar up into the head, and from
    # under the greater trochanter over the top of the neck.
    pressed = tube(grid, (22, 42, 0, 5), (8, 14, 0, 7), (-3, -20, 0, 10))
    pulled = tube(grid, (60, 36, 0, 3), (46, 18, 0, 3.5), (24, 6, 0, 4), (4, 4, 0, 6))
    load = 0.20 * np.exp(-((np.maximum(pressed, 0.0) / 7.0) ** 2))
    load = load + 0.11 * np.exp(-((np.maximum(pulled, 0.0) / 5.0) ** 2))
    return np.asarray(0.02 + load + 0.13 * np.clip((72.0 - grid[1]) / 60.0, 0.0, 1.0))


_FEMUR_BOX: Box = ((-28, 76), (-28, 215), (-32, 30))
FEMUR = Part(_FEMUR_BOX, _femur, _femur_cortex, _femur_marrow)
RESECTED_FEMUR = Part(_FEMUR_BOX, _resected_femur, _femur_cortex, _femur_marrow)
