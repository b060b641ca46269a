"""From the scene to the picture: attenuation, focal spot, scatter, quantum noise, 12 bits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np

from xraymeasure.phantom import implants
from xraymeasure.phantom.body import tissue
from xraymeasure.phantom.scene import (
    SIDES,
    Geometry,
    Head,
    PlacedHip,
    Pose,
    Scenario,
    Stem,
    mirror,
    neck_crossing,
    place_hip,
)
from xraymeasure.phantom.volume import bone_volume, project, warped

# Effective attenuation per mm behind the grid, hardened beam; round values, from memory.
WATER = 0.0195
BONE = 0.056
TITANIUM = 0.12
HEAD = {"metal": 0.42, "ceramic": 0.075}
STEEL = 0.40
SHELL = {"titanium": TITANIUM, "cobalt_chrome": HEAD["metal"]}
POLYETHYLENE = -0.0015
"""Less than the water it displaces."""

FOCAL_SPOT_MM = 0.6
DETECTOR_BLUR_MM = 0.05
PHOTONS = 9.0e5
"""Reaching a pixel of 0.3 mm without a patient."""
FULL_SCALE = 4095
MARKER_MM = 15.0


def bone_length(
    scenario: Scenario,
    geometry: Geometry,
    spacing: float,
    warp_mm: float = 0.0,
    body: int | None = None,
) -> np.ndarray:
    """Return mm of compact bone along the ray to each pixel; see `picture`."""
    random = np.random.default_rng([scenario.seed if body is None else body, 4])

    def seen(name: str, pose: Pose) -> np.ndarray:
        volume = bone_volume(name, spacing)
        return project(warped(volume, random, warp_mm) if warp_mm else volume, pose, geometry)

    pelvis = scenario.pelvis.pose
    total = seen("spine", pelvis)
    for side in SIDES:
        total += seen("hip_bone", Pose(mirror(side), np.zeros(3)).then(pelvis))
        placed = place_hip(scenario, side)
        total += seen("resected_femur" if placed.hip.replaced else "femur", placed.bone)
    return total


def _targets(geometry: Geometry, pixels: np.ndarray, split: int) -> np.ndarray:
    """Return where rays meet the detector, `split` x `split` of them for each (row, column)."""
    row, column = geometry.foot
    offset = (np.arange(split) + 0.5) / split - 0.5
    down, across = (part.ravel() for part in np.meshgrid(offset, offset, indexing="ij"))
    y = (pixels[:, :1] + down - row) * geometry.pitch_mm
    x = (pixels[:, 1:] + across - column) * geometry.pitch_mm
    return np.stack([x, y, np.zeros_like(x)], axis=-1)


def _near(pixels: np.ndarray, line: np.ndarray, reach: float) -> np.ndarray:
    """Return the pixels within `reach` of a line through points, all (row, column)."""
    gap = np.hypot(*(pixels - line[0]).T)
    for start, end in pairwise(line):
        way = end - start
        share = np.clip((pixels - start) @ way / (way @ way), 0.0, 1.0)
        gap = np.minimum(gap, np.hypot(*(pixels - start - share[:, None] * way).T))
    return np.asarray(pixels[gap < reach])


def _of_cup(placed: PlacedHip, rays: implants.Rays) -> np.ndarray:
    """Return what shell, liner and screw take from the rays, as attenuation times length."""
    hip, centre, axis = placed.hip, placed.cup_centre, placed.axis
    if hip.prosthesis is None or centre is None or axis is None:
        raise ValueError("a native hip has no cup")
    cup, head, _ = hip.prosthesis
    metal = STEEL if cup.kind == "cemented" else SHELL[cup.material]
    total = metal * implants.shell_length(rays, cup, centre, axis)
    total += POLYETHYLENE * implants.liner_length(
        rays, cup, centre, axis, placed.hip_centre, 0.5 * head.diameter_mm
    )
    if cup.screw:
        way = 1.0 if placed.side == "left" else -1.0
        total += TITANIUM * implants.screw_length(rays, cup, centre, axis, way)
    return np.asarray(total)


def _of_stem(placed: PlacedHip, stem: Stem, head: Head, rays: implants.Rays) -> np.ndarray:
    """Return what stem and head take from the rays; metal that fills the head counts once."""
    own = rays.seen_from(placed.stem)
    ball = implants.through_ball(own, np.zeros(3), 0.5 * head.diameter_mm)
    pieces = implants.through_stem(own, stem)
    in_head = implants.union_length([implants.within(piece, ball) for piece in pieces])
    metal = implants.union_length(pieces) - in_head
    total = TITANIUM * metal + STEEL * implants.cable_length(own, stem)
    return np.asarray(total + HEAD[head.material] * implants.length(ball))


def metal_transmission(scenario: Scenario, geometry: Geometry, split: int = 2) -> np.ndarray:
    """Return the share of photons that metal lets pass, averaged over `split` x `split` rays."""
    result = np.ones((geometry.rows, geometry.columns))

    def cover(
        points: np.ndarray, margin: float, attenuation: Callable[[implants.Rays], np.ndarray]
    ) -> None:
        seen = geometry.project(points)
        size = np.array([geometry.rows, geometry.columns])
        pad = margin / geometry.pitch_mm
        low = np.clip(np.floor(seen.min(axis=0) - pad).astype(int), 0, size)
        high = np.clip(np.ceil(seen.max(axis=0) + pad).astype(int) + 1, 0, size)
        box = np.stack(np.meshgrid(*map(np.arange, low, high), indexing="ij"), axis=-1)
        pixels = _near(box.reshape(-1, 2), seen, pad)
        rays = implants.Rays.to(geometry.source, _targets(geometry, pixels, split))
        result[tuple(pixels.T)] *= np.exp(-attenuation(rays)).mean(axis=-1)

    for side in SIDES:
        placed = place_hip(scenario, side)
        hip = placed.hip
        if hip.prosthesis is None or placed.cup_centre is None:
            continue
        cup, head, stem = hip.prosthesis
        cover(placed.cup_centre[None], 1.3 * cup.outer_diameter_mm, partial(_of_cup, placed))
        crossing = neck_crossing(stem)
        tip = crossing + np.array([0.0, stem.length_mm, 0.0])
        cover(
            placed.stem(np.array([np.zeros(3), crossing, tip])),
            28.0,
            partial(_of_stem, placed, stem, head),
        )
    if scenario.marker is not None:
        sphere = scenario.marker
        centre = np.array(sphere.centre_mm)
        cover(
            centre[None],
            sphere.diameter_mm,
            lambda rays: (
                STEEL
                * implants.length(implants.through_ball(rays, centre, 0.5 * sphere.diameter_mm))
            ),
        )
    return result


def _write_lead(scenario: Scenario, geometry: Geometry) -> np.ndarray:
    """Return where lead letters lie: the side of the body, and the word SYNTHETIC."""
    from PIL import Image, ImageDraw, ImageFont

    image = Image.new("L", (geometry.columns, geometry.rows))
    draw = ImageDraw.Draw(image)
    mm = 1.0 / geometry.pitch_mm
    edge = 12.0 * mm
    side_size, word_size = MARKER_MM * mm, 5.0 * mm
    large, small = ImageFont.load_default(side_size), ImageFont.load_default(word_size)
    side = "L" if scenario.operated_side == "left" else "R"
    level = 0.38 * geometry.rows
    at = geometry.columns - edge - side_size if side == "L" else edge
    draw.text((at, level), side, fill=255, font=large)
    draw.text((edge, geometry.rows - edge - word_size), "SYNTHETIC", fill=255, font=small)
    return np.asarray(image, dtype=np.float32) / 255.0


def picture(
    scenario: Scenario,
    *,
    quick: bool = False,
    bone_spacing_mm: float | None = None,
    warp_mm: float = 0.0,
    body: int | None = None,
) -> np.ndarray:
    """Return the stored pixel values, uint16 of 12 bits, dark where the beam met nothing.

    Parameters
    ----------
    quick : bool
        Leave out blur, noise and fine bone: for tests and for films in great number.
    bone_spacing_mm : float, optional
        Edge of the bones' voxels; coarse ones are quicker.
    warp_mm : float
        Bend every bone at random by about so much, each side its own way, so that no two pelvises
        are alike. Metal stays; what `truth` says of bony landmarks no longer holds.
    body : int, optional
        Draws how the bones are bent, where films of one body differ in `seed`.
    """
    from scipy.ndimage import gaussian_filter, zoom

    geometry = scenario.geometry
    mm = 1.0 / geometry.pitch_mm
    processing = scenario.processing
    spacing = bone_spacing_mm or (3.0 if quick else 0.65)

    def on_coarse(length: Callable[[Geometry], np.ndarray], factor: int) -> np.ndarray:
        coarse = geometry.coarser(factor)
        coarse = replace(coarse, rows=coarse.rows + 1, columns=coarse.columns + 1)
        fine = zoom(length(coarse), factor, order=1, mode="nearest", grid_mode=True)
        return np.asarray(fine[: geometry.rows, : geometry.columns])

    # Coarse voxels are seen as well on coarse pixels.
    bone = processing.bone * on_coarse(
        lambda pixels: bone_length(scenario, pixels, spacing, warp_mm, body),
        max(1, int(spacing / (4.0 * geometry.pitch_mm))),
    )
    water = on_coarse(partial(tissue, scenario), max(1, round(2.4 / geometry.pitch_mm)))
    passed = np.exp(-(WATER * water + (BONE - WATER) * bone))
    metal = metal_transmission(scenario, geometry, split=1 if quick else 2)
    passed *= metal
    random = np.random.default_rng([scenario.seed, 2])
    if not quick:
        height = scenario.pelvis.centre_mm[2]
        penumbra = FOCAL_SPOT_MM * height / (geometry.source_detector_mm - height)
        sigma = np.hypot(penumbra / 3.0, DETECTOR_BLUR_MM) * mm
        passed = gaussian_filter(passed, sigma)
    small = passed[::8, ::8]
    scatter = gaussian_filter(small, 30.0 * mm / 8, mode="nearest")
    scatter = zoom(scatter, 8, order=1, mode="nearest", grid_mode=True)
    passed = passed + processing.scatter * scatter[: geometry.rows, : geometry.columns]
    if processing.grid_lines:
        passed *= 1.0 + processing.grid_lines * np.sin(2.1 * np.arange(geometry.columns))
    if not quick:
        photons = PHOTONS * (geometry.pitch_mm / 0.3) ** 2
        passed = np.maximum(random.poisson(passed * photons), 1.0) / photons
    density = -np.log(passed)
    # As a reading station does: the slow part is held back, the fine part raised.
    slow = gaussian_filter(density[::8, ::8], 22.0 * mm / 8, mode="nearest")
    slow = zoom(slow, 8, order=1, mode="nearest", grid_mode=True)[
        : geometry.rows, : geometry.columns
    ]
    shown = density - processing.harmonising * slow
    if not quick:
        fine = density - gaussian_filter(density, processing.sharpening_mm * mm)
        shown += processing.sharpening * fine
    white = processing.white
    if processing.white_body is not None:
        white = float(np.quantile(shown[metal == 1.0], 1.0 - processing.white_body))
    value = shown / white
    lead = _write_lead(scenario, geometry)
    value = np.maximum(value, 0.92 * lead)
    return np.asarray(np.clip(np.round(value * FULL_SCALE), 0, FULL_SCALE).astype(np.uint16))
