"""What stands before the film: the tube, the pelvis, the hips and what was put into them.

Patient frame (mm): origin where the central ray meets the detector, `x` to the patient's left, `y`
caudal, `z` toward the tube. A hip is described as if it were the left one, `x` lateral; the right
one is its mirror image. Nothing here is shared with the measuring code, which it serves to check.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")

NATIVE_CENTRE_MM = (90.0, 0.0, 0.0)
"""Native left hip centre in the pelvis' own frame, whose origin lies midway between the hips."""
NATIVE_OFFSET_MM = 43.0
"""Distance from the native hip centre to the axis of the femoral shaft."""
NATIVE_NECK_SHAFT_DEG = 130.0


@dataclass(frozen=True)
class Geometry:
    """Tube and detector.

    Attributes
    ----------
    source_detector_mm : float
        Distance from focal spot to detector.
    pitch_mm : float
        Pixel pitch at the detector.
    rows, columns : int
        Size of the film.
    beam_centre : (row, column) or None
        Pixel where the central ray meets the detector; None is the middle of the film.
    """

    source_detector_mm: float = 1150.0
    pitch_mm: float = 0.3
    rows: int = 1240
    columns: int = 1400
    beam_centre: tuple[float, float] | None = None

    @property
    def foot(self) -> tuple[float, float]:
        """Row and column where the central ray meets the detector."""
        if self.beam_centre is not None:
            return self.beam_centre
        return ((self.rows - 1) / 2, (self.columns - 1) / 2)

    @property
    def source(self) -> np.ndarray:
        """The focal spot in the patient frame."""
        return np.array([0.0, 0.0, self.source_detector_mm])

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """Return rows and columns, shape (..., 2), where points in space, (..., 3), are seen."""
        points = np.asarray(points_mm, dtype=float)
        scale = self.source_detector_mm / (self.source_detector_mm - points[..., 2])
        row, column = self.foot
        return np.stack(
            [
                row + points[..., 1] * scale / self.pitch_mm,
                column + points[..., 0] * scale / self.pitch_mm,
            ],
            axis=-1,
        )

    def coarser(self, factor: int) -> Geometry:
        """Return the same field of view with pixels `factor` times as large."""
        row, column = self.foot
        return Geometry(
            self.source_detector_mm,
            self.pitch_mm * factor,
            self.rows // factor,
            self.columns // factor,
            ((row + 0.5) / factor - 0.5, (column + 0.5) / factor - 0.5),
        )


@dataclass(frozen=True)
class Pose:
    """A rotation (perhaps with a mirror and a scale) and a shift: ``linear @ p + shift``."""

    linear: np.ndarray
    shift: np.ndarray

    def __call__(self, points: np.ndarray) -> np.ndarray:
        """Move points, shape (..., 3)."""
        return np.asarray(np.asarray(points, dtype=float) @ self.linear.T + self.shift)

    def then(self, outer: Pose) -> Pose:
        """Return this pose followed by `outer`."""
        return Pose(outer.linear @ self.linear, outer.linear @ self.shift + outer.shift)


def _turn(angle_deg: float, first: int, second: int) -> np.ndarray:
    """Rotation that carries axis `first` toward axis `second`."""
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    matrix = np.eye(3)
    matrix[first, first] = matrix[second, second] = cosine
    matrix[second, first], matrix[first, second] = sine, -sine
    return matrix


@dataclass(frozen=True)
class Pelvis:
    """Where the pelvis lies.

    Attributes
    ----------
    centre_mm : (x, y, z)
        Midpoint between the native hip centres in the patient frame.
    tilt_deg : float
        Positive tips the pelvis backward (posterior tilt), which opens the cups.
    rotation_deg : float
        Positive turns its front toward the patient's left.
    obliquity_deg : float
        Positive sinks its left side.
    scale : float
        Size of pelvis and femora, 1 being hips 180 mm apart.
    """

    centre_mm: tuple[float, float, float] = (0.0, 10.0, 150.0)
    tilt_deg: float = 0.0
    rotation_deg: float = 0.0
    obliquity_deg: float = 0.0
    scale: float = 1.0

    @property
    def rotation(self) -> np.ndarray:
        """Rotation from the pelvis' own frame to the patient frame."""
        return np.asarray(
            _turn(self.obliquity_deg, 0, 1)
            @ _turn(self.rotation_deg, 2, 0)
            @ _turn(self.tilt_deg, 1, 2)
        )

    @property
    def pose(self) -> Pose:
        """From the pelvis' own frame (left side, size 1) to the patient frame."""
        return Pose(self.rotation * self.scale, np.array(self.centre_mm))


@dataclass(frozen=True)
class Cup:
    """A hemispherical metal shell with its liner; angles radiographic, in the pelvis' own frame."""

    inclination_deg: float = 42.0
    anteversion_deg: float = 18.0
    outer_diameter_mm: float = 54.0
    thickness_mm: float = 3.8
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Of its centre from the native hip centre: medial, cranial, anterior."""
    screw: bool = False
    kind: Literal["hemisphere", "dual_mobility", "cemented"] = "hemisphere"
    """A dual-mobility shell goes on as a cylinder beyond its equator; a cemented cup has no metal
    but a wire ring about its opening."""
    material: Literal["titanium", "cobalt_chrome"] = "titanium"
    flange_mm: float = 0.0
    """How far a rim stands out beyond the ball."""
    lip_mm: float = 0.0
    """How far the wall is raised beyond the opening on its cranial half."""
    holes: int = 0
    thicker_dome_mm: float = 0.0


@dataclass(frozen=True)
class Processing:
    """What the station makes of the picture; lengths in mm on the detector.

    Attributes
    ----------
    sharpening, sharpening_mm : float
        Strength and width of the edge enhancement.
    harmonising : float
        Share of the slow part that is held back.
    scatter : float
        Over the primary exposure.
    white : float
        Logarithm of the exposure that is shown white; denser parts are clipped.
    white_body : float, optional
        Share of the film beside metal that is white, instead: a window set on bone.
    bone : float
        Bone mineral, 1 being healthy.
    grid_lines : float
        Height of the lines of a coarse grid, as a share of the exposure.
    """

    sharpening: float = 0.8
    sharpening_mm: float = 0.9
    harmonising: float = 0.45
    scatter: float = 0.11
    white: float = 4.2
    white_body: float | None = None
    bone: float = 1.0
    grid_lines: float = 0.0


@dataclass(frozen=True)
class Head:
    """The prosthetic head, and how far it has sunk into the liner."""

    diameter_mm: float = 36.0
    penetration_mm: float = 0.0
    """Cranial, in the patient's coronal plane, since the film without wear."""
    material: Literal["ceramic", "metal"] = "ceramic"
    """The rim of the cup is faintly seen through ceramic, and not through metal."""


@dataclass(frozen=True)
class Stem:
    """A tapered stem, its head end where the head's centre is."""

    neck_shaft_angle_deg: float = 132.0
    offset_mm: float = 44.0
    length_mm: float = 115.0
    varus_deg: float = 0.0
    """Lean of the stem in the shaft; positive when its tip points to the lateral cortex."""
    subsidence_mm: float = 0.0
    cables: int = 0
    """Wires about the shaft, 30 mm apart."""


@dataclass(frozen=True)
class Hip:
    """One hip: native, or replaced when it has a cup, a head and a stem.

    Attributes
    ----------
    abduction_deg, flexion_deg : float
        Position of the femur.
    rotation_deg : float
        Angle of the neck to the coronal plane; positive when the head lies before the shaft.
    leg_length_change_mm : float
        How much longer the leg is than with the healthy hip; a worn native hip is shorter, its
        head having moved up.
    """

    cup: Cup | None = None
    head: Head | None = None
    stem: Stem | None = None
    abduction_deg: float = 0.0
    rotation_deg: float = 0.0
    flexion_deg: float = 0.0
    leg_length_change_mm: float = 0.0

    @property
    def replaced(self) -> bool:
        """Whether the hip holds a prosthesis."""
        return self.prosthesis is not None

    @property
    def prosthesis(self) -> tuple[Cup, Head, Stem] | None:
        """Cup, head and stem of a replaced hip."""
        if self.cup is None or self.head is None or self.stem is None:
            return None
        return self.cup, self.head, self.stem


@dataclass(frozen=True)
class MarkerSphere:
    """A calibration sphere beside the thigh."""

    diameter_mm: float = 25.0
    centre_mm: tuple[float, float, float] = (-10.0, 120.0, 150.0)


@dataclass(frozen=True)
class Scenario:
    """Everything that makes one film; `seed` draws the patient's tissue and the noise."""

    name: str = "film"
    geometry: Geometry = Geometry()
    pelvis: Pelvis = Pelvis()
    hips: Mapping[Side, Hip] = field(
        default_factory=lambda: {"left": Hip(Cup(), Head(), Stem()), "right": Hip()}
    )
    operated_side: Side = "left"
    marker: MarkerSphere | None = None
    seed: int = 0
    photometric: Literal["MONOCHROME1", "MONOCHROME2"] = "MONOCHROME2"
    compression: Literal["jpeg2000", "jpegls", "jpeg"] = "jpeg2000"
    body_scale: float = 1.0
    story: str = ""
    processing: Processing = Processing()


def mirror(side: Side) -> np.ndarray:
    """Matrix from a hip described as the left one to the hip of `side`."""
    return np.diag([1.0 if side == "left" else -1.0, 1.0, 1.0])


@dataclass(frozen=True)
class PlacedHip:
    """One hip in the patient frame.

    Attributes
    ----------
    cup_centre, hip_centre : numpy.ndarray
        Centre of the rim's circle (the socket of a native hip), and of the head.
    axis : numpy.ndarray or None
        The cup's axis out of its opening.
    stem : Pose
        From the stem's frame (origin in the head's centre, x lateral, y distal, z anterior) here.
    bone : Pose
        From the femur's own frame (origin in the native head's centre) here.
    """

    side: Side
    hip: Hip
    cup_centre: np.ndarray
    hip_centre: np.ndarray
    axis: np.ndarray | None
    stem: Pose
    bone: Pose


def neck_crossing(stem: Stem) -> np.ndarray:
    """Where neck axis and stem axis meet, in the stem's frame."""
    drop = stem.offset_mm / np.tan(np.radians(180.0 - stem.neck_shaft_angle_deg))
    return np.array([stem.offset_mm, drop, 0.0])


def place_hip(scenario: Scenario, side: Side) -> PlacedHip:
    """Put cup, head, stem and femur of one side where they belong."""
    hip, pelvis, flip = scenario.hips[side], scenario.pelvis, mirror(side)
    native = np.array(NATIVE_CENTRE_MM)
    axis = None
    cranial_shift = 0.0
    if hip.cup is not None:
        medial, cranial_shift, anterior = hip.cup.shift_mm
        shift = np.array([-medial, -cranial_shift, anterior]) / pelvis.scale
        inclination = np.radians(hip.cup.inclination_deg)
        anteversion = np.radians(hip.cup.anteversion_deg)
        own = np.array(
            [
                np.sin(inclination) * np.cos(anteversion),
                np.cos(inclination) * np.cos(anteversion),
                np.sin(anteversion),
            ]
        )
        axis = pelvis.rotation @ flip @ own
        native = native + shift
    cup_centre = pelvis.pose(flip @ native)
    if hip.head is not None:
        hip_centre = cup_centre - np.array([0.0, hip.head.penetration_mm, 0.0])
    else:
        hip_centre = cup_centre + np.array([0.0, hip.leg_length_change_mm, 0.0])

    turn = flip @ (
        _turn(hip.abduction_deg, 1, 0)
        @ _turn(hip.flexion_deg, 1, 2)
        @ _turn(hip.rotation_deg, 0, 2).T
    )
    frame = Pose(turn, hip_centre)
    bone_in_stem = Pose(np.eye(3) * pelvis.scale, np.zeros(3))
    if hip.stem is not None:
        longer = hip.leg_length_change_mm + cranial_shift - hip.stem.subsidence_mm
        lateral = hip.stem.offset_mm - NATIVE_OFFSET_MM * pelvis.scale
        middle = neck_crossing(hip.stem) + np.array([0.0, 0.5 * hip.stem.length_mm, 0.0])
        lean = _turn(hip.stem.varus_deg, 0, 1)
        shifted = np.array([lateral, longer, 0.0])
        bone_in_stem = Pose(lean * pelvis.scale, lean @ (shifted - middle) + middle)
    return PlacedHip(side, hip, cup_centre, hip_centre, axis, frame, bone_in_stem.then(frame))
