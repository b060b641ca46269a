"""Films of head, shell and stem by brute force: rays walked in small steps through solids.

Nothing is shared with the package's rendering: a solid is a question asked of points in space, a
ray's way in it the sum of its steps inside. The shell may have a flange, holes and a raised lip,
which the package's model does not know.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.ndimage import gaussian_filter, zoom

from tests.camera import SIGN, axis_of, land
from xraymeasure.film.film import film_from_array

PITCH, ROWS, COLUMNS = 0.45, 660, 720
STEP_MM = 1.5


@dataclass(frozen=True)
class Metal:
    """One replaced hip: sizes in mm, angles in degrees, attenuation per mm."""

    side: str = "left"
    inclination: float = 42.0
    anteversion: float = 17.0
    head_mm: float = 32.0
    shell_mm: float = 54.0
    wall_mm: float = 3.6
    centre: tuple[float, float, float] = (88.0, 5.0, 160.0)
    shell_attenuation: float = 0.10
    head_attenuation: float = 0.12
    flange: bool = False
    holes: bool = False
    lip_mm: float = 0.0


@cache
def metal_density(hip: Metal, sid: float) -> tuple[np.ndarray, slice, slice]:
    """Return attenuation along the ray to each pixel of the part of the film that holds metal."""
    centre = np.array(hip.centre) * [SIGN[hip.side], 1, 1]
    at = land(centre[None], sid)[0]
    lateral = SIGN[hip.side]
    row0, column0 = (ROWS - 1) / 2, (COLUMNS - 1) / 2
    first_row, last_row = int(row0 + (at[1] - 40) / PITCH), ROWS
    ends = sorted([at[0] - lateral * 40, at[0] + lateral * 56])
    first_column = max(int(column0 + ends[0] / PITCH), 0)
    last_column = min(int(column0 + ends[1] / PITCH), COLUMNS)
    y, x = np.meshgrid(
        (np.arange(first_row, last_row) - row0) * PITCH,
        (np.arange(first_column, last_column) - column0) * PITCH,
        indexing="ij",
    )
    tube = np.array([0.0, 0.0, sid])
    rays = np.stack([x, y, np.zeros_like(x)], axis=-1) - tube
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    middle = (centre - tube) @ (centre - tube) / np.linalg.norm(centre - tube)
    axis = axis_of(hip.inclination, hip.anteversion, hip.side)
    # From the centre of the head.
    neck = np.array([lateral * 32.0, 32.0, 0.0], np.float32)
    stem_end = neck + np.array([lateral * 2.0, 130.0, 0.0], np.float32)
    total = np.zeros(x.shape, np.float32)
    # Every ray starts elsewhere within a step, so that its count of steps is right on average.
    start = np.random.default_rng(1).uniform(0.0, STEP_MM, x.shape)[..., None]
    # Single precision is a ten-thousandth of a millimetre here.
    nearest = (tube - centre + (middle + start) * rays).astype(np.float32)
    rays, axis = rays.astype(np.float32), axis.astype(np.float32)
    for depth in np.arange(-31.0, 31.0, STEP_MM):
        away = nearest + np.float32(depth) * rays
        reach = np.linalg.norm(away, axis=-1)
        height = away @ axis
        inside_head = reach < hip.head_mm / 2
        outer = hip.shell_mm / 2
        inner = outer - hip.wall_mm
        shell = (reach < outer) & (reach > inner) & (height < 0)
        if hip.flange:
            flat = np.sqrt(np.maximum(reach**2 - height**2, 0.0))
            shell |= (height > -3.0) & (height < 0) & (flat > inner) & (flat < outer + 1.2)
        if hip.lip_mm:
            # A step of the wall on the cranial half of the rim.
            flat = np.sqrt(np.maximum(reach**2 - height**2, 0.0))
            up = height * axis[1] - away[..., 1]
            raised = (height >= 0) & (height < hip.lip_mm) & (up > 0)
            shell |= raised & (flat > inner) & (flat < outer)
        if hip.holes:
            for turn in (0.3, 1.6, 2.9):
                way = -axis + 0.7 * np.array([np.cos(turn), np.sin(turn), 0.3])
                way /= np.linalg.norm(way)
                shell &= (away @ way < 0) | (
                    np.linalg.norm(away - (away @ way)[..., None] * way, axis=-1) > 3.2
                )
        stem = np.zeros_like(shell)
        # The stem lies in one plane, and nothing of it is 10 mm off.
        parts = ((0.0 * neck, neck, 6.5), (neck, stem_end, 7.5)) if abs(depth) < 12.0 else ()
        for top, end, wide in parts:
            along = end - top
            share = np.clip((away - top) @ along / (along @ along), 0.0, 1.0)
            gap = np.linalg.norm(away - top - share[..., None] * along, axis=-1)
            stem |= gap < wide - 2.0 * share * (wide > 7)
        total += STEP_MM * (
            hip.head_attenuation * inside_head
            + hip.shell_attenuation * (shell & ~inside_head)
            + 0.12 * (stem & ~inside_head & ~shell)
        )
    return total, slice(first_row, last_row), slice(first_column, last_column)


def metal_film(*hips: Metal, sid: float = 1150.0, seed: int = 0, **film):
    """Return a film with these hips before a soft ground with bone-like bands and a native head."""
    random = np.random.default_rng(seed)
    ground = zoom(gaussian_filter(random.standard_normal((30, 32)), 2.0), 23, order=3)
    density = 1.2 + 0.8 * ground[:ROWS, :COLUMNS]
    y, x = np.meshgrid(np.arange(ROWS), np.arange(COLUMNS), indexing="ij")
    for side in (-1, 1):
        # A native head in its socket, and a shaft with two cortices.
        column = COLUMNS / 2 + side * 88 * 1.16 / PITCH
        away = np.hypot(x - column, y - ROWS / 2 - 5 / PITCH) * PITCH
        density += 0.35 * np.sqrt(np.clip(1 - (away / 28) ** 2, 0, 1))
        density += 0.3 * np.exp(-(((away - 32) / 2) ** 2)) * (y < ROWS / 2)
        across = np.abs(x - column - side * 30 * 1.16 / PITCH) * PITCH
        density += 0.4 * ((across < 18) & (across > 12) & (y > ROWS / 2 + 60 / PITCH))
    for hip in hips:
        metal, rows, columns = metal_density(hip, sid)
        density[rows, columns] += metal
    passed = gaussian_filter(np.exp(-density), 0.25 / PITCH)
    passed += 0.1 * gaussian_filter(passed, 25 / PITCH)
    passed *= 1 + 0.006 * random.standard_normal(passed.shape)
    shown = -np.log(np.maximum(passed, 1e-5))
    values = np.clip(np.round(shown / 6.5 * 4095), 0, 4095).astype(np.uint16)
    film.setdefault("pitch_mm", PITCH)
    return film_from_array(values, source_detector_mm=sid, **film)
