"""What the report says, before it is set on paper or screen."""

from __future__ import annotations

import re
from dataclasses import dataclass

from xraymeasure import __version__
from xraymeasure.about import CAUTION
from xraymeasure.change.difference import why_missing
from xraymeasure.change.result import Change
from xraymeasure.measuring.results import (
    Finding,
    Measurement,
    Measurements,
    Missing,
    interval_text,
    value_text,
)
from xraymeasure.plan.compare import LABELS, Comparison, ComparisonRow
from xraymeasure.report.subject import Subject
from xraymeasure.vocabulary import wording
from xraymeasure.vocabulary.landmarks import LANDMARKS, other_side
from xraymeasure.vocabulary.quantities import METHODS, QUANTITIES, SOURCES

LENGTHS_REMARK = (
    "Of the lengths on a plain film, femoral offset is the weakest and leg length the strongest: "
    "of changes measured in 18 cadaver hips, 35 % of femoral offsets, 15 % of global offsets and "
    "1 % of leg lengths lay more than 5 mm from CT (Weber M et al., J Arthroplasty "
    "2014;29:1661-1665, abstract read)."
)
ZONE_REMARK = (
    "Inside or outside a target is weak evidence about dislocation: of 206 dislocated hips 58 % "
    "had the cup inside (Abdel MP et al., Clin Orthop Relat Res 2016, "
    "doi 10.1007/s11999-015-4432-5, quoted from a later abstract)."
)
CT_REMARK = (
    "Anteversion in a CT report is usually the anatomical one and reads higher than the "
    "radiographic one of the same cup: 12.5 on the film is 18.0 at an inclination of 43. One "
    "series read 23.8 on CT, so that definition explains about half (Noback PC et al., J "
    "Arthroplasty 2016;31:2320-2324, abstract read)."
)

CORE = (
    "radiographic_inclination",
    "radiographic_anteversion",
    "leg_length_difference",
    "femoral_offset",
)
"""What is asked first."""
_BESIDE_THE_OTHER_SIDE = frozenset({"femoral_offset", "global_offset"})
_LOUDNESS = {"strong": 0, "warning": 1, "note": 2}


@dataclass(frozen=True)
class Whisker:
    """An interval of a difference against its tolerance, in per cent of a line's length.

    Attributes
    ----------
    band_low, band_high : float
        The tolerance about the plan, which lies at 50.
    low, high, at : float
        The interval and the difference itself.
    """

    band_low: float
    band_high: float
    low: float
    high: float
    at: float


@dataclass(frozen=True)
class TableLine:
    """One line of the table on the first page; every text is ready to be set."""

    label: str
    beside: tuple[str, ...]
    measured: str
    measured_interval: str
    reason: str
    planned: str = ""
    recorded: str = ""
    difference: str = ""
    difference_interval: str = ""
    tolerance: str = ""
    whisker: Whisker | None = None
    verdict: str | None = None


@dataclass(frozen=True)
class ChangeLine:
    """One line of the table of what changed since an earlier film."""

    label: str
    before_to_after: str
    change: str
    interval: str
    said: str


@dataclass(frozen=True)
class DetailLine:
    """One line of the table of everything that was measured."""

    label: str
    side: str
    value: str
    interval: str
    method: str
    primary: bool
    shares: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Content:
    """Everything that the report says, in reading order."""

    title: str
    identity: tuple[str, ...]
    headlines: tuple[tuple[str | None, str], ...]
    compared: bool
    table: tuple[TableLine, ...]
    findings: tuple[Finding, ...]
    methods: tuple[str, ...]
    conversions: tuple[str, ...]
    provenance: tuple[str, ...]
    remarks: tuple[str, ...]
    changes: tuple[ChangeLine, ...]
    details: tuple[DetailLine, ...]
    missing: tuple[tuple[str, str], ...]
    assumptions: tuple[str, ...]
    pitfalls: tuple[tuple[str, str], ...]
    caution: str = CAUTION


def report_content(found: Subject) -> Content:
    """Return what there is to say about a film; nothing that names the patient.

    Parameters
    ----------
    found : Subject
        Of the film only its pixels' hash is named.
    """
    measurements, comparison = found.measurements, found.comparison
    side = measurements.operated_side
    digest = measurements.film.pixel_sha256 or found.film.pixel_sha256
    primary = [row for row in measurements.rows if row.primary]
    return Content(
        title=f"{side.capitalize()} hip: " + ("film against plan" if comparison else "measured"),
        identity=(
            f"film {digest[:12]}",
            f"reader {measurements.reader}",
            f"xraymeasure {__version__}",
        ),
        headlines=_headlines(comparison),
        compared=comparison is not None,
        table=_table(measurements, comparison),
        findings=tuple(sorted(measurements.findings, key=lambda item: _LOUDNESS[item.severity])),
        methods=_methods(measurements),
        conversions=comparison.notes if comparison else (),
        provenance=measurements.notes,
        remarks=(LENGTHS_REMARK, ZONE_REMARK, CT_REMARK),
        changes=tuple(_change(row) for row in found.changes.rows) if found.changes else (),
        details=tuple(_detail(row) for row in measurements.rows),
        missing=tuple(
            (missing_label(each), _sentence(in_words(each.reason))) for each in measurements.missing
        ),
        assumptions=tuple(
            dict.fromkeys(_sentence(text) for row in primary for text in row.assumptions)
        ),
        pitfalls=tuple(
            (QUANTITIES[name].label, QUANTITIES[name].pitfall)
            for name in (*CORE, "global_offset", "magnification")
            if measurements.primary(name)
        ),
    )


def _headlines(comparison: Comparison | None) -> tuple[tuple[str | None, str], ...]:
    if comparison is None:
        return ((None, "No plan was given: measured values, without a verdict."),)
    said = []
    for verdict, words_for_it in (
        ("outside", "Outside the tolerance"),
        ("undecided", "Undecided"),
        ("within", "Within the tolerance"),
    ):
        labels = [LABELS[row.name] for row in comparison.rows if row.verdict == verdict]
        if labels:
            said.append((verdict, f"{words_for_it}: {_listed(labels)}"))
    if not said:
        return ((None, "No verdict: nothing that was measured has both a plan and a tolerance."),)
    return tuple(said)


def _listed(labels: list[str]) -> str:
    return ", ".join(label[0].lower() + label[1:] for label in labels)


def _table(measurements: Measurements, comparison: Comparison | None) -> tuple[TableLine, ...]:
    lines = []
    if comparison:
        for row in comparison.rows:
            lines.append(_compared_line(measurements, row))
            if row.name == "femoral_offset":
                lines += _measured_lines(measurements, ("global_offset",))
    else:
        lines += _measured_lines(measurements, (*CORE, "global_offset"))
    return tuple(lines)


def _beside(measurements: Measurements, name: str) -> tuple[str, ...]:
    """Return the value of the other side, where it helps to read this one."""
    other = other_side(measurements.operated_side)
    row = measurements.primary(name, other) if name in _BESIDE_THE_OTHER_SIDE else None
    if row is None:
        return ()
    return (f"{other} side {value_text(row)} ({interval_text(row)})",)


def _compared_line(measurements: Measurements, row: ComparisonRow) -> TableLine:
    signed = wording.is_signed(row.name)

    def text(value: float | None, absent: str, signed: bool = signed) -> str:
        return absent if value is None else wording.with_unit(value, row.unit, signed=signed)

    recorded = wording.span(row.recorded_low, row.recorded_high, signed=signed)
    return TableLine(
        label=LABELS[row.name],
        beside=_beside(measurements, row.name),
        planned=text(row.planned, "not planned"),
        recorded=f"{text(row.recorded, 'not recorded')} {recorded}".rstrip(),
        measured=text(row.achieved, "not measured"),
        measured_interval=wording.span(row.achieved_low, row.achieved_high, signed=signed),
        difference=text(row.difference, "", signed=True),
        difference_interval=wording.span(row.low, row.high, signed=True),
        tolerance="" if row.tolerance is None else f"±{row.tolerance:g}{wording.UNITS[row.unit]}",
        whisker=_whisker(row),
        verdict=row.verdict,
        reason=in_words(row.reason),
    )


def _whisker(row: ComparisonRow) -> Whisker | None:
    if row.difference is None or row.low is None or row.high is None or row.tolerance is None:
        return None
    # Twice the tolerance to either side, and more only where the interval itself needs it.
    reach = max(2.0 * row.tolerance, 1.08 * abs(row.low), 1.08 * abs(row.high))

    def along(value: float) -> float:
        return round(50.0 + 50.0 * value / reach, 2)

    return Whisker(
        along(-row.tolerance),
        along(row.tolerance),
        along(row.low),
        along(row.high),
        along(row.difference),
    )


def _measured_lines(measurements: Measurements, names: tuple[str, ...]) -> list[TableLine]:
    lines = []
    for name in names:
        row = measurements.primary(name)
        if row is None and name == "global_offset":
            continue
        why = "" if row else in_words(why_missing(measurements, name))
        lines.append(
            TableLine(
                label=LABELS.get(name, QUANTITIES[name].label),
                beside=_beside(measurements, name),
                measured=value_text(row) if row else "not measured",
                measured_interval=interval_text(row) if row else "",
                reason="read it beside the femoral offset" if name == "global_offset" else why,
            )
        )
    return lines


def _methods(measurements: Measurements) -> tuple[str, ...]:
    said = []
    for name, what in (
        ("radiographic_anteversion", "Cup"),
        ("leg_length_difference", "Leg length"),
        ("femoral_offset", "Offset"),
        ("magnification", "Scale"),
    ):
        row = measurements.primary(name)
        if row is not None:
            line = f", to the {METHODS[row.reference]}" if row.reference in METHODS else ""
            said.append(f"{what}: {METHODS.get(row.method, row.method)}{line}.")
    return tuple(said)


def _change(row: Change) -> ChangeLine:
    decimals = row.kind.decimals
    return ChangeLine(
        label=row.kind.label,
        before_to_after=wording.span(row.before, row.after, decimals),
        change=wording.with_unit(row.value, row.unit, decimals, signed=True),
        interval=wording.interval(row.low, row.high, decimals, signed=True),
        said=". ".join(part for part in (row.verdict, row.reason) if part),
    )


def _detail(row: Measurement) -> DetailLine:
    return DetailLine(
        label=QUANTITIES[row.name].label,
        side=row.side or "",
        value=value_text(row),
        interval=interval_text(row),
        method=METHODS.get(row.method, row.method),
        primary=row.primary,
        shares=tuple((key, row.sources[key]) for key in SOURCES if row.sources.get(key, 0) > 0),
    )


def missing_label(missing: Missing) -> str:
    """Return what a person reads for something that could not be measured.

    >>> missing_label(Missing("femoral_offset", "left", None, "..."))
    'Femoral offset, left'
    """
    method = METHODS.get(missing.method or "", "")
    parts = (QUANTITIES[missing.name].label, method, missing.side)
    return ", ".join(part for part in parts if part)


def in_words(text: str) -> str:
    """Return a reason in which landmarks are called as a person calls them.

    >>> in_words("cup_rim_left is not placed")
    'left cup rim outline is not placed'
    """
    return _LANDMARK.sub(lambda found: _called(found[0]), text)


_LANDMARK = re.compile(rf"\b({'|'.join(sorted(LANDMARKS, key=len, reverse=True))})\b")


def _called(name: str) -> str:
    landmark = LANDMARKS[name]
    title = landmark.kind.title.lower()
    return f"{landmark.side} {title}" if landmark.side else title


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
