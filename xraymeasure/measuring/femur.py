"""Leg length, offsets and the position of the femur.

Frame: millimetres in the plane of the index hip centre, turned so that the reference line lies
along x (patient's left); y is caudal, the origin is the middle of the reference line. Points have
shape ``(2, ...)``; `lateral_sign` is 1 for a left hip and -1 for a right one.
"""

from __future__ import annotations

import numpy as np


def signed_distance(point: np.ndarray, on_line: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Return the distance of a point from a line.

    Positive to the right hand of its direction, as seen with x to the right and y down.
    """
    dx, dy = point - on_line
    return direction[0] * dy - direction[1] * dx


def femoral_offset_mm(
    hip_centre: np.ndarray, on_shaft: np.ndarray, shaft: np.ndarray, lateral_sign: int
) -> np.ndarray:
    """Return the distance from the hip centre to the axis of the shaft.

    Parameters
    ----------
    hip_centre, on_shaft : numpy.ndarray, shape (2, ...)
    shaft : numpy.ndarray, shape (2, ...)
        Unit direction of the shaft, distally.
    lateral_sign : {1, -1}

    Returns
    -------
    numpy.ndarray
        Positive when the hip centre lies medial of the axis.

    Examples
    --------
    >>> femoral_offset_mm(np.array([80, 0]), np.array([120, 50]), np.array([0, 1]), 1)
    np.int64(40)
    """
    return lateral_sign * signed_distance(hip_centre, on_shaft, shaft)


def neutral_leg_length_mm(
    hip_centre: np.ndarray, trochanter: np.ndarray, shaft: np.ndarray
) -> np.ndarray:
    """Return how far caudal of the reference line the lesser trochanter of a neutral femur lies.

    Neutral: turned about the hip centre until its shaft stands perpendicular to the line.

    A femur abducted by alpha carries its trochanter up by about e sin(alpha), e being the
    trochanter's distance from the axis through the hip centre (references: 1.1 mm at 2 degrees).
    """
    return hip_centre[1] + ((trochanter - hip_centre) * shaft).sum(axis=0)


def abduction_deg(direction: np.ndarray, lateral_sign: int) -> np.ndarray:
    """Return the angle of a distal direction to the long axis, positive in abduction.

    Examples
    --------
    >>> print(abduction_deg(np.array([-1.0, 1.0]), -1))
    45.0
    """
    return np.degrees(np.arctan2(lateral_sign * direction[0], direction[1]))


def neck_shaft_angle_deg(neck: np.ndarray, stem: np.ndarray) -> np.ndarray:
    """Return the angle between the neck, towards the head, and the stem, distally.

    Examples
    --------
    >>> print(neck_shaft_angle_deg(np.array([-1.0, -1.0]), np.array([0.0, 1.0])).round(6))
    135.0
    """
    cross = neck[0] * stem[1] - neck[1] * stem[0]
    return np.degrees(np.arctan2(np.abs(cross), (neck * stem).sum(axis=0)))


def neck_rotation_deg(projected_deg: np.ndarray, true_deg: np.ndarray) -> np.ndarray:
    """Return the rotation of the neck out of the film's plane, without sign.

    cos(rho) = tan(projected) / tan(true): a turned neck projects a larger neck-shaft angle
    (Weber M et al., Bone Joint J 2015;97-B:306). Zero where the projected angle is smaller than
    the true one, which a turn cannot do.

    Examples
    --------
    >>> print(neck_rotation_deg(139.11, 135.0).round(1))
    30.0
    """
    cosine = np.tan(np.radians(projected_deg)) / np.tan(np.radians(true_deg))
    return np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
