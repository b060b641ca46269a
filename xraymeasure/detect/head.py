"""The prosthetic head: its centre and how large it is seen, by the thickness of a sphere.

The steepest edge of a sphere's shadow lies inside its outline, because the thickness grows from
zero: the diameter comes out 0.2 to 0.9 % small. So only the centre is taken from the edge; the
size is that of the sphere whose thickness, attenuated, blurred and toned, gives the profile seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xraymeasure.detect.candidates import Candidate
from xraymeasure.detect.field import Field, Plate
from xraymeasure.errors import MeasureError
from xraymeasure.geometry.projection import fit_sphere_outline

_ANGLES = 180
_WINDOWS_MM = ((4.5, 2.0, 1.2), (1.5, 1.2, 0.8), (2.0, 1.0, 0.5))
"""How far from the outline edges are looked for, in turn; nearer where others mislead."""
_ALONG_MM = 0.1
_NECK_HALF_RAD, _NECK_HALF_MM = np.radians(38.0), 9.5
"""Left out about the neck; the second where little else of the outline is seen."""
_ROUNDEST_MM, _ROUNDEST_IN_WHITE_MM = 0.11, 0.22
"""Uncertainty of a head's centre by the scatter of its edge: prosthetic heads 0.10 and less, but
0.2 where bone hides most of a white one; circles of bone clipped to white 0.12 and more (rendered
films)."""
_PROFILE_MM = (-1.8, 1.6)
_CLEAN_SHARE = 0.5
"""Of the sectors, those whose profiles are most alike are taken."""
_STEP_MM = 0.05
"""Of profiles."""
_LEAST_SEEN, _CLIPPED_PROFILE, _WHOLE_PROFILE = 0.1, 0.37, 0.6
_DENSE = 0.15
"""Attenuation per mm on the detector, above that of ceramics."""
_SD, _DENSE_SD, _CLIPPED_SD = 0.0013, 0.0025, 0.004
"""Relative standard uncertainty of the radius: of ceramic heads, of metal ones (two on films of
another program came out 0.4 and 0.6 % large), and where white begins just inside the outline; from
the errors on rendered films."""
_SHORT_SD, _SHORT_SECTORS = 0.0045, 0.27
"""Where white begins there and as little of the outline is seen; it grows with the arc's square:
89 rendered heads 1.2 % below a fifth, 0.4 % about a quarter (root mean square)."""
_INTERPOLATED = 6.0**-0.5
"""Spread of the triangle by which greys between pixels are interpolated, over their distance."""
_PRIOR_WEIGHT = 0.02
"""Misfit, over the height of the profile, that weighs as much as one spread of a prior."""


@dataclass(frozen=True)
class Head:
    """The sphere's cone with its tip in the tube.

    Attributes
    ----------
    x_mm, y_mm : float
        Where the line from the tube through the centre meets the detector.
    radius_mm : float
        Tangent of the cone's half-angle times the distance from tube to detector.
    centre_sd_mm, radius_sd_mm : float
        Standard uncertainties; of the centre in each direction.
    sectors : float
        Share of the outline that was used; 0 where only a silhouette told.
    misfit : float
        Root mean square of what the profile's model leaves, over the height of the profile.
    seen : float
        Share of the profile that is not clipped to white, its ends counted half.
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    centre_sd_mm: float
    radius_sd_mm: float
    sectors: float
    misfit: float
    seen: float


def find_head(plate: Plate, candidate: Candidate) -> Head | None:
    """Return the head at a candidate, or None where no round circle is clearly seen.

    Parameters
    ----------
    plate : Plate
    candidate : Candidate
    """
    x, y = candidate.x_mm, candidate.y_mm
    reach = candidate.radius_mm + _WINDOWS_MM[0][0] + 2.0
    field = plate.field(0.15, (x - reach, x + reach, y - reach, y + reach))
    height = plate.source_detector_mm
    start = np.array([x, y, candidate.radius_mm])
    turns = np.linspace(-np.pi, np.pi, _ANGLES, endpoint=False)
    off_neck = np.abs(_wrapped(turns - candidate.neck_rad))
    narrow = np.arcsin(min(_NECK_HALF_MM / candidate.radius_mm, 1.0))
    centre_sd = np.inf
    for half, windows in zip((_NECK_HALF_RAD, narrow, narrow), _WINDOWS_MM, strict=True):
        fitted = _cone(field, start, turns[off_neck > half], windows, height)
        if fitted is not None:
            sd = float(np.hypot(fitted[2] * np.trace(fitted[1][:2, :2]) ** 0.5, 0.02))
            if sd < centre_sd:
                centre_sd, (cone, covariance, spread, used) = sd, fitted
        if centre_sd < _ROUNDEST_MM or (fitted is not None and not candidate.in_white):
            break
    if centre_sd > (_ROUNDEST_IN_WHITE_MM if candidate.in_white else _ROUNDEST_MM):
        return None
    correction, misfit, seen, relative_sd = _size(field, cone, used, height)
    radius = float(cone[2] + correction)
    return Head(
        float(cone[0]),
        float(cone[1]),
        radius,
        centre_sd,
        float(np.hypot(radius * relative_sd, spread * covariance[2, 2] ** 0.5)),
        len(used) / _ANGLES,
        misfit,
        seen,
    )


def _cone(
    field: Field,
    start: np.ndarray,
    turns: np.ndarray,
    windows: tuple[float, ...],
    height: float,
) -> tuple[np.ndarray, np.ndarray, float, np.ndarray] | None:
    """Return the cone through the edges within narrower and narrower windows, or None.

    With its unit covariance, the scatter of the edges, and the directions that were used.
    """
    cone, spread, used, fit = start, 0.0, turns, None
    for window in windows:
        points, strength = _edge(field, cone, turns, window, height)
        keep = strength > 0.35 * np.percentile(strength, 80)
        try:
            for _ in range(4):
                if keep.sum() < 12:
                    return None
                fit = fit_sphere_outline(points[keep], cone, height)
                cone = fit.parameters
                off = np.abs(np.hypot(*(points - cone[:2]).T) - _outline(cone, turns, height))
                spread = max(1.4826 * float(np.median(off[keep])), 0.02)
                # Sectors where the shell's rim or the neck is steeper than the head stay out.
                keep = (off < 3.0 * spread) & (strength > 0.2 * np.percentile(strength, 80))
        except MeasureError:
            return None
        used = turns[keep]
        if np.hypot(*(cone[:2] - start[:2])) > 4.0 or not 9.0 < cone[2] < 35.0:
            return None
    assert fit is not None
    return cone, fit.unit_covariance, spread, used


def _wrapped(angle: np.ndarray) -> np.ndarray:
    return (angle + np.pi) % (2.0 * np.pi) - np.pi


def _outline(cone: np.ndarray, turns: np.ndarray, height: float) -> np.ndarray:
    """Return the distance from the cone's axis to the outline on the detector, in each direction.

    The outline is an ellipse, longer along the line from the beam's foot: a tilted cut of the
    cone, to second order in its half-angle.
    """
    x, y, scaled = cone
    off = np.hypot(x, y)
    slant = off / height
    away = np.cos(turns - np.arctan2(y, x))
    tangent = scaled / height
    # Distance to the outline on the ray from the axis, exact for a cone about a slanted axis.
    across = scaled * np.sqrt(1.0 + slant**2)
    stretch = 1.0 / np.sqrt(1.0 - away**2 * slant**2 / (1.0 + slant**2))
    shift = tangent * slant * np.sqrt(1.0 + slant**2) * away * scaled * stretch**2
    found: np.ndarray = across * stretch + shift
    return found


def _edge(
    field: Field, cone: np.ndarray, turns: np.ndarray, window: float, height: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the steepest fall of grey on each ray out of the centre, and how steep it is."""
    offsets = np.arange(-window, window + _ALONG_MM, _ALONG_MM)
    away = _outline(cone, turns, height)[:, None] + offsets
    grey = field.at(
        cone[0] + away * np.cos(turns)[:, None], cone[1] + away * np.sin(turns)[:, None]
    )
    from scipy.ndimage import gaussian_filter1d

    fall = -gaussian_filter1d(np.nan_to_num(grey), 2.5, axis=1, order=1)
    fall[:, :3] = fall[:, -3:] = 0.0
    best = np.clip(fall.argmax(axis=1), 1, fall.shape[1] - 2)
    rows = np.arange(len(turns))
    before, at, after = (fall[rows, best + step] for step in (-1, 0, 1))
    bend = before - 2.0 * at + after
    part = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    distance = away[rows, best] + _ALONG_MM * np.clip(part, -1.0, 1.0)
    points = cone[:2] + distance[:, None] * np.stack([np.cos(turns), np.sin(turns)], axis=1)
    return points, np.maximum(at, 0.0)


def _size(
    field: Field, cone: np.ndarray, turns: np.ndarray, height: float
) -> tuple[float, float, float, float]:
    """Return what the radius lacks, the model's misfit, how much is seen, and a relative spread."""
    from scipy.optimize import least_squares

    offsets = np.arange(_PROFILE_MM[0], _PROFILE_MM[1] + 0.025, 0.05)
    away = _outline(cone, turns, height)[:, None] + offsets
    grey = field.at(
        cone[0] + away * np.cos(turns)[:, None], cone[1] + away * np.sin(turns)[:, None]
    )
    whole = np.isfinite(grey).all(axis=1)
    profile = _mean_profile(grey[whole]) if whole.sum() >= 8 else None
    if profile is None:
        return 0.0, 1.0, 0.0, _CLIPPED_SD
    white = field.clipped_at(
        cone[0] + away * np.cos(turns)[:, None], cone[1] + away * np.sin(turns)[:, None]
    )
    # Where the film is as white as it can be, the profile says nothing.
    weight = np.where(np.abs(offsets) < 1.2, 1.0, 0.5) * (white.mean(axis=0) < 0.02)
    seen = float(weight.mean())
    if seen < _LEAST_SEEN:
        return 0.0, 1.0, seen, _CLIPPED_SD
    model = _Profile(offsets, float(cone[2]), profile, weight, max(field.pitch_mm))
    fit = least_squares(
        lambda p: model.residuals(p[None])[0],
        [0.1, np.log(0.2), 0.2, 0.15, np.log(0.8)],
        model.slopes,
        bounds=(
            [-0.2, np.log(0.01), 0.003, 0.05, np.log(0.3)],
            [0.6, np.log(1.5), 1.0, 0.6, np.log(2.0)],
        ),
        x_scale=[0.1, 0.5, 0.1, 0.1, 0.5],
        max_nfev=40,
    )
    left = model.residuals(fit.x[None])[0, : len(offsets)]
    spread = _DENSE_SD if fit.x[1] > np.log(_DENSE) else _SD
    if seen < _CLIPPED_PROFILE:
        spread = _CLIPPED_SD
    if seen < _WHOLE_PROFILE:
        spread = max(spread, _SHORT_SD * (_SHORT_SECTORS * _ANGLES / len(turns)) ** 2)
    return float(fit.x[0]), float(np.sqrt(np.mean(left**2))), seen, spread


def _mean_profile(grey: np.ndarray) -> np.ndarray:
    """Return the profile common to the sectors that are most alike.

    Bone and shell over the edge change a sector's offset and, where the film's tone is curved, its
    height; both are taken out before profiles are compared.
    """
    centre = np.median(grey, axis=0)
    for _ in range(3):
        basis = np.stack([np.ones_like(centre), centre], axis=1)
        coefficients = np.linalg.lstsq(basis, grey.T, rcond=None)[0]
        gain = coefficients[1]
        left = grey - (basis @ coefficients).T
        rough = np.sqrt((left**2).mean(axis=1)) / np.maximum(np.abs(gain), 1e-3)
        clear = gain > max(0.3 * np.median(gain), 1e-3)
        if not clear.any():
            break
        # Where most sectors fall to no common profile, the quantile is infinite.
        least = np.quantile(np.where(clear, rough, np.inf), _CLEAN_SHARE, method="lower")
        chosen = clear & (rough <= least)
        aligned = (grey[chosen] - coefficients[0, chosen, None]) / gain[chosen, None]
        centre = aligned.mean(axis=0)
    found: np.ndarray = centre
    return found


@dataclass(frozen=True, eq=False)
class _Profile:
    """Chord of a sphere -> exposure -> blur -> logarithm with scatter -> tone, along a radius.

    Parameters of a row: mm to be added to the radius, log attenuation per mm on the detector,
    scatter, blur (mm), log width of the sharpening (mm). Tone (offset, slope of the ground, gain,
    curvature, one sharpening term) enters linearly and is solved inside. All have weak priors, the
    tone's as further rows of the linear system: working values.
    """

    offsets: np.ndarray
    radius: float
    profile: np.ndarray
    weight: np.ndarray
    pitch_mm: float

    def slopes(self, p: np.ndarray) -> np.ndarray:
        """Return the slope of the residual in each parameter."""
        steps = np.array([1e-4, 1e-3, 1e-4, 1e-4, 1e-3])
        several = self.residuals(np.concatenate([p[None], p + np.diag(steps)]))
        found: np.ndarray = ((several[1:] - several[0]) / steps[:, None]).T
        return found

    def residuals(self, several: np.ndarray) -> np.ndarray:
        """Return what the best tone leaves of the profile's height, and priors, for each row."""
        extra, log_mu, scatter, blur, log_sharp = several.T[:, :, None]
        margin = np.arange(-4.0, 4.001, _STEP_MM)
        # The chord has a corner at the outline: exposures are averaged over each step.
        fine = (margin[:, None] + _STEP_MM * np.arange(-0.4, 0.41, 0.2)).ravel()
        inside = np.maximum((self.radius + extra) ** 2 - (self.radius + fine) ** 2, 0.0)
        passed = np.exp(-np.exp(log_mu) * 2.0 * np.sqrt(inside))
        passed = _smoothed(passed.reshape(len(several), len(margin), -1).mean(axis=2), blur)
        density = -np.log((passed + scatter) / (1.0 + scatter))
        # Between pixels logarithms are interpolated, not exposures.
        density = _smoothed(density, _INTERPOLATED * self.pitch_mm)
        sharp = density - _smoothed(density, np.exp(log_sharp))
        first = round(float(self.offsets[0] - margin[0]) / _STEP_MM)
        part = slice(first, first + len(self.offsets))
        height = np.ptp(density[:, part], axis=1)[:, None]
        density, sharp = density[:, part] / height, sharp[:, part] / height
        level = np.ones_like(density)
        columns = [level, level * self.offsets, density, density**2 - density, sharp]
        usual, spread = np.array([0.0, 0.0, 0.0, 0.0, 0.5]), np.array([0.01, 0.1, 0.6])
        priors = np.zeros((len(several), 3, 5))
        priors[:, range(3), (1, 3, 4)] = _PRIOR_WEIGHT / spread
        basis = np.stack(columns, axis=2) * self.weight[:, None]
        basis = np.concatenate([basis, priors], axis=1)
        shown = self.weight * self.profile / max(float(np.ptp(self.profile)), 1e-6)
        wanted = np.concatenate([shown, priors[0] @ usual])
        orthogonal, _ = np.linalg.qr(basis)
        fitted = orthogonal @ (orthogonal.transpose(0, 2, 1) @ wanted)[..., None]
        off = [
            (extra - 0.14) / 0.12,
            (log_mu - np.log(0.2)),
            (scatter - 0.5) / 0.25,
            (blur - np.hypot(0.1, 0.2 * self.pitch_mm)) / 0.04,
            (log_sharp + 0.2) / 0.4,
        ]
        return np.concatenate([wanted - fitted[..., 0], _PRIOR_WEIGHT * np.hstack(off)], axis=1)


def _smoothed(rows: np.ndarray, sigma_mm: np.ndarray | float) -> np.ndarray:
    """Return rows blurred by Gaussians, mirrored at their ends."""
    from scipy.fft import dct, idct

    count = rows.shape[1]
    damped = np.exp(-0.5 * (np.pi / (count * _STEP_MM) * np.arange(count) * sigma_mm) ** 2)
    found: np.ndarray = idct(dct(rows, axis=1) * damped, axis=1)
    return found
