"""From which numbers on a film is remarked upon."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Thresholds:
    """From which numbers on a film is remarked upon.

    Attributes
    ----------
    arc_deg : float
        Least arc of a circle's outline (a shorter one leaves its size open).
    reference_lines_deg : float
        Angle between the inter-teardrop and the bi-ischial line.
    pelvis_rotation_deg : float
        Rotation of the pelvis, where its own interval excludes an unturned one.
    obturator_ratio : float
        Widths of the foramina, the larger over the smaller; a ratio of 2 is 13 to 18 degrees of
        rotation (Kanazawa M et al., Hip Int 2016;26:462-467; abstract read).
    pelvis_tilt_mm : (float, float)
        Usual height of the sacrococcygeal joint above the symphysis, of either sex: 30 +- 18
        from published means of 32 and 47 mm, and 22 +- 14 in another set; weak.
    abduction_difference_deg : float
        Between the femora; 5 degrees are about 2.8 mm of raw leg-length difference.
    head_off_cup_mm : float
        Head centre from cup centre, beyond what placing explains; liners may be offset by design.
    shaft_mm : float
        Least length over which the shaft's axis is placed.
    shaft_off_line_mm : float
        Spread of the shaft's midpoints about their line; a cortex lies some 12 mm beside it.
    trochanters_factor : float
        What lesser and greater trochanters say of the legs may differ by so many standard
        deviations of that difference.
    cut_off_mm : float
        A landmark nearer than this to the edge of the film.
    """

    arc_deg: float = 150.0
    reference_lines_deg: float = 2.0
    pelvis_rotation_deg: float = 2.0
    obturator_ratio: float = 1.4
    pelvis_tilt_mm: tuple[float, float] = (-5.0, 65.0)
    abduction_difference_deg: float = 5.0
    head_off_cup_mm: float = 2.0
    shaft_mm: float = 40.0
    shaft_off_line_mm: float = 2.5
    trochanters_factor: float = 3.0
    cut_off_mm: float = 3.0
