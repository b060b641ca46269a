"""Pelves with a replaced hip in space, seen from a tube, and a person's clicks on them.

Nothing here shares a line or a prior with the measuring code: depths, asymmetry and centring are
those of open bone models (two bodies, one of each sex) with the spread of people about them as
far as it is published, else assumed; the camera is that of `tests.camera`. Lengths in mm, frame
as there: x to the patient's left, y caudal, z toward the tube.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.camera import OTHER, SIGN, Frame, axis_of, circle_in_space, land, touched_circle
from xraymeasure.film.film import Film
from xraymeasure.film.spacing import detector_spacing, no_spacing
from xraymeasure.reading.reading import Reading

PITCH_MM = 0.25
OUTLINE_PX, BONE_PX = 1.0, 2.0
"""A careful person's spread of one click, each coordinate."""

MIDLINE = {"symphysis": (5.0, 38.0, 1.0), "sacrococcygeal_joint": (-15.0, -104.0, 4.0)}
"""Caudal of the hips, anterior of them, and how far off the midline it stands (spread)."""

PAIRED = {
    "teardrop": (58.0, 12.0, 0.5, 1.0),
    "ischium": (51.0, 58.0, -32.0, 1.5),
}
"""Lateral, caudal, anterior, and the spread of each coordinate between the sides."""

FORAMEN = np.array([[50.0, 30.0, 5.0], [24.0, 34.0, 22.0], [36.0, 20.0, 16.0], [38.0, 46.0, 0.0]])


@dataclass(frozen=True)
class CupScene:
    """A film, what a person placed on it, and what is true of the cup and the pelvis."""

    film: Film
    reading: Reading
    ri: float
    ra: float
    height: float
    shell_mm: float
    head_mm: float


def scene(
    rng,
    *,
    tube="stated",
    ra=None,
    clicks=10,
    rim_arc=None,
    rotation_deg=0.0,
    tilt_deg=0.0,
    stated_spread=True,
    sex=None,
    cup_known=False,
    bad_click=None,
    wrong_head_mm=0.0,
    opens=True,
):
    """Draw one scene.

    `tube` is "stated" (the reader knows it), "silent" (pitch known, tube not) or "picture"
    (nothing is known of the film). `rim_arc` is the visible arc of the rim in degrees of it.
    `bad_click` is (landmark stem, pixels): how far one click lies off its outline.
    """
    side = "left" if rng.random() < 0.5 else "right"
    size = rng.uniform(0.92, 1.06)
    sid = 1150.0 if tube == "stated" else rng.choice([1050.0, 1100.0, 1150.0, 1200.0])
    height = rng.uniform(130.0, 180.0)
    beam = np.array([rng.normal(0.0, 8.0), rng.normal(-10.0, 18.0)])
    man = rng.random() < 0.5 if sex is None else sex == "M"
    turn, lean = np.radians([rotation_deg, tilt_deg])
    about_long = np.array(
        [[np.cos(turn), 0, -np.sin(turn)], [0, 1, 0], [np.sin(turn), 0, np.cos(turn)]]
    )
    about_across = np.array(
        [[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]]
    )
    tip = np.radians(rng.normal(0.0, 2.0))
    oblique = np.array([[np.cos(tip), -np.sin(tip), 0], [np.sin(tip), np.cos(tip), 0], [0, 0, 1]])
    body = oblique @ about_long @ about_across

    def stands(points):
        """Return body points in the patient frame; the pelvis turns about the hips' middle."""
        return np.asarray(points, float) * size @ body.T + [-beam[0], -beam[1], height]

    hips = {each: np.array([SIGN[each] * 91.0, rng.normal(0, 1.5), 0.0]) for each in SIGN}
    space = {}
    for name, (caudal, anterior, off) in MIDLINE.items():
        more = rng.normal(0.0, 8.0) if name == "sacrococcygeal_joint" else rng.normal(0.0, 3.0)
        if name == "sacrococcygeal_joint":
            caudal += 10.0 if man else -8.0
        point = [rng.normal(0.0, off), caudal + rng.normal(0.0, 4.0), anterior + more]
        space[name] = stands([point])
    for stem, (lateral, caudal, anterior, asymmetry) in PAIRED.items():
        own = rng.normal(0.0, [3.0, 3.0, 4.0])
        for each, sign in SIGN.items():
            x, y, z = np.array([lateral, caudal, anterior]) + own + rng.normal(0, asymmetry, 3)
            space[f"{stem}_{each}"] = stands([[sign * x, y, z]])
    for each, sign in SIGN.items():
        space[f"obturator_foramen_{each}"] = stands(
            (FORAMEN + rng.normal(0.0, 0.8, FORAMEN.shape)) * [sign, 1.0, 1.0]
        )
    head, other = rng.choice([28.0, 32.0, 36.0]), rng.uniform(42.0, 52.0)
    shell = rng.choice([50.0, 52.0, 54.0, 56.0])
    centre = stands([hips[side]])[0]
    ri, ra = rng.uniform(32.0, 52.0), rng.uniform(5.0, 28.0) if ra is None else ra
    # The angles are those of the film's coronal plane and the line through the teardrops.
    across = space["teardrop_left"][0] - space["teardrop_right"][0]
    line = np.arctan2(across[1], across[0])
    axis = axis_of(ri, ra, side)
    cos, sin = np.cos(line), np.sin(line)
    axis = np.array([cos * axis[0] - sin * axis[1], sin * axis[0] + cos * axis[1], axis[2]])
    begin = rng.uniform(0.0, 360.0)

    def around(arc, middle):
        even = np.linspace(-arc / 2.0, arc / 2.0, clicks, endpoint=arc < 359.0)
        return middle + even + rng.normal(0.0, arc / clicks / 5.0, clicks)

    space[f"femoral_head_{side}"] = touched_circle(centre, head / 2, sid, around(250.0, begin))
    space[f"femoral_head_{OTHER[side]}"] = touched_circle(
        stands([hips[OTHER[side]]])[0], other / 2, sid, around(230.0, begin + 50.0)
    )
    rim = around(360.0 if rim_arc is None else rim_arc, begin)
    if rim_arc is not None:  # the arc lies on one side of the long axis, as one of the two does
        rim = around(rim_arc, _end_of_short_axis(centre, shell / 2, axis, sid, rng.random() < 0.5))
    face = rng.normal(0.0, 0.5)
    rim_centre = centre + face * axis + rng.normal(0.0, 0.3, 3)
    space[f"cup_rim_{side}"] = circle_in_space(rim_centre, shell / 2, axis, rim)
    dome = _dome(centre, shell / 2, axis, sid, around(140.0, 0.0))
    space[f"cup_shell_{side}"] = dome
    frame = Frame(shape=(1400, 1720), pitch=(PITCH_MM, PITCH_MM), beam=(699.5, 859.5))
    missed = np.zeros(2) if tube == "stated" else rng.normal(0.0, 10.0, 2)
    placed = {}
    for name, points in space.items():
        outline = name.startswith(("femoral_head", "cup_"))
        spread = OUTLINE_PX if outline else BONE_PX
        seen = frame.pixels(land(points, sid) + missed)
        placed[name] = seen + rng.normal(0.0, spread, seen.shape)
    if bad_click is not None:
        stem, far = bad_click
        points, which = placed[f"{stem}_{side}"], rng.integers(clicks)
        before, after = which - 1, which + 1
        if stem == "cup_shell" or rim_arc is not None:  # the end of an arc has one neighbour
            before, after = max(before, 0), min(after, clicks - 1)
        along = points[after % clicks] - points[before]
        outward = np.array([along[1], -along[0]]) / np.linalg.norm(along)
        step = rng.choice([-far, far]) * outward
        if stem == "cup_rim":  # inward across a flat rim it may come to stand on the other arc
            turns = np.arange(0.0, 360.0, 2.0)
            whole = circle_in_space(rim_centre, shell / 2, axis, turns)
            off = frame.pixels(land(whole, sid) + missed) - (points[which] + step)
            step *= 1.0 if np.hypot(*off.T).min() > 0.7 * far else -1.0
        points[which] += step
    known = {}
    if stated_spread:
        known["placing_sd_px"] = {
            name: OUTLINE_PX if name.startswith(("femoral_head", "cup_")) else BONE_PX
            for name in placed
        }
    if tube == "stated":
        known["source_detector_mm"], known["beam_centre"] = sid, frame.beam
    if cup_known:
        known["cup_diameter_mm"] = {side: float(shell)}
    if opens:
        known["cup_opens"] = {side: "anterior" if _faces(axis, centre, sid) else "posterior"}
    reading = Reading(
        reader="A",
        read_at="2026-01-31T10:15:00Z",
        operated_side=side,
        landmarks={name: tuple(map(tuple, xy.tolist())) for name, xy in placed.items()},
        head_diameter_mm={side: float(head + wrong_head_mm)},
        **known,
    )
    spacing = (
        no_spacing("It says nothing.", 1.0)
        if tube == "picture"
        else detector_spacing((PITCH_MM, PITCH_MM), "Made by hand.")
    )
    film = frame.film(spacing=spacing, source_detector_mm=None)
    return CupScene(
        film, reading, float(ri), float(ra), float(centre[2]), float(shell), float(head)
    )


def _faces(axis, centre, sid):
    return axis @ (np.array([0.0, 0.0, sid]) - centre) > 0


def _end_of_short_axis(centre, radius, axis, sid, near):
    """Return the turn, in degrees, of the rim's point furthest across its long axis."""
    turns = np.arange(0.0, 360.0, 1.0)
    seen = land(circle_in_space(centre, radius, axis, turns), sid)
    seen = seen - seen.mean(axis=0)
    across = np.linalg.svd(seen, full_matrices=False)[2][1]
    off = seen @ across
    return turns[off.argmax() if near else off.argmin()]


def _dome(centre, radius, axis, sid, turns_deg):
    """Return points of the shell's outline: of the sphere's, those behind the opening."""
    whole = touched_circle(centre, radius, sid, np.arange(0.0, 360.0, 1.0))
    behind = (whole - centre) @ axis < 0
    angles = np.arange(0.0, 360.0, 1.0)[behind]
    middle = np.degrees(np.angle(np.exp(1j * np.radians(angles)).mean()))
    return touched_circle(centre, radius, sid, middle + turns_deg)
