"""Whether the hip under review may be the other one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from xraymeasure.measuring.prepared import Setting
from xraymeasure.measuring.results import Finding
from xraymeasure.vocabulary.landmarks import Side, landmark_name, other_side

if TYPE_CHECKING:
    from xraymeasure.film.film import Film


def which_hip(film: Film, setting: Setting, rims: Mapping[Side, str]) -> Iterator[Finding]:
    """Notice that the hip under review may be the other one."""
    operated = setting.operated
    if film.laterality is not None and film.laterality != operated:
        yield Finding(
            "laterality_contradicts",
            f"The film says that it shows the {film.laterality} side, and the reading is of the "
            f"{operated} hip. Check the side marker and the side of the reading.",
            (),
            "strong",
        )
    mine, other = setting.hips[operated], setting.hips[other_side(operated)]
    replaced = {hip.side: hip.rim or hip.shell or not hip.native for hip in (mine, other)}
    if replaced[other.side] and not replaced[operated]:
        yield Finding(
            "index_hip_without_metal",
            f"The {operated} hip is under review, but cup and head are placed on the "
            f"{other.side} one. Is it the {other.side} hip that was operated on?",
            (),
            "strong",
        )
    side = operated
    head_mm = setting.reading.head_diameter_mm.get(side)
    asked = any(
        setting.reading.not_visible(name)
        for name in (landmark_name(stem, side) for stem in ("cup_rim", "cup_shell"))
    )
    if head_mm and not (mine.rim or mine.shell) and side not in rims and not asked:
        elsewhere = bool(other.rim or other.shell)
        yield Finding(
            "replaced_without_cup",
            f"The {side} hip has a prosthetic head of {head_mm:g} mm and neither rim nor shell of "
            "a cup"
            + (f", and the {other.side} one has a cup" if elsewhere else "")
            + f". Is it the {side} hip that was replaced? If so, place its rim.",
            (),
            "strong" if elsewhere and other.native else "warning",
        )
    if film.laterality is None:
        yield Finding(
            "side_by_display",
            "Left and right are as displayed: hold them against the side marker on the film.",
            (),
            "note",
        )
