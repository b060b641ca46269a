"""Soft tissue: trunk, thighs, gas and fat, as smooth thicknesses of water along each ray."""

from __future__ import annotations

import numpy as np

from xraymeasure.phantom.scene import Geometry, Scenario


def _hills(random: np.random.Generator, shape: tuple[int, int], sigma: float) -> np.ndarray:
    from scipy.ndimage import gaussian_filter

    field = gaussian_filter(random.standard_normal(shape), sigma, mode="reflect")
    return np.asarray(field / field.std())


def _round_profile(distance: np.ndarray, half: np.ndarray | float) -> np.ndarray:
    """Chord of a round limb, as a share of its depth, at `distance` from its axis."""
    return np.sqrt(np.clip(1.0 - np.abs(distance / half) ** 2.4, 0.0, 1.0))


def tissue(scenario: Scenario, geometry: Geometry) -> np.ndarray:
    """Return mm of water along the ray to each pixel, shape (rows, columns).

    Thicknesses are drawn in the plane of the hips; nothing is measured on soft tissue.
    """
    from scipy.ndimage import gaussian_filter

    random = np.random.default_rng([scenario.seed, 1])
    pelvis = scenario.pelvis
    row, column = geometry.foot
    shrink = 1.0 - pelvis.centre_mm[2] / geometry.source_detector_mm
    x = (np.arange(geometry.columns) - column) * geometry.pitch_mm * shrink - pelvis.centre_mm[0]
    y = (np.arange(geometry.rows) - row) * geometry.pitch_mm * shrink - pelvis.centre_mm[1]
    x, y = np.meshgrid(x / scenario.body_scale, y / scenario.body_scale)
    waist = 158.0 + 26.0 / (1.0 + np.exp(-(y + 45.0) / 26.0))
    trunk_end = 1.0 / (1.0 + np.exp((y - 50.0 - 0.0009 * x**2) / 11.0))
    trunk = 205.0 * _round_profile(x, waist) * (0.9 + 0.1 * np.tanh((y + 60) / 60.0)) * trunk_end
    thighs = np.zeros_like(x)
    for side in (-1.0, 1.0):
        middle = side * (93.0 + 0.02 * (y - 60.0))
        half = 89.0 - 0.075 * (y - 60.0)
        thighs = np.maximum(thighs, 172.0 * _round_profile(x - middle, half))
    thighs *= 1.0 / (1.0 + np.exp(-(y - 20.0) / 20.0))
    water = (trunk**5 + thighs**5) ** 0.2
    water = gaussian_filter(water, 2.0 / (geometry.pitch_mm * shrink))
    # Fat between the muscles, and the organs: slow hills. Gas: a few rounded bowel loops.
    inside = np.clip(water / 120.0, 0.0, 1.0)
    pixel = geometry.pitch_mm * shrink
    water += inside * 3.2 * _hills(random, x.shape, 16.0 / pixel)
    water += inside * 1.6 * _hills(random, x.shape, 5.0 / pixel)
    # Skin and subcutaneous fat weigh less than muscle.
    for side in (-1.0, 1.0):
        gluteus = np.exp(-(((x - side * 128) / 34) ** 2) - ((y + 10) / 52) ** 2)
        water += 9.0 * inside * gluteus
    gas = np.zeros_like(x)
    for _ in range(13):
        cx, cy = random.uniform(-95.0, 95.0), random.uniform(-150.0, -62.0)
        if random.random() < 0.3:
            cx, cy = random.normal(4.0, 14.0), random.uniform(-50.0, 5.0)
        big, small = random.uniform(8.0, 19.0), random.uniform(6.0, 11.0)
        turn = random.uniform(0.0, np.pi)
        u = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
        v = (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
        loop = np.sqrt(np.clip(1.0 - (u / big) ** 2 - (v / small) ** 2, 0.0, 1.0))
        gas = np.maximum(gas, small * loop * random.uniform(0.8, 2.0))
    return np.asarray(np.maximum(water - gaussian_filter(gas, 1.2 / pixel), 0.0))
