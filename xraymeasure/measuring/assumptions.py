"""What must hold for a number to be right, as sentences beside it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from xraymeasure.measuring.needs import ALL, rests_on
from xraymeasure.measuring.prepared import PreparedHip, Setting
from xraymeasure.reading.reading import Provenance
from xraymeasure.vocabulary.landmarks import LANDMARKS, Side
from xraymeasure.vocabulary.quantities import QUANTITIES

if TYPE_CHECKING:
    from xraymeasure.film.film import Film


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
        "proposed": "proposed by {} and confirmed by nobody",
        "confirmed": "proposed by {}, tested on rendered films only, and confirmed by the reader",
    }
    for standing, words in said.items():
        found = [name for name in names if proposed.landmarks.get(name) == standing]
        if found:
            titles = ", ".join(LANDMARKS[name].title.lower() for name in found)
            yield f"{titles}: {words.format(proposed.method)}"
