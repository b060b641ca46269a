"""The part of a film that holds head and shell, and what they would show there.

Two balls cut by a plane, with a ring about the opening, are rendered from the tube (attenuation,
blur, scatter). What the film does to exposures (tone, sharpening, slow harmonising) and what lies
behind (soft tissue, bone) is given as columns that combine linearly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from xraymeasure.detect.field import Field
from xraymeasure.detect.render import (
    Beam,
    Rays,
    flange_length,
    half_chord,
    lip_length,
    shell_length,
)
from xraymeasure.geometry.cup_angles import angles_of_axis, cup_axis
from xraymeasure.vocabulary.landmarks import Side

U, V, RADIUS, WALL, INCLINATION, ANTEVERSION, FACE, SHELL, HEAD = range(9)
SCATTER, BLUR, FLANGE, LIP = range(9, 13)
"""Parameters: centre on the detector against the head's (mm), outer radius, wall (mm), angles
(degrees), how far the opening lies from the centre (mm), logarithms of the attenuation of shell and
head (per mm), scatter, blur (mm on the detector), how far a ring about the opening stands out (mm),
by how much the wall is raised on the cranial half (mm)."""

TONES, _OF_SCATTER = 6, 3
"""Columns of tone, which come first in a design, and of what scatters; see `design_of`."""
_GROUND_DEGREE = 4
"""Of the polynomial that stands for bone and soft tissue behind the shell. On rendered films the
inclination is 0.3 deg off (root mean square) by 2, 0.15 by 4, and 0.07 without bone."""
_CLIPPED_FROM, _ALL_WHITE_FROM = 0.1, 0.6
"""Share of white pixels: heads and thick shells alone come to 0.59 (rendered films)."""
_EDGE_MM, _BONE_GREYS, _WHITE_BONE = 1.5, (0.7, 0.95), 0.05
"""How far from white bone is as bright as it is, from which grey on white beside it may be bone,
where it is, and for how much it counts then (rendered films)."""
_NECK_HALF_MM = 13.0
"""Half the width of the strip about the neck that is left out, at the head."""


@dataclass(frozen=True, eq=False)
class CupScene:
    """The part of a film that holds head and cup, and the rays to it.

    Attributes
    ----------
    field : Field
    beam : Beam
    side : {"left", "right"}
    head_xy_mm : (x, y)
        Where the head's centre is seen.
    head_radius_mm, distance_mm : float
        Radius of the head in space, and how far its centre is from the tube.
    head_chord : numpy.ndarray, shape (rays, rows, columns)
        Length of each ray in the head.
    ground : numpy.ndarray, shape (pixels, terms)
        A polynomial in the plane, its terms by rising degree.
    used : tuple of numpy.ndarray
        Rows and columns of the pixels that are fitted.
    greys, white : numpy.ndarray
        Of these pixels, and whether they are as white as the film can be.
    counts : numpy.ndarray
        For how much each pixel counts; less where white may be bone.
    """

    field: Field
    beam: Beam
    side: Side
    head_xy_mm: tuple[float, float]
    head_radius_mm: float
    distance_mm: float
    head_chord: np.ndarray
    ground: np.ndarray
    used: tuple[np.ndarray, ...]
    greys: np.ndarray
    white: np.ndarray
    counts: np.ndarray

    @property
    def clipped(self) -> bool:
        """Whether so much of it is white that what is left to be explained is bone."""
        return float(self.white.mean()) > _CLIPPED_FROM

    @property
    def all_white(self) -> bool:
        """Whether the shell is white as well as the head, so that greys tell little."""
        return float(self.white.mean()) > _ALL_WHITE_FROM

    @property
    def told(self) -> float:
        """How much the white of it tells metal from bone, 0 to 1."""
        return float(self.counts[self.white].mean()) if self.white.any() else 1.0

    @property
    def magnification(self) -> float:
        """Of the plane of the head's centre."""
        height = self.beam.source_detector_mm
        return height / (height - float(self.centre(0.0, 0.0)[2]))

    def with_head(self, x_mm: float, y_mm: float, growth: float) -> CupScene:
        """Return the scene with the head so far from where it was, and e^growth times as large."""
        moved = replace(self, head_xy_mm=(self.head_xy_mm[0] + x_mm, self.head_xy_mm[1] + y_mm))
        rays = _past(self.beam, tuple(moved.centre(0.0, 0.0)), (0.0, 0.0, 1.0))
        radius = self.head_radius_mm * float(np.exp(growth))
        return replace(moved, head_radius_mm=radius, head_chord=2.0 * half_chord(rays.gap, radius))

    def centre(self, u: float, v: float) -> np.ndarray:
        """Return the centre of the shell in space, as far from the tube as the head's."""
        height = self.beam.source_detector_mm
        ray = np.array([self.head_xy_mm[0] + u, self.head_xy_mm[1] + v, -height])
        centre: np.ndarray = np.array([0.0, 0.0, height]) + ray * (
            self.distance_mm / np.linalg.norm(ray)
        )
        return centre


def scene(
    field: Field,
    source_detector_mm: float,
    side: Side,
    head_xy_mm: tuple[float, float],
    head_radius_mm: float,
    distance_mm: float,
    neck_rad: float,
    about_mm: tuple[float, float],
    reach_mm: float,
    may_be_bone: bool,
) -> CupScene:
    """Return the scene of a field: what lies within `reach_mm` of `about_mm` and off the neck.

    Where `may_be_bone`, white that lies beside bright bone counts for little.
    """
    beam = Beam.to(field, source_detector_mm, several=True)
    x, y = np.meshgrid(field.x_mm, field.y_mm)
    dx, dy = x - head_xy_mm[0], y - head_xy_mm[1]
    along = dx * np.cos(neck_rad) + dy * np.sin(neck_rad)
    across = dy * np.cos(neck_rad) - dx * np.sin(neck_rad)
    magnified = head_radius_mm * source_detector_mm / distance_mm
    neck = (along > 0.75 * magnified) & (np.abs(across) < _NECK_HALF_MM + 0.12 * along)
    near = np.hypot(x - about_mm[0], y - about_mm[1]) < reach_mm
    used = np.nonzero(near & ~neck)
    p, q = dx[used] / 40.0, dy[used] / 40.0
    powers = [(whole - k, k) for whole in range(_GROUND_DEGREE + 1) for k in range(whole + 1)]
    ground = np.stack([p**i * q**k for i, k in powers], axis=1)
    height = np.array([head_xy_mm[0], head_xy_mm[1], -source_detector_mm])
    centre = np.array([0.0, 0.0, source_detector_mm]) + height * (
        distance_mm / np.linalg.norm(height)
    )
    head = beam.past(centre, np.array([0.0, 0.0, 1.0]))
    return CupScene(
        field, beam, side, head_xy_mm, head_radius_mm, distance_mm,
        2.0 * half_chord(head.gap, head_radius_mm), ground, used,
        field.greys[used].astype(float), field.clipped[used],
        _counts(field)[used] if may_be_bone else np.ones(len(used[0])),
    )  # fmt: skip


def _counts(field: Field) -> np.ndarray:
    """Return for how much each pixel counts: a white one by how dark what lies beside it is."""
    from scipy.ndimage import distance_transform_edt

    counts = np.ones(field.greys.shape)
    if not field.clipped.any():
        return counts
    away = distance_transform_edt(~field.clipped, sampling=field.pitch_mm)
    beside, nearest = away > _EDGE_MM, np.zeros((2, 1, 1), dtype=int)
    if beside.any():
        nearest = distance_transform_edt(~beside, return_distances=False, return_indices=True)
    low, high = _BONE_GREYS
    rises = np.clip((field.greys[tuple(nearest)] - low) / (high - low), 0.0, 1.0)
    counts[field.clipped] = (1.0 + rises * (_WHITE_BONE - 1.0))[field.clipped]
    return counts


_SHAPE = [U, V, RADIUS, WALL, INCLINATION, ANTEVERSION, FACE, FLANGE, LIP]
"""The parameters that say where metal is."""


@lru_cache(maxsize=8)
def _past(beam: Beam, centre: tuple[float, ...], axis: tuple[float, ...]) -> Rays:
    """Return how rays pass a cup; kept, as most slopes are of what neither moves nor turns it."""
    return beam.past(np.array(centre), np.array(axis))


def _lengths(scene: CupScene, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each ray runs in the shell, and half as far in the whole ball where used."""
    axis, centre = cup_axis(p[INCLINATION], p[ANTEVERSION], scene.side), scene.centre(p[U], p[V])
    outer, face = float(p[RADIUS]), float(p[FACE])
    inner = max(outer - float(p[WALL]), 1.0)
    rays = _past(scene.beam, tuple(centre), tuple(axis))
    metal = shell_length(rays, outer, inner, face)
    if p[LIP]:
        cranial = np.array([0.0, -1.0, 0.0]) + axis[1] * axis
        up = _past(scene.beam, tuple(centre), tuple(cranial / np.linalg.norm(cranial)))
        metal += lip_length(rays, up, outer, inner, face, float(p[LIP]))
    if p[FLANGE]:
        metal += flange_length(rays, outer, float(p[FLANGE]), face)
    row, column = scene.used
    return metal, half_chord(rays.gap[0, row, column], outer)


def _blurred(pictures: np.ndarray, sigma: float, truncate: float = 3.0) -> np.ndarray:
    """Return a stack of pictures, each blurred, by Gaussians that are exact on a grid.

    Less than a pixel wide ones as well (Lindeberg T, IEEE Trans Pattern Anal Mach Intell
    1990;12:234-254; from memory).
    """
    from scipy.ndimage import correlate1d
    from scipy.special import ive

    reach = np.ceil(truncate * sigma)
    kernel = ive(np.abs(np.arange(-reach, reach + 1.0)), sigma**2)
    kernel /= kernel.sum()
    down = correlate1d(pictures, kernel, axis=1, mode="nearest")
    found: np.ndarray = correlate1d(down, kernel, axis=2, mode="nearest")
    return found


def whiteness(scene: CupScene, p: np.ndarray) -> np.ndarray:
    """Return how white metal makes each pixel, 0 to 1, on a film that is clipped to white.

    Half where 1 mm of a head is crossed, or 3 mm of a shell of usual attenuation: rendered films,
    no source.
    """
    from scipy.special import expit

    metal = 2.5 * float(np.exp(p[SHELL])) * _lengths(scene, p)[0] + 0.75 * scene.head_chord
    passed = _blurred(np.exp(-metal).mean(axis=0)[None], 0.5 / scene.field.pitch_mm[0])[0]
    found: np.ndarray = expit((0.5 - passed[scene.used]) / 0.12)
    return found


def _toned(scene: CupScene, several: np.ndarray) -> tuple[list[np.ndarray], np.ndarray]:
    """Return the columns that tone combines into greys, for each row of parameters.

    What lies behind dense metal is not seen: what reaches the film there is scatter.

    Parameters
    ----------
    several : numpy.ndarray, shape (n, parameters)

    Returns
    -------
    tone : list of numpy.ndarray, shape (n, pixels)
        Missing bone; the picture, which is the logarithm of the exposure, 0 without metal; its
        square; wide and narrow sharpening; slow harmonising.
    seen : numpy.ndarray, shape (n, pixels)
        How much of what lies behind is seen through the metal, 1 without metal.
    """
    pitch = scene.field.pitch_mm[0]
    known: dict[bytes, tuple[np.ndarray, np.ndarray]] = {}
    for p in several:
        if (key := p[_SHAPE].tobytes()) not in known:
            known[key] = _lengths(scene, p)
    lengths = [known[p[_SHAPE].tobytes()] for p in several]
    scatter = several[:, SCATTER, None, None].astype(np.float32)
    shell, head = np.exp(several[:, [SHELL, HEAD]].T[..., None, None, None]).astype(np.float32)
    passed = np.exp(-shell * np.array([metal for metal, _ in lengths]) - head * scene.head_chord)
    # A pixel of the field is a mean of greys, which are logarithms.
    passed = np.exp(np.log(passed + scatter[:, None]).mean(axis=1)) - scatter
    for blur in np.unique(several[:, BLUR]):
        same = several[:, BLUR] == blur
        passed[same] = _blurred(passed[same], blur / pitch)
    pictures = -np.log((passed + scatter) / (1.0 + scatter))
    row, column = scene.used
    here = pictures[:, row, column]
    wide = here - _blurred(pictures, 1.5 / pitch, 2.5)[:, row, column]
    narrow = here - _blurred(pictures, 0.5 / pitch)[:, row, column]
    slow = _blurred(pictures[:, ::4, ::4], 5.0 / pitch, 2.5)
    # Of the exposure, the part that is not scatter.
    seen = passed[:, row, column]
    seen = (1.0 + scatter[..., 0]) * seen / (seen + scatter[..., 0])
    # Bone is missing inside the ball.
    bone = seen * np.array([ball for _, ball in lengths]) / 25.0
    return [bone, here, here**2, wide, narrow, slow[:, row // 4, column // 4]], seen


def design_of(scene: CupScene, p: np.ndarray) -> np.ndarray:
    """Return the columns that are combined linearly into greys, shape (pixels, columns).

    Those of tone; a level and slope of what scatters; the ground as far as it is seen.
    """
    tone, seen = _toned(scene, p[None])
    behind = seen[0][:, None] * scene.ground[:, 1:]
    return np.column_stack([*(each[0] for each in tone), scene.ground[:, :_OF_SCATTER], behind])


def shown(scene: CupScene, several: np.ndarray, coefficients: np.ndarray) -> np.ndarray:
    """Return the greys of each row of parameters, shape (n, pixels), the linear part held."""
    tone, seen = _toned(scene, several)
    level = scene.ground[:, :_OF_SCATTER] @ coefficients[TONES : TONES + _OF_SCATTER]
    behind = scene.ground[:, 1:] @ coefficients[TONES + _OF_SCATTER :]
    found: np.ndarray = level + seen * behind
    for each, coefficient in zip(tone, coefficients[:TONES], strict=True):
        found += coefficient * each
    return found


def mirrored(scene: CupScene, p: np.ndarray) -> np.ndarray:
    """Return the other pose of the same circle: its axis mirrored at the line of sight."""
    axis = cup_axis(p[INCLINATION], p[ANTEVERSION], scene.side)
    ray = scene.centre(p[U], p[V]) - np.array([0.0, 0.0, scene.beam.source_detector_mm])
    ray = ray / np.linalg.norm(ray)
    other = p.copy()
    other[[INCLINATION, ANTEVERSION]] = angles_of_axis(axis - 2.0 * (axis @ ray) * ray, scene.side)
    return other


def faces_tube(scene: CupScene, p: np.ndarray) -> bool:
    """Whether the opening looks toward the tube."""
    axis = cup_axis(p[INCLINATION], p[ANTEVERSION], scene.side)
    ray = scene.centre(p[U], p[V]) - np.array([0.0, 0.0, scene.beam.source_detector_mm])
    return bool(axis @ ray < 0)
