"""Results as text: what the command line prints, and what a notebook shows."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from html import escape

from xraymeasure.about import CAUTION
from xraymeasure.change.kinds import KINDS
from xraymeasure.change.result import Changes
from xraymeasure.measuring.results import Measurements, interval_text, value_text
from xraymeasure.plan.compare import LABELS, Comparison, ComparisonRow
from xraymeasure.report.page.content import CORE
from xraymeasure.report.subject import Subject
from xraymeasure.vocabulary.landmarks import landmark_name
from xraymeasure.vocabulary.quantities import METHODS, QUANTITIES
from xraymeasure.vocabulary.wording import interval, is_signed, span, with_unit

_NOTHING = "-"


def _table(rows: Sequence[Sequence[str]], right: Sequence[int]) -> str:
    """Return rows as columns, the first row as heads; columns in `right` are right-aligned."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = [
        "  ".join(
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    return "\n".join("  " + line for line in lines)


def _filled(text: str) -> str:
    return textwrap.fill(text, 100, initial_indent="  ", subsequent_indent="  ")


def comparison_text(comparison: Comparison) -> str:
    """Return the comparison with the plan as a table, with why a cell is empty below it."""
    head = ("", "planned", "recorded", "on film", "difference", "95 %", "tolerance", "verdict")
    rows = [head, *(_compared(row) for row in comparison.rows)]
    lines = [_table(rows, right=range(1, 7))]
    lines += [f"  {LABELS[row.name]}: {row.reason}." for row in comparison.rows if row.reason]
    lines += map(_filled, comparison.notes)
    return "\n".join(lines)


def _compared(row: ComparisonRow) -> tuple[str, ...]:
    signed = is_signed(row.name)

    def value(number: float | None, plus: bool = signed) -> str:
        return _NOTHING if number is None else with_unit(number, row.unit, signed=plus)

    return (
        LABELS[row.name],
        value(row.planned),
        value(row.recorded),
        value(row.achieved),
        value(row.difference, plus=True),
        span(row.low, row.high, signed=True) or _NOTHING,
        _NOTHING if row.tolerance is None else f"±{value(row.tolerance, plus=False)}",
        row.verdict or _NOTHING,
    )


def measurements_text(measured: Measurements) -> str:
    """Return every measurement with its interval and method, what is missing, and the warnings."""
    rows = [("", "side", "value", "95 %", "method")]
    for row in measured.rows:
        rows.append(
            (
                QUANTITIES[row.name].label,
                row.side or "",
                value_text(row),
                interval_text(row),
                METHODS[row.method] + ("" if row.primary else " (for comparison)"),
            )
        )
    lines = [_table(rows, right=(2, 3)) if measured.rows else "  Nothing was measured."]
    if measured.missing:
        lines.append("\n  Not measured:")
        lines += [
            f"  {landmark_name(name, each.side)}: {each.reason}"
            for each in measured.missing
            for name in ["_".join(part for part in (each.name, each.method) if part)]
        ]
    if measured.findings:
        lines.append("")
    for finding in measured.findings:
        mark = "note" if finding.severity == "note" else "WARNING"
        lines.append(_filled(f"{mark} ({finding.code}): {finding.text}"))
    return "\n".join(lines) + "\n"


def changes_text(changes: Changes) -> str:
    """Return changes as lines for a terminal: value, 95 % interval, before and after."""
    lines = []
    width = max(len(kind.label) for kind in KINDS.values())
    for row in changes.rows:
        decimals = row.kind.decimals
        value = with_unit(row.value, row.unit, decimals, signed=True)
        ends = interval(row.low, row.high, decimals, signed=True)
        line = f"  {row.kind.label:<{width}}  {value:>9}  {ends:>15}"
        if row.before is not None:
            line += f"   {span(row.before, row.after, decimals):>15}"
        lines.append(line + (f"   {row.verdict}" if row.verdict else ""))
    lines += [f"  {KINDS[name].label}: {why}." for name, why in changes.missing.items()]
    if why := changes.comparability.why():
        lines.append(f"  The patient lay differently, which the intervals hold: {why}.")
    return "\n".join(lines)


def examination_text(found: Subject) -> str:
    """Return the comparison, the changes since an earlier film, and every measurement."""
    parts = []
    if found.comparison is not None:
        parts.append(comparison_text(found.comparison))
    if found.changes is not None:
        parts.append("  Since the earlier film (95 % interval; before to after):")
        parts.append(changes_text(found.changes) + "\n")
    return "\n".join([*parts, measurements_text(found.measurements)])


def _short_rows(found: Subject) -> list[tuple[str, ...]]:
    """Return what matters most, the first row as heads: against the plan, or as measured."""
    if found.compared:
        head = ("", "planned", "on film", "difference", "95 %", "verdict")
        picked = (0, 1, 3, 4, 5, 7)
        return [head, *(tuple(_compared(row)[i] for i in picked) for row in found.compared)]
    rows = [found.measurements.primary(name) for name in (*CORE, "global_offset", "magnification")]
    return [
        ("", "value", "95 %"),
        *((QUANTITIES[row.name].label, value_text(row), interval_text(row)) for row in rows if row),
    ]


def _said(found: Subject) -> str:
    loud = sum(finding.severity != "note" for finding in found.findings)
    missing = len(found.measurements.missing)
    return f"{len(found.measurements.rows)} numbers, {missing} not measured, {loud} warnings"


def summary_text(found: Subject) -> str:
    """Return an examination in about ten lines."""
    rows = _short_rows(found)
    head = f"{found.reading.operated_side.capitalize()} hip, reader {found.reading.reader}"
    lines = [head, *_table(rows, right=range(1, 5 if found.compared else 3)).splitlines()]
    return "\n".join([*lines, f"  {_said(found)}"])


def summary_html(found: Subject) -> str:
    """Return an examination as a small HTML table, for a notebook."""
    head, *rows = _short_rows(found)
    cells = "".join(f"<th>{escape(text)}</th>" for text in head)
    lines = "".join(
        "<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in rows
    )
    side = escape(found.reading.operated_side.capitalize())
    return (
        f"<table><caption>{side} hip, reader {escape(found.reading.reader)}</caption>"
        f"<thead><tr>{cells}</tr></thead><tbody>{lines}</tbody></table>"
        f"<p>{escape(_said(found))}. {escape(CAUTION)}</p>"
    )
