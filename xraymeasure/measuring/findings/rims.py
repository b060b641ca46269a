"""Outlines that are something else: rims of no ellipse or of another thing, spheres not round."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import arc_covered_deg, fit_circle
from xraymeasure.measuring.cup import WIDER_THAN_ITS_CUP
from xraymeasure.measuring.needs import touched_by
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side, landmark_name

ROUND = 0.92
"""A rim whose axes are more alike than this would be anteverted by 67 degrees or more; heads and
shells are round."""

ON_CIRCLE = 0.01
"""Points that lie on a circle, as wide as the ellipse through them, to this part of its radius
are on a round outline: a few points on part of a shell fit many an ellipse. The arc of a rim lies
near a circle too, but near a much wider one (derived)."""

RIM_OFF_HEAD = (0.8, 4.0)
"""Distance of a rim's centre from the head's, in the rim's radii, from which they are not of one
joint: a worn or dislocated liner keeps them nearer (derived). Further away it is on the other hip,
which is said by its name."""

RIM_OVER_HEAD = 1.08
"""Least diameter of a rim over that of the head inside it: a shell and a liner lie between."""

RIM_OVER_CUP = (0.75, WIDER_THAN_ITS_CUP)
"""Diameter of the rim over that of the shell, or of the cup as known."""


OVAL, OVAL_SPREADS, OVAL_ARC_DEG = 0.06, 4.0, 240.0
"""By how much the axes of a sphere's outline may differ, beyond how many standard deviations of
placing that is said, and over how much of a turn its points must reach to tell. A sphere 150 mm
from the beam's foot casts an ellipse 1 % longer than wide. Working defaults, no source."""


def rims_that_are_none(setting: Setting) -> dict[Side, str]:
    """Return the sides whose rim cannot be one, and why: too round, or of another thing's size."""
    found = {}
    for side, hip in setting.hips.items():
        if hip.no_ellipse:
            found[side] = (
                "no ellipse passes near its points. One of them may lie elsewhere; check them one "
                "by one"
            )
        if hip.rim is None:
            continue
        x, y, long, short, _ = hip.rim.parameters
        points = setting.on_film[landmark_name("cup_rim", side)]
        if short / long > ROUND or _on_circle(points, long):
            found[side] = (
                f"its outline is round (axes {short / long:.2f} to 1); a rim seen so would be "
                "anteverted by 67 degrees or more. Points on the head or the shell?"
            )
        elif (
            hip.head is not None
            and RIM_OFF_HEAD[0]
            < (np.hypot(*(hip.head.parameters[:2] - [x, y])) / long)
            < RIM_OFF_HEAD[1]
        ):
            found[side] = "it does not lie about the head, as the rim of the same joint would"
        elif hip.head is not None and long < RIM_OVER_HEAD * hip.head.parameters[2]:
            found[side] = (
                f"it is {long / hip.head.parameters[2]:.2f} times as wide as the head; a rim lies "
                "outside shell and liner. Points on the head?"
            )
    return found


_OFF_EVERY_CIRCLE = 1.1**2 * ON_CIRCLE * 1.25
"""What is left of a circle's equation, in half long axes squared, where no circle as wide as 1.1 of
them leaves points off by `ON_CIRCLE`: half of (d + r) (d - r), with d up to a half beyond r."""


def _on_circle(points: np.ndarray, half_long: float) -> bool:
    """Return whether points lie on a circle about as wide as the ellipse through them."""
    # The circle x^2 + y^2 = 2 a x + 2 b y + c that leaves least leaves no more of that equation
    # than any other: most rims are far from every circle, and no circle need be fitted to them.
    x, y = ((points - points.mean(axis=0)) / half_long).T
    design, squares = np.column_stack([x, y, np.ones_like(x)]), x * x + y * y
    left = squares - design @ np.linalg.lstsq(design, squares)[0]
    if np.sqrt(np.mean(left**2)) / 2.0 > _OFF_EVERY_CIRCLE:
        return False
    try:
        circle = fit_circle(points)
    except MeasureError:
        return False
    radius = float(circle.parameters[2])
    off = float(np.sqrt(np.mean(circle.residuals**2)))
    return 0.8 < radius / half_long < 1.1 and off < ON_CIRCLE * radius


def rim_sizes(setting: Setting) -> Iterator[Finding]:
    """Notice a rim of another size than the shell, or than the cup is known to have."""
    low, high = RIM_OVER_CUP
    for side, hip in setting.hips.items():
        if hip.rim is None:
            continue
        wide = 2.0 * hip.rim.parameters[2]
        known = []
        if hip.shell is not None:
            known.append(("the shell's outline", wide / (2.0 * hip.shell.parameters[2])))
        if hip.cup_mm and setting.mm_per_unit and setting.scale and setting.scale.method != "cup":
            known.append((f"the known {hip.cup_mm:g} mm", wide * setting.mm_per_unit / hip.cup_mm))
        for what, ratio in known:
            if not low <= ratio <= high:
                name = landmark_name("cup_rim", side)
                yield Finding(
                    "rim_size",
                    f"{LANDMARKS[name].title} is {ratio:.2f} times as wide as {what}. Points on "
                    "another outline, or a wrong diameter.",
                    touched_by(name, setting),
                    "strong",
                )
                break


def oval_spheres(setting: Setting) -> Iterator[Finding]:
    """Notice a prosthetic head or a marker whose outline is oval, as on a stretched export."""
    spheres = {
        landmark_name("femoral_head", side): hip.head
        for side, hip in setting.hips.items()
        if side in setting.reading.head_diameter_mm
    }
    for name, fit in {**spheres, "marker_sphere": setting.marker}.items():
        if fit is not None and (oval := _oval(setting.on_film[name], fit.parameters)):
            yield Finding(
                "outline_oval",
                f"{LANDMARKS[name].title}: the outline is oval, its axes differ by "
                f"{100 * oval:.0f} %, and a sphere's is round. The export may be stretched, its "
                "pixels not as wide as high; or points lie on something else.",
                touched_by(name, setting),
            )


def _oval(points: np.ndarray, circle: np.ndarray) -> float | None:
    """Return by how much an outline is longer than wide, where placing does not explain it.

    Distances from the centre then go through two waves in a turn.
    """
    x, y = (points - circle[:2]).T
    turn, radius = np.arctan2(y, x), np.hypot(x, y)
    waves = np.stack(
        [np.ones_like(turn), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], axis=1
    )
    free = len(turn) - waves.shape[1]
    if free < 1 or arc_covered_deg(points, circle[:2]) < OVAL_ARC_DEG:
        return None
    found, *_ = np.linalg.lstsq(waves, radius, rcond=None)
    spread = float(np.linalg.norm(radius - waves @ found)) * np.sqrt(2.0 / (free * len(turn)))
    wave = float(np.hypot(*found[3:]))
    oval = 2.0 * wave / float(circle[2])
    return oval if oval > OVAL and wave > OVAL_SPREADS * spread else None
