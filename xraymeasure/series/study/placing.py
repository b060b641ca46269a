"""How far a reader's points scatter, per landmark, from repeats on the same films.

The spread of a landmark is one standard deviation of each coordinate of one point, pooled over
films with their degrees of freedom (the within-film variance of a one-way analysis of variance).

* Landmarks that are single points: squared distances, in rows and columns, from the mean of the
  repeats on a film.
* Outlines and axes: a reader who places the same outline twice does not place the same points
  again, because they slide along it. So one curve (circle, ellipse or line, as the landmark's
  kind says) is fitted through the points of all repeats on a film together, and the spread is
  that of the points across it, by least squares with as many degrees of freedom as there are
  points beyond the curve's parameters. A shift of the whole outline between two occasions is in
  it; that the points of one occasion share the shift is not.

Unequal pixel spacing is respected: a spread in px is in pixels of the geometric mean pitch.

It is a spread of placing, not of how the patient lay: repeats are readings of one film. A run
takes it in mm in the plane of the hip, so that films of different pixels share one hand; only
where no film's scale was known it is taken in pixels.

A spread from fewer than `MINIMUM_FREEDOM` degrees of freedom is reported and not used.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, ClassVar

import numpy as np
from pydantic import ConfigDict, Field, PositiveFloat

from xraymeasure.errors import MeasureError, StudyError
from xraymeasure.files.atomic import make_folder, read_text, write_atomically
from xraymeasure.files.formats import Form, parse_toml
from xraymeasure.reading.reading import Reading
from xraymeasure.series.study.study import Study
from xraymeasure.vocabulary.landmarks import LANDMARKS, LandmarkKind
from xraymeasure.vocabulary.wording import counted

PLACING = "placing"
FORMAT = "xraymeasure-placing"
VERSION = 1
MINIMUM_FREEDOM = 10
"""With ten degrees of freedom the 95 % interval of a spread reaches from 0.7 to 1.75 times it."""

_STRICT = ConfigDict(extra="forbid", allow_inf_nan=False, strict=True)


@dataclass(frozen=True)
class Repeats:
    """One reader's readings of one film on several occasions.

    Attributes
    ----------
    readings : tuple of Reading
        At least two for the film to say anything.
    pitch_mm : (float, float) or None
        Pixel spacing of the film (row, column); None takes square pixels of unknown size.
    mm_per_px : float or None
        Scale in the plane of the hip, of a pixel of the geometric mean pitch.
    """

    readings: tuple[Reading, ...]
    pitch_mm: tuple[float, float] | None = None
    mm_per_px: float | None = None


@dataclass(frozen=True)
class Spread:
    """The placing spread of one landmark.

    Attributes
    ----------
    sd_px, low_px, high_px : float
        Standard deviation of each coordinate, and its 95 % interval (chi-square).
    sd_mm : float or None
        The same in the plane of the hip, from the films whose scale is known.
    """

    __pydantic_config__: ClassVar = _STRICT

    sd_px: PositiveFloat
    low_px: PositiveFloat
    high_px: PositiveFloat
    sd_mm: PositiveFloat | None = field(default=None, kw_only=True)
    freedom: Annotated[int, Field(ge=1)]
    films: Annotated[int, Field(ge=1)]

    @property
    def usable(self) -> bool:
        """Whether it rests on enough repeats to replace a default."""
        return self.freedom >= MINIMUM_FREEDOM


@dataclass(frozen=True)
class Placing:
    """One reader's placing spread, by landmark; what its file holds."""

    __pydantic_config__: ClassVar = _STRICT

    reader: str
    landmarks: Mapping[str, Spread]

    def on_film(self, mm_per_px: float | None) -> dict[str, float] | None:
        """Return the usable spreads by landmark in px of a film; None where there is none.

        Parameters
        ----------
        mm_per_px : float or None
            Scale of the film in the plane of the hip.
        """
        found = {
            name: entry.sd_mm / mm_per_px if entry.sd_mm and mm_per_px else entry.sd_px
            for name, entry in self.landmarks.items()
            if entry.usable
        }
        return found or None


def placing_spread(reader: str, films: Iterable[Repeats]) -> Placing:
    """Return a reader's placing spread for every landmark that was placed repeatedly.

    Parameters
    ----------
    reader : str
        Code of the reader.
    films : iterable of Repeats
        One entry a film; entries with fewer than two readings say nothing and are passed over.

    Examples
    --------
    Two repeats that differ by 2 px in each coordinate: the standard deviation of a pair is the
    difference over the root of two.

    >>> from xraymeasure.reading.reading import Reading
    >>> one = Reading("A", "2026-01-01T00:00:00Z", "left", landmarks={"symphysis": ((0, 0),)})
    >>> two = one.with_points("symphysis", [(2, 2)])
    >>> placing_spread("A", [Repeats((one, two))]).landmarks["symphysis"].sd_px
    ... # doctest: +ELLIPSIS
    1.41421356...
    """
    films = [film for film in films if len(film.readings) > 1]
    found = {name: _spread(name, films) for name in LANDMARKS}
    return Placing(reader, {name: spread for name, spread in found.items() if spread is not None})


def _spread(name: str, films: Sequence[Repeats]) -> Spread | None:
    kind = LANDMARKS[name].kind
    squares = squares_mm = 0.0
    freedom = freedom_mm = used = 0
    for film in films:
        scale = _isotropic(film.pitch_mm)
        placed = [reading.points(name) * scale for reading in film.readings if reading.has(name)]
        if len(placed) < 2:
            continue
        try:
            film_squares, film_freedom = _scatter(kind, placed)
        except MeasureError:
            # Points that determine no curve say nothing about the spread across it.
            continue
        squares += film_squares
        freedom += film_freedom
        used += 1
        if film.mm_per_px is not None:
            squares_mm += film_squares * film.mm_per_px**2
            freedom_mm += film_freedom
    if freedom == 0 or squares == 0.0:
        return None
    from scipy.stats import chi2

    sd = math.sqrt(squares / freedom)
    low, high = (math.sqrt(squares / chi2.ppf(p, freedom)) for p in (0.975, 0.025))
    sd_mm = math.sqrt(squares_mm / freedom_mm) if freedom_mm else None
    return Spread(sd, low, high, freedom, used, sd_mm=sd_mm)


def _isotropic(pitch_mm: tuple[float, float] | None) -> np.ndarray:
    if pitch_mm is None:
        return np.ones(2)
    return np.asarray(pitch_mm) / math.sqrt(pitch_mm[0] * pitch_mm[1])


def _scatter(kind: LandmarkKind, placed: Sequence[np.ndarray]) -> tuple[float, int]:
    """Return the sum of squares of one coordinate's errors and its degrees of freedom."""
    if kind.shape in ("point", "points"):
        stack = np.stack(placed)
        return float(((stack - stack.mean(axis=0)) ** 2).sum()), 2 * (len(stack) - 1) * len(
            stack[0]
        )
    residuals, parameters = _across_curve(kind, np.concatenate(placed))
    return float(residuals @ residuals), len(residuals) - parameters


def _across_curve(kind: LandmarkKind, points: np.ndarray) -> tuple[np.ndarray, int]:
    from xraymeasure.geometry.curves import fit_circle, fit_line
    from xraymeasure.geometry.ellipses import fit_ellipse

    if kind.shape == "line":
        centre, direction = fit_line(points)
        return (points - centre) @ np.array([-direction[1], direction[0]]), 2
    fit = fit_circle(points) if kind.shape == "circle" else fit_ellipse(points)
    return fit.residuals, len(fit.parameters)


_FORM = Form(FORMAT, VERSION, "a placing spread", Placing, StudyError, dict)


def placing_file(study: Study, reader: str) -> Path:
    """Return where a reader's placing spread is kept."""
    return study.folder / PLACING / f"{reader}.toml"


def write_placing(study: Study, placing: Placing) -> Path:
    """Write a reader's placing spread into the study, where new readings and runs take it up."""
    lines = [
        f'format = "{FORMAT}"',
        f"version = {VERSION}",
        f'reader = "{placing.reader}"',
        "# One standard deviation of each coordinate of a point, from the reader's own repeats.",
        f"# Landmarks with fewer than {MINIMUM_FREEDOM} degrees of freedom are not used.",
        "[landmarks]",
    ]
    for name, spread in placing.landmarks.items():
        lines.append(f"[landmarks.{name}]")
        lines += [f"{key} = {value!r}" for key, value in vars(spread).items() if value is not None]
    path = placing_file(study, placing.reader)
    make_folder(path.parent)
    write_atomically(path, "\n".join(lines) + "\n")
    return path


def spread_text(placing: Placing) -> str:
    """Return a placing spread as lines for a terminal, in mm in the plane of the hip."""
    lines = [f"Reader {placing.reader}: spread of placing, one standard deviation"]
    for name, spread in placing.landmarks.items():
        size = f"{spread.sd_px:.2f} px" if spread.sd_mm is None else f"{spread.sd_mm:.2f} mm"
        used = "" if spread.usable else ", too few repeats to be used"
        count = counted(spread.films, "film")
        lines.append(f"  {LANDMARKS[name].title}: {size} ({count}{used})")
    return "\n".join(lines)


def read_placings(study: Study) -> dict[str, Placing | None]:
    """Return the placing spread of every reader of a study, None where it has none.

    Raises
    ------
    StudyError
        As `read_placing`, or if a file is of nobody who reads in the study.
    """
    for path in sorted((study.folder / PLACING).glob("*.toml")):
        if path.stem not in study.readers:
            raise StudyError(
                f"{path}: no reader of the study is called {path.stem!r} "
                f"({', '.join(study.readers)}); name it after its reader or remove it"
            )
    return {reader: read_placing(study, reader) for reader in study.readers}


def read_placing(study: Study, reader: str) -> Placing | None:
    """Return a reader's placing spread, or None where the study has none.

    Raises
    ------
    StudyError
        If the file is broken, of a newer version, or another reader's.
    """
    path = placing_file(study, reader)
    if not path.exists():
        return None
    found = parse_toml(read_text(path, StudyError), str(path), _FORM)
    if found.reader != reader:
        raise StudyError(f"{path}: reader: is {found.reader!r}; the file is named for {reader!r}")
    for name in found.landmarks:
        if name not in LANDMARKS:
            raise StudyError(f"{path}: landmarks.{name}: unknown landmark; remove it")
    return found
