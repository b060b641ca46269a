"""Whether an outline can be what it is called: a rim that is really a head."""

from __future__ import annotations

import numpy as np

from xraymeasure.errors import XrayMeasureError
from xraymeasure.geometry.curves import fit_circle
from xraymeasure.geometry.ellipses import fit_ellipse
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS, landmark_name

ROUND = 0.85
"""Axis ratio from which an outline is a circle to the eye: a rim so round would be anteverted by
more than 58 degrees (arcsine of the axis ratio), which no cup is. Common practice, no source."""
SAME_SIZE = 0.15
"""How far the radii of rim and head may differ and still be of one outline, as a fraction."""


def rim_like_a_head(reading: Reading, name: str) -> str:
    """Return why the points of a rim cannot be a rim's, empty where they can.

    A rim is doubted where it is as round as a head and no head is placed on its side, or where
    its long half-axis is the radius of the head: the opening of a cup is wider than its head.

    Parameters
    ----------
    reading : Reading
        What is placed.
    name : str
        The landmark that was placed last; only a cup's rim is ever doubted.
    """
    landmark = LANDMARKS[name]
    if landmark.kind.stem != "cup_rim" or not reading.has(name):
        return ""
    head = landmark_name("femoral_head", landmark.side)
    try:
        _, _, major, minor, _ = fit_ellipse(reading.points(name)[:, ::-1]).parameters
        radius = fit_circle(reading.points(head)[:, ::-1]).parameters[2] if reading.has(head) else 0
    except XrayMeasureError:
        return ""
    if minor / major < ROUND:
        return ""
    if radius:
        if abs(major / radius - 1.0) > SAME_SIZE:
            return ""
        return "This outline is as round as a head and as large as the head that is placed."
    anteversion = float(np.degrees(np.arcsin(minor / major)))
    return f"As a rim this outline would mean an anteversion of about {anteversion:.0f}°."
