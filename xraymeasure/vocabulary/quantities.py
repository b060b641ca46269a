"""The measured quantities: names, labels, methods and the words for them.

The one table that the page, the window, the tables and the command line read from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Unit = Literal["deg", "mm", "px", "1"]

SOURCES: dict[str, str] = {
    "placing": "placing of the landmarks",
    "diameter": "tolerance of the known diameter",
    "geometry": "position of tube and detector",
    "depth": "height of the landmarks above the detector",
    "rotation": "rotation of the pelvis about its long axis",
    "posture": "posture of the femurs",
    "anatomy": "differences between bodies, and between the sides of one",
}
"""Where uncertainty comes from: the key as in files, and what a person reads."""


@dataclass(frozen=True)
class Quantity:
    """A measurement's name and the words for it.

    Attributes
    ----------
    name : str
        As in the files.
    label : str
        What a person reads.
    unit : str
        ``deg``, ``mm``, ``px`` or ``1``.
    decimals : int
        How many a person is shown.
    meaning : str
        What the number is, with its sign.
    pitfall : str
        How it can mislead.
    methods : tuple of str
        How it is obtained, keys of `METHODS`: the first that a film allows stands for it.
    """

    name: str
    label: str
    unit: Unit
    decimals: int
    meaning: str
    pitfall: str
    methods: tuple[str, ...] = ("landmarks",)


QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        Quantity(
            "radiographic_inclination",
            "Radiographic inclination",
            "deg",
            1,
            "Angle between the long axis of the body and the cup's axis as projected on the "
            "coronal plane.",
            "It follows the reference line: 1 mm at one teardrop turns it by about half a degree.",
            ("perspective", "ellipse"),
        ),
        Quantity(
            "radiographic_anteversion",
            "Radiographic anteversion",
            "deg",
            1,
            "Angle between the cup's axis and the coronal plane; positive when the cup opens "
            "anteriorly.",
            "One AP film does not show the sign. Where the beam was centred, and the tilt of the "
            "pelvis, change it by several degrees. It is smaller than the anteversion of a CT "
            "report, which is the anatomical one.",
            ("perspective", "ellipse"),
        ),
        Quantity(
            "operative_inclination",
            "Operative inclination",
            "deg",
            1,
            "Abduction of the cup's axis from the sagittal plane.",
            "Converted from the radiographic angles; not a second measurement.",
            ("perspective", "ellipse"),
        ),
        Quantity(
            "operative_anteversion",
            "Operative anteversion",
            "deg",
            1,
            "Angle between the long axis and the cup's axis as projected on the sagittal plane.",
            "Converted from the radiographic angles; not a second measurement.",
            ("perspective", "ellipse"),
        ),
        Quantity(
            "anatomical_inclination",
            "Anatomical inclination",
            "deg",
            1,
            "Angle between the cup's axis and the long axis of the body.",
            "Converted from the radiographic angles; not a second measurement.",
            ("perspective", "ellipse"),
        ),
        Quantity(
            "anatomical_anteversion",
            "Anatomical anteversion",
            "deg",
            1,
            "Angle between the transverse axis and the cup's axis as projected on the "
            "transverse plane.",
            "Converted from the radiographic angles; not a second measurement.",
            ("perspective", "ellipse"),
        ),
        Quantity(
            "leg_length_difference",
            "Leg-length difference",
            "mm",
            1,
            "How much longer the index side is: lesser trochanter to reference line, index side "
            "minus the other. Positive: the index side is longer.",
            "It sees only what lies between pelvis and lesser trochanter. One leg more abducted "
            "than the other changes the raw value by a millimetre for about two degrees.",
            ("posture", "femur_neutral", "raw"),
        ),
        Quantity(
            "femoral_offset",
            "Femoral offset",
            "mm",
            1,
            "Distance from the centre of the head to the axis of the femoral shaft.",
            "The weakest number of a plain film: a turned femur shortens it (6 % at 20 degrees). "
            "Read it beside the global offset.",
            ("in_space", "projected"),
        ),
        Quantity(
            "acetabular_offset",
            "Acetabular offset",
            "mm",
            1,
            "Distance from the centre of the head to the midline between the teardrops.",
            "It rests on both teardrops, which lie in another plane than the head.",
        ),
        Quantity(
            "global_offset",
            "Global offset",
            "mm",
            1,
            "Femoral offset plus acetabular offset.",
            "It carries the rotation of the femur, in part.",
            ("in_space", "projected"),
        ),
        Quantity(
            "hip_centre_height",
            "Hip-centre height",
            "mm",
            1,
            "Height of the centre of the head above the reference line; positive cranially.",
            "It follows the tilt of the pelvis.",
        ),
        Quantity(
            "hip_centre_lateral",
            "Hip-centre lateral position",
            "mm",
            1,
            "Distance of the centre of the head from the teardrop of its side along the "
            "reference line; positive laterally.",
            "It follows the rotation of the pelvis.",
        ),
        Quantity(
            "neck_shaft_angle",
            "Neck-shaft angle, projected",
            "deg",
            1,
            "Angle between the axis of the neck and the axis of the stem, on the film.",
            "A turned femur opens it.",
            ("projected",),
        ),
        Quantity(
            "stem_alignment",
            "Stem alignment",
            "deg",
            1,
            "Angle from the axis of the femoral shaft to the axis of the stem; positive in varus "
            "(the tip of the stem points laterally).",
            "A turned, bowed femur looks like a tilted stem.",
        ),
        Quantity(
            "femoral_abduction",
            "Femoral abduction",
            "deg",
            1,
            "Angle of the femoral shaft to the perpendicular of the reference line; positive in "
            "abduction.",
            "It is the position of the leg on the table, not a property of the hip.",
        ),
        Quantity(
            "femoral_rotation",
            "Rotation of the neck",
            "deg",
            0,
            "Angle between the neck of the stem and the film's plane, from the known neck-shaft "
            "angle; without a sign.",
            "Below about 15 degrees it is not determined.",
            ("posture",),
        ),
        Quantity(
            "pelvic_obliquity",
            "Pelvic obliquity",
            "deg",
            1,
            "Angle of the reference line to the film's horizontal; positive when the patient's "
            "left side is lower.",
            "It is the position on the table, unless the film was taken standing.",
            ("inter_teardrop", "bi_ischial"),
        ),
        Quantity(
            "pelvic_tilt_indicator",
            "Symphysis to sacrococcygeal joint, vertical",
            "mm",
            1,
            "Height of the sacrococcygeal joint above the symphysis on the film.",
            "Weak as a measure of tilt, sound as a sign of change between two films of one "
            "patient.",
        ),
        Quantity(
            "pelvic_rotation_indicator",
            "Sacrococcygeal joint off the symphysis, horizontal",
            "mm",
            1,
            "Distance of the sacrococcygeal joint from the midline through the symphysis; "
            "positive to the patient's left.",
            "About 1.8 mm for a degree of rotation, if the sacrum is straight.",
        ),
        Quantity(
            "pelvic_rotation",
            "Rotation of the pelvis about its long axis",
            "deg",
            1,
            "How far the pelvis is turned, from how far symphysis, teardrops and sacrococcygeal "
            "joint stand aside of one another for their depth; positive where its front is "
            "turned to the patient's left.",
            "A sacrum that stands off the midline looks like a turned pelvis; the interval holds "
            "that.",
        ),
        Quantity(
            "obturator_ratio",
            "Obturator foramina, width left over right",
            "1",
            2,
            "Width of the left obturator foramen over that of the right one.",
            "The foramina of one person need not be alike.",
        ),
        Quantity(
            "magnification",
            "Magnification",
            "1",
            3,
            "How much larger than life the plane of the hip centre is on the detector.",
            "It is only as right as the diameter that was entered for the head.",
            ("head", "native_head", "cup", "marker", "film"),
        ),
        Quantity(
            "head_diameter_px",
            "Head diameter on the film",
            "px",
            1,
            "Diameter of the head's outline across the direction to the beam's centre.",
            "Away from the beam's centre the outline is not a circle.",
            ("sphere", "circle"),
        ),
        Quantity(
            "cup_diameter",
            "Outer diameter of the cup",
            "mm",
            1,
            "Diameter of the shell's outline, against the known diameter of the head.",
            "It is as right as the head's diameter; another cup than planned, or another head "
            "than entered, shows here.",
        ),
        Quantity(
            "hip_centre_above_detector",
            "Hip centre above the detector",
            "mm",
            0,
            "Height of the centre of the head above the detector, from its known diameter.",
            "An error of 1 % in the diameter moves it by about a centimetre.",
            ("sphere",),
        ),
        Quantity(
            "hip_centre_left_of_beam",
            "Hip centre to the left of the beam's foot",
            "mm",
            1,
            "Where the centre of the head lies in the patient frame, to the patient's left.",
            "It rests on where the central ray is taken to be.",
            ("sphere",),
        ),
        Quantity(
            "hip_centre_caudal_of_beam",
            "Hip centre caudal of the beam's foot",
            "mm",
            1,
            "Where the centre of the head lies in the patient frame, caudally.",
            "It rests on where the central ray is taken to be.",
            ("sphere",),
        ),
        Quantity(
            "head_to_cup_lateral",
            "Head centre from cup centre, along the reference line",
            "mm",
            2,
            "Where the head's centre lies from the cup's (the shell's circle, or else the rim's "
            "ellipse); positive laterally.",
            "Liner offset and wear look alike on one film.",
        ),
        Quantity(
            "head_to_cup_cranial",
            "Head centre from cup centre, across the reference line",
            "mm",
            2,
            "Where the head's centre lies from the cup's; positive cranially.",
            "Liner offset and wear look alike on one film.",
        ),
        Quantity(
            "stem_to_trochanter",
            "Stem shoulder below the greater trochanter",
            "mm",
            1,
            "How far the shoulder of the stem lies distal to the tip of the greater trochanter, "
            "along the shaft; negative where it stands above.",
            "It grows when the stem subsides; a turned femur changes it too.",
        ),
    )
}

CUP_ANGLES = ("radiographic_inclination", "radiographic_anteversion")
"""What says how a cup lies."""

METHODS: dict[str, str] = {
    "ellipse": "axis ratio of the rim's ellipse, rays taken as parallel",
    "perspective": "pose of the rim's circle seen from the tube",
    "perspective_other": "the other pose that gives the same outline",
    "raw": "as the legs lie",
    "femur_neutral": "both femurs turned to neutral about their hip centres",
    "posture": "both femurs in space, their posture solved with what the film shows",
    "in_space": "in space, the femur's posture solved with what the film shows",
    "projected": "as projected on the film",
    "rotation_corrected": "corrected for the rotation of the neck",
    "circle": "circle through the outline",
    "sphere": "outline of a sphere seen from the tube",
    "head": "known diameter of the head",
    "cup": "known diameter of the cup",
    "marker": "known diameter of the calibration sphere",
    "native_head": "known diameter of the native head",
    "film": "calibrated spacing of the film",
    "inter_teardrop": "line through the teardrops",
    "bi_ischial": "line through the ischial tuberosities",
    "from_ellipse": "converted from the angles of the ellipse method",
    "from_perspective": "converted from the angles of the perspective method",
    "landmarks": "distance between landmarks",
}
"""How a number was obtained: the key as in files, and what a person reads."""
