"""The point source: where a circle, a sphere or a point in space lands on the detector, and back.

Frame: patient frame on the film in mm. x to the patient's left, y caudal, z toward the tube; the
origin is where the central ray meets the detector and the tube stands at
``(0, 0, source_detector_mm)``. Detector points are ``(x, y)``. Every function takes any number of
draws: the last axis of each array, which may be missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xraymeasure.errors import MeasureError
from xraymeasure.geometry.least_squares import (
    Fit,
    Model,
    converge,
    place_among,
    refit,
    unlike_first,
)


def project(points_mm: np.ndarray, source_detector_mm: float) -> np.ndarray:
    """Return where points in space land on the detector.

    Parameters
    ----------
    points_mm : array_like, shape (3,) or (3, n)
        Patient frame.
    source_detector_mm : float
        Height of the tube.

    Returns
    -------
    numpy.ndarray, shape (2,) or (2, n)

    See Also
    --------
    circle_poses, sphere_centre_mm : Back from an outline into space.

    Examples
    --------
    A point 150 mm above the detector, tube at 1150 mm: magnified by 1.15.

    >>> project([100.0, 0.0, 150.0], 1150.0)
    array([115.,   0.])
    """
    x, y, z = np.asarray(points_mm, dtype=float)
    magnification = source_detector_mm / (source_detector_mm - z)
    return np.stack([x * magnification, y * magnification])


@dataclass(frozen=True, eq=False)
class Poses:
    """The two circles in space that cast one elliptical outline.

    They differ in the direction of the axis; on one film nothing else tells them apart. The
    first is the one whose opening faces the tube.

    Attributes
    ----------
    axis : numpy.ndarray, shape (2, 3, ...)
        Unit normal of the circle's plane, on the caudal and lateral side, for each of the two.
    centre_over_radius : numpy.ndarray, shape (2, 3, ...)
        From the tube to the circle's centre, in radii of the circle.
    facing : numpy.ndarray, shape (2, ...)
        Sine of the angle by which the opening faces the tube (first: not negative).
    """

    axis: np.ndarray
    centre_over_radius: np.ndarray
    facing: np.ndarray

    def centre_mm(self, radius_mm: float, source_detector_mm: float) -> np.ndarray:
        """Return the circle's centre in the patient frame, shape (2, 3, ...)."""
        centre = self.centre_over_radius * radius_mm
        centre[:, 2] = centre[:, 2] + source_detector_mm
        return centre


def circle_poses(
    ellipse: np.ndarray, source_detector_mm: float | np.ndarray, lateral_sign: int
) -> Poses:
    """Return the circles in space whose outline on the detector is `ellipse`.

    The outline and the tube make an elliptical cone; the planes that cut it in circles follow
    from the eigenvalues l1 >= l2 > 0 > l3 of its matrix. Their normals are
    ``+-sqrt((l1-l2)/(l1-l3)) e1 +- sqrt((l2-l3)/(l1-l3)) e3`` (derived; the same closed form is
    in Chen Q, Wu H, Wada T, Camera calibration with two arbitrary coplanar circles, ECCV 2004,
    cited from memory). The five numbers of an ellipse fix direction (2), axis (2) and ratio of
    distance to radius (1) of the circle: the ellipse that fits the points best therefore belongs
    to the circle that fits them best, and no further refinement is needed.

    Parameters
    ----------
    ellipse : numpy.ndarray, shape (5,) or (5, draws)
        x, y, half-axes a >= b, angle of a to x in radians; mm on the detector.
    source_detector_mm : float or numpy.ndarray, shape (draws,)
        Height of the tube.
    lateral_sign : {1, -1}
        Where lateral is: 1 for a left hip (x), -1 for a right one.

    See Also
    --------
    xraymeasure.geometry.ellipses.fit_ellipse : The outline.
    xraymeasure.geometry.cup_angles.angles_of_axis : The angles of a pose.
    """
    ellipse, height = np.asarray(ellipse), np.asarray(source_detector_mm)
    # Worked out in double precision, where a flat outline has few digits to lose.
    cones = np.empty((6, *np.broadcast_shapes(ellipse.shape[1:], height.shape)))
    cones[:5], cones[5] = ellipse, height
    if cones.ndim == 1 or (new := unlike_first(cones)).all():
        found = _poses(cones, lateral_sign)
    else:
        # To first order most outlines are the first one, and in a drag those of a moment ago.
        found = _kept_poses(cones[:, new].tobytes(), lateral_sign)
        place = place_among(new)
        found = tuple(each[..., place] for each in found)
    return Poses(*(each.astype(np.result_type(ellipse, np.float32), copy=False) for each in found))


@lru_cache(maxsize=8)
def _kept_poses(cones: bytes, lateral_sign: int) -> tuple[np.ndarray, ...]:
    return _poses(np.frombuffer(cones).reshape(6, -1), lateral_sign)


def _poses(cones: np.ndarray, lateral_sign: int) -> tuple[np.ndarray, ...]:
    """Return what `Poses` holds, of ellipses with the height of the tube as a sixth row."""
    x, y, a, b, angle, height = cones
    # A flat outline is a cone without inside; the floor is far below any placing spread.
    b = np.maximum(b, 1e-7 * a)
    cos, sin = np.cos(angle), np.sin(angle)
    p, q = b / a, a / b
    # The cone in rays v from the tube; a ray meets the detector at (vx, vy) * height / -vz.
    xx, yy, xy = p * cos**2 + q * sin**2, p * sin**2 + q * cos**2, (p - q) * cos * sin
    fx, fy = xx * x + xy * y, xy * x + yy * y
    xz, yz, zz = fx / height, fy / height, (fx * x + fy * y - a * b) / height**2
    # Its cofactors (inverse times determinant), written without the cancellation of a flat outline.
    kxx = (x * x - (a * cos) ** 2 - (b * sin) ** 2) / height**2
    kyy = (y * y - (a * sin) ** 2 - (b * cos) ** 2) / height**2
    kxy = (x * y - (a * a - b * b) * cos * sin) / height**2
    kxz, kyz = -x / height, -y / height
    determinant = -a * b / height**2
    # l1 is the largest root of the characteristic polynomial (Viete's cosine), l2 and l3 follow
    # from their sum and product: no digit is lost where l2 and l3 are small.
    mean, second = (xx + yy + zz) / 3.0, kxx + kyy + 1.0
    # The floors below only meet rounding, and outlines that are flat to the last digit.
    spread = np.sqrt(np.maximum(mean * mean - second / 3.0, 1e-300))
    cosine = (mean * (mean * mean - second / 2.0) + determinant / 2.0) / spread**3
    l1 = mean + 2.0 * spread * np.cos(np.arccos(np.clip(cosine, -1.0, 1.0)) / 3.0)
    product = determinant / l1
    half = (second - product) / (2.0 * l1)
    l2 = half + np.sqrt(np.maximum(half * half - product, 0.0))
    # Cone - l2 is a pair of planes. Minus its cofactors are e e', with e along the line that the
    # planes share, and adding or taking away [e]x leaves the product of the two normals
    # (Richter-Gebert J, Perspectives on Projective Geometry, Springer 2011, 11.1; from memory).
    mxx, myy = xx - l2, yy - l2
    exx = -(kxx + l2 * (xx - 3.0 * mean) + l2 * l2)
    eyy = -(kyy + l2 * (yy - 3.0 * mean) + l2 * l2)
    exy, exz, eyz = -(kxy + l2 * xy), -(kxz + l2 * xz), -(kyz + l2 * yz)
    along_x, on_x = exx > eyy, mxx > myy
    root = 1.0 / np.sqrt(np.maximum(np.where(along_x, exx, eyy), 1e-300))
    ex, ey = root * np.where(along_x, exx, exy), root * np.where(along_x, exy, eyy)
    ez = root * np.where(along_x, exz, eyz)
    axes = np.stack(
        [
            np.stack(
                [
                    np.where(on_x, mxx, xy - sign * ez),
                    np.where(on_x, xy + sign * ez, myy),
                    np.where(on_x, xz - sign * ey, yz + sign * ex),
                ]
            )
            for sign in (1.0, -1.0)
        ]
    )
    axes /= np.sqrt((axes**2).sum(axis=1, keepdims=True))
    # The opening looks caudally and laterally: this fixes the sign of the axis.
    axes *= np.where(axes[:, :1] * lateral_sign + axes[:, 1:2] < 0, -1.0, 1.0)
    # The inverse cone applied to the normal points at the centre c: Q c is parallel to n, and a
    # point of the circle, c + R u, lies on the cone, so c'Qc = -R^2 l2.
    nx, ny, nz = axes[:, 0], axes[:, 1], axes[:, 2]
    centres = np.stack(
        [
            kxx * nx + kxy * ny + kxz * nz,
            kxy * nx + kyy * ny + kyz * nz,
            kxz * nx + kyz * ny + nz,
        ],
        axis=1,
    )
    form = determinant * (centres * axes).sum(axis=1, keepdims=True)
    centres *= np.sqrt(np.maximum(-l2 / np.minimum(form, -1e-300), 0.0))
    centres *= np.where(centres[:, 2:] > 0, -1.0, 1.0)
    facing = -(axes * centres).sum(axis=1) / np.sqrt((centres**2).sum(axis=1))
    swap = facing[0] < facing[1]
    return tuple(np.where(swap, pair[::-1], pair) for pair in (axes, centres, facing))


@lru_cache(maxsize=8)
def _sphere_model(height: float) -> Model:
    """Return the model of a sphere's outline.

    Parameters: x, y of its axis on the detector; tangent of the half-angle under which it is
    seen, scaled to mm on the detector.
    """

    def model(points: np.ndarray, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        cx, cy, scaled = p
        x, y = points[:, 0], points[:, 1]
        dx, dy, twist = x - cx, y - cy, x * cy
        twist -= y * cx
        across = dx * dx
        across += dy * dy
        across *= height**2
        across += twist * twist
        np.sqrt(across, out=across)
        along = x * cx
        along += y * cy
        along += height**2
        tangent = across / along
        jacobian = np.full((3, *tangent.shape), -1.0, tangent.dtype)
        for slope, off, turned, place in (
            (jacobian[0], dx, -twist * y, x),
            (jacobian[1], dy, twist * x, y),
        ):
            np.multiply(off, -(height**2), out=slope)
            slope += turned
            slope /= across
            slope -= tangent * place
            slope *= height
            slope /= along
        tangent *= height
        tangent -= scaled
        return tangent, jacobian

    return model


def fit_sphere_outline(points: np.ndarray, start: np.ndarray, source_detector_mm: float) -> Fit:
    """Return the cone, with its tip in the tube, that touches the sphere whose outline is given.

    Under a point source the outline of a sphere is an ellipse, longer in the direction of the
    beam's foot, and its centre is not the projection of the sphere's centre.

    Parameters
    ----------
    points : numpy.ndarray, shape (n, 2)
        Outline on the detector, mm, at least three points.
    start : array_like, shape (3,)
        Circle through the outline: x, y, radius.
    source_detector_mm : float
        Height of the tube.

    Returns
    -------
    Fit
        Parameters: x, y where the line from the tube through the sphere's centre meets the
        detector; tangent of the cone's half-angle times `source_detector_mm`.

    Raises
    ------
    MeasureError
        If the points do not determine it.

    See Also
    --------
    sphere_centre_mm : Where the sphere lies.
    refit_sphere_outline : Many noisy copies at once.
    """
    if np.ptp(points, axis=0).max() > source_detector_mm:
        raise MeasureError("the outline is larger than the distance to the tube")
    return converge(
        _sphere_model(source_detector_mm), points, _sphere_start(start, source_detector_mm)
    )


def refit_sphere_outline(
    points: np.ndarray, start: np.ndarray, source_detector_mm: np.ndarray
) -> np.ndarray:
    """Refit many noisy copies, ``(n, 2, draws)``; one tube height for each or for all.

    See Also
    --------
    fit_sphere_outline : The start.
    """
    heights = np.broadcast_to(np.asarray(source_detector_mm, points.dtype), points.shape[2:])
    # Outlines seen from other heights are the same outlines on a detector scaled to one height.
    height = float(heights.mean())
    scale = height / heights
    scaled = refit(_sphere_model(height), points * scale, start, follows=True)
    return np.asarray(scaled / scale)


def _sphere_start(circle: np.ndarray, height: float) -> np.ndarray:
    x, y, radius = circle
    # The outline's radius across the beam's direction, as seen from the tube.
    return np.array([x, y, radius * height / np.hypot(height, np.hypot(x, y))])


def sphere_centre_mm(
    cone: np.ndarray, diameter_mm: float | np.ndarray, source_detector_mm: float | np.ndarray
) -> np.ndarray:
    """Return the centre of a sphere of known diameter from its cone, in the patient frame.

    Parameters
    ----------
    cone : numpy.ndarray, shape (3,) or (3, draws)
        As from `fit_sphere_outline`.
    diameter_mm, source_detector_mm : float or numpy.ndarray, shape (draws,)

    Returns
    -------
    numpy.ndarray, shape (3,) or (3, draws)

    See Also
    --------
    fit_sphere_outline : The cone.

    Examples
    --------
    A head of 32 mm whose outline is 18.4 mm about the beam's foot, the tube at 1150 mm.

    >>> sphere_centre_mm(np.array([0.0, 0.0, 18.4]), 32.0, 1150.0).round()
    array([  0.,   0., 150.])
    """
    x, y, scaled = cone
    tangent = scaled / source_detector_mm
    # radius = distance * sin(half-angle)
    distance = 0.5 * diameter_mm * np.sqrt(1.0 + 1.0 / tangent**2)
    ray = np.sqrt(x**2 + y**2 + source_detector_mm**2)
    share = distance / ray
    return np.stack([x * share, y * share, source_detector_mm * (1.0 - share)])
