"""Where a DICOM film lies: its axes in the patient, and where its central ray may land."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xraymeasure.film.film import STANDARD_AXES, Axes, image_centre
from xraymeasure.film.spacing import Pair

# Patient Orientation letters in the patient frame: x to the patient's left, y caudal.
_DIRECTIONS = {"L": (1, 0), "R": (-1, 0), "F": (0, 1), "H": (0, -1)}
_SIDEWAYS = ("A", "P")


class NotFrontal(ValueError):
    """The film shows the patient from the side; a frontal view is needed."""


def axes_from_patient_orientation(values: Sequence[str], biped: bool = True) -> tuple[Axes, str]:
    r"""Return a film's axes and a note, from Patient Orientation (0020,0020).

    Parameters
    ----------
    values : sequence of str
        The attribute's values: the direction of the rows (from the first column to the last),
        then of the columns (from the first row to the last). DICOM PS3.3 C.7.6.1.1.1. Of an
        oblique direction such as ``LF`` the first letter, the principal one, counts.
    biped : bool
        False where Anatomical Orientation Type says QUADRUPED, whose letters mean other things.

    Returns
    -------
    axes, note
        What cannot be understood is noted, and the usual display (L\F) assumed.

    Raises
    ------
    NotFrontal
        If a direction is anterior or posterior: the film is a lateral one.

    Examples
    --------
    >>> axes, note = axes_from_patient_orientation(["R", "F"])
    >>> axes
    ((0, -1), (1, 0))
    >>> print(note)
    Patient Orientation is R\F: the film is mirrored against the usual L\F.
    """
    said = "\\".join(value if set(value) <= set("LRFHAP") else "?" for value in values)
    assumed = "the usual display, L\\F, is assumed: check the side marker."
    if not any(values):
        return STANDARD_AXES, f"The film carries no Patient Orientation; {assumed}"
    if not biped:
        return STANDARD_AXES, f"Patient Orientation {said} is that of a quadruped; {assumed}"
    principal = [value[:1] for value in values]
    if len(values) == 2 and any(letter in _SIDEWAYS for letter in principal):
        raise NotFrontal(said)
    known = len(values) == 2 and all(set(value) <= set("LRFHAP") for value in values)
    if not known or not all(principal):
        return STANDARD_AXES, f"Patient Orientation cannot be understood; {assumed}"
    along_row, along_column = (_DIRECTIONS[letter] for letter in principal)
    if np.dot(along_row, along_column) != 0:
        return STANDARD_AXES, f"Patient Orientation {said} contradicts itself; {assumed}"
    # A step to the next column goes along the row, a step to the next row along the column.
    axes = ((along_column[0], along_row[0]), (along_column[1], along_row[1]))
    standing = np.linalg.det(axes) * np.linalg.det(STANDARD_AXES) > 0
    if axes == STANDARD_AXES:
        note = f"Patient Orientation is {said}, the usual display."
    elif standing:
        note = f"Patient Orientation is {said}: the film is turned against the usual L\\F."
    elif axes[0][0] == 0 and axes[1][0] == 1:
        note = f"Patient Orientation is {said}: the film is mirrored against the usual L\\F."
    else:
        note = f"Patient Orientation is {said}: the film is mirrored and turned against L\\F."
    if any(len(value) > 1 for value in values):
        note += " It is oblique; the principal directions were used."
    return axes, note


@dataclass(frozen=True)
class Collimator:
    """A collimator's outline in DICOM's pixels, which count from 1 (PS3.3 C.8.7.3).

    Attributes
    ----------
    edges : (left, right, upper, lower) or None
        Columns and rows of a rectangular one.
    centre : (row, column) or None
        Of a circular one.
    """

    edges: tuple[float, float, float, float] | None = None
    centre: Pair | None = None


@dataclass(frozen=True)
class FieldOfView:
    """How the image was cut from the detector (PS3.3 C.8.11.4.1.1).

    Attributes
    ----------
    origin : (row, column)
        Of the image, before it was turned, in detector elements from the detector's top left.
    rotation_deg : int
        Clockwise, of the image against the detector: 0, 90, 180 or 270.
    flipped : bool
        Whether left and right were exchanged, after the rotation.
    element_mm : (row, column)
        Spacing of detector elements, mm.
    active_mm : (row, column)
        Size of the area of the detector that was active, mm.
    active_origin : (row, column)
        Of that area, in detector elements from the detector's top left.
    """

    origin: Pair
    rotation_deg: int
    flipped: bool
    element_mm: Pair
    active_mm: Pair
    active_origin: Pair


def beam_centre(
    shape: tuple[int, int],
    collimator: Collimator | None = None,
    field: FieldOfView | None = None,
    pitch_mm: Pair | None = None,
) -> tuple[Pair, str]:
    """Return where the central ray is assumed to meet the detector (row, column), and why.

    DICOM has no attribute for it. A collimator's leaves move alike about the central ray, so the
    centre of the collimated field is the best guess; next the centre of the detector, to which
    the tube is centred in a stand; then the centre of the image.
    """
    if collimator is not None:
        centre = _collimator_centre(shape, collimator)
        if centre is not None:
            return centre, (
                "The central ray is assumed to meet the detector at the centre of the collimated "
                f"field, row {centre[0]:.1f}, column {centre[1]:.1f}."
            )
    if field is not None and pitch_mm is not None:
        centre = _detector_centre(shape, field, pitch_mm)
        if all(-n <= c <= 2 * n for c, n in zip(centre, shape, strict=True)):
            return centre, (
                "The central ray is assumed to meet the detector at the centre of its active area, "
                f"row {centre[0]:.1f}, column {centre[1]:.1f} (from the field of view attributes)."
            )
    note = "The central ray is assumed to meet the detector at the centre of the image"
    if collimator is not None or field is not None:
        note += "; the collimator or field of view attributes do not tell a better place"
    return image_centre(shape), note + "."


def _collimator_centre(shape: tuple[int, int], collimator: Collimator) -> Pair | None:
    if collimator.edges is None:
        if collimator.centre is None:
            return None
        row, column = collimator.centre
        inside = 1 <= row <= shape[0] and 1 <= column <= shape[1]
        return (row - 1, column - 1) if inside else None
    left, right, upper, lower = collimator.edges
    if not (left < right and upper < lower):
        return None
    # An edge written at the image's own border may have been cut off there; unless its opposite
    # is at the border too, the middle of the two is not the middle of the field.
    for first, last, size in ((left, right, shape[1]), (upper, lower, shape[0])):
        if (first in (0, 1)) != (last in (size, size + 1)):
            return None
    centre = (upper + lower) / 2 - 1, (left + right) / 2 - 1
    return centre if all(0 <= c < n for c, n in zip(centre, shape, strict=True)) else None


def _detector_centre(shape: tuple[int, int], field: FieldOfView, pitch_mm: Pair) -> Pair:
    # Distances from the top left corner of the image as it lay on the detector, mm.
    from_corner = [
        (active - cut) * element + size / 2
        for active, cut, element, size in zip(
            field.active_origin, field.origin, field.element_mm, field.active_mm, strict=True
        )
    ]
    quarter = field.rotation_deg // 90
    pitch = pitch_mm if quarter % 2 == 0 else pitch_mm[::-1]
    rows, columns = shape if quarter % 2 == 0 else shape[::-1]
    row, column = (distance / step for distance, step in zip(from_corner, pitch, strict=True))
    for _ in range(quarter):
        # Turned clockwise by a quarter, the top row becomes the last column.
        row, column = column, rows - row
        rows, columns = columns, rows
    if field.flipped:
        column = columns - column
    # From the corner of the first pixel to its centre.
    return row - 0.5, column - 0.5
