"""What is said of one number when it is chosen, and how a difference from plan is said."""

from __future__ import annotations

import re
from functools import lru_cache
from html import escape

from napari_xraymeasure.session.numbers import NumberRow, Numbers
from xraymeasure.measuring.results import Measurement, Measurements, interval_text, value_text
from xraymeasure.measuring.uncertainty import LandmarkShare
from xraymeasure.plan.compare import LABELS, Comparison, ComparisonRow
from xraymeasure.report.layout.style import SEVERITIES
from xraymeasure.vocabulary.landmarks import LANDMARKS
from xraymeasure.vocabulary.quantities import METHODS, QUANTITIES, SOURCES
from xraymeasure.vocabulary.wording import interval, with_unit

_NAMES = re.compile("|".join(sorted(LANDMARKS, key=len, reverse=True)))

VERDICT_WORDS = {
    "within": "within tolerance",
    "outside": "outside tolerance",
    "undecided": "undecided: the interval crosses the tolerance",
}


def row_title(row: Measurement) -> str:
    """Return what a row of the table is called."""
    title = QUANTITIES[row.name].label
    return f"{title}, {row.side}" if row.side else title


_SHORT = {
    "radiographic_inclination": "Inclination",
    "radiographic_anteversion": "Anteversion",
    "leg_length_difference": "Leg length",
    "acetabular_offset": "Acetab. offset",
    "hip_centre_lateral": "Centre lateral",
    "hip_centre_height": "Centre height",
    "neck_shaft_angle": "Neck-shaft",
    "pelvic_tilt_indicator": "Symphysis to joint",
    "pelvic_rotation_indicator": "Joint off symphysis",
    "obturator_ratio": "Obturator widths",
    "head_diameter_px": "Head on the film",
    "hip_centre_above_detector": "Hip above detector",
    "hip_centre_left_of_beam": "Hip left of beam",
    "hip_centre_caudal_of_beam": "Hip below beam",
    "cup_diameter": "Cup diameter",
    "head_to_cup_lateral": "Head off cup, along",
    "head_to_cup_cranial": "Head off cup, across",
    "stem_to_trochanter": "Stem below trochanter",
}


def short_label(name: str) -> str:
    """Return a number's label for a narrow column; the whole one is in its tooltip."""
    if name in _SHORT:
        return _SHORT[name]
    return QUANTITIES[name].label if name in QUANTITIES else LABELS[name]


@lru_cache(maxsize=256)
def in_words(reason: str) -> str:
    """Return why a number is missing with the landmarks by their titles."""
    return _NAMES.sub(lambda name: LANDMARKS[name.group()].title.lower(), reason)


def value_of_row(row: NumberRow) -> str:
    """Return a number with its interval on one line, empty where there is none."""
    if row.measurement is not None:
        return f"{value_text(row.measurement)} ({interval_text(row.measurement)})"
    compared = row.compared
    if compared is None or compared.achieved is None or row.name in QUANTITIES:
        return ""
    return (
        f"{with_unit(compared.achieved, compared.unit, signed=True)} "
        f"({interval(compared.achieved_low, compared.achieved_high, signed=True)})"
    )


def standing(row: NumberRow | None) -> tuple[str, str]:
    """Return how likely a number is within its tolerance, and what would narrow it most."""
    compared = row.compared if row else None
    if compared is None or compared.probability is None:
        return "", ""
    tolerance = with_unit(compared.tolerance, compared.unit)
    sure = f"{short_label(row.name)}: {100 * compared.probability:.0f} % likely within ±{tolerance}"
    if not compared.helps:
        return sure, ""
    best = compared.helps[0]
    return sure, f"Would be ±{with_unit(best.half_width, compared.unit)} with {best.thing}"


def difference(row: ComparisonRow) -> str:
    """Return how far a number is from plan, or why that is not known."""
    if row.difference is None:
        return row.reason
    return with_unit(row.difference, row.unit, signed=True)


def explanation(row: Measurement, measurements: Measurements, comparison: Comparison | None) -> str:
    """Return all that a person should know of one number, as simple HTML."""
    quantity = QUANTITIES[row.name]
    how = METHODS.get(row.method, row.method)
    if row.reference:
        how += f"; against the {METHODS.get(row.reference, row.reference)}"
    parts = [
        f"<p><b>{escape(row_title(row))}: {value_text(row)}</b><br>"
        f"95 % interval {interval_text(row)}</p>",
        *_listed(
            "Warnings that touch it",
            [
                f"{SEVERITIES[finding.severity][0]} {finding.text}"
                for finding in measurements.findings
                if not finding.touches or row.name in finding.touches
            ],
        ),
        f"<p>{escape(quantity.meaning)}</p>",
        f"<p><b>How</b>: {escape(how)}.</p>",
    ]
    parts += _listed(
        "Other ways give",
        [
            f"{METHODS.get(other.method, other.method)}: {value_text(other)} "
            f"({interval_text(other)})"
            for other in measurements.rows
            if other.name == row.name and other.side == row.side and other is not row
        ],
    )
    parts += _listed("It rests on", [LANDMARKS[name].title for name in row.rests_on])
    parts += _listed("Taken for granted", row.assumptions)
    shares = sorted(row.sources.items(), key=lambda item: -item[1])
    parts += _listed(
        "Its uncertainty comes from",
        [
            f"{100 * share:.0f} % {SOURCES.get(name, name)}"
            for name, share in shares
            if share >= 0.005
        ],
    )
    planned = comparison.row(row.name) if comparison and row.primary else None
    if planned and planned.side == row.side:
        parts += _listed("Against the plan", [_compared(planned)])
    parts.append(f"<p><b>How it misleads</b>: {escape(quantity.pitfall)}</p>")
    return "".join(parts)


def _listed(title: str, lines: list[str] | tuple[str, ...]) -> list[str]:
    if not lines:
        return []
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return [f"<p><b>{title}</b></p><ul>{items}</ul>"]


def _compared(row: ComparisonRow) -> str:
    if row.planned is None or row.difference is None:
        return row.reason
    text = f"planned {with_unit(row.planned, row.unit)}, difference {difference(row)}"
    if row.verdict:
        return f"{text}, {VERDICT_WORDS[row.verdict]} (±{row.tolerance:g})"
    return f"{text}; {row.reason}"


def findings(result: Numbers) -> list[str]:
    """Return everything that stands in the way or that a person should know, the loudest first."""
    lines = [text for text in (result.problem, result.plan_problem) if text]
    if result.measurements:
        order = list(SEVERITIES)
        found = sorted(result.measurements.findings, key=lambda f: order.index(f.severity))
        lines += [f"{SEVERITIES[finding.severity][0]} {finding.text}" for finding in found]
    return lines


def findings_in_short(result: Numbers) -> str:
    """Return the loudest of what there is to know, and how much else there is to read."""
    lines = findings(result)
    if not lines:
        return ""
    more = len(lines) - 1
    return lines[0] if not more else f"(+{more}) {lines[0]}"


def size_warning(result: Numbers) -> str:
    """Return what there is to say of the size that sets the scale."""
    found = result.measurements.findings if result.measurements else ()
    texts = {f.code: f.text for f in found if f.code in SIZE_CODES}
    return next((texts[code] for code in SIZE_CODES if code in texts), "")


SIZE_CODES = ("magnification_impossible", "magnification_implausible", "scale_disagreement")
"""Findings that are about the sizes in the form."""


def shares_table(shares: tuple[LandmarkShare, ...], row: Measurement) -> str:
    """Return which click moves a number, and by how much, as simple HTML."""
    lines = [
        f"<tr><td>{escape(LANDMARKS[item.landmark].title)}&nbsp;</td>"
        f"<td align='right'>{100 * item.share:.0f} %&nbsp;</td>"
        f"<td>{with_unit(item.per_px, row.unit, 2)} a pixel"
        + (f", point {item.click + 1}" if LANDMARKS[item.landmark].kind.maximum != 1 else "")
        + "</td></tr>"
        for item in shares
        if item.share >= 0.005
    ]
    if not lines:
        return ""
    return (
        "<p><b>Which click moves it</b>: share of its uncertainty, and by how much the click "
        f"moves it at most</p><table cellspacing='2'>{''.join(lines)}</table>"
    )
