"""The vocabulary: each landmark's name, meaning, how to place it, how many points it takes.

The file format, the window, the page and the command line all read the terms from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")


def other_side(side: Side) -> Side:
    """Return the side across the midline.

    >>> other_side("left")
    'right'
    """
    return "right" if side == "left" else "left"


def lateral_sign(side: Side) -> int:
    """Return the sign of lateral along x, which points to the patient's left.

    >>> lateral_sign("left"), lateral_sign("right")
    (1, -1)
    """
    return {"left": 1, "right": -1}[side]


MOST_PLACEMENTS = 3
"""How often one point may be placed; its placements are averaged."""


@dataclass(frozen=True)
class LandmarkKind:
    """A kind of landmark, of which a sided one stands on the film twice.

    Attributes
    ----------
    stem : str
        Name without the side.
    title : str
        What a person reads.
    sided : bool
        Whether the name carries ``_left`` or ``_right``.
    minimum, maximum : int, int or None
        How many points it takes; `maximum` None means as many as wanted. A ``point`` may be
        placed up to `MOST_PLACEMENTS` times, and takes the middle of its placements.
    shape : str
        What the points stand for: ``point``, ``points``, ``circle``, ``ellipse`` or ``line``.
    place : str
        One sentence for the person who places it.
    region : str
        Where on the film it lies: ``hip``, ``pelvis``, ``femur`` or ``film``.
    prosthetic : bool
        Whether it exists only where the hip is replaced.
    placing_sd_mm : float
        Default spread (one standard deviation, each of row and column) of one point of it, in mm
        in the plane of the hip.
    placing_source : str
        Where `placing_sd_mm` comes from.
    """

    stem: str
    title: str
    sided: bool
    minimum: int
    maximum: int | None
    shape: Literal["point", "points", "circle", "ellipse", "line"]
    place: str
    region: Literal["hip", "pelvis", "femur", "film"]
    prosthetic: bool
    placing_sd_mm: float
    placing_source: str

    @property
    def most_points(self) -> int | None:
        """How many points it may have in a reading, placements of one point counted each."""
        return MOST_PLACEMENTS if self.shape == "point" else self.maximum


_OURS = "working default, no source; a reader's own repeats replace it"
# Observers of a hip-centre distance differ by up to 3 mm in 95 % of cases (references: error
# anchors; read). A difference of two distances has twice the variance of one, and a distance twice
# that of each of its two points: 3 / 1.96 / 2 = 0.77 mm a point, in each direction.
_FROM_HIP_CENTRE = "from a published 95 % range of +-3 mm between observers of a distance"


KINDS: tuple[LandmarkKind, ...] = (
    LandmarkKind(
        "teardrop",
        "Teardrop",
        True,
        1,
        1,
        "point",
        "The lowest point of the acetabular teardrop, where its rounded tip ends.",
        "pelvis",
        False,
        0.77,
        _FROM_HIP_CENTRE,
    ),
    LandmarkKind(
        "femoral_head",
        "Femoral head outline",
        True,
        3,
        None,
        "circle",
        "Points along the edge of the head, spread over as much of its outline as is seen.",
        "hip",
        False,
        0.25,
        _OURS,
    ),
    LandmarkKind(
        "cup_rim",
        "Cup rim outline",
        True,
        5,
        None,
        "ellipse",
        "Points along the ellipse of the cup's opening, on the near and the far arc where seen.",
        "hip",
        True,
        0.3,
        "a spread of 0.3 mm is the worked example of the references",
    ),
    LandmarkKind(
        "cup_shell",
        "Cup shell outline",
        True,
        3,
        None,
        "circle",
        "Points along the dome of the cup, on its outer surface.",
        "hip",
        True,
        0.3,
        _OURS,
    ),
    LandmarkKind(
        "lesser_trochanter",
        "Lesser trochanter",
        True,
        1,
        1,
        "point",
        "The most medial prominence of the lesser trochanter; the same point on both sides.",
        "femur",
        False,
        0.77,
        _FROM_HIP_CENTRE,
    ),
    LandmarkKind(
        "femoral_shaft",
        "Femoral shaft midpoints",
        True,
        2,
        None,
        "line",
        "Midpoints between the outer cortices, from proximal to distal, as far apart as the film "
        "allows.",
        "femur",
        False,
        0.6,
        _OURS,
    ),
    LandmarkKind(
        "ischium",
        "Ischial tuberosity",
        True,
        1,
        1,
        "point",
        "The lowest point of the ischial tuberosity.",
        "pelvis",
        False,
        1.3,
        _OURS,
    ),
    LandmarkKind(
        "stem_axis",
        "Stem axis",
        True,
        2,
        2,
        "line",
        "Two points on the long axis of the stem: below the shoulder and near the tip.",
        "femur",
        True,
        0.4,
        _OURS,
    ),
    LandmarkKind(
        "neck_axis",
        "Neck axis",
        True,
        2,
        2,
        "line",
        "Two points on the axis of the prosthetic neck: the head end first, then the stem end.",
        "hip",
        True,
        0.4,
        _OURS,
    ),
    LandmarkKind(
        "greater_trochanter",
        "Greater trochanter",
        True,
        1,
        1,
        "point",
        "The tip of the greater trochanter.",
        "femur",
        False,
        0.77,
        _FROM_HIP_CENTRE,
    ),
    LandmarkKind(
        "stem_shoulder",
        "Stem shoulder",
        True,
        1,
        1,
        "point",
        "The lateral shoulder of the stem, where its upper edge turns down.",
        "femur",
        True,
        0.4,
        _OURS,
    ),
    LandmarkKind(
        "symphysis",
        "Pubic symphysis",
        False,
        1,
        1,
        "point",
        "The upper end of the pubic symphysis, in its midline.",
        "pelvis",
        False,
        1.3,
        _OURS,
    ),
    LandmarkKind(
        "sacrococcygeal_joint",
        "Sacrococcygeal joint",
        False,
        1,
        1,
        "point",
        "The midpoint of the joint between sacrum and coccyx.",
        "pelvis",
        False,
        2.5,
        _OURS,
    ),
    LandmarkKind(
        "obturator_foramen",
        "Obturator foramen",
        True,
        4,
        4,
        "points",
        "Its most lateral, most medial, highest and lowest point, in this order.",
        "pelvis",
        False,
        1.5,
        _OURS,
    ),
    LandmarkKind(
        "marker_sphere",
        "Calibration sphere outline",
        False,
        3,
        None,
        "circle",
        "Points along the edge of the calibration sphere, where one lies on the film.",
        "film",
        False,
        0.25,
        _OURS,
    ),
)


@dataclass(frozen=True)
class Landmark:
    """One landmark of one film: a kind, and the side where it has one."""

    kind: LandmarkKind
    side: Side | None

    @property
    def name(self) -> str:
        """The name as in the files."""
        return f"{self.kind.stem}_{self.side}" if self.side else self.kind.stem

    @property
    def title(self) -> str:
        """What a person reads."""
        return f"{self.kind.title}, {self.side}" if self.side else self.kind.title


LANDMARKS: dict[str, Landmark] = {
    landmark.name: landmark
    for kind in KINDS
    for landmark in (
        [Landmark(kind, side) for side in SIDES] if kind.sided else [Landmark(kind, None)]
    )
}


def landmark_name(stem: str, side: Side | None) -> str:
    """Return the name of a landmark as in the files.

    >>> landmark_name("teardrop", "left")
    'teardrop_left'
    """
    return f"{stem}_{side}" if side else stem
