"""What is said of films that are used wrongly, a misuse a row.

Run as ``python -m tests.benchmarks.bench_mix_ups FOLDER`` over DICOM films whose truth lies beside
them (``NAME.dcm``, ``NAME.truth.json``: landmarks and outlines as column and row, angles and
lengths of both hips). Each replaced hip is read with human noise, the misuse is done to film or
reading, and the row tells the largest error of inclination or anteversion (degrees) and of offset
or leg length (mm) among what is still printed, and what was said beyond what the sound reading
draws. A row is silent on a hip where nothing was said and an error is over 3 degrees or 5 mm.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from xraymeasure.errors import XrayMeasureError
from xraymeasure.examination import examine
from xraymeasure.film.film import Film
from xraymeasure.film.read import read_film
from xraymeasure.film.spacing import detector_spacing, not_square
from xraymeasure.reading.reading import FilmBinding, Reading

ANGLE_DEG, LENGTH_MM = 3.0, 5.0
NAMES = {"L": "left", "R": "right"}
OTHER = {"left": "right", "right": "left"}
OUTLINE_MM, BONE_MM = 0.25, 0.5
"""Standard deviation of a click on metal and on bone (working values)."""


@dataclass(frozen=True)
class Case:
    """A film, a reading of one of its replaced hips, what is true of it, and its earlier film."""

    film: Film
    reading: Reading
    truth: dict[str, float]
    before: tuple[Film, Reading] | None = None


Misuse = Callable[[Case], Case]


def clicks(points: Any, sd: float, rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """Return points given as (column, row) as (row, column) with noise."""
    array = np.asarray(points, dtype=float).reshape(-1, 2)[:, ::-1]
    return tuple(map(tuple, (array + rng.normal(0.0, sd, array.shape)).tolist()))


def some(outline: list[Any], count: int = 10) -> list[Any]:
    """Return points spread over a closed outline."""
    return [outline[i] for i in np.linspace(0, len(outline) - 1, count + 1).astype(int)[:-1]]


def cases(path: Path, rng: np.random.Generator) -> Iterator[Case]:
    """Yield a sound reading of each replaced hip of a film."""
    told = json.loads(path.with_suffix(".truth.json").read_text())
    if not told.get("operated"):
        return
    film = read_film(path)
    pitch = film.spacing.detector_mm
    assert pitch is not None, path
    metal, bone = OUTLINE_MM / pitch[0], BONE_MM / pitch[0]
    at, seen = told["landmarks_px"], told.get("silhouette_px", {})
    marks: dict[str, Any] = {}
    heads, natives, cups, angles = {}, {}, {}, {}
    for letter, side in NAMES.items():
        hip = told["sides"][letter]
        for name, source in (("ischium", "ischium_low"), ("lesser_trochanter",) * 2,
                             ("greater_trochanter",) * 2, ("teardrop",) * 2):  # fmt: skip
            key = f"{source}_{letter}"
            marks[f"{name}_{side}"] = clicks(seen.get(key, at[key]), bone, rng)
        shaft = [at[f"shaft_axis_{letter}_{mm}"] for mm in (50, 80, 110, 140)]
        shaft = [p for p in shaft if 0 <= p[1] < film.shape[0] and 0 <= p[0] < film.shape[1]]
        if len(shaft) > 1:
            marks[f"femoral_shaft_{side}"] = clicks(shaft, bone, rng)
        marks[f"femoral_head_{side}"] = clicks(some(hip["head_outline_px"]), metal, rng)
        if hip["type"] != "tha":
            natives[side] = float(hip["head_diameter_mm"])
            continue
        marks[f"cup_rim_{side}"] = clicks(some(hip["cup_rim_outline_px"]), metal, rng)
        marks[f"neck_axis_{side}"] = clicks(
            [at[f"head_centre_{letter}"], hip["neck_stem_junction_px"]], metal, rng
        )
        heads[side], cups[side] = float(hip["head_diameter_mm"]), float(hip["cup_diameter_mm"])
        angles[side] = float(hip["ccd_deg"])
    for name, source in (
        ("symphysis", "symphysis_top"),
        ("sacrococcygeal_joint", "sacrococcygeal"),
    ):
        marks[name] = clicks(at[source], bone, rng)
    for letter in told["operated"]:
        hip, sign = told["sides"][letter], 1.0 if letter == "L" else -1.0
        reading = Reading(
            "T", "2026-01-01T00:00:00Z", NAMES[letter], FilmBinding(None, film.pixel_sha256),
            marks, head_diameter_mm=heads, native_head_mm=natives, cup_diameter_mm=cups,
            neck_shaft_angle_deg=angles,
        )  # fmt: skip
        yield Case(
            film,
            reading,
            {
                "radiographic_inclination": hip.get("RI_to_teardrop_line", hip["RI"]),
                "radiographic_anteversion": hip["RA"],
                "femoral_offset": hip["femoral_offset_3d_mm"],
                "leg_length_difference": sign
                * told["lld_lt_to_teardrop_line_coronal_mm_L_minus_R"],
            },
        )


def rebound(case: Case, film: Film, reading: Reading) -> Case:
    """Return a case placed anew on a changed film."""
    return replace(
        case, film=film, reading=replace(reading, film=FilmBinding(None, film.pixel_sha256))
    )


def with_marks(reading: Reading, change: Callable[[str, np.ndarray], np.ndarray]) -> Reading:
    marks = {
        name: tuple(map(tuple, change(name, np.array(points, float)).tolist()))
        for name, points in reading.landmarks.items()
        if points
    }
    return replace(reading, landmarks=marks)


def renamed(reading: Reading) -> Reading:
    """Call every side by the other's name, the one under review and the sizes too."""

    def other(known: Any) -> dict[Any, Any]:
        return {OTHER[side]: value for side, value in known.items()}

    marks = {}
    for name, points in reading.landmarks.items():
        stem, _, side = name.rpartition("_")
        marks[f"{stem}_{OTHER[side]}" if side in OTHER else name] = points
    return replace(
        reading, landmarks=marks, operated_side=OTHER[reading.operated_side],
        head_diameter_mm=other(reading.head_diameter_mm),
        native_head_mm=other(reading.native_head_mm),
        cup_diameter_mm=other(reading.cup_diameter_mm),
        neck_shaft_angle_deg=other(reading.neck_shaft_angle_deg),
    )  # fmt: skip


def film_moved(
    pixels: Callable[[np.ndarray], np.ndarray],
    points: Callable[[np.ndarray, np.ndarray], np.ndarray],
    named_as_displayed: bool,
) -> Misuse:
    """Turn or flip the picture; sides are named as displayed, or as they truly are."""

    def misuse(case: Case) -> Case:
        last = np.array(case.film.shape, float) - 1.0
        moved = np.ascontiguousarray(pixels(case.film.pixels))
        centre = points(np.array([case.film.beam_centre]), last)[0]
        film = replace(case.film, pixels=moved, beam_centre=(float(centre[0]), float(centre[1])))
        reading = with_marks(case.reading, lambda name, at: points(at, last))
        return rebound(case, film, renamed(reading) if named_as_displayed else reading)

    return misuse


def half(points: np.ndarray, last: np.ndarray) -> np.ndarray:
    return last - points


def mirrored(points: np.ndarray, last: np.ndarray) -> np.ndarray:
    return points * [1, -1] + [0, last[1]]


def upended(points: np.ndarray, last: np.ndarray) -> np.ndarray:
    return points * [-1, 1] + [last[0], 0]


def quarter(points: np.ndarray, last: np.ndarray) -> np.ndarray:
    return points[:, ::-1] * [-1, 1] + [last[1], 0]


def quarter_back(points: np.ndarray, last: np.ndarray) -> np.ndarray:
    return points[:, ::-1] * [1, -1] + [0, last[0]]


def tagged(**known: Any) -> Misuse:
    return lambda case: replace(case, film=replace(case.film, **known))


def stated(**known: Any) -> Misuse:
    return lambda case: replace(case, reading=replace(case.reading, **known))


def swapped(*stems: str) -> Misuse:
    def misuse(case: Case) -> Case:
        marks = dict(case.reading.landmarks)
        for stem in stems:
            left, right = marks.pop(f"{stem}_left", None), marks.pop(f"{stem}_right", None)
            marks |= {f"{stem}_right": left} if left else {}
            marks |= {f"{stem}_left": right} if right else {}
        return replace(case, reading=replace(case.reading, landmarks=marks))

    return misuse


def put(name: str, source: str) -> Misuse:
    """Place a landmark of the index hip on another of it (I) or of the other hip (O)."""

    def misuse(case: Case) -> Case:
        side, marks = case.reading.operated_side, dict(case.reading.landmarks)
        marks[f"{name}_{side}"] = marks[
            source.replace("_I", f"_{side}").replace("_O", f"_{OTHER[side]}")
        ]
        return replace(case, reading=replace(case.reading, landmarks=marks))

    return misuse


def exchanged(one: str, other: str) -> Misuse:
    def misuse(case: Case) -> Case:
        side, marks = case.reading.operated_side, dict(case.reading.landmarks)
        first, second = f"{one}_{side}", f"{other}_{side}"
        marks[first], marks[second] = marks[second], marks[first]
        return replace(case, reading=replace(case.reading, landmarks=marks))

    return misuse


def index_flipped(sizes: bool) -> Misuse:
    def misuse(case: Case) -> Case:
        reading = case.reading
        other = OTHER[reading.operated_side]
        known = {} if not sizes else {
            "head_diameter_mm": {other: reading.head_diameter_mm[reading.operated_side]},
            "native_head_mm": {},
        }  # fmt: skip
        return replace(case, reading=replace(reading, operated_side=other, **known))

    return misuse


def changed(name: str, change: Callable[[np.ndarray, Case], np.ndarray]) -> Misuse:
    """Change the points of a landmark of the index hip."""

    def misuse(case: Case) -> Case:
        mark = f"{name}_{case.reading.operated_side}"
        points = change(case.reading.points(mark), case)
        return replace(case, reading=case.reading.with_points(mark, points))

    return misuse


def turned(degrees: float, name: str = "cup_rim") -> Misuse:
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))

    def change(points: np.ndarray, case: Case) -> np.ndarray:
        middle = points.mean(axis=0)
        return middle + (points - middle) @ np.array([[cos, sin], [-sin, cos]])

    return changed(name, change)


def grown(factor: float, name: str = "cup_rim") -> Misuse:
    def change(points: np.ndarray, case: Case) -> np.ndarray:
        return points.mean(axis=0) + factor * (points - points.mean(axis=0))

    return changed(name, change)


def shifted(name: str, rows_mm: float, outward_mm: float = 0.0) -> Misuse:
    def change(points: np.ndarray, case: Case) -> np.ndarray:
        pitch = case.film.spacing.detector_mm or (1.0, 1.0)
        outward = outward_mm if case.reading.operated_side == "left" else -outward_mm
        return points + np.array([rows_mm, outward]) / pitch

    return changed(name, change)


def on_circle(name: str, of: str, factor: float, span_deg: float = 360.0) -> Misuse:
    def change(points: np.ndarray, case: Case) -> np.ndarray:
        outline = case.reading.points(f"{of}_{case.reading.operated_side}")
        middle = outline.mean(axis=0)
        radius = factor * np.linalg.norm(outline - middle, axis=1).mean()
        turn = np.radians(np.arange(12) * span_deg / 12)
        wobble = np.random.default_rng(0).normal(0.0, 1.0, (12, 2))
        return middle + radius * np.stack([-np.sin(turn), np.cos(turn)], axis=-1) + wobble

    return changed(name, change)


def shorter(name: str, factor: float) -> Misuse:
    """Flatten an outline along its short axis."""

    def change(points: np.ndarray, case: Case) -> np.ndarray:
        middle = points.mean(axis=0)
        _, _, axes = np.linalg.svd(points - middle)
        return middle + (points - middle) @ axes.T @ np.diag([1.0, factor]) @ axes

    return changed(name, change)


def beam(where: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Misuse:
    """State the beam's place, from the true one and the film's shape."""

    def misuse(case: Case) -> Case:
        row, column = where(np.array(case.film.beam_centre), np.array(case.film.shape, float))
        stated = replace(case.reading, beam_centre=(float(row), float(column)))
        return replace(case, reading=stated)

    return misuse


def head(size: Callable[[float], float]) -> Misuse:
    """State another diameter of the index hip's head."""

    def misuse(case: Case) -> Case:
        side, sizes = case.reading.operated_side, dict(case.reading.head_diameter_mm)
        sizes[side] = size(sizes[side])
        return replace(case, reading=replace(case.reading, head_diameter_mm=sizes))

    return misuse


def head_as_cup(case: Case) -> Case:
    side = case.reading.operated_side
    return head(lambda _: case.reading.cup_diameter_mm[side])(case)


def spaced(rows: float, columns: float, without_sizes: bool = False) -> Misuse:
    """Tag the detector's pitch wrong by these factors."""

    def misuse(case: Case) -> Case:
        pitch = case.film.spacing.detector_mm
        assert pitch is not None
        spacing = detector_spacing((pitch[0] * rows, pitch[1] * columns), "As tagged.")
        gone = {"head_diameter_mm": {}, "native_head_mm": {}, "cup_diameter_mm": {}}
        reading = replace(case.reading, **gone) if without_sizes else case.reading
        notes = (*case.film.notes, *not_square(spacing))
        return replace(case, film=replace(case.film, spacing=spacing, notes=notes), reading=reading)

    return misuse


def unbound(case: Case) -> Case:
    return replace(case, reading=replace(case.reading, film=FilmBinding()))


def shrunk(share: float) -> Misuse:
    """Cut the picture on one side; the reading is placed on what is left of it."""

    def misuse(case: Case) -> Case:
        rows, columns = case.film.shape
        film = replace(
            case.film,
            pixels=np.ascontiguousarray(case.film.pixels[:, int(share * columns) :]),
            beam_centre=((rows - 1) / 2, ((1 - share) * columns - 1) / 2),
        )
        reading = with_marks(case.reading, lambda name, at: at - [0, int(share * columns)])
        return rebound(case, film, reading)

    return misuse


def scaled(factor: int) -> Misuse:
    """Export every second row and column, and keep the reading of the whole film."""

    def misuse(case: Case) -> Case:
        film = replace(case.film, pixels=np.ascontiguousarray(case.film.pixels[::factor, ::factor]))
        return rebound(case, film, case.reading)

    return misuse


def earlier(days: int, index: bool = True, **known: Any) -> Misuse:
    """Give an earlier film that is none."""

    def misuse(case: Case) -> Case:
        today = date(2026, 1, 1)
        film = replace(case.film, acquired_on=today, person="a")
        pixels = np.array(film.pixels)
        pixels[0, 0] ^= 1
        then = replace(film, pixels=pixels, acquired_on=date.fromordinal(today.toordinal() - days))
        then = replace(then, **known)
        reading = replace(case.reading, film=FilmBinding(None, then.pixel_sha256))
        if not index:
            reading = replace(reading, operated_side=OTHER[reading.operated_side])
        return replace(case, film=film, before=(then, reading))

    return misuse


def same_twice(case: Case) -> Case:
    return replace(case, before=(case.film, case.reading))


def everywhere(change: Callable[[np.ndarray, Case], np.ndarray]) -> Misuse:
    """Change the points of every landmark, and keep the film."""

    def misuse(case: Case) -> Case:
        reading = with_marks(case.reading, lambda name, at: change(at, case))
        return replace(case, reading=reading)

    return misuse


def half_on_circle(points: np.ndarray, case: Case) -> np.ndarray:
    """Draw the upper half of a rim along the shell."""
    middle = points.mean(axis=0)
    _, _, axes = np.linalg.svd(points - middle)
    along, across = axes
    across = across if across[0] < 0.0 else -across
    long, up = (points - middle) @ along, (points - middle) @ across
    radius = 1.02 * np.abs(long).max()
    return middle + np.outer(long, along) + np.outer(
        np.where(up > 0.0, np.sqrt(np.maximum(radius**2 - long**2, 0.0)), up), across
    )  # fmt: skip


def slipped(row_mm: float, which: int) -> Callable[[np.ndarray, Case], np.ndarray]:
    """Move one point caudal, and as far lateral."""

    def change(points: np.ndarray, case: Case) -> np.ndarray:
        points, pitch = points.copy(), case.film.spacing.detector_mm or (1.0, 1.0)
        outward = row_mm if case.reading.operated_side == "left" else -row_mm
        points[which] += np.array([row_mm, outward]) / pitch
        return points

    return change


def exchanged_sizes(case: Case) -> Case:
    reading = case.reading
    return replace(case, reading=replace(
        reading, head_diameter_mm=reading.cup_diameter_mm, cup_diameter_mm=reading.head_diameter_mm
    ))  # fmt: skip


def head_as_marker(case: Case) -> Case:
    """Outline the head as the sphere, and know no other size."""
    reading, side = case.reading, case.reading.operated_side
    marks = dict(reading.landmarks) | {"marker_sphere": reading.landmarks[f"femoral_head_{side}"]}
    return replace(case, reading=replace(
        reading, landmarks=marks, marker_diameter_mm=25.0,
        head_diameter_mm={}, native_head_mm={}, cup_diameter_mm={},
    ))  # fmt: skip


def resampled(rows: float, columns: float) -> Misuse:
    """Export at other sizes by the same pitch; the reading is placed on the export."""

    def misuse(case: Case) -> Case:
        shape = np.array(case.film.shape)
        factors = np.array([rows, columns])
        at = [
            np.minimum((np.arange(int(n * f)) / f).astype(int), n - 1)
            for n, f in zip(shape, factors, strict=True)
        ]
        centre = np.array(case.film.beam_centre) * factors
        film = replace(
            case.film, pixels=np.ascontiguousarray(case.film.pixels[np.ix_(*at)]),
            beam_centre=(float(centre[0]), float(centre[1])),
        )  # fmt: skip
        return rebound(case, film, with_marks(case.reading, lambda name, points: points * factors))

    return misuse


def framed(columns: int) -> Misuse:
    """Add an empty border on one side, so that the field's middle is not the beam's."""

    def misuse(case: Case) -> Case:
        pixels = np.pad(case.film.pixels, ((0, 0), (columns, 0)))
        rows, wide = pixels.shape
        film = replace(case.film, pixels=pixels, beam_centre=((rows - 1) / 2, (wide - 1) / 2))
        return rebound(
            case, film, with_marks(case.reading, lambda name, at: at + np.array([0, columns]))
        )

    return misuse


def sized(**changes: Callable[[float], float]) -> Misuse:
    """Change what is stated of the index hip."""

    def misuse(case: Case) -> Case:
        side, reading = case.reading.operated_side, case.reading
        for name, change in changes.items():
            known = dict(getattr(reading, name))
            if side in known:
                known[side] = change(known[side])
            reading = replace(reading, **{name: known})
        return replace(case, reading=reading)

    return misuse


def both_sides(misuse_of: Callable[[], Misuse]) -> Misuse:
    """Do a misuse of the index hip to the other hip too."""

    def misuse(case: Case) -> Case:
        side = case.reading.operated_side
        once = misuse_of()(case)
        turned_to = replace(once, reading=replace(once.reading, operated_side=OTHER[side]))
        if not any(name.endswith(OTHER[side]) for name in turned_to.reading.landmarks):
            return once
        done = misuse_of()(turned_to)
        return replace(done, reading=replace(done.reading, operated_side=side))

    return misuse


def of_other(name: str, misuse_of: Misuse) -> Misuse:
    """Do a misuse to the other hip alone."""

    def misuse(case: Case) -> Case:
        side = case.reading.operated_side
        done = misuse_of(replace(case, reading=replace(case.reading, operated_side=OTHER[side])))
        return replace(done, reading=replace(done.reading, operated_side=side))

    return misuse


def mixed_with(source: str) -> Callable[[np.ndarray, Case], np.ndarray]:
    """Take every second click from another outline of the index hip."""

    def change(points: np.ndarray, case: Case) -> np.ndarray:
        other = case.reading.points(source.replace("_I", f"_{case.reading.operated_side}"))
        points = points.copy()
        points[::2] = other[: len(points)][::2]
        return points

    return change


def at_head(case: Case) -> Case:
    """Place the teardrops in the middle of the heads."""
    marks = dict(case.reading.landmarks)
    for side in OTHER:
        middle = case.reading.points(f"femoral_head_{side}").mean(axis=0)
        marks[f"teardrop_{side}"] = (tuple(middle.tolist()),)
    return replace(case, reading=replace(case.reading, landmarks=marks))


def rotated(degrees: float) -> Misuse:
    """Turn the reading about the field's middle, as one of another film lies."""
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))

    def change(points: np.ndarray, case: Case) -> np.ndarray:
        middle = (np.array(case.film.shape) - 1.0) / 2.0
        return middle + (points - middle) @ np.array([[cos, sin], [-sin, cos]])

    return everywhere(change)


def both(*misuses: Misuse) -> Misuse:
    def misuse(case: Case) -> Case:
        for each in misuses:
            case = each(case)
        return case

    return misuse


def lateral(case: Case) -> str:
    return case.reading.operated_side


MISUSES: dict[str, Misuse] = {
    "film turned by 180, sides as displayed": film_moved(
        lambda p: p[::-1, ::-1], half, True),
    "film turned by 180, sides by the marker": film_moved(lambda p: p[::-1, ::-1], half, False),
    "film flipped top to bottom": film_moved(lambda p: p[::-1], upended, False),
    "film turned by a quarter": film_moved(lambda p: p.T[:, ::-1][::-1, ::-1], quarter, False),
    "film turned by a quarter the other way": film_moved(lambda p: p.T, quarter_back, False),
    "film mirrored, tagged L\\F, sides as displayed": film_moved(
        lambda p: p[:, ::-1], mirrored, True),
    "film mirrored, tagged L\\F, sides by the marker": film_moved(
        lambda p: p[:, ::-1], mirrored, False),
    "film mirrored, laterality told": both(
        lambda case: replace(
            case, film=replace(case.film, laterality=case.reading.operated_side)),
        film_moved(lambda p: p[:, ::-1], mirrored, True)),
    "film of the other side": lambda case: replace(
        case, film=replace(case.film, laterality=OTHER[case.reading.operated_side])),
    "lateral film": tagged(view="LL"),
    "film taken from behind": tagged(view="PA"),
    "film cut on one side": shrunk(0.15),
    "film exported at half its size": scaled(2),
    "all sides exchanged": lambda case: replace(
        case, reading=replace(renamed(case.reading), film=case.reading.film)),
    **{
        f"{what} exchanged": swapped(*what.split(" and "))
        for what in (
            "lesser_trochanter", "greater_trochanter", "femoral_shaft", "teardrop", "ischium",
            "femoral_head", "cup_rim", "neck_axis", "femoral_shaft and lesser_trochanter",
            "teardrop and ischium", "femoral_head and cup_rim",
        )
    },
    **{
        f"{name} on {source}": put(name, source)
        for name, source in (
            ("femoral_shaft", "femoral_shaft_O"), ("lesser_trochanter", "lesser_trochanter_O"),
            ("teardrop", "teardrop_O"), ("teardrop", "ischium_O"), ("ischium", "teardrop_O"),
            ("teardrop", "ischium_I"), ("lesser_trochanter", "greater_trochanter_I"),
            ("cup_rim", "femoral_head_I"), ("femoral_head", "cup_rim_I"),
            ("cup_rim", "femoral_head_O"),
        )
    },
    "teardrop and ischium by each other's names": exchanged("teardrop", "ischium"),
    "trochanters by each other's names": exchanged("greater_trochanter", "lesser_trochanter"),
    "teardrop and lesser trochanter by each other's names": exchanged(
        "teardrop", "lesser_trochanter"),
    "rim and head by each other's names": exchanged("cup_rim", "femoral_head"),
    "index side flipped": index_flipped(False),
    "index side flipped, sizes with it": index_flipped(True),
    "rim on the shell": on_circle("cup_rim", "femoral_head", 1.6),
    "rim on part of the shell": on_circle("cup_rim", "femoral_head", 1.6, 200.0),
    "rim on a wobbly head": on_circle("cup_rim", "femoral_head", 1.0),
    "rim on part of the head": on_circle("cup_rim", "femoral_head", 1.0, 200.0),
    **{f"rim turned by {degrees:+d} degrees": turned(degrees)
       for degrees in (-90, -40, -20, -10, 10, 15, 20, 30, 40, 90)},
    "rim too wide by a quarter": grown(1.25),
    "rim too narrow by a quarter": grown(0.75),
    "rim flattened by a third": shorter("cup_rim", 0.66),
    "rim thickened by half": shorter("cup_rim", 1.5),
    "rim a finger below": shifted("cup_rim", 20.0),
    "rim a finger lateral": shifted("cup_rim", 0.0, 20.0),
    "head on the shell": grown(1.6, "femoral_head"),
    "shaft medial of the head": shifted("femoral_shaft", 0.0, -90.0),
    "leg longer by two hands": shifted("lesser_trochanter", 130.0),
    "beam as column and row": beam(lambda at, size: at[::-1]),
    "beam at [0, 0]": beam(lambda at, size: np.zeros(2)),
    "beam at the far corner": beam(lambda at, size: size),
    "beam at the symphysis' column, upper edge": beam(lambda at, size: at * [0.0, 1.0]),
    "beam in mm": lambda case: beam(
        lambda at, size: at * np.array(case.film.spacing.detector_mm))(case),
    "source distance 500": stated(source_detector_mm=500.0),
    "source distance 700": stated(source_detector_mm=700.0),
    "source distance in cm": stated(source_detector_mm=115.0),
    "source distance 11,500": stated(source_detector_mm=11500.0),
    "source distance 2,000": stated(source_detector_mm=2000.0),
    "film tagged 11,500": tagged(source_detector_mm=11500.0),
    "head 4 mm too large": head(lambda mm: mm + 4.0),
    "head 4 mm too small": head(lambda mm: mm - 4.0),
    "head 8 mm too large": head(lambda mm: mm + 8.0),
    "head 8 mm too small": head(lambda mm: mm - 8.0),
    "head's radius": head(lambda mm: mm / 2.0),
    "head in cm": head(lambda mm: mm / 10.0),
    "head ten times": head(lambda mm: mm * 10.0),
    "the cup's diameter as the head's": head_as_cup,
    "spacing tagged double": spaced(2.0, 2.0),
    "spacing tagged half": spaced(0.5, 0.5),
    "spacing of rows tagged a tenth larger": spaced(1.1, 1.0),
    "spacing tagged in the hip's plane": spaced(1 / 1.2, 1 / 1.2),
    "spacing tagged in the hip's plane, no size known": spaced(1 / 1.2, 1 / 1.2, True),
    "spacing tagged double, no size known": spaced(2.0, 2.0, True),
    "reading bound to nothing": unbound,
    "earlier film is the same": same_twice,
    "earlier film is later": earlier(-90),
    "earlier film of another person": earlier(90, person="b"),
    "earlier film of the other hip": earlier(90, index=False),
    "all points as column and row": everywhere(lambda at, case: at[:, ::-1]),
    "all points counted from the lower edge": everywhere(
        lambda at, case: upended(at, np.array(case.film.shape, float) - 1.0)),
    "all points in mm": everywhere(
        lambda at, case: at * np.array(case.film.spacing.detector_mm)),
    "all points off by a margin of 30 mm": everywhere(
        lambda at, case: at - 30.0 / np.array(case.film.spacing.detector_mm)),
    "cup said to open backward": lambda case: replace(case, reading=replace(
        case.reading, cup_opens={case.reading.operated_side: "posterior"})),
    "rim half on the shell": changed("cup_rim", half_on_circle),
    "rim on one arc of it": changed("cup_rim", lambda at, case: at[:5]),
    "rim with a click off by 20 mm": changed("cup_rim", slipped(14.0, 3)),
    "head with a click off by 20 mm": changed("femoral_head", slipped(14.0, 3)),
    "head on a third of its outline": changed("femoral_head", lambda at, case: at[:4]),
    "lesser trochanter at its lower end": shifted("lesser_trochanter", 15.0),
    "teardrop on the roof of the socket": shifted("teardrop", -30.0, 15.0),
    "teardrop at its upper end": shifted("teardrop", -12.0),
    "shaft with its lowest point on the cortex": changed("femoral_shaft", slipped(14.0, -1)),
    "shaft within a centimetre": changed(
        "femoral_shaft", lambda at, case: at[0] + (at - at[0]) * [[0.1, 0.1]]),
    "neck axis along the shaft": put("neck_axis", "femoral_shaft_I"),
    "sizes of head and cup exchanged": exchanged_sizes,
    "symphysis and sacrococcygeal joint exchanged": lambda case: replace(
        case, reading=replace(case.reading, landmarks=dict(case.reading.landmarks) | {
            "symphysis": case.reading.landmarks["sacrococcygeal_joint"],
            "sacrococcygeal_joint": case.reading.landmarks["symphysis"]})),
    "head as a sphere of 25 mm, no size known": head_as_marker,
    "neck-shaft angle as its half": lambda case: replace(case, reading=replace(
        case.reading, neck_shaft_angle_deg={
            side: 90.0 + (deg - 90.0) / 4 for side, deg in
            case.reading.neck_shaft_angle_deg.items()})),
    "every second rim click on the head": changed("cup_rim", mixed_with("femoral_head_I")),
    "every second head click on the rim": changed("femoral_head", mixed_with("cup_rim_I")),
    "rim as column and row": changed("cup_rim", lambda at, case: at[:, ::-1]),
    "head on the liner": grown(1.2, "femoral_head"),
    "head within its outline": grown(0.8, "femoral_head"),
    "rim 8 mm above": shifted("cup_rim", -8.0),
    "index teardrop 12 mm below": shifted("teardrop", 12.0),
    "other teardrop 15 mm above": of_other("teardrop", shifted("teardrop", -15.0)),
    "both teardrops at the heads' middle": at_head,
    "index ischium 20 mm above": shifted("ischium", -20.0),
    "other lesser trochanter 15 mm below": of_other(
        "lesser_trochanter", shifted("lesser_trochanter", 15.0)),
    "greater trochanters as the lesser, both hips": both_sides(
        lambda: put("lesser_trochanter", "greater_trochanter_I")),
    "shaft along the lateral cortex": shifted("femoral_shaft", 0.0, 12.0),
    "shaft along the medial cortex": shifted("femoral_shaft", 0.0, -12.0),
    "shaft as two points across the bone": changed(
        "femoral_shaft", lambda at, case: at[:1] + np.array([[0.0, -60.0], [0.0, 60.0]])),
    "neck axis up to the greater trochanter": changed("neck_axis", lambda at, case: np.stack([
        at[0], case.reading.points(f"greater_trochanter_{case.reading.operated_side}")[0]])),
    "neck axis across the neck": turned(90.0, "neck_axis"),
    "export stretched by a tenth across": resampled(1.0, 1.1),
    "export at half its size by the old pitch": resampled(0.5, 0.5),
    "export at double its size by the old pitch": resampled(2.0, 2.0),
    "border of 500 pixels on one side": framed(500),
    "cropped to the index half": shrunk(0.35),
    "cup 10 mm too large": sized(cup_diameter_mm=lambda mm: mm + 10.0),
    "cup 10 mm too small": sized(cup_diameter_mm=lambda mm: mm - 10.0),
    "cup's radius": sized(cup_diameter_mm=lambda mm: mm / 2.0),
    "neck-shaft angle with its digits exchanged": sized(
        neck_shaft_angle_deg=lambda deg: {135.0: 153.0}.get(deg, deg + 18.0)),
    "head in inches": head(lambda mm: mm / 25.4),
    "head as a natural one": lambda case: replace(case, reading=replace(
        case.reading, head_diameter_mm={}, native_head_mm={case.reading.operated_side: 48.0})),
    "head as a sphere by its radius": both(
        head_as_marker, stated(marker_diameter_mm=12.5)),
    "beam at the index hip": lambda case: beam(lambda at, size: case.reading.points(
        f"femoral_head_{case.reading.operated_side}").mean(axis=0))(case),
    "source distance 1,500": stated(source_detector_mm=1500.0),
    "source distance 900": stated(source_detector_mm=900.0),
    "reading of a film turned by 8 degrees": rotated(8.0),
    "reading of a film 15 mm lower": everywhere(
        lambda at, case: at + np.array([100.0, 0.0])),
    "reading of an export at half its size": everywhere(lambda at, case: at / 2.0),
    "spacing in inches": spaced(1 / 25.4, 1 / 25.4),
    "spacing of a screen, 96 dots an inch, no size known": spaced(
        0.2646 / 0.15, 0.2646 / 0.15, True),
    "rim on the upper half, head on the lower": changed(
        "cup_rim", lambda at, case: np.vstack([
            at[at[:, 0] < at[:, 0].mean()],
            (lambda other: other[other[:, 0] > other[:, 0].mean()])(
                case.reading.points(f"femoral_head_{case.reading.operated_side}")),
        ])),
    "symphysis 40 mm lateral": lambda case: replace(case, reading=with_marks(
        case.reading, lambda name, at: at + np.array([0, 270 * (name == "symphysis")]))),
}  # fmt: skip


@dataclass(frozen=True)
class Told:
    """What came of a case: refused or not, what was said, and how wrong what is printed is."""

    refused: str
    said: Counter[tuple[str, str]]
    angle: float
    length: float


def told_of(case: Case) -> Told:
    """Examine a case."""
    try:
        found = examine(case.film, case.reading, before=case.before, draws=0)
    except XrayMeasureError as error:
        return Told(str(error), Counter(), 0.0, 0.0)
    worst = {"deg": 0.0, "mm": 0.0}
    for name, true in case.truth.items():
        row = found.measurements.primary(name)
        if row is not None:
            worst[row.unit] = max(worst[row.unit], abs(row.value - true))
    said = Counter((each.code, each.severity) for each in found.findings)
    said.update(("not_square", "note") for each in case.film.notes if "not square" in each)
    return Told("", said, worst["deg"], worst["mm"])


ASKED = {"rim_off_metal", "reading_unbound", "not_square"}
"""Notes that are about a misuse; other new ones only come with other numbers."""


def word_of(sound: Told, now: Told, of_side: bool) -> str:
    """Return in one word what is done: refused, strong, warning, note, asked or silent.

    Of a misuse of sides the question for the side marker, which every film without a laterality
    draws, is told as asked.
    """
    if now.refused:
        return "refused"
    new = now.said - sound.said
    for severity in ("strong", "warning"):
        if any(each == severity for _, each in new):
            return severity
    if any(code in ASKED for code, _ in new):
        return "note"
    if of_side and any(code == "side_by_display" for code, _ in now.said):
        return "asked"
    wrong = now.angle > ANGLE_DEG or now.length > LENGTH_MM
    return "SILENT" if wrong else "note" if new else "-"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seeds", type=int, default=1, help="readings of each hip")
    parser.add_argument("--only", default="", help="misuses whose name holds this")
    parser.add_argument("--from", dest="first", type=int, default=0, help="number of the first")
    options = parser.parse_args()
    paths = sorted(options.folder.glob("*.dcm"))
    every = [
        case
        for seed in range(options.seeds)
        for path in paths
        for case in cases(path, np.random.default_rng(seed))
    ]
    if not every:
        parser.error(f"{options.folder}: holds no film of a replaced hip with its truth")
    sound = [told_of(case) for case in every]
    strong = sum(n for told in sound for (_, how), n in told.said.items() if how == "strong")
    print(
        f"{len(every)} readings of replaced hips; the largest errors of a sound one: "
        f"{max(told.angle for told in sound):.1f} deg, {max(told.length for told in sound):.1f} "
        f"mm; strong findings: {strong}"
    )
    print(f"{'misuse':58s} {'deg':>6s} {'mm':>6s}  on each reading; what was said")
    words: Counter[str] = Counter()
    for name, misuse in list(MISUSES.items())[options.first :]:
        if options.only not in name:
            continue
        now = [told_of(misuse(case)) for case in every]
        of_side = name.startswith(("film mirrored", "index side"))
        of = [word_of(*pair, of_side) for pair in zip(sound, now, strict=True)]
        words.update(of)
        codes = sorted({
            code for before, after in zip(sound, now, strict=True)
            for code, _ in after.said - before.said
        })  # fmt: skip
        print(f"{name:58s} {max(t.angle for t in now):6.1f} {max(t.length for t in now):6.1f}  "
              f"{' '.join(of)}; {' '.join(codes)}", flush=True)  # fmt: skip
    print(f"{len(MISUSES)} misuses; " + ", ".join(f"{w}: {n}" for w, n in words.most_common()))


if __name__ == "__main__":
    main()
