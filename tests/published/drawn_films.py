"""Films drawn from the very model that the intervals rest on, with their truth.

The bones are the phantom's (`xraymeasure.phantom`), turned in the film's plane. Everything that a
film does not show is drawn from what the measurement says it assumes: placing, the tolerance of
the head, tube and beam, the height of each landmark, the rotation of the pelvis. The outlines are
cast point by point (tests/camera.py). The truth is what is seen straight from the front, in
millimetres of the body; angles that are defined on the film are those of the exact film.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import SimpleNamespace

import numpy as np

from tests.camera import (
    OTHER,
    SIGN,
    Frame,
    axis_of,
    circle_in_space,
    land,
    touched_circle,
)
from xraymeasure.errors import MeasureError
from xraymeasure.film.film import Film
from xraymeasure.measuring import calibration, inputs
from xraymeasure.measuring.measure import measure
from xraymeasure.phantom import samples, truth
from xraymeasure.phantom.truth import cup_angles, flat_measurements
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.landmarks import KINDS, LANDMARKS

PITCH_MM = 0.14
FRAME = Frame(pitch=(PITCH_MM, PITCH_MM))
HEAD_MM, OTHER_HEAD_MM, RIM_MM = 32.0, 46.0, 52.0
SPREAD_MM = {kind.stem: kind.placing_sd_mm for kind in KINDS}

Key = tuple[str, str | None, str]


@dataclass(frozen=True)
class Drawn:
    """A film, its reading and what is true, by name, side and method."""

    film: Film
    reading: Reading
    truth: Mapping[Key, float]


@lru_cache
def bodies():
    """Return index side, landmarks and hip centres of phantom patients, from the index hip."""
    found = []
    for sample in samples(7):
        if not sample.scenario.hips[sample.scenario.operated_side].replaced:
            continue
        known, side = truth(sample.scenario), sample.scenario.operated_side
        hip = np.array(known["hip_centre_mm"][side])[:2]
        found.append(
            (
                side,
                {name: np.array(p)[:, :2] - hip for name, p in known["landmarks_mm"].items()},
                {each: np.array(p)[:2] - hip for each, p in known["hip_centre_mm"].items()},
            )
        )
    return tuple(found)


def stem_of(name):
    return LANDMARKS[name].kind.stem


def draw(rng, geometry, apparent_deg=None):
    """Draw one film.

    Parameters
    ----------
    rng : numpy.random.Generator
    geometry : {"reading", "film"}
        Who states tube and beam.
    apparent_deg : float, optional
        By how much the cup's opening faces the tube; otherwise anteversion is 10 to 30.
    """
    all_bodies = bodies()
    side, flat, hips = all_bodies[rng.integers(len(all_bodies))]
    lean = np.radians(rng.uniform(-3.0, 3.0))
    turn = np.array([[np.cos(lean), np.sin(lean)], [-np.sin(lean), np.cos(lean)]])
    flat = {name: points @ turn for name, points in flat.items()}
    hips = {each: point @ turn for each, point in hips.items()}

    stated = rng.uniform(1000.0, 1250.0)
    sid = rng.normal(stated, inputs.SOURCE_DETECTOR_U_MM[geometry])
    height = rng.uniform(120.0, 190.0)
    lift = np.tan(np.radians(rng.normal(0.0, inputs.ROTATION_U_DEG)))
    depth = {stem: rng.normal(*spread) for stem, spread in inputs.DEPTH_MM.items()}
    heights = {
        name: height
        + depth[stem_of(name)]
        + rng.normal(0.0, inputs.SIDE_DEPTH_U_MM)
        + lift * points[:, 0]
        for name, points in flat.items()
    }
    magnification = sid / (sid - height)
    between = (flat["teardrop_left"][0] + flat["teardrop_right"][0]) / 2.0
    hip = rng.uniform(-60.0, 60.0, 2) - between
    missed = rng.normal(0.0, inputs.BEAM_U_MM[geometry], 2)
    space = {name: np.column_stack([points + hip, heights[name]]) for name, points in flat.items()}
    centres = {
        each: np.array([*(point + hip), height + lift * point[0]]) for each, point in hips.items()
    }
    axis = _cup_axis(rng, centres[side], sid, side, apparent_deg)
    head = rng.normal(HEAD_MM, calibration.HEAD_TOLERANCE_MM)
    start = rng.uniform(0.0, 360.0, 3)
    for each, size, turns in (
        (side, head, start[0] + np.linspace(-150.0, 150.0, 10)),
        (OTHER[side], OTHER_HEAD_MM, start[1] + np.linspace(-130.0, 130.0, 10)),
    ):
        space[f"femoral_head_{each}"] = touched_circle(centres[each], size / 2.0, sid, turns)
    space[f"cup_rim_{side}"] = circle_in_space(
        centres[side], RIM_MM / 2.0, axis, start[2] + np.arange(12) * 30.0
    )
    seen = {name: land(points, sid) for name, points in space.items()}
    placed = {
        name: FRAME.pixels(points + missed)
        + rng.normal(0.0, SPREAD_MM[stem_of(name)] * magnification / PITCH_MM, points.shape)
        for name, points in seen.items()
    }
    stated_by_reader = geometry == "reading"
    reading = Reading(
        reader="A",
        read_at="2026-01-31T10:15:00Z",
        operated_side=side,
        landmarks={name: tuple(map(tuple, points.tolist())) for name, points in placed.items()},
        head_diameter_mm={side: HEAD_MM},
        beam_centre=FRAME.beam if stated_by_reader else None,
        source_detector_mm=stated if stated_by_reader else None,
    )
    film = FRAME.film(source_detector_mm=stated)
    return Drawn(film, reading, _truth(side, space, seen, centres, axis, head, sid))


def _cup_axis(rng, centre, sid, side, apparent_deg):
    inclination = rng.uniform(30.0, 55.0)
    if apparent_deg is None:
        return axis_of(inclination, rng.uniform(10.0, 30.0), side)
    to_tube = np.array([0.0, 0.0, sid]) - centre
    to_tube /= np.linalg.norm(to_tube)
    low, high = -40.0, 60.0
    for _ in range(50):
        middle = (low + high) / 2.0
        faces = np.degrees(np.arcsin(axis_of(inclination, middle, side) @ to_tube))
        low, high = (middle, high) if faces < apparent_deg else (low, middle)
    return axis_of(inclination, low, side)


def _truth(side, space, seen, centres, axis, head, sid):
    magnification = sid / (sid - centres[side][2])
    index = SimpleNamespace(operated_side=side)
    coronal = flat_measurements(
        {name: points[:, :2] for name, points in space.items()},
        {each: centre[:2] for each, centre in centres.items()},
        index,
    )
    on_film = flat_measurements(
        seen, {each: land([centre], sid)[0] for each, centre in centres.items()}, index
    )
    lean = coronal["pelvic_obliquity"]["film"]
    across, down = (space["ischium_left"][0] - space["ischium_right"][0])[:2]
    true: dict[Key, float] = {
        ("pelvic_obliquity", None, "inter_teardrop"): lean,
        ("pelvic_obliquity", None, "bi_ischial"): np.degrees(np.arctan2(down, across)),
        ("magnification", None, "head"): magnification,
        ("hip_centre_left_of_beam", side, "sphere"): centres[side][0],
        ("hip_centre_caudal_of_beam", side, "sphere"): centres[side][1],
        ("hip_centre_above_detector", side, "sphere"): centres[side][2],
        ("head_to_cup_lateral", side, "landmarks"): 0.0,
        ("head_to_cup_cranial", side, "landmarks"): 0.0,
        ("leg_length_difference", side, "raw"): coronal["leg_length_difference"][side],
        ("leg_length_difference", side, "femur_neutral"): coronal[
            "leg_length_difference_femur_neutral"
        ][side],
    }
    for name, angle in cup_angles(axis, side, lean).items():
        for method in ("perspective", "ellipse"):
            true[name, side, method] = angle
    for name, method in (
        ("femoral_offset", "projected"),
        ("acetabular_offset", "landmarks"),
        ("global_offset", "projected"),
        ("hip_centre_height", "landmarks"),
        ("hip_centre_lateral", "landmarks"),
        ("femoral_abduction", "landmarks"),
    ):
        for each in SIGN:
            true[name, each, method] = coronal[name][each]
    for name, method in (("neck_shaft_angle", "projected"), ("stem_alignment", "landmarks")):
        for each, value in on_film[name].items():
            true[name, each, method] = value
    along = np.array([np.cos(np.radians(lean)), np.sin(np.radians(lean))])
    joint = (space["sacrococcygeal_joint"][0] - space["symphysis"][0])[:2]
    true["pelvic_rotation_indicator", None, "landmarks"] = joint @ along
    true["pelvic_tilt_indicator", None, "landmarks"] = joint @ [along[1], -along[0]]
    widths = {}
    for each, size in ((side, head), (OTHER[side], OTHER_HEAD_MM)):
        enlarged = sid / (sid - centres[each][2])
        true["head_diameter_px", each, "sphere"] = size * enlarged / PITCH_MM
        lateral, medial = seen[f"obturator_foramen_{each}"][:2]
        widths[each] = np.linalg.norm(lateral - medial)
        if f"stem_shoulder_{each}" in space:
            stem = np.diff(space[f"stem_axis_{each}"][:, :2], axis=0)[0]
            below = space[f"stem_shoulder_{each}"][0] - space[f"greater_trochanter_{each}"][0]
            true["stem_to_trochanter", each, "landmarks"] = below[:2] @ stem / np.linalg.norm(stem)
    true["obturator_ratio", None, "landmarks"] = widths["left"] / widths["right"]
    return true


def held(task):
    """Measure drawn films; return by key how often the interval held the truth, and how often not.

    `task` is (seed, films, geometry, apparent version as a range or None, draws, landmark stems).
    """
    seed, films, geometry, apparent, draws, stems = task
    rng = np.random.default_rng(seed)
    counts: dict[Key | str, np.ndarray] = {"refused": np.zeros(2, int)}
    for _ in range(films):
        drawn = draw(rng, geometry, None if apparent is None else rng.uniform(*apparent))
        reading = drawn.reading
        for name in drawn.reading.landmarks if stems else ():
            if stem_of(name) not in stems:
                reading = reading.without(name)
        try:
            rows = measure(drawn.film, reading, draws=draws, seed=seed, findings=()).rows
        except MeasureError:
            counts["refused"][1] += 1
            continue
        counts["refused"][0] += 1
        for row in rows:
            key = row.name, row.side, row.method
            if key in drawn.truth:
                role = row.side and ("index" if row.side == reading.operated_side else "other")
                found = counts.setdefault((row.name, role, row.method), np.zeros(2, int))
                found[0 if row.low <= drawn.truth[key] <= row.high else 1] += 1
    return counts
