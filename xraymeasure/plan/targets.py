"""What was planned or recorded, as the film would show it, with its interval."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from xraymeasure.change.difference import Interval
from xraymeasure.errors import PlanError
from xraymeasure.geometry import cup_angles
from xraymeasure.measuring.uncertainty import COVERAGE
from xraymeasure.plan.plan import CupPlan, Definition, Recorded

PELVIC_TILT_SD_DEG = 3.0
"""Standard uncertainty of a pelvic tilt that a plan states. Working default, no source."""

POSTURE_TILT_SD_DEG = 6.0
"""Standard uncertainty of how far a pelvis tips between lying and standing, either way. Working
default: the change differs widely between people (from memory)."""

TO_RADIOGRAPHIC: dict[Definition, Callable[[float, float], cup_angles.Angles]] = {
    "radiographic": lambda inclination, anteversion: (np.array(inclination), np.array(anteversion)),
    "operative": cup_angles.operative_to_radiographic,
    "anatomical": cup_angles.anatomical_to_radiographic,
}


def certain(value: float | None) -> Interval | None:
    """Return a value with an interval of no width; None where there is none."""
    return None if value is None else (value, value, value)


def give_or_take(value: Interval | None, spread: float | None) -> Interval | None:
    """Return a value with the interval that a further spread gives it, if one is stated."""
    if value is None or spread is None:
        return value
    middle, low, high = value
    further = COVERAGE * spread
    below, above = np.hypot(middle - low, further), np.hypot(high - middle, further)
    return middle, float(middle - below), float(middle + above)


def to_film(
    angles: CupPlan | Recorded, tilt_deg: float | None, who: str, further_tilt_sd_deg: float = 0.0
) -> tuple[dict[str, Interval | None], str]:
    """Return radiographic angles to the coronal plane, each with its interval, and the note."""
    inclination, anteversion = angles.inclination_deg, angles.anteversion_deg
    tilted = angles.plane == "anterior_pelvic"
    as_given = angles.definition == "radiographic" and not tilted
    alone = inclination is None or anteversion is None
    if as_given and (alone or not further_tilt_sd_deg):
        return {"inclination": certain(inclination), "anteversion": certain(anteversion)}, ""
    if inclination is None or anteversion is None:
        return {"inclination": None, "anteversion": None}, ""
    pair = TO_RADIOGRAPHIC[angles.definition](inclination, anteversion)
    note = f"{who} {angles.definition} {inclination:g}/{anteversion:g}"
    about = np.array([0.0, -1.0, 1.0])
    tilts = COVERAGE * further_tilt_sd_deg * about
    if tilted and tilt_deg is not None:
        spread = np.hypot(PELVIC_TILT_SD_DEG, further_tilt_sd_deg)
        tilts = tilt_deg + COVERAGE * spread * about
        note += (
            f" to the anterior pelvic plane, with {abs(tilt_deg):g} degrees of "
            f"{'posterior' if tilt_deg >= 0 else 'anterior'} pelvic tilt (uncertain by "
            f"{PELVIC_TILT_SD_DEG:g}, one standard deviation)"
        )
    converted = np.array(cup_angles.tilt_pelvis(*pair, tilts))
    if not np.all(np.isfinite(converted)):
        raise PlanError(
            f"{who.lower()} {angles.definition} {inclination:g}/{anteversion:g}: this axis "
            "points straight forward on the film and has no "
            "inclination there; correct the angles or the tilt"
        )
    note += (
        f" is radiographic {converted[0, 0]:.1f}/{converted[1, 0]:.1f} "
        "to the coronal plane of the film."
    )
    intervals: dict[str, Interval | None] = {
        name: (float(row[0]), float(row.min()), float(row.max()))
        for name, row in zip(("inclination", "anteversion"), converted, strict=True)
    }
    return intervals, "" if as_given else note
