"""The flow of a study as a diagram: a box a stage, and beside it what did not go on and why."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from functools import partial

from xraymeasure.report.layout import style
from xraymeasure.report.layout.blocks import Block, Heading, MakeAxes, Picture
from xraymeasure.report.layout.sheet import TEXT_MM
from xraymeasure.series.run.flow import Stage

_BOX_MM, _LINE_MM, _GAP_MM = 11.0, 3.4, 5.0
_LEFT_MM, _RIGHT_MM = 62.0, 74.0
_WRAP, _NAME_WRAP = 84, 36
_MOST = 6


def flow_blocks(stages: Sequence[Stage]) -> Iterator[Block]:
    """Return heading and diagram of the stages."""
    yield Heading("From films to numbers")
    height = sum(_height(stage) for stage in stages) + 2.0
    yield Picture(height, partial(_draw, stages), _in_words(stages))


def _lines(stage: Stage) -> list[str]:
    lines: list[str] = []
    for loss in stage.lost[:_MOST]:
        text = f"{len(loss.which)}  {loss.reason}"
        lines += textwrap.wrap(text, _WRAP, subsequent_indent="    ", max_lines=2, placeholder=" …")
    rest = sum(len(loss.which) for loss in stage.lost[_MOST:])
    return [*lines, f"{rest}  for {len(stage.lost) - _MOST} other reasons"] if rest else lines


def _height(stage: Stage) -> float:
    return max(_BOX_MM, _LINE_MM * len(_lines(stage)) + 1.0) + _GAP_MM


def _draw(stages: Sequence[Stage], make: MakeAxes) -> None:
    from matplotlib.patches import Rectangle

    height = sum(_height(stage) for stage in stages)
    axes = make(0.0, 0.0, TEXT_MM, height)
    axes.set_xlim(0.0, TEXT_MM)
    axes.set_ylim(height, 0.0)
    axes.axis("off")
    top = 0.0
    for number, stage in enumerate(stages):
        box = Rectangle(
            (0.3, top + 0.3), _LEFT_MM, _BOX_MM, fill=False, edgecolor=style.INK, linewidth=0.8
        )
        axes.add_patch(box)
        middle = top + 0.3 + _BOX_MM / 2.0
        axes.text(4.0, middle, str(stage.n), fontsize=11, weight="bold", va="center")
        name = textwrap.fill(stage.name, _NAME_WRAP)
        axes.text(17.0, middle, name, fontsize=7.2, va="center", color=style.INK)
        for row, line in enumerate(_lines(stage)):
            axes.text(
                _RIGHT_MM,
                top + 1.0 + _LINE_MM * row,
                line,
                fontsize=6.5,
                va="top",
                color=style.GREY,
            )
        if stage.lost:
            axes.plot([_LEFT_MM + 0.3, _RIGHT_MM - 2.0], [middle] * 2, color=style.RULE, lw=0.8)
        bottom = top + _height(stage)
        if number + 1 < len(stages):
            axes.annotate(
                "",
                (_LEFT_MM / 2.0, bottom + 0.2),
                (_LEFT_MM / 2.0, top + 0.3 + _BOX_MM),
                arrowprops={"arrowstyle": "-|>", "color": style.INK, "linewidth": 0.8},
            )
        top = bottom


def _in_words(stages: Sequence[Stage]) -> str:
    said = []
    for stage in stages:
        lost = "; ".join(f"{len(loss.which)} {loss.reason}" for loss in stage.lost)
        said.append(f"{stage.n} {stage.name}{f' (not on: {lost})' if lost else ''}")
    return ", ".join(said) + "."
