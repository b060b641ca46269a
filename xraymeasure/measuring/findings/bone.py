"""What the bone in the picture says of the shafts placed on it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.geometry.curves import fit_line
from xraymeasure.measuring.needs import touched_by
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.vocabulary.landmarks import SIDES, landmark_name

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

HALF_MM, REACH_MM = 22, 20
"""Half the width that is looked at, a femur with something beside it, and how far to both sides of
the placed axis its middle is looked for."""

OFF_MM = 6.0
"""From here an axis is off: a cortex lies some 12 mm beside the middle of the bone. On rendered
films of two programs the middle is found within 2 mm of where the shaft is."""

ALIKE, OWN = 0.35, 0.6
"""How alike the halves must be about the middle (1 for mirror images; 0.4 to 0.98 on those films),
and what part of that about the placed axis leaves it standing (there 0.0 to 0.75 for axes that lie
6 mm off, 0.9 to 1 for others)."""


def shafts_off_bone(film: Film, setting: Setting) -> Iterator[Finding]:
    """Notice an axis beside the middle of its bone: about that, the edges are mirror images."""
    for side in SIDES:
        name = landmark_name("femoral_shaft", side)
        if name not in setting.placed or setting.mm_per_unit is None:
            continue
        points = setting.on_film[name]
        middle, along = fit_line(points)
        across = np.array([along[1], -along[0]]) * (1.0 if along[1] > 0.0 else -1.0)
        stations = (points - middle) @ along
        stations = np.linspace(stations.min(), stations.max(), 21)[:, None, None]
        beside = np.arange(-REACH_MM - HALF_MM, REACH_MM + HALF_MM + 1)[:, None]
        at = middle + stations * along + beside / setting.mm_per_unit * across
        densities = film.density(setting.pixels(at.reshape(-1, 2))).reshape(len(stations), -1)
        edges = np.gradient(np.median(densities, axis=0))
        around = np.lib.stride_tricks.sliding_window_view(edges, 2 * HALF_MM + 1)
        one, other = around[:, HALF_MM + 1 :], -around[:, HALF_MM - 1 :: -1]
        alike = 2.0 * (one * other).sum(axis=1) / ((one**2 + other**2).sum(axis=1) + 1e-12)
        best = int(alike.argmax())
        off = best - REACH_MM
        own = alike[REACH_MM - 2 : REACH_MM + 3].max()
        if abs(off) >= OFF_MM and alike[best] > ALIKE and own < OWN * alike[best]:
            outward = off if side == "left" else -off
            yield Finding(
                "shaft_off_bone",
                f"The middle of the {side} femur in the picture lies some {abs(off)} mm "
                f"{'lateral' if outward > 0 else 'medial'} of the axis of its shaft. The points "
                "may lie along a cortex; they belong midway between the cortices.",
                touched_by(name, setting),
            )
