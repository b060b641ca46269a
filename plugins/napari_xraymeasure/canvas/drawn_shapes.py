"""What is drawn on the film: a reading and its measurements as lines, marks and labels.

Everything is in (row, column) pixels of the film; nothing here knows a window. The lines of what
was fitted come from `Measurements.drawings`; an outline that cannot be measured yet is fitted here
so that its circle or ellipse shows after the third or fifth point.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from napari_xraymeasure.session.numbers import Key, Numbers, row_of
from napari_xraymeasure.session.proposals import how_proposed
from napari_xraymeasure.session.ruler import Ruler
from napari_xraymeasure.session.session import Session
from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.film import Film
from xraymeasure.geometry.curves import fit_circle, refit_circle
from xraymeasure.geometry.ellipses import fit_ellipse, refit_ellipse
from xraymeasure.geometry.least_squares import Fit
from xraymeasure.measuring.results import Drawing, Measurements, value_text
from xraymeasure.plan.plan import Plan
from xraymeasure.plan.planned_cup import COMMON_CUP_MM, planned_cup_outline
from xraymeasure.reading.reading import Reading
from xraymeasure.report.layout.style import FILM_LABELS
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side

_OUTLINES = {
    "femoral_head": "head",
    "cup_rim": "rim",
    "cup_shell": "shell",
    "marker_sphere": "marker",
}
_FITTED = {"stem": "stem_axis", "shaft": "femoral_shaft", "native_head": "femoral_head"} | {
    kind: stem for stem, kind in _OUTLINES.items()
}
"""The landmark that a kind of line is fitted to."""
_TURN = np.linspace(0.0, 2.0 * np.pi, 91)
_RUN_AWAY = 5.0
"""An outline that became so many times larger in a drag is none."""
RESIDUAL_ENLARGED = 10
"""How many times larger than life the residuals of an outline are drawn."""


@dataclass(frozen=True, eq=False)
class Stroke:
    """A line on the film: `kind` names its look; `lit` draws it stronger."""

    kind: str
    path: np.ndarray
    lit: bool = False


class Mark(NamedTuple):
    """A placed point: `state` is a key of `line_styles.MARKS`."""

    point: tuple[float, float]
    state: str


class Label(NamedTuple):
    """A few words beside something on the film; `key` stays the same while the words change."""

    text: str
    anchor: tuple[float, float]
    kind: str
    key: str


@dataclass(frozen=True, eq=False)
class DrawnShapes:
    """What lies over the film."""

    strokes: tuple[Stroke, ...] = ()
    marks: tuple[Mark, ...] = ()
    labels: tuple[Label, ...] = ()


@dataclass(frozen=True)
class Focus:
    """What the eye should be led to.

    Attributes
    ----------
    armed : str or None
        The landmark being placed.
    selected : (name, index) or None
        The point that keys act on.
    dragged : str or None
        The landmark that is being moved, of which the measurements may be old.
    number : str or None
        The measurement being explained.
    rests_on : tuple of str
        The landmarks that it rests on.
    question : (row, column) or None
        Where something is asked about.
    waiting : tuple of (row, column)
        Clicks that wait for the side.
    cursor : (row, column) or None
        Where the keys would place a point.
    free : tuple of (row, column)
        The points of a free measurement.
    free_text : str
        What it gives.
    numbers : bool
        Whether numbers are written on the film.
    replaced : tuple of {"left", "right"}
        The hips of which the reader says that they are replaced.
    """

    armed: str | None = None
    selected: tuple[str, int] | None = None
    dragged: str | None = None
    number: str | None = None
    rests_on: tuple[str, ...] = ()
    question: tuple[float, float] | None = None
    waiting: tuple[tuple[float, float], ...] = ()
    cursor: tuple[float, float] | None = None
    free: tuple[tuple[float, float], ...] = ()
    free_text: str = ""
    numbers: bool = True
    replaced: tuple[Side, ...] = ()


def focus_of(session: Session, explained: Key | None, ruler: Ruler) -> Focus:
    """Return what the eye should be led to as things stand."""
    result = session.result
    row = row_of(result, session.reading, explained) if explained else None
    return Focus(
        armed=session.armed,
        selected=session.selected,
        dragged=session.selected[0] if session.dragging and session.selected else None,
        number=explained[0] if explained else None,
        rests_on=row.measurement.rests_on if row and row.measurement else (),
        question=session.question.point if session.question else None,
        waiting=session.waiting,
        cursor=session.cursor,
        free=ruler.points,
        free_text=ruler.text(session.film, result.measurements),
        numbers=not session.blinded,
        replaced=tuple(side for side in SIDES if session.hips.of(side) == "replaced"),
    )


def scene(
    reading: Reading,
    measurements: Measurements | None,
    focus: Focus,
    extra: Iterable[Stroke] = (),
    second: Reading | None = None,
) -> DrawnShapes:
    """Return what to draw of a reading but for what the hand holds, see `in_hand`.

    Parameters
    ----------
    reading : Reading
    measurements : Measurements or None
        What the complete part of the reading gave.
    focus : Focus
    extra : iterable of Stroke
        The plan's lines.
    second : Reading, optional
        Another reading of the film, laid over this one.
    """
    strokes = list(extra)
    drawn = set()
    labels: list[Label] = []
    if measurements:
        for drawing in measurements.drawings:
            fitted, look, lit = _look(drawing, reading, focus)
            if len(drawing.path) > 1 and not (_is_outline(fitted) and fitted == focus.dragged):
                strokes.append(Stroke(look, drawing.path, lit))
            drawn.add((drawing.kind, drawing.side))
        if focus.numbers:
            labels += _number_labels(measurements)
    marks: list[Mark] = []
    for name in reading.landmarks:
        if name != focus.dragged:
            landmark = LANDMARKS[name]
            kind = _OUTLINES.get(landmark.kind.stem)
            shown = {(kind, landmark.side), ("native_head", landmark.side)} & drawn
            own = _of_landmark(reading, name, focus, fit=not shown)
            strokes += own.strokes
            marks += own.marks
            labels += own.labels
    if second:
        for name, points in second.landmarks.items():
            path = outline(name, points)
            if path is not None:
                strokes.append(Stroke("second", path))
        marks += [Mark(point, "second") for points in second.landmarks.values() for point in points]
    if focus.question:
        marks.append(Mark(focus.question, "question"))
        labels.append(Label("?", focus.question, "question", "question"))
    marks += [Mark(point, "question") for point in focus.waiting]
    if focus.cursor:
        marks.append(Mark(focus.cursor, "cursor"))
    marks += [Mark(point, "free") for point in focus.free]
    if len(focus.free) > 1:
        strokes.append(Stroke("free", np.array(focus.free)))
        labels.append(Label(focus.free_text, focus.free[1], "free", "free"))
    return DrawnShapes(tuple(strokes), tuple(marks), tuple(labels))


def in_hand(
    reading: Reading, measurements: Measurements | None, focus: Focus, before: Reading
) -> DrawnShapes | None:
    """Return what to draw of the landmark that is dragged, given the reading before the drag.

    None while none is dragged.
    """
    if focus.dragged is None:
        return None
    drawings = measurements.drawings if measurements else ()
    looks = (_look(drawing, reading, focus) for drawing in drawings)
    known = next((look[1:] for look in looks if look[0] == focus.dragged), None)
    near = outline_fit(focus.dragged, before.landmarks[focus.dragged])
    return _of_landmark(reading, focus.dragged, focus, known, near, fit=True)


def _look(drawing: Drawing, reading: Reading, focus: Focus) -> tuple[str, str, bool]:
    """Return the landmark a line is fitted to, the line's kind of look, and whether it is lit."""
    look, fitted = drawing.kind, _FITTED.get(drawing.kind, "")
    if drawing.side:
        fitted = f"{fitted}_{drawing.side}"
    if look == "native_head" and drawing.side in focus.replaced:
        look = "head"
    lit = focus.number is not None and focus.number in drawing.names
    return fitted, "proposed" if fitted in reading.unconfirmed else look, lit


def _of_landmark(
    reading: Reading,
    name: str,
    focus: Focus,
    known: tuple[str, bool] | None = None,
    near: Fit | None = None,
    *,
    fit: bool,
) -> DrawnShapes:
    """Return marks and title of a landmark, its outline if one is to be fitted, and residuals."""
    kind, points = LANDMARKS[name].kind, reading.landmarks[name]
    proposed, lit = name in reading.unconfirmed, name in focus.rests_on
    strokes, labels = [], []
    look = _OUTLINES.get(kind.stem)
    path = outline(name, points, near) if fit else None
    if path is not None:
        look_now, lit_now = known or ("proposed" if proposed else look, lit)
        strokes.append(Stroke(look_now, path, lit_now))
    if look and name == focus.armed and not proposed:
        strokes += _residuals(name, points)
    if lit:
        state = "lit"
    elif proposed:
        state = "proposed"
    elif name == focus.armed:
        state = "armed"
    else:
        state = "outline" if _is_outline(name) else "placed"
    chosen, index = focus.selected or (focus.armed, None)
    marks = [Mark(point, state) for point in points]
    if chosen == name and index is not None and index < len(points):
        marks[index] = Mark(points[index], "selected")
    if points and name == chosen:
        title = f"{LANDMARKS[name].title}{f': {how_proposed(reading, name)}' * proposed}"
        labels.append(Label(title, points[-1], "proposed" if proposed else "landmark", "landmark"))
    return DrawnShapes(tuple(strokes), tuple(marks), tuple(labels))


def _is_outline(name: str) -> bool:
    return name in LANDMARKS and LANDMARKS[name].kind.stem in _OUTLINES


def _number_labels(measurements: Measurements) -> list[Label]:
    """Return a label for each drawing of a hip that shows a number of its own."""
    labels = []
    for drawing in measurements.drawings:
        rows = [
            (tag, measurements.primary(name, drawing.side))
            for name, tag in FILM_LABELS.get(drawing.kind, {}).items()
        ]
        text = "\n".join(f"{tag} {value_text(row)}" for tag, row in rows if row)
        if text:
            key = f"{drawing.kind} {drawing.side}"
            labels.append(Label(text, drawing.anchor, drawing.kind, key))
    return labels


def outline(
    name: str, points: Iterable[tuple[float, float]], near: Fit | None = None
) -> np.ndarray | None:
    """Return the fitted circle or ellipse of an outline, shape (n, 2), or None where none is.

    Beginning from a fit that is `near`, as in a drag, it is found many times sooner.
    """
    if not _is_outline(name):
        return None
    circle = LANDMARKS[name].kind.shape == "circle"
    if near is None:
        fit = outline_fit(name, points)
        if fit is None:
            return None
        parameters = fit.parameters
    else:
        copies = np.array(list(points), dtype=float)[:, ::-1, None]
        parameters = (refit_circle if circle else refit_ellipse)(copies, near.parameters)[:, 0]
        if parameters[2] > _RUN_AWAY * near.parameters[2]:
            return None
    if circle:
        x, y, radius = parameters
        xy = x + radius * np.cos(_TURN), y + radius * np.sin(_TURN)
    else:
        x, y, a, b, angle = parameters
        cos, sin = np.cos(angle), np.sin(angle)
        u, v = a * np.cos(_TURN), b * np.sin(_TURN)
        xy = x + cos * u - sin * v, y + sin * u + cos * v
    return np.column_stack(xy)[:, ::-1]


def outline_fit(name: str, points: Iterable[tuple[float, float]]):
    """Return the `Fit` of an outline's points in pixels, or None if they do not determine it."""
    kind = LANDMARKS[name].kind
    points = tuple(map(tuple, points))
    return _fit(kind.shape == "circle", points) if len(points) >= kind.minimum else None


# A move of a drag asks for the same outline up to three times.
@lru_cache(maxsize=32)
def _fit(circle: bool, points: tuple[tuple[float, float], ...]):
    try:
        return (fit_circle if circle else fit_ellipse)(np.array(points, dtype=float)[:, ::-1])
    except XrayMeasureError:
        return None


def _residuals(name: str, points: Iterable[tuple[float, float]]) -> list[Stroke]:
    """Return a line at each point of an outline towards the curve, enlarged."""
    points = np.array(list(points), dtype=float).reshape(-1, 2)
    fit = outline_fit(name, points)
    if fit is None or fit.spread is None:
        return []
    centre = fit.parameters[1::-1]
    outward = points - centre
    outward /= np.maximum(np.hypot(*outward.T), 1e-9)[:, None]
    ends = points + RESIDUAL_ENLARGED * fit.residuals[:, None] * outward
    return [
        Stroke("residual", np.array([start, end])) for start, end in zip(points, ends, strict=True)
    ]


def spread_in_words(reading: Reading, name: str, mm_per_px: float | None) -> str:
    """Return how well the points of an outline lie on their curve, or what is still wanted."""
    kind = LANDMARKS[name].kind
    points = reading.landmarks.get(name, ())
    if len(points) < kind.minimum:
        return f"{len(points)} of at least {kind.minimum} points"
    fit = outline_fit(name, points)
    if fit is None:
        return f"{len(points)} points; no {kind.shape} fits them yet: spread them along the edge"
    if fit.spread is None:
        return f"{len(points)} points; one more shows how well they lie on the {kind.shape}"
    text = f"{len(points)} points, spread about the {kind.shape} {fit.spread:.1f} px"
    if mm_per_px:
        text += f" ({fit.spread * mm_per_px:.2f} mm)"
    return f"{text}; deviations drawn {RESIDUAL_ENLARGED} times larger"


def plan_strokes(film: Film, reading: Reading, plan: Plan | None, result: Numbers) -> list[Stroke]:
    """Return the lines of the plan: the opening of the cup, about the measured hip centre."""
    measurements, comparison = result.measurements, result.comparison
    if plan is None or comparison is None or measurements is None:
        return []
    rows = [comparison.row(f"radiographic_{name}") for name in ("inclination", "anteversion")]
    angles = tuple(row.planned if row else None for row in rows)
    if None in angles:
        return []
    known = plan.cup.outer_diameter_mm or reading.cup_diameter_mm.get(reading.operated_side)
    path = planned_cup_outline(film, reading, measurements, angles, known or COMMON_CUP_MM)
    return [] if path is None else [Stroke("plan", path)]
