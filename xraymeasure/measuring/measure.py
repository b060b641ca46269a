"""measure(film, reading) -> Measurements: the only composition of the parts."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import partial
from math import isfinite
from typing import TYPE_CHECKING

from xraymeasure.measuring.drawings import draw as draw_fitted
from xraymeasure.measuring.draws import draw, with_ellipse_biased, with_flat_rims
from xraymeasure.measuring.findings.anatomy import refuse_upside_down
from xraymeasure.measuring.findings.plausible import implausible
from xraymeasure.measuring.findings.quality import find
from xraymeasure.measuring.findings.rims import rims_that_are_none
from xraymeasure.measuring.findings.thresholds import Thresholds
from xraymeasure.measuring.findings.tube import refuse_impossible_tube
from xraymeasure.measuring.fits.settle import settle
from xraymeasure.measuring.inputs import input_terms
from xraymeasure.measuring.model import beside_rims, evaluate
from xraymeasure.measuring.needs import (
    ALL,
    OF_A_HIP,
    OF_THE_FILM,
    OF_THE_INDEX_HIP,
    assumptions_of,
    reason_missing,
    rests_on,
)
from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS, Reference, Setting
from xraymeasure.measuring.results import (
    Finding,
    KnownSizes,
    Measurement,
    Measurements,
    Missing,
)
from xraymeasure.measuring.uncertainty import (
    COVERAGE,
    Key,
    LandmarkShare,
    Linear,
    Uncertain,
    linearise,
)
from xraymeasure.reading.binding import check_binding
from xraymeasure.reading.reading import (
    FilmBinding,
    Opens,
    Reading,
    check_complete,
    stated_openings,
)
from xraymeasure.vocabulary.landmarks import Side, landmark_name, other_side
from xraymeasure.vocabulary.quantities import QUANTITIES
from xraymeasure.vocabulary.wording import interval as interval_words
from xraymeasure.vocabulary.wording import with_unit

if TYPE_CHECKING:
    from xraymeasure.film.film import Film

DRAWS = 2048
"""Monte Carlo draws for the intervals of a measurement that is kept: quasi-random ones whose
ends are for most numbers twice as steady as those of 10,000 pseudo-random ones, for those that bend
most (offset in space) half as steady (`tests/benchmarks/bench_draws.py`)."""

COMPARED = (
    "radiographic_inclination",
    "radiographic_anteversion",
    "leg_length_difference",
    "femoral_offset",
    "neck_shaft_angle",
)
"""Measurements that a plan may hold a number for."""

FLAT_DRAWS = 1024
"""Draws for a rim that is seen nearly edge on, where first order does not hold."""


def measure(
    film: Film,
    reading: Reading,
    *,
    draws: int = DRAWS,
    seed: int = 0,
    reference: Reference | None = None,
    thresholds: Thresholds | None = None,
    cup_opens: Opens | None = None,
    findings: Sequence[Finding] | None = None,
) -> Measurements:
    """Measure one film from one reading.

    Parameters
    ----------
    film : Film
        Where the landmarks were placed; its geometry and identifiers are used, and its pixels are
        asked only whether metal lies where the reading has it.
    reading : Reading
        The landmarks, known sizes and the side.
    draws : int
        Monte Carlo draws for the intervals; 0 gives first-order intervals, in milliseconds.
    seed : int
        Of the draws; the same seed gives the same intervals.
    reference : {"inter_teardrop", "bi_ischial"}, optional
        The reference line; by default the first of the two that is placed.
    thresholds : Thresholds, optional
        From which numbers on the film's quality is remarked upon.
    cup_opens : {"anterior", "posterior"}, optional
        What a study states of all its cups; a reading that states it for a hip goes before.
    findings : sequence of Finding, optional
        What was found a moment ago, for numbers that follow a drag; by default it is looked for.

    Returns
    -------
    Measurements
        What was measured, what could not be and why, and what there is to say of the film.

    Raises
    ------
    ReadingError
        If the reading belongs to another film, a landmark has too few points, the body lies upside
        down or on its side, or the tube stands where none does.
    MeasureError
        If the points of an outline do not determine it (on a line, coincident). A rim near which
        no ellipse passes is left out, with a finding.

    See Also
    --------
    examine : Measures, and holds what was measured against a plan and an earlier film.

    Examples
    --------
    >>> from xraymeasure.samples import sample
    >>> film, reading, _ = sample("well_placed")
    >>> row = measure(film, reading, draws=0)["femoral_offset"]
    >>> row.side, row.unit, row.low < row.value < row.high
    ('left', 'mm', True)
    """
    check_binding(film, reading)
    check_complete(reading)
    refuse_impossible_tube(reading)
    setting = settle(film, reading, reference, cup_opens)
    refuse_upside_down(setting)
    rims = rims_that_are_none(setting)
    if rims:
        kept = reading
        for side in rims:
            kept = kept.without(landmark_name("cup_rim", side))
        setting = settle(film, kept, reference, cup_opens)
    terms = input_terms(setting)
    beside = beside_rims(setting, terms)
    linear = linearise(partial(evaluate, setting, beside_rims=beside), terms)
    intervals = linear.intervals()
    values = {
        key: interval.value
        for key, interval in intervals.items()
        if isfinite(interval.value) and isfinite(interval.low) and isfinite(interval.high)
    }
    flat = {side: hip.flat for side, hip in setting.hips.items() if hip.flat is not None}
    drawn: dict[Key, tuple[float, float]] = {}
    distributions = {}
    if draws or flat:
        model = partial(evaluate, setting, flat=flat)
        numbers = draw(model, terms, draws or FLAT_DRAWS, seed, linear)
        drawn = numbers.ends()
        intervals = with_flat_rims(intervals, drawn, flat)
        values |= {key: intervals[key].value for key in values if key in intervals}
        compared = [
            key
            for key in drawn
            if draws and key[0] in COMPARED and key[1] == setting.operated and key[2] != "ellipse"
        ]
        distributions = numbers.distributions(compared)
    intervals = with_ellipse_biased(intervals, drawn if draws else {})
    primary = _primary_methods(setting, values)
    rows = [
        *(
            _row(setting, film, key, value, intervals[key], drawn if draws else {}, primary)
            for key, value in values.items()
        ),
        *_other_magnifications(setting, values),
    ]
    order = {name: place for place, name in enumerate(QUANTITIES)}
    rows.sort(
        key=lambda row: (
            order[row.name],
            row.side != setting.operated and row.side is not None,
            not row.primary,
        )
    )
    missing = _missing(setting, values, rims)
    if findings is None:
        findings = (
            *implausible(film, setting, values, rims),
            *find(film, setting, values, intervals, flat, linear, thresholds or Thresholds()),
        )
    return Measurements(
        film=FilmBinding(film.sop_instance_uid, reading.film.pixel_sha256),
        reader=reading.reader,
        read_at=reading.read_at,
        operated_side=reading.operated_side,
        rows=tuple(rows),
        missing=missing,
        findings=tuple(findings),
        drawings=tuple(draw_fitted(setting)),
        mm_per_px=setting.scale.mm_per_px if setting.scale else None,
        notes=(*_notes(film, setting), *_beside_the_other_side(setting, linear)),
        known=known_sizes(reading),
        cup_opening=stated_openings(reading, cup_opens),
        posture=reading.posture,
        linear=linear,
        distributions=distributions,
    )


def landmark_shares(film: Film, reading: Reading, row: Measurement) -> tuple[LandmarkShare, ...]:
    """Return what the clicks of each landmark do to a number of `measure`, to first order."""
    wanted = next((name for name in REFERENCE_LANDMARKS if name == row.reference), None)
    setting = settle(film, reading, wanted)
    linear = linearise(partial(evaluate, setting), input_terms(setting))
    key = (row.name, row.side, row.method)
    return linear.of_landmarks(key) if key in linear.keys else ()


def _row(
    setting: Setting,
    film: Film,
    key: Key,
    value: float,
    interval: Uncertain,
    drawn: Mapping[Key, tuple[float, float]],
    primary: Mapping[tuple[str, Side | None], str | None],
) -> Measurement:
    name, side, method = key
    low, high = drawn.get(key, (interval.low, interval.high))
    return Measurement(
        name=name,
        side=side,
        value=value,
        unit=QUANTITIES[name].unit,
        low=float(low),
        high=float(high),
        method=method,
        primary=method == primary.get((name, side)),
        reference=_reference_of(setting, name, method),
        assumptions=tuple(assumptions_of(setting, film, name, side, method)),
        standard_uncertainty=interval.standard_uncertainty,
        sources=interval.sources,
        rests_on=rests_on(name, side, method, setting),
    )


def _primary_methods(
    setting: Setting, there: Collection[Key]
) -> dict[tuple[str, Side | None], str | None]:
    """Return the method that stands for each name and side."""
    found: dict[tuple[str, Side | None], str | None] = {}
    for name, side, _ in there:
        if (name, side) not in found:
            by = (each for each in QUANTITIES[name].methods if (name, side, each) in there)
            found[name, side] = next(by, None)
    return {**found, ("pelvic_obliquity", None): setting.reference}  # which may have been chosen


def _reference_of(setting: Setting, name: str, method: str) -> str | None:
    if name == "pelvic_obliquity":
        return method
    return setting.reference if ALL[name].reference else None


def _other_magnifications(setting: Setting, values: Mapping[Key, float]) -> list[Measurement]:
    """Return the magnification by every other scale on the film, once for each method."""
    chosen = setting.scale
    if chosen is None or ("magnification", None, chosen.method) not in values:
        return []
    rows = {}
    for scale in setting.scales:
        if scale.method == chosen.method or scale.method in rows:
            continue
        value = setting.units_per_px / scale.mm_per_px
        half = COVERAGE * scale.relative_u * value
        rows[scale.method] = Measurement(
            "magnification",
            None,
            value,
            "1",
            value - half,
            value + half,
            scale.method,
            False,
            None,
            (f"scale from {scale.text}",),
            scale.relative_u * value,
        )
    return list(rows.values())


def _missing(
    setting: Setting, values: Mapping[Key, float], rims: Mapping[Side, str]
) -> tuple[Missing, ...]:
    """Return what could not be measured of the index hip and the film, and why."""
    there = {(name, side) for name, side, _ in values}
    operated = setting.operated
    wanted: list[tuple[str, Side | None]] = [
        (name, operated) for name in (*OF_A_HIP, *OF_THE_INDEX_HIP)
    ]
    wanted += [(name, None) for name in OF_THE_FILM]
    return tuple(
        Missing(
            name,
            side,
            None,
            f"cup_rim_{side} was left out: {rims[side]}"
            if side and side in rims and "cup_rim" in ALL[name].own
            else reason_missing(ALL[name], side, setting),
        )
        for name, side in wanted
        if (name, side) not in there
    )


def _beside_the_other_side(setting: Setting, linear: Linear) -> Iterator[str]:
    """Yield how far the index hip lies from the other one, where both were measured."""
    operated = setting.operated
    for name in ("femoral_offset", "acetabular_offset", "hip_centre_height"):
        method = QUANTITIES[name].methods[0]
        found = linear.difference((name, operated, method), (name, other_side(operated), method))
        if found is not None:
            value, low, high = found
            quantity = QUANTITIES[name]
            yield (
                f"{quantity.label} against the other side: "
                f"{with_unit(value, quantity.unit, 1, signed=True)} "
                f"(95 % {interval_words(low, high, 1, signed=True)})."
            )


def known_sizes(reading: Reading) -> KnownSizes:
    """Return what a reading states of the index hip's implants."""
    side = reading.operated_side
    return KnownSizes(
        reading.head_diameter_mm.get(side),
        reading.cup_diameter_mm.get(side),
        reading.neck_shaft_angle_deg.get(side),
    )


def _notes(film: Film, setting: Setting) -> tuple[str, ...]:
    notes = [film.spacing.reason, film.orientation_note]
    if setting.beam_from_reading:
        notes.append("The beam's foot is where the reader states.")
    else:
        notes.append(film.beam_centre_note)
    if setting.scale:
        notes.append(
            f"Scale from {setting.scale.text}: {setting.scale.mm_per_px:.4f} mm per pixel."
        )
    if setting.reading.posture:
        notes.append(f"The film was taken {setting.reading.posture}, as the reader states.")
    return tuple(note for note in (*notes, *film.notes) if note)
