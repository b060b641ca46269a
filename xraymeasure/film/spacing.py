"""Which plane a film's pixel spacing belongs to, by the rules of DICOM PS3.3 section 10.7.

The spacing at the detector may be divided by a magnification; the spacing in the patient already
has been. Taking one for the other is a silent error of 10 to 30 %, so the kind travels with the
numbers, and what the attributes do not say stays unknown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

Pair = tuple[float, float]

# Decimal strings of one pitch differ by rounding (0.139 and 0.1389); a hip that stands 1 mm off
# the detector, which none does, would already differ by this much.
SAME_SPACING = 1e-3
# Outside this range, in mm, no radiograph was ever sampled: the number has another unit.
PLAUSIBLE_SPACING_MM = (0.01, 5.0)

CALIBRATION_TYPES = {
    "GEOMETRY": "corrected for a known or assumed geometry, at some depth in the patient",
    "FIDUCIAL": "calibrated against an object of known size, at the depth of that object",
}


class SpacingKind(StrEnum):
    """What a film's spacing is a distance between."""

    DETECTOR = "detector"
    CALIBRATED = "calibrated"
    DIGITISED = "digitised_film"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Spacing:
    """The distance between neighbouring pixels, and in which plane it holds.

    Attributes
    ----------
    kind : SpacingKind
        What the attributes amount to.
    detector_mm : (row, column) or None
        Distance between rows and between columns at the detector (for a digitised film: on the
        old film, which lay there), mm; None where not known.
    patient_mm : (row, column) or None
        The same in the patient, where the film says that it was corrected or calibrated.
    reason : str
        A sentence for the report: what was found and which rule decided.
    contradiction : str or None
        What the attributes say against one another.
    calibration_type : {"GEOMETRY", "FIDUCIAL"} or None
        How `patient_mm` came about, where the film says so.
    aspect : float
        Row distance divided by column distance, 1 where nothing is said. It holds in every plane,
        so it is known even of a spacing whose plane is not.
    """

    kind: SpacingKind
    detector_mm: Pair | None
    patient_mm: Pair | None
    reason: str
    contradiction: str | None = None
    calibration_type: str | None = None
    aspect: float = 1.0


def not_square(spacing: Spacing) -> tuple[str, ...]:
    """Return what to note of a film whose pixels are not square; nothing where they are.

    >>> not_square(detector_spacing((0.3, 0.25), ""))
    ('The pixels are not square: rows lie 1.2 times as far apart as columns.',)
    """
    if math.isclose(spacing.aspect, 1.0, rel_tol=SAME_SPACING):
        return ()
    return (
        f"The pixels are not square: rows lie {spacing.aspect:.4g} times as far apart as columns.",
    )


def no_spacing(reason: str, aspect: float = 1.0) -> Spacing:
    """Return the spacing of a film that says nothing of its scale."""
    return Spacing(SpacingKind.UNKNOWN, None, None, reason, aspect=aspect)


def detector_spacing(pitch_mm: float | Pair, reason: str) -> Spacing:
    """Return the spacing of a film whose pitch at the detector, in mm, is known."""
    pitch = as_pitch(pitch_mm)
    return Spacing(SpacingKind.DETECTOR, pitch, None, reason, aspect=pitch[0] / pitch[1])


def as_pitch(pitch_mm: float | Pair | Sequence[float]) -> Pair:
    """Return (row, column) in mm from one length or a pair.

    Raises
    ------
    ValueError
        If there are not one or two lengths, or one is not finite and above zero.
    """
    lengths = tuple(pitch_mm) if isinstance(pitch_mm, Iterable) else (pitch_mm,) * 2
    if len(lengths) != 2 or not all(math.isfinite(v) and v > 0 for v in lengths):
        raise ValueError(f"a pitch is one or two lengths in mm above zero, not {pitch_mm!r}")
    return float(lengths[0]), float(lengths[1])


def plausible_pair(values: Sequence[float] | None) -> Pair | None:
    """Return (row, column) in mm, or None unless there are two lengths that a radiograph can have.

    DICOM PS3.3 10.7.1.3: the first value is the distance between rows (vertical), the second
    between columns, both above zero.
    """
    if values is None or len(values) != 2:
        return None
    low, high = PLAUSIBLE_SPACING_MM
    if not all(low <= value <= high for value in values):
        return None
    return float(values[0]), float(values[1])


def decide_spacing(
    imager: Pair | None = None,
    pixel: Pair | None = None,
    scanned: Pair | None = None,
    calibration_type: str | None = None,
    aspect: float = 1.0,
) -> Spacing:
    """Say which spacing a film has, from the attributes that it carries.

    Parameters
    ----------
    imager : (row, column) or None
        Imager Pixel Spacing (0018,1164), mm: at the front plane of the detector, never adjusted.
    pixel : (row, column) or None
        Pixel Spacing (0028,0030), mm: in the patient, unless equal to one of the others.
    scanned : (row, column) or None
        Nominal Scanned Pixel Spacing (0018,2010), mm: on the film that was digitised.
    calibration_type : str or None
        Pixel Spacing Calibration Type (0028,0A02).
    aspect : float
        Pixel Aspect Ratio (0028,0034), row over column; used where no spacing tells it.

    Notes
    -----
    DICOM PS3.3 10.7.1.1: a Pixel Spacing equal to Imager or Nominal Scanned Pixel Spacing is not
    calibrated; a different one is; with neither of them and no calibration type it cannot be
    determined. 10.7.1.2 defines the calibration types.

    Examples
    --------
    >>> decide_spacing(imager=(0.14, 0.14), pixel=(0.12, 0.12)).kind.value
    'calibrated'
    >>> decide_spacing(pixel=(0.14, 0.14)).kind.value
    'unknown'
    """
    against = []
    known_type = calibration_type if calibration_type in CALIBRATION_TYPES else None
    if calibration_type and known_type is None:
        against.append("Pixel Spacing Calibration Type is none that DICOM defines")
    if imager and scanned and not _same(imager, scanned):
        against.append(
            f"Imager Pixel Spacing {_words(imager)} and Nominal Scanned Pixel Spacing "
            f"{_words(scanned)} differ; the former was used"
        )
    at_detector = imager or scanned
    name = "Imager Pixel Spacing" if imager else "Nominal Scanned Pixel Spacing"
    uncalibrated = SpacingKind.DETECTOR if imager else SpacingKind.DIGITISED
    plane = "at the detector" if imager else "on the film that was digitised"

    if pixel is None:
        if calibration_type:
            against.append("a Pixel Spacing Calibration Type is given without a Pixel Spacing")
        if at_detector is None:
            kind = SpacingKind.UNKNOWN
            reason = "The film carries no pixel spacing."
        else:
            kind = uncalibrated
            reason = f"{name} is {_words(at_detector)}, {plane}; there is no Pixel Spacing."
        in_patient = None
    elif at_detector is None:
        kind = SpacingKind.CALIBRATED if known_type else SpacingKind.UNKNOWN
        in_patient = pixel if known_type else None
        reason = (
            f"Pixel Spacing is {_words(pixel)}, {CALIBRATION_TYPES[known_type]} ({known_type}); "
            "the spacing at the detector is not given."
            if known_type
            else f"Pixel Spacing is {_words(pixel)} alone: whether it holds at the detector or in "
            "the patient cannot be told (DICOM PS3.3 10.7.1.1), so it was not used."
        )
    elif any(_same(pixel, other) for other in (imager, scanned) if other):
        kind, in_patient = uncalibrated, None
        reason = (
            f"Pixel Spacing equals {name}, {_words(at_detector)}: it is not calibrated and holds "
            f"{plane} (DICOM PS3.3 10.7.1.1)."
        )
        if known_type:
            against.append(
                f"Pixel Spacing Calibration Type is {known_type}, but Pixel Spacing equals {name}: "
                "a magnification of 1, which no hip has"
            )
    else:
        kind, in_patient = SpacingKind.CALIBRATED, pixel
        how = f"{CALIBRATION_TYPES[known_type]} ({known_type})" if known_type else "calibrated"
        reason = (
            f"Pixel Spacing {_words(pixel)} differs from {name} {_words(at_detector)}: it is "
            f"{how} (DICOM PS3.3 10.7.1.1)."
        )
        against.extend(_calibration_faults(at_detector, pixel, name, known_type))

    for spacing in (at_detector, pixel):
        if spacing is not None:
            told = spacing[0] / spacing[1]
            if aspect != 1.0 and not math.isclose(told, aspect, rel_tol=0.01):
                against.append(
                    f"Pixel Aspect Ratio says {aspect:g}, the spacing {told:g}; the spacing counts"
                )
            aspect = told
            break
    return Spacing(
        kind=kind,
        detector_mm=at_detector,
        patient_mm=in_patient,
        reason=reason,
        contradiction="; ".join(against) or None,
        calibration_type=known_type if in_patient else None,
        aspect=aspect,
    )


def _calibration_faults(
    detector: Pair, pixel: Pair, name: str, known_type: str | None
) -> list[str]:
    faults: list[str] = []
    if known_type is None:
        faults.append(
            f"Pixel Spacing differs from {name}, but no Pixel Spacing Calibration Type says how it "
            "was calibrated"
        )
    vertical, horizontal = detector[0] / pixel[0], detector[1] / pixel[1]
    if not math.isclose(vertical, horizontal, rel_tol=0.01):
        faults.append(
            f"the two spacings give a magnification of {vertical:.3f} along columns and "
            f"{horizontal:.3f} along rows"
        )
    elif vertical < 1:
        faults.append(
            f"the two spacings give a magnification of {vertical:.3f}; below 1 the patient would "
            "lie behind the detector"
        )
    return faults


def _same(one: Pair, other: Pair) -> bool:
    return all(math.isclose(a, b, rel_tol=SAME_SPACING) for a, b in zip(one, other, strict=True))


def _words(pair: Pair) -> str:
    row, column = pair
    return f"{row:g} mm" if row == column else f"{row:g} (rows) by {column:g} (columns) mm"
