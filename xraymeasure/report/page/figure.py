"""The film as on a light box, with what was fitted drawn on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib import rc_context
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from xraymeasure.film.film import Film
from xraymeasure.measuring.results import Drawing, Measurements, value_text
from xraymeasure.reading.reading import Reading
from xraymeasure.report.layout import style
from xraymeasure.report.layout.light_box import LightBox
from xraymeasure.report.layout.type import Line, type_settings, width_pt
from xraymeasure.report.page.place_labels import Box, dense, place_labels
from xraymeasure.report.subject import Subject

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INCHES = (9.0, 5.2)
_LABEL_PT = 7.5
_BAR_MM = 50.0
# However little was placed, so much of the film is shown that one knows where one is.
_LEAST_PART = 0.4


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
    return ShownFilm(
        grey[top:bottom, left:right],
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


def film_figure(found: Subject) -> Figure:
    """Return a figure of the film, its landmarks and what was fitted to them."""
    with rc_context(type_settings(9.0)):
        figure = Figure(figsize=_INCHES, facecolor=style.PAPER)
        shown = show_film(found.film, found.measurements.drawings, _INCHES[0] / _INCHES[1])
        draw_film(figure.add_axes((0, 0, 1, 1)), shown, found.reading, found.measurements)
    return figure


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
    axes.set_xlim(left - 0.5, left + width - 0.5)
    axes.set_ylim(top + height - 0.5, top - 0.5)
    axes.set_aspect(shown.pixel_aspect)
    axes.apply_aspect()
    axes.set_axis_off()
    axes.add_image(LightBox(axes, shown.grey))
    order = list(style.LINES)
    _draw(
        axes,
        [
            (shown.to_shown(drawing.path), style.LINES[drawing.kind])
            for drawing in sorted(measurements.drawings, key=lambda item: -order.index(item.kind))
        ],
    )
    _draw_landmarks(axes, shown, reading)
    taken = [*_draw_sides(axes, shown), *_draw_scale_bar(axes, shown, measurements.mm_per_px)]
    _draw_labels(axes, shown, measurements, taken)


def _draw(axes: Axes, lines: list[tuple[np.ndarray, style.Line]]) -> None:
    """Draw lines, each over a dark one: dashes too then stand on a ground of their own."""
    casing = (0.0, 0.0, 0.0, 0.55)
    paths: list[np.ndarray] = []
    looks: list[tuple[Any, float, Any]] = []
    for path, line in lines:
        if line.marker:
            for colour, more in ((casing, 2 * style.CASING_PT), (line.colour, 0.0)):
                axes.add_artist(
                    Line2D(
                        *path.T,
                        marker=line.marker,
                        color=colour,
                        linestyle="none",
                        markersize=7 + more,
                        markeredgewidth=line.width + more,
                        zorder=2.5,
                    )
                )
            continue
        paths += [path, path]
        looks += [
            (casing, line.width + 2 * style.CASING_PT, "solid"),
            (line.colour, line.width, (0, line.dash) if line.dash else "solid"),
        ]
    if paths:
        colours, widths, dashes = zip(*looks, strict=True)
        axes.add_collection(
            LineCollection(
                paths,
                colors=colours,
                linewidths=widths,
                linestyles=list(dashes),
                capstyle="butt",
                zorder=2,
            ),
            autolim=False,
        )


def _draw_landmarks(axes: Axes, shown: ShownFilm, reading: Reading) -> None:
    placed = [reading.points(name) for name in reading.landmarks]
    placed = [points for points in placed if len(points)]
    if placed:
        dots = Line2D(
            *shown.to_shown(np.concatenate(placed)).T,
            marker="o",
            linestyle="none",
            markersize=1.8,
            color="white",
            markeredgecolor=style.CASING,
            markeredgewidth=0.5,
        )
        axes.add_artist(dots)


def _draw_sides(axes: Axes, shown: ShownFilm) -> list[Box]:
    (left, top), (width, height) = shown.origin, shown.size
    return [
        _Sign(letter, "#ffffff", size=13.0, bold=True).stand(
            axes, shown, (left + part * width, top + 0.06 * height)
        )
        for letter, part in (("R", 0.03), ("L", 0.97))
    ]


def _draw_scale_bar(axes: Axes, shown: ShownFilm, mm_per_px: float | None) -> list[Box]:
    """Draw a bar of known length; without a scale there is none."""
    if mm_per_px is None:
        return []
    (left, top), (width, height) = shown.origin, shown.size
    # The scale is the geometric mean of both directions; the bar lies along the shown rows.
    length = _BAR_MM / mm_per_px * shown.pixel_aspect**0.5
    x, y = left + 0.03 * width, top + 0.955 * height
    _draw(axes, [(np.array([[x, y], [x + length, y]]), style.Line("#ffffff", 2.0, (), "", ""))])
    sign = _Sign(f"{_BAR_MM:.0f} mm in the plane of the hip centre", "#ffffff", _LABEL_PT - 0.5)
    wide, high = sign.extent(axes, shown)
    box = sign.stand(axes, shown, (x + wide / 2, y - 0.03 * height - high / 2))
    return [(x, box[1], max(x + length, box[2]), top + height)]


@dataclass(frozen=True)
class _Sign:
    """Writing on a dark ground, readable over bone and metal alike; sizes are in points."""

    text: str
    colour: str
    size: float = _LABEL_PT
    edge: str = "none"
    bold: bool = False

    def extent(self, axes: Axes, shown: ShownFilm) -> tuple[float, float]:
        """Return its width and height in shown pixels."""
        rows = self.text.split("\n")
        # Letters drawn for a screen take a little more than their width.
        wide = 1.04 * max(width_pt(row, self.size, self.bold) for row in rows) + 0.6 * self.size
        x_point, y_point = _per_point(axes, shown)
        return wide * x_point, (1.2 * len(rows) + 0.4) * self.size * y_point

    def stand(
        self,
        axes: Axes,
        shown: ShownFilm,
        centre: tuple[float, float],
        anchor: np.ndarray | None = None,
    ) -> Box:
        """Draw it about its centre, with a line to what it names; return where it stands."""
        half = np.array(self.extent(axes, shown)) / 2
        corner = centre - half
        if anchor is not None:
            toward = anchor - centre
            # Where the line leaves the ground.
            share = float(np.min(half / np.maximum(np.abs(toward), 1e-9)))
            if share < 1.0:
                ends = np.stack([centre + share * toward, anchor], axis=-1)
                axes.add_artist(Line2D(*ends, color=self.colour, linewidth=0.6, zorder=3))
        axes.add_artist(
            Rectangle(
                (corner[0], corner[1]),
                *(2 * half),
                facecolor=(0.0, 0.0, 0.0, 0.78),
                edgecolor=self.edge,
                linewidth=0.6,
                zorder=4,
            )
        )
        rows = self.text.split("\n")
        step = self.size * _per_point(axes, shown)[1]
        for number, row in enumerate(rows):
            baseline = centre[1] + (1.2 * (number - (len(rows) - 1) / 2) + 0.365) * step
            axes.add_artist(
                Line(
                    (centre[0], baseline),
                    row,
                    self.size,
                    axes.transData,
                    bold=self.bold,
                    colour=self.colour,
                    align="center",
                    zorder=5,
                )
            )
        return (*corner, *(corner + 2 * half))


def _per_point(axes: Axes, shown: ShownFilm) -> tuple[float, float]:
    """Return how many shown pixels a point on paper is wide and high."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    across = shown.size[0] * figure.dpi / 72 / axes.bbox.width
    return across, across / shown.pixel_aspect


def _labels(measurements: Measurements) -> list[tuple[_Sign, tuple[float, float]]]:
    """Return one label, and its anchor, for each drawing that shows a value of its own."""
    labels = []
    for drawing in measurements.drawings:
        rows = [
            (text, measurements.primary(name, drawing.side))
            for name, text in style.FILM_LABELS.get(drawing.kind, {}).items()
        ]
        lines = [f"{text} {value_text(row)}" for text, row in rows if row]
        if lines:
            colour = style.LINES[drawing.kind].colour
            labels.append((_Sign("\n".join(lines), colour, edge=colour), drawing.anchor))
    return labels


def _draw_labels(
    axes: Axes, shown: ShownFilm, measurements: Measurements, taken: list[Box]
) -> None:
    labels = _labels(measurements)
    if not labels:
        return
    (left, top), (width, height) = shown.origin, shown.size
    # Air about each.
    air = 4 * np.array(_per_point(axes, shown))
    sizes = [sign.extent(axes, shown) + air for sign, _ in labels]
    anchors = shown.to_shown(np.array([anchor for _, anchor in labels]))
    centres = place_labels(
        list(anchors),
        sizes,
        np.concatenate([dense(shown.to_shown(line.path), 60) for line in measurements.drawings]),
        (left, top, left + width, top + height),
        taken,
    )
    for (sign, _), centre, anchor in zip(labels, centres, anchors, strict=True):
        sign.stand(axes, shown, centre, anchor)
