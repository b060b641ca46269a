"""The pages behind the first: every number with its method, and everything that was said of it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from xraymeasure.report.layout import style
from xraymeasure.report.layout.blocks import Heading, Paragraph, Setter
from xraymeasure.report.layout.sheet import (
    MARGIN_MM,
    TEXT_MM,
    Sheet,
    line_height,
    text_width,
    wrapped,
)
from xraymeasure.report.page.content import Content, DetailLine
from xraymeasure.vocabulary.quantities import SOURCES

Line = tuple[str, str, str]
"""Glyph, colour and text."""


def further_pages(content: Content, findings: Sequence[Line]) -> list[Sheet]:
    """Return the pages after the first.

    Parameters
    ----------
    content : Content
    findings : sequence of (glyph, colour, text)
        What had no room on the first page.
    """
    flow = Setter(content.title, content.identity)
    flow.set(Heading("Everything that was measured, with 95 % intervals"))
    _key_to_shares(flow)
    for label, lines in groupby(content.details, key=lambda line: line.label):
        _detail_group(flow, label, list(lines))
    changes = [
        f"{line.label}: {line.change} ({line.interval})"
        + (f", {line.before_to_after}" if line.before_to_after else "")
        + (f". {line.said}" if line.said else "")
        for line in content.changes
    ]
    pitfalls = [f"{label}. {text}" for label, text in content.pitfalls]
    for heading, items in (
        ("Before you rely on it, continued", findings),
        ("Since the earlier film, with 95 % intervals", _dotted(changes)),
        ("Not measured", _dotted([f"{label}: {why}" for label, why in content.missing])),
        ("Taken to be so", _dotted(content.assumptions)),
        ("Where scale, spacing and geometry came from", _dotted(content.provenance)),
        ("How the numbers mislead", _dotted([*pitfalls, *content.remarks[1:]])),
    ):
        if items:
            said = [Paragraph(text, glyph=glyph, colour=colour) for glyph, colour, text in items]
            flow.set(Heading(heading), said)
            for paragraph in said:
                flow.set(paragraph)
    return flow.sheets


def _dotted(texts: Sequence[str]) -> list[Line]:
    return [("·", style.GREY, text) for text in texts]


_DETAIL = {"label": 0.0, "side": 51.5, "value": 59.5, "interval": 77.0, "method": 102.5}
_SHARES_MM = 167.0


def _key_to_shares(flow: Setter) -> None:
    x = MARGIN_MM
    flow.sheets[-1].text(x, flow.y, "The bar shows where the uncertainty comes from:", 7)
    x += text_width("The bar shows where the uncertainty comes from:", 7) + 2.5
    for key, title in SOURCES.items():
        if x + 5 + text_width(title, 7) > MARGIN_MM + TEXT_MM:
            x, flow.y = MARGIN_MM, flow.y + line_height(7)
        flow.sheets[-1].box(x, flow.y + 0.7, 2.6, 1.9, style.SHARES[key])
        flow.sheets[-1].text(x + 3.4, flow.y, title, 7)
        x += text_width(title, 7) + 7
    flow.y += line_height(7) + 1.5


def _detail_group(flow: Setter, label: str, lines: list[DetailLine]) -> None:
    """Write every value of one name; they stay together on a page."""
    methods = [wrapped(line.method, _SHARES_MM - _DETAIL["method"] - 1, 6.6) for line in lines]
    heights = [max(len(method) * line_height(6.6), 3.4) + 0.7 for method in methods]
    primary = any(line.primary for line in lines)
    name = wrapped(label, _DETAIL["side"] - 2, 7.6, primary)
    height = max(sum(heights), len(name) * line_height(7.6) + 0.7)
    flow.room_for(height)
    sheet = flow.sheets[-1]
    sheet.rule(flow.y, pt=0.4)
    for step, text in enumerate(name):
        at = flow.y + 0.5 + step * line_height(7.6)
        sheet.text(MARGIN_MM, at, text, 7.6, bold=primary)
    y = flow.y
    for line, method, taken in zip(lines, methods, heights, strict=True):
        _detail_line(sheet, y, line, method)
        y += taken
    flow.y += height


def _detail_line(sheet: Sheet, y: float, line: DetailLine, method: list[str]) -> None:
    colour = style.INK if line.primary else style.GREY
    for key, text in (("side", line.side), ("value", line.value), ("interval", line.interval)):
        bold = line.primary and key == "value"
        sheet.text(MARGIN_MM + _DETAIL[key], y + 0.5, text, 7.6, colour=colour, bold=bold)
    for step, text in enumerate(method):
        at = y + 0.7 + step * line_height(6.6)
        sheet.text(MARGIN_MM + _DETAIL["method"], at, text, 6.6, colour=colour)
    start, width = MARGIN_MM + _SHARES_MM, TEXT_MM - _SHARES_MM
    for key, share in line.shares:
        sheet.box(start, y + 1.2, width * share, 2.0, style.SHARES[key])
        start += width * share
