"""What each measurement rests on: landmarks, scale, reference line, what is taken for granted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS, PreparedHip, Reference, Setting
from xraymeasure.measuring.uncertainty import LEARNING
from xraymeasure.reading.reading import Provenance, Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, landmark_name
from xraymeasure.vocabulary.quantities import QUANTITIES

if TYPE_CHECKING:
    from xraymeasure.film.film import Film


@dataclass(frozen=True)
class Requirement:
    """What must be there for a measurement.

    Attributes
    ----------
    own : tuple of str
        Landmarks on the measured side.
    both : tuple of str
        Landmarks on both sides.
    film : tuple of str
        Landmarks without a side.
    reference, scale, detector_pitch : bool
        Whether it needs a reference line, a scale, the pitch of the detector.
    """

    own: tuple[str, ...] = ()
    both: tuple[str, ...] = ()
    film: tuple[str, ...] = ()
    reference: bool = False
    scale: bool = False
    detector_pitch: bool = False

    def landmarks(self, side: Side | None, reference: Reference | None) -> tuple[str, ...]:
        """Return the names of all landmarks that it rests on."""
        names = [landmark_name(stem, side) for stem in self.own]
        names += [landmark_name(stem, each) for stem in self.both for each in SIDES]
        if self.reference and reference:
            stem = REFERENCE_LANDMARKS[reference]
            names += [landmark_name(stem, each) for each in SIDES]
        return tuple(dict.fromkeys([*names, *self.film]))


_FEMURS = (
    "femoral_head",
    "femoral_shaft",
    "lesser_trochanter",
    "greater_trochanter",
    "neck_axis",
    "stem_axis",
    "teardrop",
    "ischium",
    "obturator_foramen",
)
"""Both femurs are solved together, with the lines through the pelvis."""

FURTHER: dict[tuple[str, str], tuple[str, ...]] = {
    ("leg_length_difference", "femur_neutral"): ("femoral_head", "femoral_shaft"),
    ("leg_length_difference", "posture"): _FEMURS,
    ("femoral_offset", "in_space"): _FEMURS,
    ("global_offset", "in_space"): _FEMURS,
    ("femoral_rotation", "posture"): _FEMURS,
    ("cup_diameter", "landmarks"): ("femoral_head",),
}
"""Landmarks that a method needs beyond those of its measurement."""

BESIDE_THE_RIM = ("femoral_head", "cup_shell")
"""What a rim that is seen on one arc learns from."""

SCALES: dict[str, tuple[str, ...]] = {
    "head": ("femoral_head",),
    "native_head": ("femoral_head",),
    "cup": ("cup_shell", "cup_rim"),
    "marker": ("marker_sphere",),
}
"""The outline that gives each scale, the preferred one first."""

_RIM = ("cup_rim",)
_HEAD = ("femoral_head",)

OF_A_HIP: dict[str, Requirement] = {
    "radiographic_inclination": Requirement(own=_RIM, reference=True),
    "radiographic_anteversion": Requirement(own=_RIM),
    "operative_inclination": Requirement(own=_RIM, reference=True),
    "operative_anteversion": Requirement(own=_RIM, reference=True),
    "anatomical_inclination": Requirement(own=_RIM, reference=True),
    "anatomical_anteversion": Requirement(own=_RIM, reference=True),
    "femoral_offset": Requirement(own=("femoral_head", "femoral_shaft"), scale=True),
    "acetabular_offset": Requirement(own=_HEAD, both=("teardrop",), scale=True, reference=True),
    "global_offset": Requirement(
        own=("femoral_head", "femoral_shaft"), both=("teardrop",), scale=True, reference=True
    ),
    "hip_centre_height": Requirement(own=_HEAD, scale=True, reference=True),
    "hip_centre_lateral": Requirement(own=("femoral_head", "teardrop"), scale=True, reference=True),
    "neck_shaft_angle": Requirement(own=("neck_axis", "stem_axis")),
    "stem_alignment": Requirement(own=("stem_axis", "femoral_shaft")),
    "femoral_abduction": Requirement(own=("femoral_shaft",), reference=True),
    "femoral_rotation": Requirement(own=("neck_axis", "stem_axis", "femoral_head"), scale=True),
    "head_diameter_px": Requirement(own=_HEAD),
    "hip_centre_above_detector": Requirement(own=_HEAD, detector_pitch=True),
    "hip_centre_left_of_beam": Requirement(own=_HEAD, detector_pitch=True),
    "hip_centre_caudal_of_beam": Requirement(own=_HEAD, detector_pitch=True),
    "head_to_cup_lateral": Requirement(own=("femoral_head", "cup_rim"), scale=True, reference=True),
    "head_to_cup_cranial": Requirement(own=("femoral_head", "cup_rim"), scale=True, reference=True),
    "cup_diameter": Requirement(own=("cup_shell",), scale=True),
    "stem_to_trochanter": Requirement(
        own=("stem_shoulder", "greater_trochanter", "stem_axis"), scale=True, reference=True
    ),
}
"""Measurements that each hip has."""

OF_THE_INDEX_HIP: dict[str, Requirement] = {
    "leg_length_difference": Requirement(both=("lesser_trochanter",), scale=True, reference=True),
}
"""Measurements that compare the index hip with the other."""

OF_THE_FILM: dict[str, Requirement] = {
    "magnification": Requirement(scale=True, detector_pitch=True),
    "pelvic_obliquity": Requirement(reference=True),
    "pelvic_tilt_indicator": Requirement(
        film=("symphysis", "sacrococcygeal_joint"), scale=True, reference=True
    ),
    "pelvic_rotation_indicator": Requirement(
        film=("symphysis", "sacrococcygeal_joint"), scale=True, reference=True
    ),
    "pelvic_rotation": Requirement(
        film=("symphysis", "sacrococcygeal_joint"), scale=True, reference=True
    ),
    "obturator_ratio": Requirement(both=("obturator_foramen",)),
}
"""Measurements that have no side."""

ALL = {**OF_A_HIP, **OF_THE_INDEX_HIP, **OF_THE_FILM}


def rests_on(name: str, side: Side | None, method: str, setting: Setting) -> tuple[str, ...]:
    """Return the placed landmarks that a number was computed from."""
    beside = side is not None and setting.hips[side].anchor is not None
    return _rests_on(name, side, method, beside, setting.reference, setting.placed)


# The same for every film on which the same landmarks are placed, and through every drag.


@lru_cache(maxsize=256)
def _rests_on(
    name: str,
    side: Side | None,
    method: str,
    beside: bool,
    reference: Reference | None,
    placed: frozenset[str],
) -> tuple[str, ...]:
    requirement = ALL[name]
    names = list(requirement.landmarks(side, reference))
    # What compares the sides needs it on both.
    sides = SIDES if name in OF_THE_INDEX_HIP or method in LEARNING else (side,)
    further = FURTHER.get((name, method), ())
    names += [landmark_name(stem, each) for stem in further for each in sides]
    if name.startswith("head_to_cup") and f"cup_shell_{side}" in placed:
        names = [f"cup_shell_{side}" if each == f"cup_rim_{side}" else each for each in names]
    if beside and "cup_rim" in requirement.own:
        names += [landmark_name(stem, side) for stem in BESIDE_THE_RIM]
    # Where the shaft is not placed, the stem's axis stands for it.
    names = [
        each.replace("femoral_shaft", "stem_axis") if each not in placed else each for each in names
    ]
    return tuple(each for each in dict.fromkeys(names) if each in placed)


def touched_by(landmark: str, setting: Setting) -> tuple[str, ...]:
    """Return the names of the measurements that a landmark bears on, in the order of `ALL`.

    Those that rest on it by any of their methods and, where it gives the film its scale, all
    that need one.
    """
    side, scale = LANDMARKS[landmark].side, setting.scale
    outlines = [landmark_name(stem, side) for stem in SCALES.get(scale.method, ())] if scale else []
    placed = [name for name in outlines if name in setting.placed]
    scales = placed[:1] == [landmark] and scale is not None and scale.side == side
    beside = side is not None and setting.hips[side].anchor is not None
    return _touched_by(landmark, scales, beside, setting.reference)


@lru_cache(maxsize=128)
def _touched_by(
    landmark: str, scales: bool, beside: bool, reference: Reference | None
) -> tuple[str, ...]:
    stem, side = LANDMARKS[landmark].kind.stem, LANDMARKS[landmark].side
    further = {name for (name, _), stems in FURTHER.items() if stem in stems}
    if stem in BESIDE_THE_RIM and beside:
        further |= {name for name, needed in ALL.items() if "cup_rim" in needed.own}
    return tuple(
        name
        for name, needed in ALL.items()
        if name in further
        or landmark in needed.landmarks(side, reference)
        or (needed.scale and scales)
    )


def reason_missing(requirement: Requirement, side: Side | None, setting: Setting) -> str:
    """Return why a measurement that needs this could not be made."""
    reading = setting.reading
    for name in requirement.landmarks(side, setting.reference):
        if reading.not_visible(name):
            return f"{name} is not visible on this film"
        if not reading.has(name):
            return f"{name} is not placed"
    if requirement.reference and setting.reference is None:
        return _no_reference(reading)
    if requirement.scale and setting.scale is None:
        return "there is no scale: no known diameter with its outline, no calibrated spacing"
    if requirement.detector_pitch and setting.unit != "detector":
        return "the pixel spacing at the detector is not known"
    if requirement.detector_pitch and not setting.geometry_known:
        return "the distance from source to detector is not known"
    return "the known size that it needs is not given"


def _no_reference(reading: Reading) -> str:
    lacking = [
        landmark_name(stem, side)
        for stem in REFERENCE_LANDMARKS.values()
        for side in SIDES
        if not reading.has(landmark_name(stem, side))
    ]
    return f"there is no reference line: {', '.join(lacking)} not placed"


def assumptions_of(
    setting: Setting, film: Film, name: str, side: Side | None, method: str
) -> Iterator[str]:
    """Yield what must hold for a number to be right."""
    if side and (name.endswith("anteversion") or name.startswith(("operative", "anatomical"))):
        opens = "anteriorly" if setting.hips[side].opens > 0 else "posteriorly"
        said = setting.openings.get(side)
        said = f"by {said}" if said else "not visible here"
        if method != "perspective_other":
            yield f"the cup opens {opens} as seen from the tube ({said})"
        else:
            yield f"the cup does not open {opens} as seen from the tube"
    if side and "cup_rim" in ALL[name].own and setting.hips[side].anchor is not None:
        yield beside_the_rim(setting.hips[side])
    if method == "ellipse":
        yield "the rays are parallel and the beam is centred on the hip"
    if method.startswith("perspective") and not setting.geometry_known:
        yield (
            "the tube stands 1000 to 1270 mm above "
            + ("the line from hip to symphysis" if setting.cropped else "the picture's middle")
            + ", as nobody states it"
        )
    elif method.startswith("perspective") or method == "sphere":
        yield (
            "the beam's foot is where the reader states"
            if setting.beam_from_reading
            else film.beam_centre_note.rstrip(".")
        )
        yield (
            f"the tube stands {setting.source_detector_mm:g} mm above the detector, as the "
            f"{'reader' if setting.source_from_reading else 'film'} states"
        )
    if QUANTITIES[name].unit == "mm" and method != "sphere" and setting.scale is not None:
        yield "every landmark is measured in the plane of the index hip centre"
        yield f"scale from {setting.scale.text}"
    if name == "magnification" and setting.scale is not None:
        yield f"scale from {setting.scale.text}"
    if setting.reading.proposed is not None:
        yield from _standings(setting.reading.proposed, rests_on(name, side, method, setting))


def beside_the_rim(hip: PreparedHip) -> str:
    """Return what a rim that is seen on one arc was read with, as a sentence."""
    size = "of a usual size"
    if hip.shell is not None:
        size = "as wide as its shell"
    elif hip.cup_mm:
        size = f"as wide as the cup ({hip.cup_mm:g} mm)"
    middle = "" if hip.head is None else "centred on the head and "
    return f"the rim, seen on one arc, is {middle}{size}"


def _standings(proposed: Provenance, names: tuple[str, ...]) -> Iterator[str]:
    """Yield which of the landmarks were proposed by the program, and what became of them."""
    said = {
        "proposed": "and confirmed by nobody",
        "confirmed": "tested on rendered films only, and confirmed by the reader",
    }
    for standing, words in said.items():
        comma = "," * (standing == "confirmed")
        found = [name for name in names if proposed.landmarks.get(name) == standing]
        metal = [name for name in found if not proposed.is_carried(name)]
        if metal:
            yield f"{_titles(metal)}: proposed by {proposed.method}{comma} {words}"
        if len(metal) < len(found):
            # All of them, so that one sentence serves every number.
            bones = [
                name
                for name, each in proposed.landmarks.items()
                if each == standing and proposed.is_carried(name)
            ]
            yield (
                f"{_titles(bones)}: carried over by {proposed.carried}{comma} {words}; what they "
                "were misplaced by there, they are misplaced by here"
            )


def _titles(names: Sequence[str]) -> str:
    return ", ".join(LANDMARKS[name].title.lower() for name in names)
