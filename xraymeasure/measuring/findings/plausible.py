"""What no body and no prosthesis has: landmarks out of their place, outlines of something else.

A slip of this kind leaves numbers that look like numbers. What makes all of them worthless is
refused; what touches some is a strong finding, under which no verdict is given.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from xraymeasure.measuring.findings.anatomy import misplaced
from xraymeasure.measuring.findings.bone import shafts_off_bone
from xraymeasure.measuring.findings.metal import bone_that_outshines, rims_off_metal
from xraymeasure.measuring.findings.rims import oval_spheres, rim_sizes
from xraymeasure.measuring.findings.tube import tube_and_beam
from xraymeasure.measuring.findings.which_hip import which_hip
from xraymeasure.measuring.needs import touched_by
from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.measuring.uncertainty import Key
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side, landmark_name

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

INCLINATION_DEG = (0.0, 90.0)
ANTEVERSION_DEG = 67.0
LEG_LENGTH_MM = 80.0


def implausible(
    film: Film, setting: Setting, values: Mapping[Key, float], rims: Mapping[Side, str]
) -> Iterator[Finding]:
    """Yield what cannot be, the gravest first.

    Parameters
    ----------
    film : Film
    setting : Setting
        Without the rims that are none.
    values : mapping
        Every number, by name, side and method.
    rims : mapping of side to str
        From `rims_that_are_none`.
    """
    yield from misplaced(setting)
    yield from which_hip(film, setting, rims)
    yield from bone_that_outshines(film, setting)
    for side, why in rims.items():
        name = landmark_name("cup_rim", side)
        yield Finding(
            "rim_is_none",
            f"{LANDMARKS[name].title} was left out: {why}",
            touched_by(name, setting),
            "strong",
        )
    yield from rim_sizes(setting)
    yield from oval_spheres(setting)
    yield from rims_off_metal(film, setting)
    yield from shafts_off_bone(film, setting)
    yield from _values(values)
    yield from tube_and_beam(film, setting)
    if not (setting.reading.film.sop_instance_uid or setting.reading.film.pixel_sha256):
        yield Finding(
            "reading_unbound",
            "Nothing binds the reading to this film: it names neither the film's identifier nor "
            "its pixels. That it was placed on this film is taken on trust.",
            (),
            "note",
        )


def _values(values: Mapping[Key, float]) -> Iterator[Finding]:
    """Notice numbers that no hip has."""
    said = set()
    for (name, side, method), value in values.items():
        if method == "perspective_other" or (name, side) in said:
            continue
        low, high = INCLINATION_DEG
        why = ""
        if name == "radiographic_inclination" and not low <= value <= high:
            why = f"an inclination of {value:.1f} degrees: outside {low:g} to {high:g}"
        elif name == "radiographic_anteversion" and abs(value) > ANTEVERSION_DEG:
            why = f"an anteversion of {value:.1f} degrees"
        elif name == "femoral_offset" and value <= 0.0:
            why = f"a femoral offset of {value:.1f} mm: the head would lie lateral of the shaft"
        elif name == "leg_length_difference" and abs(value) > LEG_LENGTH_MM:
            why = f"a leg-length difference of {value:.1f} mm"
        if why:
            said.add((name, side))
            yield Finding(
                "value_impossible",
                f"The landmarks give {why}. No hip has that; a landmark is not what it is called.",
                (name,),
                "strong",
            )
