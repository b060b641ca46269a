"""The changes that are looked for between two films of a hip, and the words for them."""

from __future__ import annotations

from dataclasses import dataclass

from xraymeasure.vocabulary.quantities import Unit


@dataclass(frozen=True)
class ChangeKind:
    """A change that is looked for, and the words for it.

    Attributes
    ----------
    name, label : str
        As in files, and what a person reads.
    quantity : str
        The measurement whose later minus earlier value it is.
    decimals : int
        How many a person is shown.
    meaning : str
        Its sign.
    """

    name: str
    label: str
    quantity: str
    unit: Unit
    decimals: int
    meaning: str


_KINDS = (
    ChangeKind("cup_migration_cranial", "Cup migration, cranial", "hip_centre_height", "mm", 1,
               "Cup centre across the reference line; positive cranially."),
    ChangeKind("cup_migration_lateral", "Cup migration, lateral", "hip_centre_lateral", "mm", 1,
               "Cup centre from its teardrop along the reference line; positive laterally."),
    ChangeKind("inclination_change", "Cup inclination", "radiographic_inclination", "deg", 1,
               "Radiographic; positive where the cup became steeper."),
    ChangeKind("anteversion_change", "Cup anteversion", "radiographic_anteversion", "deg", 1,
               "Radiographic; positive where the cup turned anteriorly."),
    ChangeKind("stem_subsidence", "Stem subsidence", "stem_to_trochanter", "mm", 1,
               "Shoulder of the stem against the greater trochanter; positive where the stem "
               "sank."),
    ChangeKind("head_penetration_cranial", "Head in cup, cranial", "head_to_cup_cranial", "mm", 2,
               "Head centre from cup centre across the reference line; positive cranially."),
    ChangeKind("head_penetration_lateral", "Head in cup, lateral", "head_to_cup_lateral", "mm", 2,
               "Head centre from cup centre along the reference line; positive laterally."),
    ChangeKind("head_penetration", "Head penetration (2-D wear)", "head_to_cup_cranial", "mm", 2,
               "How far the head moved in the cup, in whatever direction; never negative."),
    ChangeKind("leg_length_change", "Leg length", "leg_length_difference", "mm", 1,
               "Of the difference between the sides, the other leg taken as unchanged; positive "
               "where the leg became longer."),
    ChangeKind("femoral_offset_change", "Femoral offset", "femoral_offset", "mm", 1,
               "Positive where it grew. The weakest of these numbers: a turned femur shortens "
               "it."),
    ChangeKind("global_offset_change", "Global offset", "global_offset", "mm", 1,
               "Femoral plus acetabular offset; positive where it grew."),
    ChangeKind("acetabular_offset_change", "Acetabular offset", "acetabular_offset", "mm", 1,
               "Hip centre from the midline; positive where it moved laterally."),
    ChangeKind("hip_centre_height_change", "Hip-centre height", "hip_centre_height", "mm", 1,
               "Hip centre across the reference line; positive where it moved cranially."),
    ChangeKind("hip_centre_lateral_change", "Hip-centre lateral position",
               "hip_centre_lateral", "mm", 1,
               "Hip centre from its teardrop along the reference line; positive where it moved "
               "laterally."),
)  # fmt: skip
KINDS: dict[str, ChangeKind] = {kind.name: kind for kind in _KINDS}
"""Every change: the name as in files, what it is made of, and the words for it."""

BEFORE_AFTER = (
    "leg_length_change",
    "global_offset_change",
    "femoral_offset_change",
    "acetabular_offset_change",
    "hip_centre_height_change",
    "hip_centre_lateral_change",
)
FOLLOW_UP = (
    "cup_migration_cranial",
    "cup_migration_lateral",
    "inclination_change",
    "anteversion_change",
    "stem_subsidence",
)
