"""How things look, in one place: colours, line styles, glyphs and type; no drawing is done here.

Colours are those of Okabe M, Ito K, Color universal design (2008), told apart with any colour
vision; on the film they are lightened. Nothing is told by colour alone: kinds of line also differ
in dash, verdicts in word and shape.
"""

from __future__ import annotations

from dataclasses import dataclass

INK = "#1a1a1a"
GREY = "#5f5f5f"
FAINT = "#9a9a9a"
RULE = "#c8c8c8"
BAND = "#e4e8ec"
PAPER = "#ffffff"
MEASURED = "#0072B2"
RECORDED = "#D55E00"
PLANNED = INK

CASING = "#000000"
"""Drawn below every line on a film, so that it stands on bone, metal and air alike."""
CASING_PT = 0.9
"""How far the casing reaches beyond the line on each side, points."""

VERDICTS: dict[str, tuple[str, str, str]] = {
    "within": ("●", "within", "#00654A"),
    "undecided": ("◐", "undecided", "#7A5200"),
    "outside": ("▲", "outside", "#B02A00"),
}
"""For each verdict: shape, word and colour."""

SEVERITIES: dict[str, tuple[str, str]] = {
    "strong": ("▲", "#B02A00"),
    "warning": ("△", "#7A5200"),
    "note": ("·", GREY),
}
"""For each severity of a finding: shape and colour."""


SHARES: dict[str, str] = {
    "placing": "#0072B2",
    "diameter": "#E69F00",
    "geometry": "#56B4E9",
    "depth": "#222222",
    "rotation": "#CC79A7",
    "posture": "#009E73",
    "anatomy": "#F0E442",
}
"""For each source of uncertainty; neighbours differ in lightness, too."""


@dataclass(frozen=True)
class Line:
    """How one kind of drawing looks on a film.

    Attributes
    ----------
    colour : str
        Readable on a dark and, with its casing, on a light ground.
    width : float
        Points on paper, screen pixels in a window.
    dash : tuple of float
        On and off lengths in widths; empty for a solid line.
    marker : str
        Matplotlib marker for a drawing that is one point.
    title : str
        What a person reads in a key.
    """

    colour: str
    width: float
    dash: tuple[float, ...]
    marker: str
    title: str


_BLUE, _ORANGE, _GREEN = "#6CC5F5", "#FFB000", "#3DDC97"
_YELLOW, _PINK, _WHITE = "#F5EA4D", "#F29BC8", "#F4F4F4"

LINES: dict[str, Line] = {
    "head": Line(_BLUE, 1.1, (), "", "head"),
    "native_head": Line(_BLUE, 0.9, (4, 2), "", "native head"),
    "marker": Line(_BLUE, 0.9, (1, 2), "", "calibration sphere"),
    "hip_centre": Line(_BLUE, 1.0, (), "+", "hip centre"),
    "rim": Line(_ORANGE, 1.2, (), "", "cup rim"),
    "rim_axis": Line(_ORANGE, 0.8, (5, 2), "", "rim axis"),
    "cup_axis": Line(_ORANGE, 0.8, (1, 1.5), "", "cup axis"),
    "shell": Line(_ORANGE, 0.8, (2, 2), "", "cup shell"),
    "reference": Line(_WHITE, 1.0, (), "", "reference line"),
    "alternative_reference": Line(_WHITE, 0.7, (4, 3), "", "other line"),
    "midline": Line(_WHITE, 0.7, (1, 2), "", "midline"),
    "leg_length": Line(_GREEN, 1.3, (), "", "leg length"),
    "offset": Line(_YELLOW, 1.3, (), "", "offset"),
    "shaft": Line(_PINK, 0.9, (6, 2), "", "femoral shaft"),
    "stem": Line(_PINK, 0.9, (), "", "stem"),
    "neck": Line(_PINK, 0.9, (2, 2), "", "neck"),
    "off_point": Line("#FF7F50", 1.4, (), "x", "click that does not fit"),
    "beam": Line(_WHITE, 0.9, (), "x", "central ray"),
}
"""The look of each `Drawing.kind`; the order is that of the key."""

FILM_LABELS: dict[str, dict[str, str]] = {
    "rim": {"radiographic_inclination": "inclination", "radiographic_anteversion": "anteversion"},
    "leg_length": {"leg_length_difference": "leg length"},
    "offset": {"femoral_offset": "femoral offset"},
}
"""What is written beside each kind of drawing; everything else stands in the tables."""
