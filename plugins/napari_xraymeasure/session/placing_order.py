"""What to place next: which landmarks this film needs, in an order that spares the eye.

The order walks once round the film, so that two landmarks in a row lie close together: the
operated hip, its half of the pelvis, the midline, the other half, the other hip and thigh, and
back to the operated thigh.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from xraymeasure.film.film import Film
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, landmark_name, other_side

HipState = Literal["replaced", "native", "not shown"]
HIP_STATES: tuple[HipState, ...] = ("replaced", "native", "not shown")

# (stem, whose side, whether the main numbers need it)
_WALK: tuple[tuple[str, Literal["operated", "other", "midline"], bool], ...] = (
    ("femoral_head", "operated", True),
    ("cup_rim", "operated", True),
    ("cup_shell", "operated", False),
    ("teardrop", "operated", True),
    ("ischium", "operated", False),
    ("obturator_foramen", "operated", False),
    ("symphysis", "midline", False),
    ("sacrococcygeal_joint", "midline", False),
    ("obturator_foramen", "other", False),
    ("ischium", "other", False),
    ("teardrop", "other", True),
    ("femoral_head", "other", True),
    ("cup_rim", "other", True),
    ("cup_shell", "other", False),
    ("neck_axis", "other", False),
    ("greater_trochanter", "other", False),
    ("stem_shoulder", "other", False),
    ("lesser_trochanter", "other", True),
    ("femoral_shaft", "other", True),
    ("stem_axis", "other", False),
    ("marker_sphere", "midline", False),
    ("neck_axis", "operated", False),
    ("greater_trochanter", "operated", False),
    ("stem_shoulder", "operated", False),
    ("lesser_trochanter", "operated", True),
    ("femoral_shaft", "operated", True),
    ("stem_axis", "operated", False),
)

# Where things lie on an AP pelvis film, as fractions of its height and of its width counted from
# the midline towards the landmark's side: only to choose what to show, from memory of such films.
_EXPECTED: Mapping[str, tuple[float, float]] = {
    "femoral_head": (0.50, 0.25),
    "cup_rim": (0.50, 0.25),
    "cup_shell": (0.50, 0.25),
    "neck_axis": (0.54, 0.29),
    "teardrop": (0.55, 0.16),
    "ischium": (0.69, 0.15),
    "obturator_foramen": (0.60, 0.11),
    "symphysis": (0.57, 0.0),
    "sacrococcygeal_joint": (0.48, 0.0),
    "lesser_trochanter": (0.67, 0.29),
    "greater_trochanter": (0.53, 0.37),
    "stem_shoulder": (0.62, 0.34),
    "femoral_shaft": (0.84, 0.34),
    "stem_axis": (0.80, 0.33),
    "marker_sphere": (0.75, 0.0),
}
_REGION_SIZE: Mapping[str, float] = {"hip": 0.26, "pelvis": 0.26, "femur": 0.42, "film": 1.0}
# A point this far over the midline, as a fraction of the film's width, is on the other side:
# wider than the doubt about where the midline runs.
_SIDE_DOUBT_KNOWN = 0.02
_SIDE_DOUBT_ASSUMED = 0.08


@dataclass(frozen=True)
class Hips:
    """What each hip is, as far as the placing is concerned."""

    left: HipState
    right: HipState

    def of(self, side: Side) -> HipState:
        """Return what the hip of that side is."""
        return self.left if side == "left" else self.right

    def with_state(self, side: Side, state: HipState) -> Hips:
        """Return the hips with one of them set."""
        return Hips(state, self.right) if side == "left" else Hips(self.left, state)


def hips_of(reading: Reading) -> Hips:
    """Return what the hips seem to be from what was already placed and entered."""

    def of(side: Side) -> HipState:
        prosthetic = side in reading.head_diameter_mm or any(
            reading.landmarks.get(name)
            for name, landmark in LANDMARKS.items()
            if landmark.kind.prosthetic and landmark.side == side
        )
        if prosthetic:
            return "replaced"
        begun = any(reading.landmarks.values())
        return "native" if begun or side != reading.operated_side else "replaced"

    return Hips(of("left"), of("right"))


@dataclass(frozen=True)
class PlacingStep:
    """One landmark to place; `needed` where the main numbers rest on it."""

    name: str
    needed: bool


def steps(reading: Reading, hips: Hips, further: bool = False) -> tuple[PlacingStep, ...]:
    """Return the landmarks to place on this film, in order.

    Parameters
    ----------
    reading : Reading
        Its operated side decides where the walk starts; what it already holds is always listed.
    hips : Hips
        Which hips are replaced, and which are on the film.
    further : bool
        Whether to list the landmarks that only sharpen or check the main numbers.
    """
    listed = []
    for stem, whose, needed in _WALK:
        side: Side | None = None
        if whose != "midline":
            operated = reading.operated_side
            side = operated if whose == "operated" else other_side(operated)
        name = landmark_name(stem, side)
        kind = LANDMARKS[name].kind
        state = hips.of(side) if side else "native"
        exists = state == "replaced" or (state == "native" and not kind.prosthetic)
        # The pelvic landmarks of a hip that is cut off may still be on the film.
        exists = exists or kind.region == "pelvis"
        if name in reading.landmarks or (exists and (needed or further)):
            listed.append(PlacingStep(name, needed and exists))
    return tuple(listed)


def is_done(reading: Reading, name: str) -> bool:
    """Whether a landmark is placed or confirmed, or was found not to be visible."""
    looked_at = name not in reading.unconfirmed
    return (reading.has(name) and looked_at) or reading.not_visible(name)


def next_step(
    reading: Reading, todo: tuple[PlacingStep, ...], after: str | None = None
) -> str | None:
    """Return the next landmark that is not done, looking on from `after` and then from the top."""
    names = [step.name for step in todo]
    start = names.index(after) + 1 if after in names else 0
    for name in names[start:] + names[:start]:
        if not is_done(reading, name):
            return name
    return None


def is_full(reading: Reading, name: str) -> bool:
    """Whether a landmark takes no further point."""
    maximum = LANDMARKS[name].kind.maximum
    return maximum is not None and len(reading.landmarks.get(name, ())) >= maximum


def _leftward(film: Film, points: np.ndarray) -> np.ndarray:
    """Return how far to the patient's left each point lies, in pixels from the first pixel."""
    return np.atleast_2d(points) @ np.array(film.patient_axes[0], dtype=float)


def _midline(reading: Reading, film: Film) -> tuple[float, float, bool]:
    """Return where the midline runs (as `_leftward`), its doubt, and whether it is placed."""
    rows, columns = film.shape
    width = np.abs(film.patient_axes[0]) @ np.array([rows, columns])
    for pair in ("teardrop", "ischium"):
        points = [reading.points(f"{pair}_{side}") for side in SIDES]
        if all(len(point) for point in points):
            return float(_leftward(film, np.vstack(points)).mean()), _SIDE_DOUBT_KNOWN * width, True
    if reading.has("symphysis"):
        return (
            float(_leftward(film, reading.points("symphysis"))[0]),
            _SIDE_DOUBT_KNOWN * width,
            True,
        )
    centre = np.array([(rows - 1) / 2, (columns - 1) / 2])
    return float(_leftward(film, centre)[0]), _SIDE_DOUBT_ASSUMED * width, False


def wrong_side(
    reading: Reading,
    film: Film,
    name: str,
    point: tuple[float, float],
    middle_trusted: bool = True,
) -> str | None:
    """Return the landmark of the other side that was probably meant, or None.

    The midline is taken from the teardrops, the ischia or the symphysis where they are placed,
    else from the middle of the film if that is trusted, and then only a point well beyond it is
    questioned. Where the landmark already has points, they say which side it is on.
    """
    side = LANDMARKS[name].side
    if side is None:
        return None
    others = reading.without(name) if LANDMARKS[name].kind.maximum == 1 else reading
    midline, doubt, known = _midline(others, film)
    if not known and (not middle_trusted or reading.landmarks.get(name)):
        return None
    lies = float(_leftward(film, np.array(point))[0]) - midline
    if abs(lies) <= doubt or (lies > 0) == (side == "left"):
        return None
    return landmark_name(LANDMARKS[name].kind.stem, other_side(side))


def off_film(film: Film, point: tuple[float, float]) -> bool:
    """Whether a point lies outside the pixels."""
    row, column = point
    rows, columns = film.shape
    return not (-0.5 <= row <= rows - 0.5 and -0.5 <= column <= columns - 0.5)


def region(
    reading: Reading,
    film: Film,
    name: str,
    hips: Hips | None = None,
    beside: tuple[str, ...] = (),
) -> tuple[np.ndarray, float]:
    """Return the centre (row, column) and the height in rows of the part of the film to show.

    Where the landmark is placed, about its points and those of what is answered with it; else where
    it stands on the other side, mirrored in the midline; else where a film usually has it. Where
    one hip is not shown, or the film is higher than wide as one of a single hip is, that is not
    known: the whole film is shown.
    """
    landmark = LANDMARKS[name]
    height = _REGION_SIZE[landmark.kind.region] * min(film.shape)
    points = np.concatenate([reading.points(each) for each in beside or (name,)])
    if len(points):
        low, high = points.min(axis=0), points.max(axis=0)
        return (low + high) / 2, max(height, 1.6 * float((high - low).max()))
    width, length = np.abs(film.patient_axes) @ film.shape
    if width < length or (hips is not None and "not shown" in (hips.left, hips.right)):
        return (np.array(film.shape) - 1) / 2, float(max(film.shape))
    return _expected(reading, film, name), height


def _expected(reading: Reading, film: Film, name: str) -> np.ndarray:
    landmark = LANDMARKS[name]
    x_axis = np.array(film.patient_axes[0], dtype=float)
    if landmark.side:
        opposite = reading.points(landmark_name(landmark.kind.stem, other_side(landmark.side)))
        if len(opposite):
            midline, *_ = _midline(reading, film)
            centre = opposite.mean(axis=0)
            return centre + 2 * (midline - float(centre @ x_axis)) * x_axis
    down, out = _EXPECTED[landmark.kind.stem]
    sign = {"left": 1, "right": -1, None: 0}[landmark.side]
    y_axis = np.array(film.patient_axes[1], dtype=float)
    sizes = np.array(film.shape, dtype=float)
    middle = (sizes - 1) / 2
    return middle + (down - 0.5) * y_axis * sizes + sign * out * x_axis * sizes
