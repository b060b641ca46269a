"""How alike two films of one hip were taken, criterion by criterion, for a person to see.

Each criterion is a number of both films and the difference from which on it is pointed out. None
of them decides on a verdict: how the patient lay is an input of every change (`position`), and a
pair that lies worse has a wider interval. Only films from different sides (AP and PA) cannot be
held against one another. The limits are proposals without a standard behind them; every one can be
changed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Literal

from xraymeasure.measuring.results import Measurement, Measurements
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary import wording
from xraymeasure.vocabulary.landmarks import Side
from xraymeasure.vocabulary.quantities import Unit

Posture = Literal["supine", "standing"]
Part = Literal["pelvis", "femur"]
_Told = tuple[float, Unit | Literal["%"], str]
_Tell = Callable[[Measurement, Measurement, float], _Told]


@dataclass(frozen=True)
class Comparable:
    """From where on a difference in position is pointed out; keys as in ``study.toml``.

    Attributes
    ----------
    magnification_percent : float
        Of the magnification.
    pelvic_tilt_mm : float
        Height of the sacrococcygeal joint above the symphysis; 5 mm is about 3 degrees.
    pelvic_rotation_mm : float
        Distance of the sacrococcygeal joint from the midline; 5 mm is about 3 degrees.
    obturator_ratio : float
        Width of the left obturator foramen over that of the right one.
    femoral_rotation_deg : float
        Of the neck out of the film's plane.
    centring_mm : float
        Position of the hip against the foot of the central ray, either direction. Working
        default, no source: 30 mm turn the ray through the hip by 1.5 degrees.
    """

    magnification_percent: float = 5.0
    pelvic_tilt_mm: float = 5.0
    pelvic_rotation_mm: float = 5.0
    obturator_ratio: float = 0.15
    femoral_rotation_deg: float = 10.0
    centring_mm: float = 30.0


@dataclass(frozen=True)
class Visit:
    """One film of a hip in its follow-up.

    Attributes
    ----------
    years : float
        Since any fixed moment, the same for all films of the hip.
    measurements : Measurements
        What was measured on it.
    label : str
        What the film is called on the page.
    view, posture : str or None
        Of the film, and as the reader states; None is not known.
    cup_centre_from : {"shell", "rim"} or None
        Which outline the centre of the cup was taken from; None where there is no cup.
    """

    years: float
    measurements: Measurements
    label: str = ""
    view: str | None = None
    posture: Posture | None = None
    cup_centre_from: Literal["shell", "rim"] | None = None

    @property
    def side(self) -> Side:
        """The index hip."""
        return self.measurements.operated_side


def visit_of(
    years: float,
    measurements: Measurements,
    reading: Reading,
    *,
    label: str = "",
    view: str | None = None,
) -> Visit:
    """Return a film of a follow-up from its measurements and its reading.

    Parameters
    ----------
    years : float
        Since any fixed moment, the same for all films of the hip.
    measurements : Measurements
        Of the reading.
    reading : Reading
        Says the posture, and whether the cup's centre came from its shell or its rim.
    label, view : str, optional
        As in `Visit`.
    """
    side = reading.operated_side
    outline = next((each for each in _OUTLINES if reading.has(f"cup_{each}_{side}")), None)
    return Visit(years, measurements, label, view, reading.posture, outline)


_OUTLINES: tuple[Literal["shell", "rim"], ...] = ("shell", "rim")
"""Of a cup, in the order in which its centre is taken from them."""


@dataclass(frozen=True)
class Check:
    """One criterion of two films.

    Attributes
    ----------
    name : str
        Of the criterion, ``pelvic_tilt`` for example.
    label : str
        What a person reads.
    bears_on : {"pelvis", "femur"}
        ``femur`` where only what is measured on the femur depends on it.
    passed : bool or None
        None where it could not be checked, and then `text` says why.
    text : str
        The numbers, or the reason, in a sentence.
    difference, limit : float or None
        Later minus earlier film, in `unit`, and what it may be.
    """

    name: str
    label: str
    bears_on: Part
    passed: bool | None
    text: str
    difference: float | None = None
    limit: float | None = None
    unit: Unit | Literal["%"] | None = None


@dataclass(frozen=True)
class Comparability:
    """What is to be said of two films' positioning."""

    checks: tuple[Check, ...]

    def failed(self, part: Part = "pelvis") -> tuple[Check, ...]:
        """Return the criteria that are not met and bear on a part; on the femur, all do."""
        return tuple(
            check
            for check in self.checks
            if check.passed is False and part in ("femur", check.bears_on)
        )

    @property
    def other_view(self) -> str:
        """Why the films cannot be held against one another; empty where they can."""
        return next((check.text for check in self.failed() if check.name == "view"), "")

    def why(self, part: Part = "femur") -> str:
        """Return what is pointed out of the films' positions, in words."""
        return "; ".join(f"{check.label.lower()}: {check.text}" for check in self.failed(part))


def compare_films(after: Visit, before: Visit, limits: Comparable | None = None) -> Comparability:
    """Hold the positioning of a later film of a hip against that of an earlier one.

    Parameters
    ----------
    after, before : Visit
        Of the same hip.
    limits : Comparable, optional
        How much they may differ.
    """
    limits = limits or Comparable()

    def held(
        name: str,
        label: str,
        quantity: str,
        limit: float,
        tell: _Tell,
        part: Part = "pelvis",
        side: Side | None = None,
    ) -> Check:
        pair = _pair(quantity, after, before, side)
        if isinstance(pair, str):
            return Check(name, label, part, None, pair)
        difference, unit, text = tell(*pair, limit)
        return Check(name, label, part, abs(difference) <= limit, text, difference, limit, unit)

    sacrum = "sacrococcygeal joint"
    return Comparability(
        (
            _same("view", "View", after.view, before.view),
            _same("posture", "Posture", after.posture, before.posture),
            held("magnification", "Magnification", "magnification",
                 limits.magnification_percent, _magnified),
            held("centring_lateral", "Centring of the beam, across", "hip_centre_left_of_beam",
                 limits.centring_mm, _centred, side=after.side),
            held("centring_vertical", "Centring of the beam, along the body",
                 "hip_centre_caudal_of_beam", limits.centring_mm, _centred, side=after.side),
            held("pelvic_tilt", "Tilt of the pelvis", "pelvic_tilt_indicator",
                 limits.pelvic_tilt_mm, partial(_placed, f"{sacrum} above the symphysis")),
            held("pelvic_rotation", "Rotation of the pelvis, by the sacrum",
                 "pelvic_rotation_indicator", limits.pelvic_rotation_mm,
                 partial(_placed, f"{sacrum} off the midline")),
            held("obturator_ratio", "Rotation of the pelvis, by the foramina", "obturator_ratio",
                 limits.obturator_ratio,
                 partial(_placed, "width of the obturator foramina, left over right")),
            # As the neck's angle to the stem tells it.
            held("femoral_rotation", "Rotation of the neck", "femoral_rotation",
                 limits.femoral_rotation_deg, _turned, "femur", after.side),
        )
    )  # fmt: skip


def _same(name: str, label: str, after: str | None, before: str | None) -> Check:
    if after is None or before is None:
        films = "either film" if after == before else "one of the films"
        return Check(name, label, "pelvis", None, f"not known for {films}")
    passed = after == before
    text = after if passed else f"{before} on the earlier film, {after} on the later one"
    return Check(name, label, "pelvis", passed, text)


def _pair(
    name: str, after: Visit, before: Visit, side: Side | None = None
) -> tuple[Measurement, Measurement] | str:
    found = []
    for visit, which in ((before, "earlier"), (after, "later")):
        row = visit.measurements.primary(name, side)
        if row is None:
            why = visit.measurements.why_missing(name, side) or "it was not measured"
            return f"not checked, for on the {which} film {why}"
        found.append(row)
    return found[1], found[0]


def _placed(what: str, later: Measurement, earlier: Measurement, limit: float) -> _Told:
    difference = later.value - earlier.value
    decimals = 2 if later.unit == "1" else 1
    explained = 1.96 * math.hypot(later.standard_uncertainty, earlier.standard_uncertainty)
    text = (
        f"{what} differs by {wording.with_unit(difference, later.unit, decimals, signed=True)} "
        f"where {limit:g} is the limit and the uncertainty of two readings alone explains "
        f"{wording.number(explained, decimals)}"
    )
    if limit < abs(difference) <= explained:
        text += ", so placing these points again may settle it"
    return difference, later.unit, text


def _magnified(later: Measurement, earlier: Measurement, limit: float) -> _Told:
    percent = 100.0 * (later.value / earlier.value - 1.0)
    said = f"{earlier.value:.3f} and {later.value:.3f}, {wording.number(percent, 1, signed=True)} %"
    return percent, "%", f"{said} (limit {limit:g} %)"


def _centred(later: Measurement, earlier: Measurement, limit: float) -> _Told:
    difference = later.value - earlier.value
    said = wording.number(difference, 0, signed=True)
    return difference, "mm", f"hip differs by {said} mm (limit {limit:g})"


def _turned(later: Measurement, earlier: Measurement, limit: float) -> _Told:
    said = f"{earlier.value:.0f} and {later.value:.0f} degrees (limit {limit:g} of difference)"
    return later.value - earlier.value, "deg", said
