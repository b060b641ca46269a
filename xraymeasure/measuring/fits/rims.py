"""The outline of a cup's rim: all around, nearly flat, or on one arc beside what is known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.anchored import Anchor, fit_anchored_ellipse
from xraymeasure.geometry.ellipses import NoEllipseError, fit_ellipse, fit_flat_ellipse
from xraymeasure.geometry.least_squares import Fit
from xraymeasure.measuring.cup import (
    BOWED_WITHIN,
    CONCENTRIC_U_MM,
    LONGEST_RIM_MM,
    PLAUSIBLE_RIM_MM,
    RIM_U_MM,
    WIDER_THAN_ITS_CUP,
    flat_rim,
    may_lie_around,
    on_one_arc,
    outline_off_centre,
)
from xraymeasure.measuring.fits.outlines import Fits
from xraymeasure.measuring.prepared import PreparedHip
from xraymeasure.vocabulary.landmarks import landmark_name


def longest_rim(hip: PreparedHip, mm_per_unit: float | None) -> float:
    """Return how long a rim's half-axis can be, in film units."""
    if hip.shell is not None:
        return WIDER_THAN_ITS_CUP * float(hip.shell.parameters[2])
    if not mm_per_unit:
        return float(np.inf)
    return (WIDER_THAN_ITS_CUP * hip.cup_mm / 2.0 if hip.cup_mm else LONGEST_RIM_MM) / mm_per_unit


def fit_rim(
    fits: Fits,
    hip: PreparedHip,
    spread: float,
    mm_per_unit: float | None,
    beam: np.ndarray,
    source_units: float,
) -> dict[str, Any]:
    """Return the fit of a rim, and what is known of it where its points do not lie around."""
    side = hip.side
    name = landmark_name("cup_rim", side)
    if not fits.reading.has(name):
        return {}
    points = fits.units("cup_rim", side)
    anchor = _anchor(hip, points, spread, mm_per_unit)
    sized = hip.shell is not None or hip.cup_mm is not None
    flat = flat_rim(points, spread, anchor.half if anchor and not sized else 0.0)
    if flat is not None and (anchor is None or may_lie_around(points, anchor, sized)):
        return {"rim": fits.of("cup_rim", side, fit_flat_ellipse), "flat": flat}
    if anchor is not None:
        found = _arc(hip, points, anchor, beam, source_units)
        if found is not None:
            return {"rim": found[0], "anchor": found[1]}
    try:
        return {"rim": fits.of("cup_rim", side, fit_ellipse)}
    except NoEllipseError:
        return {"no_ellipse": True}


def _arc(
    hip: PreparedHip, points: np.ndarray, anchor: Anchor, beam: np.ndarray, source_units: float
) -> tuple[Fit, Anchor] | None:
    """Return the fit of a rim on one arc, and the anchor moved to the centre of its outline.

    None where the points do not lie on one arc, or not on one about this head: what is known of
    another joint, or of a head that has left its cup, is no help.
    """
    try:
        rim = fit_anchored_ellipse(points, anchor)
        if anchor.centre is not None:
            # The outline's centre is not where the circle's lands: tell by how much, and refit.
            off = outline_off_centre(
                rim.parameters, beam, source_units, hip.lateral_sign, hip.opens
            )
            x, y = np.array(anchor.centre) + off
            anchor = replace(anchor, centre=(float(x), float(y)))
            rim = fit_anchored_ellipse(points, anchor)
    except MeasureError:
        return None
    bowed = rim.residuals @ rim.residuals < len(points) * (BOWED_WITHIN * anchor.spread) ** 2
    return (rim, anchor) if bowed and anchor.agrees_with(rim.parameters) else None


def _anchor(
    hip: PreparedHip, points: np.ndarray, spread: float, mm_per_unit: float | None
) -> Anchor | None:
    """Return what is known of a rim whose points lie on one arc; None where they lie around.

    Without a scale only the outline of its own shell tells how long it is.
    """
    head = None if hip.head is None else hip.head.parameters[:2]
    if not on_one_arc(points, spread, head) or (hip.shell is None and mm_per_unit is None):
        return None
    if hip.shell is not None:
        half, kind = float(hip.shell.parameters[2]), "shell"
        per_unit = mm_per_unit or PLAUSIBLE_RIM_MM / half
    elif mm_per_unit is not None:
        per_unit, kind = mm_per_unit, "known" if hip.cup_mm else "plausible"
        half = (hip.cup_mm / 2.0 if hip.cup_mm else PLAUSIBLE_RIM_MM) / per_unit
    centre = None if head is None else (float(head[0]), float(head[1]))
    return Anchor(centre, half, CONCENTRIC_U_MM / per_unit, RIM_U_MM[kind] / per_unit, spread)
