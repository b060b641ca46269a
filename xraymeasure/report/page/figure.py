"""The film as on a light box, with what was fitted drawn on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.film.film import Film
from xraymeasure.measuring.results import Drawing, Measurements, value_text
from xraymeasure.reading.reading import Reading
from xraymeasure.report.layout import style
from xraymeasure.report.page.place_labels import place_labels
from xraymeasure.report.subject import Subject

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FILM_INCHES = (9.0, 5.2)
_LABEL_PT = 7.5
_BAR_MM = 50.0
# However little was placed, so much of the film is shown that one knows where one is.
_LEAST_PART = 0.4
# Above this the film is thinned before it is drawn: finer than print resolves.
_MOST_COLUMNS = 2200


@dataclass(frozen=True)
class ShownFilm:
    """A part of a film, turned as on a light box: the patient's right at the left, head up.

    Attributes
    ----------
    grey : numpy.ndarray
        Brightness, 0 to 1, of the part.
    origin : (x, y)
        Where the part begins, in shown pixels of the whole film.
    size : (width, height)
        Of the part, in shown pixels.
    axes : numpy.ndarray, shape (2, 2)
        From (row, column) to shown (x, y), before the shift.
    shift : numpy.ndarray, shape (2,)
        Added after, so that the whole film begins at zero.
    pixel_aspect : float
        Height of a shown pixel over its width.
    """

    grey: np.ndarray
    origin: tuple[float, float]
    size: tuple[float, float]
    axes: np.ndarray
    shift: np.ndarray
    pixel_aspect: float

    def to_shown(self, points: np.ndarray) -> np.ndarray:
        """Map (row, column) points of the film, shape (n, 2), to shown (x, y)."""
        return np.asarray(np.asarray(points, dtype=float) @ self.axes.T + self.shift)


def show_film(film: Film, drawings: tuple[Drawing, ...] = (), aspect: float = 1.6) -> ShownFilm:
    """Turn a film as on a light box and cut out the part that the drawings lie in.

    Parameters
    ----------
    film : Film
    drawings : tuple of Drawing
        What must be seen, with a margin; the whole film where there are none.
    aspect : float
        Width over height that the part should have, in mm; the film's edges come first.
    """
    axes = np.array(film.patient_axes, dtype=float)
    last = np.array(film.shape, dtype=float) - 1
    shift = -np.minimum(axes @ last, 0.0)
    width, height = np.abs(axes @ (last + 1))
    pitch = film.spacing.detector_mm or film.spacing.patient_mm or (1.0, 1.0)
    x_pitch, y_pitch = np.abs(axes) @ np.array(pitch)
    paths = [drawing.path @ axes.T + shift for drawing in drawings if drawing.kind not in _LOOSE]
    left, top, right, bottom = _part(
        np.concatenate(paths) if paths else np.array([[0, 0], [width, height]]),
        (width, height),
        aspect * y_pitch / x_pitch,
    )
    grey = film.display()
    if axes[0, 1] == 0:
        grey = grey.T
    grey = grey[:: -1 if axes[1].sum() < 0 else 1, :: -1 if axes[0].sum() < 0 else 1]
    grey = _thinned(grey[top:bottom, left:right])
    return ShownFilm(
        grey,
        (left, top),
        (right - left, bottom - top),
        axes,
        shift,
        float(y_pitch / x_pitch),
    )


# These need not be seen whole: long axes, the foot of the ray, a marker on the table.
_LOOSE = frozenset({"beam", "marker", "shaft", "stem", "midline"})


def _part(
    points: np.ndarray, film_size: tuple[float, float], aspect: float
) -> tuple[int, int, int, int]:
    """Return left, top, right, bottom of the part that holds the points with a margin."""
    low, high = points.min(axis=0), points.max(axis=0)
    margin = 0.08 * float(np.max(high - low))
    centre = (low + high) / 2
    width, height = np.maximum(high - low + 2 * margin, _LEAST_PART * np.array(film_size))
    width, height = max(width, height * aspect), max(height, width / aspect)
    edges = []
    for middle, extent, whole in zip(centre, (width, height), film_size, strict=True):
        extent = min(extent, whole)
        start = float(np.clip(middle - extent / 2, 0, whole - extent))
        edges.append((int(start), int(np.ceil(start + extent))))
    (left, right), (top, bottom) = edges
    return left, top, right, bottom


def _thinned(grey: np.ndarray) -> np.ndarray:
    step = -(-grey.shape[1] // _MOST_COLUMNS)
    if step == 1:
        return grey
    rows, columns = (extent // step * step for extent in grey.shape)
    blocks = grey[:rows, :columns].reshape(rows // step, step, columns // step, step)
    return np.asarray(blocks.mean(axis=(1, 3)))


def film_figure(found: Subject) -> Figure:
    """Return a figure of the film, its landmarks and what was fitted to them."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    from xraymeasure.report.layout.type import type_settings

    with rc_context(type_settings(9.0)):
        figure = Figure(figsize=FILM_INCHES, facecolor=style.PAPER)
        draw_subject(figure, found)
    return figure


def draw_subject(figure: Figure, found: Subject) -> None:
    """Fill a figure with the film, its landmarks and what was fitted to them."""
    axes = figure.add_axes((0, 0, 1, 1))
    drawings = found.measurements.drawings
    shown = show_film(found.film, drawings, FILM_INCHES[0] / FILM_INCHES[1])
    draw_film(axes, shown, found.reading, found.measurements)


def draw_film(axes: Axes, shown: ShownFilm, reading: Reading, measurements: Measurements) -> None:
    """Draw a film, its landmarks, what was fitted to them and the labels.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Takes the shape of the film's part.
    shown : ShownFilm
        From `show_film`.
    reading : Reading
        Whose placed points are drawn as dots.
    measurements : Measurements
        Drawings, and the values for the labels.
    """
    (left, top), (width, height) = shown.origin, shown.size
    low, high = np.percentile(shown.grey[::4, ::4], [0.5, 99.8])
    axes.imshow(
        shown.grey,
        cmap="gray",
        vmin=low,
        vmax=max(high, low + 1e-3),
        extent=(left - 0.5, left + width - 0.5, top + height - 0.5, top - 0.5),
        interpolation="antialiased",
    )
    axes.set_xlim(left - 0.5, left + width - 0.5)
    axes.set_ylim(top + height - 0.5, top - 0.5)
    axes.set_aspect(shown.pixel_aspect)
    axes.apply_aspect()
    axes.set_axis_off()
    order = list(style.LINES)
    for drawing in sorted(measurements.drawings, key=lambda item: -order.index(item.kind)):
        _draw(axes, shown.to_shown(drawing.path), style.LINES[drawing.kind])
    _draw_landmarks(axes, shown, reading)
    taken = [
        *_draw_sides(axes, shown),
        *_draw_scale_bar(axes, shown, measurements.mm_per_px),
    ]
    _draw_labels(axes, shown, measurements, taken)


def _draw(axes: Axes, path: np.ndarray, line: style.Line) -> None:
    """Draw a line over a dark one: dashes too then stand on a ground of their own."""
    from matplotlib import patheffects

    x, y = path.T
    if line.marker:
        casing = patheffects.withStroke(
            linewidth=line.width + 2 * style.CASING_PT, foreground=style.CASING, alpha=0.7
        )
        axes.plot(
            x,
            y,
            line.marker,
            color=line.colour,
            markersize=7,
            markeredgewidth=line.width,
            path_effects=[casing],
        )
        return
    axes.plot(
        x,
        y,
        color=style.CASING,
        alpha=0.55,
        linewidth=line.width + 2 * style.CASING_PT,
        solid_capstyle="butt",
    )
    axes.plot(
        x,
        y,
        color=line.colour,
        linewidth=line.width,
        linestyle=(0, line.dash) if line.dash else "-",
        solid_capstyle="butt",
        dash_capstyle="butt",
    )


def _draw_landmarks(axes: Axes, shown: ShownFilm, reading: Reading) -> None:
    placed = [reading.points(name) for name in reading.landmarks]
    placed = [points for points in placed if len(points)]
    if placed:
        points = shown.to_shown(np.concatenate(placed))
        axes.plot(
            points[:, 0],
            points[:, 1],
            "o",
            markersize=1.8,
            color="white",
            markeredgecolor=style.CASING,
            markeredgewidth=0.5,
        )


def _draw_sides(axes: Axes, shown: ShownFilm) -> list[tuple[float, float, float, float]]:
    from matplotlib import patheffects

    (left, top), (width, height) = shown.origin, shown.size
    size = 0.07 * height
    taken = []
    for letter, x in (("R", left + 0.03 * width), ("L", left + 0.97 * width)):
        axes.text(
            x,
            top + 0.03 * height,
            letter,
            color="white",
            fontsize=13,
            weight="bold",
            ha="center",
            va="top",
            path_effects=[patheffects.withStroke(linewidth=2.5, foreground=style.CASING)],
        )
        taken.append((x - size / 2, top, x + size / 2, top + 1.5 * size))
    return taken


def _draw_scale_bar(
    axes: Axes, shown: ShownFilm, mm_per_px: float | None
) -> list[tuple[float, float, float, float]]:
    """Draw a bar of known length; without a scale there is none."""
    if mm_per_px is None:
        return []
    (left, top), (width, height) = shown.origin, shown.size
    # The scale is the geometric mean of both directions; the bar lies along the shown rows.
    length = _BAR_MM / mm_per_px * shown.pixel_aspect**0.5
    x, y = left + 0.03 * width, top + 0.955 * height
    _draw(axes, np.array([[x, y], [x + length, y]]), style.Line("#ffffff", 2.0, (), "", ""))
    axes.text(
        x,
        y - 0.03 * height,
        f"{_BAR_MM:.0f} mm in the plane of the hip centre",
        color="white",
        fontsize=_LABEL_PT - 0.5,
        ha="left",
        va="bottom",
        bbox=_ground("none"),
    )
    return [(x, y - 0.08 * height, x + max(length, 0.3 * width), top + height)]


def _ground(edge: str) -> dict[str, object]:
    """Return the dark ground that writing stands on, over bone and metal alike."""
    return {
        "boxstyle": "round,pad=0.25",
        "facecolor": (0, 0, 0, 0.78),
        "edgecolor": edge,
        "linewidth": 0.6,
    }


@dataclass(frozen=True)
class _Label:
    text: str
    colour: str
    anchor: np.ndarray


def _labels(shown: ShownFilm, measurements: Measurements) -> list[_Label]:
    """Return one label for each drawing that shows something with a value of its own."""
    labels = []
    for drawing in measurements.drawings:
        rows = [
            (text, measurements.primary(name, drawing.side))
            for name, text in style.FILM_LABELS.get(drawing.kind, {}).items()
        ]
        lines = [f"{text} {value_text(row)}" for text, row in rows if row]
        if lines:
            anchor = shown.to_shown(np.array([drawing.anchor]))[0]
            labels.append(_Label("\n".join(lines), style.LINES[drawing.kind].colour, anchor))
    return labels


def _draw_labels(
    axes: Axes,
    shown: ShownFilm,
    measurements: Measurements,
    taken: list[tuple[float, float, float, float]],
) -> None:
    labels = _labels(shown, measurements)
    if not labels:
        return
    (left, top), (width, height) = shown.origin, shown.size
    per_point = width / (axes.get_window_extent().width * 72 / axes.figure.dpi)
    sizes = []
    for label in labels:
        rows = label.text.split("\n")
        sizes.append(
            (
                (0.62 * _LABEL_PT * max(map(len, rows)) + 8) * per_point,
                (1.25 * _LABEL_PT * len(rows) + 8) * per_point / shown.pixel_aspect,
            )
        )
    drawn = [_dense(shown.to_shown(drawing.path)) for drawing in measurements.drawings]
    centres = place_labels(
        [tuple(label.anchor) for label in labels],
        sizes,
        np.concatenate(drawn),
        (left, top, left + width, top + height),
        taken,
    )
    for label, centre in zip(labels, centres, strict=True):
        axes.annotate(
            label.text,
            xy=tuple(label.anchor),
            xytext=centre,
            ha="center",
            va="center",
            fontsize=_LABEL_PT,
            color=label.colour,
            linespacing=1.15,
            bbox=_ground(label.colour),
            arrowprops={"arrowstyle": "-", "color": label.colour, "linewidth": 0.6},
        )


def _dense(path: np.ndarray, count: int = 40) -> np.ndarray:
    """Return points along a path, close enough that no label slips between two of them."""
    if len(path) < 2:
        return path
    at = np.linspace(0, len(path) - 1, max(count, len(path)))
    steps = np.arange(len(path))
    return np.stack([np.interp(at, steps, path[:, axis]) for axis in (0, 1)], axis=-1)
