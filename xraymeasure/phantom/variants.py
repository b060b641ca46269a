"""Invented patients drawn at random, with implants and films of many kinds.

Made to try what looks for implants: shells that no single model describes, films of other stations.
Every number is a working choice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal, get_args

import numpy as np

from xraymeasure.phantom.scene import (
    SIDES,
    Cup,
    Geometry,
    Head,
    Hip,
    MarkerSphere,
    Pelvis,
    Processing,
    Scenario,
    Side,
    Stem,
)

Variant = Literal[
    "plain",
    "flanged",
    "holed",
    "lipped",
    "dual_mobility",
    "opaque",
    "clipped",
    "sharpened",
    "cemented",
    "native",
    "unprocessed",
    "windowed",
]
VARIANTS: tuple[Variant, ...] = get_args(Variant)


def random_scenario(variant: Variant, seed: int, pitch_mm: float = 0.3) -> Scenario:
    """Return a film of one kind; the same seed gives the same film.

    Parameters
    ----------
    variant : one of `VARIANTS`
        What is unusual about the implant or the film; ``native`` has no implant. A ``clipped`` film
        is white where bone is thick, and a ``windowed`` one little beside metal.
    seed : int
        Draws everything else: body, place, implant, tube, processing.
    pitch_mm : float
        Pixel pitch; the field stays.
    """
    random = np.random.default_rng([VARIANTS.index(variant), seed])
    draw = random.uniform
    both = bool(draw() < 0.25)
    side = SIDES[int(random.integers(2))]
    hips: dict[Side, Hip] = {}
    for each in SIDES:
        replaced = variant != "native" and (both or each == side)
        position: dict[str, Any] = {
            "abduction_deg": draw(-8, 2),
            "rotation_deg": draw(2, 16),
            "flexion_deg": draw(0, 10),
        }
        hips[each] = Hip(*(_implant(variant, random) if replaced else ()), **position)
    geometry = Geometry(
        source_detector_mm=float(random.choice([1000.0, 1050.0, 1100.0, 1150.0, 1200.0])),
        pitch_mm=pitch_mm,
        rows=round(372 / pitch_mm),
        columns=round(420 / pitch_mm),
    )
    pelvis = Pelvis(
        (draw(-8, 8), draw(2, 18), draw(140, 180)),
        draw(-8, 8),
        draw(-4, 4),
        draw(-3, 3),
        draw(0.9, 1.08),
    )
    return Scenario(
        name=f"{variant}_{seed:03d}",
        geometry=geometry,
        pelvis=pelvis,
        hips=hips,
        operated_side=side,
        marker=MarkerSphere() if draw() < 0.2 else None,
        seed=int(random.integers(2**31)),
        body_scale=draw(0.95, 1.15),
        processing=_processing(variant, random),
        photometric="MONOCHROME1" if draw() < 0.3 else "MONOCHROME2",
    )


def _implant(variant: Variant, random: np.random.Generator) -> tuple[Cup, Head, Stem]:
    draw = random.uniform
    head = Head(
        float(random.choice([28.0, 32.0, 36.0])),
        penetration_mm=draw(0, 0.6),
        material="metal" if draw() < 0.5 else "ceramic",
    )
    cup = Cup(
        inclination_deg=draw(30, 55),
        anteversion_deg=draw(3, 30),
        outer_diameter_mm=2.0 * round(draw(max(23.0, head.diameter_mm / 2 + 8.0), 30.5)),
        thickness_mm=draw(3.2, 4.4),
        shift_mm=(draw(-2, 4), draw(-2, 5), draw(-2, 2)),
        screw=bool(draw() < 0.3),
    )
    changes: dict[Variant, dict[str, Any]] = {
        "flanged": {"flange_mm": draw(0.8, 1.6)},
        "holed": {"holes": 3, "thicker_dome_mm": draw(0.0, 2.0)},
        "lipped": {"lip_mm": draw(2.0, 4.0)},
        "dual_mobility": {
            "kind": "dual_mobility",
            "material": "cobalt_chrome",
            "thickness_mm": 3.0,
            "screw": False,
        },
        "opaque": {"material": "cobalt_chrome"},
        "cemented": {"kind": "cemented", "screw": False},
    }
    stem = Stem(
        draw(126, 138),
        draw(38, 50),
        draw(105, 130),
        varus_deg=draw(-2, 2),
        cables=int(random.integers(1, 4)) if draw() < 0.15 else 0,
    )
    return replace(cup, **changes.get(variant, {})), head, stem


def _processing(variant: Variant, random: np.random.Generator) -> Processing:
    draw = random.uniform
    found = Processing(
        sharpening=draw(0.0, 0.8),
        sharpening_mm=draw(0.5, 1.2),
        harmonising=draw(0.2, 0.5),
        scatter=draw(0.06, 0.2),
        white=draw(4.2, 5.0),
        bone=draw(0.6, 1.05),
        grid_lines=0.003 if draw() < 0.2 else 0.0,
    )
    if variant == "clipped":
        return replace(found, white=draw(2.6, 3.1))
    if variant == "windowed":
        return replace(found, white_body=10.0 ** draw(-3.5, -1.5), bone=draw(0.35, 1.0))
    if variant == "unprocessed":
        return replace(found, sharpening=0.0, harmonising=0.0, grid_lines=0.0, white=draw(8, 9))
    if variant == "sharpened":
        return replace(found, sharpening=draw(1.5, 2.5))
    return found
