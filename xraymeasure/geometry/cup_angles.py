"""Cup orientation: three definitions of inclination and anteversion, and the tilt of the pelvis.

Every function takes and returns degrees, takes scalars or arrays and broadcasts them. The
definitions are those of Murray DW, The definition and measurement of acetabular orientation,
J Bone Joint Surg Br 1993;75-B:228-232 (abstract read). All conversions go through the axis that
points out of the cup's opening, in the frame of its own hip: lateral, caudal, anterior. Both hips
are alike there.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from xraymeasure.vocabulary.landmarks import Side, lateral_sign

Angles: TypeAlias = tuple[np.ndarray, np.ndarray]
"""Inclination and anteversion in degrees, each of the broadcast shape of the arguments."""

Axis: TypeAlias = tuple[np.ndarray, ...]
"""Lateral, caudal and anterior component of an axis."""

# A direction in a plane is not determined when the axis stands on that plane; this is how short
# its projection may be (of a unit axis) before rounding decides the angle.
_SHORTEST_PROJECTION = 1e-12


def cup_axis(inclination_deg: ArrayLike, anteversion_deg: ArrayLike, side: Side) -> np.ndarray:
    """Return the unit axis out of the cup's opening, in the patient frame.

    Parameters
    ----------
    inclination_deg, anteversion_deg : array-like
        Radiographic angles; they broadcast.
    side : {"left", "right"}
        The hip.

    Returns
    -------
    numpy.ndarray, shape (..., 3)
        x to the patient's left, y caudal, z anterior (toward the tube on an AP film).

    See Also
    --------
    angles_of_axis : The inverse.

    Examples
    --------
    >>> cup_axis(45, 0, "right").round(4)
    array([-0.7071,  0.7071,  0.    ])
    """
    lateral, caudal, anterior = _from_radiographic(inclination_deg, anteversion_deg)
    axis = np.broadcast_arrays(lateral_sign(side) * lateral, caudal, anterior)
    return np.stack(axis, axis=-1)


def angles_of_axis(axis: ArrayLike, side: Side) -> Angles:
    """Return the radiographic angles of an axis in the patient frame; undoes `cup_axis`.

    Parameters
    ----------
    axis : array-like, shape (..., 3)
        Of any length but zero.
    side : {"left", "right"}
        The hip.

    Returns
    -------
    inclination_deg, anteversion_deg : numpy.ndarray
        Inclination from -180 to 180 and anteversion from -90 to 90. The inclination is NaN where
        the axis points straight forward or backward: it then has no direction in the coronal
        plane.

    See Also
    --------
    cup_axis : The inverse.
    """
    x, y, z = np.moveaxis(np.asarray(axis), -1, 0)
    return _to_radiographic(lateral_sign(side) * x, y, z)


def radiographic_to_operative(inclination_deg: ArrayLike, anteversion_deg: ArrayLike) -> Angles:
    """Return operative inclination and anteversion of a cup given radiographically.

    ``sin OI = sin RI cos RA`` and ``tan OA = tan RA / cos RI``. OA is NaN where the axis is the
    transverse one (RI 90, RA 0): it then has no direction in the sagittal plane.

    See Also
    --------
    operative_to_radiographic : The inverse.

    Examples
    --------
    >>> [round(float(angle), 2) for angle in radiographic_to_operative(40, 15)]
    [38.38, 19.28]
    """
    return _to_operative(*_from_radiographic(inclination_deg, anteversion_deg))


def radiographic_to_anatomical(inclination_deg: ArrayLike, anteversion_deg: ArrayLike) -> Angles:
    """Return anatomical inclination and anteversion of a cup given radiographically.

    ``cos AI = cos RI cos RA`` and ``tan AA = tan RA / sin RI``. AA is NaN where the axis is the
    longitudinal one (RI 0, RA 0): it then has no direction in the transverse plane.

    See Also
    --------
    anatomical_to_radiographic : The inverse.

    Examples
    --------
    >>> [round(float(angle), 2) for angle in radiographic_to_anatomical(40, 15)]
    [42.27, 22.63]
    """
    return _to_anatomical(*_from_radiographic(inclination_deg, anteversion_deg))


def operative_to_radiographic(inclination_deg: ArrayLike, anteversion_deg: ArrayLike) -> Angles:
    """Return radiographic inclination and anteversion of a cup given operatively.

    ``tan RI = tan OI / cos OA`` and ``sin RA = cos OI sin OA``. RI is NaN where the axis points
    straight forward or backward (OI 0, OA +-90).

    See Also
    --------
    radiographic_to_operative : The inverse.
    """
    return _to_radiographic(*_from_operative(inclination_deg, anteversion_deg))


def anatomical_to_radiographic(inclination_deg: ArrayLike, anteversion_deg: ArrayLike) -> Angles:
    """Return radiographic inclination and anteversion of a cup given anatomically.

    ``tan RI = tan AI cos AA`` and ``sin RA = sin AI sin AA``. RI is NaN where the axis points
    straight forward or backward (AI 90, AA +-90).

    See Also
    --------
    radiographic_to_anatomical : The inverse.
    """
    return _to_radiographic(*_from_anatomical(inclination_deg, anteversion_deg))


def along_line(x: np.ndarray, y: np.ndarray, line_rad: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Return what lies along and across a line that is turned by `line_rad` from x towards y.

    Parameters
    ----------
    x, y : numpy.ndarray
        Components in the patient frame on the film.
    line_rad : array-like
        Angle of the line, the reference line for example; its negative turns back.

    Returns
    -------
    along, across : numpy.ndarray

    Examples
    --------
    >>> along, across = along_line(1.0, 1.0, np.pi / 4)
    >>> print(along.round(4), across.round(4))
    1.4142 0.0
    """
    cos, sin = np.cos(line_rad), np.sin(line_rad)
    return cos * x + sin * y, cos * y - sin * x


def tilt_pelvis(
    inclination_deg: ArrayLike, anteversion_deg: ArrayLike, tilt_deg: ArrayLike
) -> Angles:
    """Return the radiographic angles of a cup after the pelvis has tipped backward.

    Parameters
    ----------
    inclination_deg, anteversion_deg : array-like
        Radiographic angles, to the anterior pelvic plane for example.
    tilt_deg : array-like
        Posterior tilt, about the transverse axis; it opens the cup. A negative tilt undoes it:
        the angles to the coronal plane become those to the anterior pelvic plane.

    Returns
    -------
    inclination_deg, anteversion_deg : numpy.ndarray
        To the coronal plane. Near 0 degrees of tilt, anteversion grows by cos RI and inclination
        by tan RA sin RI for each degree.

    Examples
    --------
    >>> [round(float(angle), 2) for angle in tilt_pelvis(40, 20, 10)]
    [42.92, 27.5]
    """
    lateral, caudal, anterior = _from_radiographic(inclination_deg, anteversion_deg)
    tilt = np.radians(np.asarray(tilt_deg, dtype=float))
    return _to_radiographic(
        lateral,
        caudal * np.cos(tilt) - anterior * np.sin(tilt),
        anterior * np.cos(tilt) + caudal * np.sin(tilt),
    )


def _sine_and_cosine(angle_deg: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    angle = np.radians(angle_deg)
    return np.sin(angle), np.cos(angle)


def _from_radiographic(inclination_deg: ArrayLike, anteversion_deg: ArrayLike) -> Axis:
    sin_i, cos_i = _sine_and_cosine(inclination_deg)
    sin_a, cos_a = _sine_and_cosine(anteversion_deg)
    return sin_i * cos_a, cos_i * cos_a, sin_a


def _from_operative(inclination_deg: ArrayLike, anteversion_deg: ArrayLike) -> Axis:
    sin_i, cos_i = _sine_and_cosine(inclination_deg)
    sin_a, cos_a = _sine_and_cosine(anteversion_deg)
    return sin_i, cos_i * cos_a, cos_i * sin_a


def _from_anatomical(inclination_deg: ArrayLike, anteversion_deg: ArrayLike) -> Axis:
    sin_i, cos_i = _sine_and_cosine(inclination_deg)
    sin_a, cos_a = _sine_and_cosine(anteversion_deg)
    return sin_i * cos_a, cos_i, sin_i * sin_a


def _to_radiographic(lateral: np.ndarray, caudal: np.ndarray, anterior: np.ndarray) -> Angles:
    inclination = _direction(lateral, caudal)
    return inclination, np.degrees(np.arctan2(anterior, np.hypot(lateral, caudal)))


def _to_operative(lateral: np.ndarray, caudal: np.ndarray, anterior: np.ndarray) -> Angles:
    inclination = np.degrees(np.arctan2(lateral, np.hypot(caudal, anterior)))
    return inclination, _direction(anterior, caudal)


def _to_anatomical(lateral: np.ndarray, caudal: np.ndarray, anterior: np.ndarray) -> Angles:
    inclination = np.degrees(np.arctan2(np.hypot(lateral, anterior), caudal))
    return inclination, _direction(anterior, lateral)


def _direction(opposite: np.ndarray, adjacent: np.ndarray) -> np.ndarray:
    angle = np.degrees(np.arctan2(opposite, adjacent))
    # The empty index gives a scalar back as a scalar, as numpy's own functions do.
    return np.where(np.hypot(opposite, adjacent) < _SHORTEST_PROJECTION, np.nan, angle)[()]
