"""Scale: from something of known size on the film to millimetres in the plane of the hip.

The known head decides; every other scale on the film is held against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.curves import fit_circle
from xraymeasure.measuring.results import Finding
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import Side, landmark_name

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

STANDARD_HEADS_MM = (22.225, 26.0, 28.0, 30.0, 32.0, 36.0, 40.0, 44.0)
"""Nominal diameters of prosthetic heads (7/8 inch the first); from memory."""

PLAUSIBLE_MAGNIFICATION = (1.08, 1.30)
"""Wider than one department's range (mean 119.8 %, 117 to 123.4 %; Brew CJ et al., J Arthroplasty
2012;27:643-647; abstract read) and than twice the spread in 119 patients (14.1 +- 4.1 %;
Wangjiraphan N et al., a study of hip radiographs in practice; abstract read). It catches a head
entered 4 mm wrong, not 2 mm (derived)."""

PLAUSIBLE_HEIGHT_MM = (105.0, 205.0)
"""Height of a hip over the detector, table and patient between them: 4 mm of the head's diameter
move it by 100 mm and more, 2 mm by 55. Working default, no source."""

POSSIBLE_MAGNIFICATION = (1.0, 1.5)
"""Outside it, something is wrong with the diameter or with the film's spacing."""

HEAD_TOLERANCE_MM = 0.06
"""Standard uncertainty of a prosthetic head: a diameter of +0/-0.2 mm taken as rectangular
(tolerance from memory, unverified)."""

CUP_TOLERANCE_MM = 0.3
"""Standard uncertainty of a cup's outer diameter; coatings add to it. Working default."""

NATIVE_HEAD_TOLERANCE_MM = 0.5
"""Standard uncertainty of a native head's measured diameter; no sphere. Working default."""

MARKER_TOLERANCE_MM = 0.1
"""Standard uncertainty of a calibration sphere's diameter. Working default, no source."""

MARKER_PLANE = 0.025
"""Relative standard uncertainty of a marker's scale, for it rarely lies in the plane of the hip
(mean errors of 2 to 12 % are published); about 25 mm of height."""

FILM_PLANE = 0.02
"""Relative standard uncertainty of a spacing that the film calls calibrated: nobody says for
which plane. Working default, no source."""

OTHER_HIP_PLANE = 0.01
"""Relative standard uncertainty of the other hip's scale: 3 degrees of rotation put it about
10 mm higher or lower. Derived."""


@dataclass(frozen=True)
class Scale:
    """One scale found on the film, in the plane of the index hip centre.

    Attributes
    ----------
    method : str
        ``head``, ``cup``, ``native_head``, ``marker`` or ``film``.
    side : str or None
        The hip it was found at.
    mm_per_px : float
        Millimetres in the plane of the object for one pixel (geometric mean of both pitches).
    relative_u : float
        Relative standard uncertainty, including the plane that it lies in.
    text : str
        What it is, for a person.
    """

    method: str
    side: Side | None
    mm_per_px: float
    relative_u: float
    text: str


def choose_scale(scales: Sequence[Scale], operated: Side) -> Scale | None:
    """Return the scale that stands for the film.

    The index hip's head, cup or native head, then those of the other hip, a marker, the film's
    own calibration.

    Examples
    --------
    >>> marker = Scale("marker", None, 0.21, 0.02, "calibration sphere")
    >>> head = Scale("head", "right", 0.20, 0.002, "head of the right hip")
    >>> choose_scale([marker, head], "right").method
    'head'
    """
    order = ("head", "cup", "native_head")

    def rank(scale: Scale) -> tuple[bool, int]:
        if scale.method in order:
            return scale.side != operated, order.index(scale.method)
        return True, len(order) + ("marker", "film").index(scale.method)

    return min(scales, key=rank, default=None)


def scale_disagreements(chosen: Scale, scales: Sequence[Scale]) -> list[Finding]:
    """Return a warning, naming both values, for every scale that differs from the chosen one.

    It differs when the two uncertainties do not explain it (95 %).
    """
    findings = []
    for scale in scales:
        if scale is chosen:
            continue
        difference = scale.mm_per_px / chosen.mm_per_px - 1.0
        limit = 1.96 * (scale.relative_u**2 + chosen.relative_u**2) ** 0.5
        if abs(difference) > limit:
            findings.append(
                Finding(
                    "scale_disagreement",
                    f"{chosen.text[0].upper()}{chosen.text[1:]} gives "
                    f"{chosen.mm_per_px:.4f} mm per pixel, {scale.text} "
                    f"{scale.mm_per_px:.4f}: {100 * difference:+.1f} %, where "
                    f"{100 * limit:.1f} % would be explained. Check the diameters.",
                    ("magnification",),
                )
            )
    return findings


def is_possible(magnification: float) -> bool:
    """Whether a hip can be enlarged so much on a detector at all."""
    return POSSIBLE_MAGNIFICATION[0] <= magnification <= POSSIBLE_MAGNIFICATION[1]


def magnification_findings(magnification: float, diameter_mm: float | None) -> list[Finding]:
    """Return what there is to say of a magnification.

    Parameters
    ----------
    magnification : float
        Of the plane of the hip centre.
    diameter_mm : float or None
        The nominal head it was computed from; None where it came from something else.
    """
    low, high = PLAUSIBLE_MAGNIFICATION
    if low <= magnification <= high:
        return []
    impossible = not is_possible(magnification)
    text = (
        f"A magnification of {magnification:.3f} is "
        + ("not possible for a hip on this detector" if impossible else "implausible")
        + f" (usual: {low:.2f} to {high:.2f})."
    )
    if diameter_mm is not None:
        # The head on the film is what it is: magnification times diameter stays.
        fitting = fitting_heads(magnification * diameter_mm)
        text += f" Is the head really {diameter_mm:g} mm?"
        if fitting:
            text += f" Heads that would fit: {', '.join(f'{head:g}' for head in fitting)} mm."
    return [
        Finding(
            "magnification_impossible" if impossible else "magnification_implausible",
            text,
            (),
            "strong" if impossible else "warning",
        )
    ]


def height_findings(
    height_mm: float, diameter_mm: float, source_detector_mm: float
) -> list[Finding]:
    """Return what there is to say of a hip's height over the detector, where the tube is known.

    Parameters
    ----------
    height_mm : float
        Of the head's centre, from its outline and nominal diameter.
    diameter_mm : float
        That diameter.
    source_detector_mm : float
        Height of the tube.
    """
    low, high = PLAUSIBLE_HEIGHT_MM
    if low <= height_mm <= high:
        return []
    # The head is seen under one angle: its distance from the tube grows with its diameter.
    per_mm = (source_detector_mm - height_mm) / diameter_mm
    fitting = [
        head for head in STANDARD_HEADS_MM if low <= source_detector_mm - per_mm * head <= high
    ]
    text = (
        f"With a head of {diameter_mm:g} mm the hip would lie {height_mm:.0f} mm over the detector "
        f"(usual: {low:g} to {high:g}). Is the head really {diameter_mm:g} mm, and does the tube "
        f"stand at {source_detector_mm:g} mm?"
    ).replace("-", "\N{MINUS SIGN}")
    if fitting:
        text += f" Heads that would fit: {', '.join(f'{head:g}' for head in fitting)} mm."
    return [Finding("magnification_implausible", text)]


def fitting_heads(diameter_on_film_mm: float) -> tuple[float, ...]:
    """Return the standard heads, in mm, that a usual magnification would show so large.

    Parameters
    ----------
    diameter_on_film_mm : float
        At the detector.

    Examples
    --------
    >>> fitting_heads(43.0)
    (36.0,)
    """
    low, high = PLAUSIBLE_MAGNIFICATION
    return tuple(head for head in STANDARD_HEADS_MM if low <= diameter_on_film_mm / head <= high)


def heads_like(film: Film, reading: Reading, side: Side) -> tuple[float, ...]:
    """Return the standard heads that the outline of a head on the film could be, in mm.

    None where the outline has too few points, or the film's spacing at the detector is not known.
    """
    name = landmark_name("femoral_head", side)
    if film.spacing.detector_mm is None or not reading.has(name):
        return ()
    points = reading.points(name) * film.spacing.detector_mm
    try:
        return fitting_heads(2.0 * float(fit_circle(points).parameters[2]))
    except MeasureError:
        return ()
