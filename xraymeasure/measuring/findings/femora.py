"""How the femora lie, and whether what is placed on them is of one bone and of one body."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from xraymeasure.measuring.findings.thresholds import Thresholds
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.measuring.uncertainty import AGREEMENT, COVERAGE, Key, Linear
from xraymeasure.vocabulary.landmarks import SIDES, landmark_name


def femora(
    setting: Setting, values: Mapping[Key, float], linear: Linear, thresholds: Thresholds
) -> Iterator[Finding]:
    """Yield what there is to say of how the femora lie and are placed."""
    left, right = (values.get(("femoral_abduction", side, "landmarks")) for side in SIDES)
    if left is not None and right is not None:
        difference = abs(left - right)
        if difference > thresholds.abduction_difference_deg:
            yield Finding(
                "femora_unequal",
                f"The femora lie {difference:.0f} degrees apart in abduction (more than "
                f"{thresholds.abduction_difference_deg:g}): the raw leg-length difference is off "
                f"by some {30 * np.sin(np.radians(difference)):.1f} mm.",
                ("leg_length_difference",),
            )
    for side in SIDES:
        name = landmark_name("femoral_shaft", side)
        if not setting.reading.has(name) or setting.mm_per_unit is None:
            continue
        points = setting.on_film[name]
        length = float(np.linalg.norm(np.ptp(points, axis=0))) * setting.mm_per_unit
        if length < thresholds.shaft_mm:
            yield Finding(
                "shaft_short",
                f"The axis of the {side} femur is placed over {length:.0f} mm (less than "
                f"{thresholds.shaft_mm:g}): offset and abduction are poorly determined.",
                ("femoral_offset", "femoral_abduction", "leg_length_difference"),
            )
        off = _off_line_mm(points) * setting.mm_per_unit
        if off > thresholds.shaft_off_line_mm:
            yield Finding(
                "shaft_crooked",
                f"The midpoints of the {side} femoral shaft scatter by {off:.1f} mm about one "
                f"line (more than {thresholds.shaft_off_line_mm:g}). One of them may lie on a "
                "cortex.",
                ("femoral_offset", "femoral_abduction", "leg_length_difference"),
            )
    yield from _trochanters(linear, thresholds)


def _off_line_mm(points: np.ndarray) -> float:
    """Return the standard deviation of points about their line, 0 for two of them."""
    if len(points) < 3:
        return 0.0
    across = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[-1]
    return float(across / np.sqrt(len(points) - 2))


def _trochanters(linear: Linear, thresholds: Thresholds) -> Iterator[Finding]:
    """Notice that lesser and greater trochanters tell different legs, one body having both."""
    key: Key = (AGREEMENT, None, "trochanters")
    if key not in linear.agreements:
        return
    row = len(linear.keys) + linear.agreements.index(key)
    apart, spread = float(linear.middle[row]), float(np.linalg.norm(linear.jacobian[row]))
    if abs(apart) > thresholds.trochanters_factor * spread:
        yield Finding(
            "trochanters_disagree",
            "By the lesser trochanters the legs differ otherwise than by the greater ones, by "
            f"{abs(apart):.0f} mm, where {COVERAGE * spread:.0f} is usual. One of the four may "
            "stand on another point of its bone than its fellow on the other side.",
            ("leg_length_difference",),
        )
