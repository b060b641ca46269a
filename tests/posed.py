"""A body whose femurs are flexed, turned and brought together, cast by brute force.

Nothing here comes from the measuring code: each femur is a set of points about the centre of its
head, turned by three rotation matrices; everything lands where the ray from the tube meets the
detector (tests/camera.py). Where bones lie in depth is that of two rendered bodies of an
independent program (a woman's and a man's), rounded; spreads about it are drawn here.

Frame as in tests/camera.py. A femur's own frame: x laterally, y distally, z anteriorly, the neck
in the plane z = 0, the axis of the shaft along y at x = offset.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.camera import OTHER, SIGN, Frame, axis_of, circle_in_space, land, touched_circle
from xraymeasure.reading.reading import Reading


def turn(axis, degrees):
    """Return the matrix that turns about a coordinate axis, right-handed."""
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    one, two = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    matrix = np.eye(3)
    matrix[one, one] = matrix[two, two] = cos
    matrix[one, two], matrix[two, one] = -sin, sin
    return matrix


@dataclass(frozen=True)
class PosedFemur:
    """A femur, its posture and where its bony points lie in its own frame, mm and degrees."""

    offset: float = 42.0
    lesser: tuple[float, float, float] = (25.0, 55.0, -25.5)
    greater: tuple[float, float, float] = (50.0, -5.0, 0.0)
    flexion: float = 8.0
    rotation: float = 12.0
    adduction: float = 5.0
    neck_shaft: float = 132.0
    head_mm: float = 46.0

    def placed(self, points, hip, sign):
        """Return points (n, 3) of the femur's frame in space."""
        # Neck forward: the shaft goes behind the head. Flexed: its distal end comes forward.
        matrix = turn("z", self.adduction) @ turn("x", self.flexion) @ turn("y", self.rotation)
        return np.asarray(hip) + (np.atleast_2d(points) @ matrix.T) * [sign, 1.0, 1.0]


@dataclass(frozen=True)
class PosedBody:
    """A pelvis and two femurs under a tube."""

    side: str
    femurs: dict
    hips: dict
    pelvis: dict
    sid: float = 1150.0
    cup: tuple[float, float] = (42.0, 18.0)
    rim_mm: float = 52.0
    hidden: tuple[str, ...] = ()

    def leg_length_difference(self):
        """Return how much lower the lesser trochanter of the index side would lie, legs alike."""
        left, right = (self.pelvis[f"teardrop_{side}"][0] for side in SIGN)
        along = (left - right)[:2] / np.linalg.norm((left - right)[:2])
        down = np.array([-along[1], along[0]])
        length = {side: self.hips[side][:2] @ down + self.femurs[side].lesser[1] for side in SIGN}
        return length[self.side] - length[OTHER[self.side]]

    def in_space(self):
        """Return every landmark in space, (n, 3)."""
        found = dict(self.pelvis)
        for side, sign in SIGN.items():
            femur, hip = self.femurs[side], self.hips[side]

            def put(name, points, femur=femur, hip=hip, sign=sign, side=side):
                found[f"{name}_{side}"] = femur.placed(np.array(points, float), hip, sign)

            put("lesser_trochanter", [femur.lesser])
            put("greater_trochanter", [femur.greater])
            put("femoral_shaft", [[femur.offset, y, 0.0] for y in (75.0, 105.0, 135.0, 165.0)])
            if side == self.side:
                put("stem_axis", [[femur.offset, y, 0.0] for y in (50.0, 140.0)])
                angle = np.radians(180.0 - femur.neck_shaft)
                neck = np.array([np.sin(angle), np.cos(angle), 0.0])
                put("neck_axis", [0.0 * neck, 32.0 * neck])
        return found

    def seen(self, rng, outline=10):
        """Return every landmark on the detector, mm, (n, 2); outlines begin anywhere."""
        landed = {name: land(points, self.sid) for name, points in self.in_space().items()}
        for side in SIGN:
            turns = rng.uniform(0, 360) + np.linspace(-150.0, 150.0, outline)
            touched = touched_circle(
                self.hips[side], self.femurs[side].head_mm / 2.0, self.sid, turns
            )
            landed[f"femoral_head_{side}"] = land(touched, self.sid)
        rim = circle_in_space(
            self.hips[self.side],
            self.rim_mm / 2.0,
            axis_of(*self.cup, self.side),
            rng.uniform(0, 360) + np.arange(outline) * 360.0 / outline,
        )
        landed[f"cup_rim_{self.side}"] = land(rim, self.sid)
        return {name: xy for name, xy in landed.items() if name not in self.hidden}


WIDE = {"flexion": (3.0, 3.0), "rotation": (6.0, 8.0)}
SUPINE = {"flexion": (3.0, 2.0), "rotation": (6.0, 8.0)}
"""Spreads of posture in degrees: of both legs together, and of each."""


def posed_body(rng, posture, alike=1.5):
    """Draw a body: one of two skeletons, scaled, tilted and turned a little, with its posture.

    The spread between the sides of one body is that of real femurs as published (references:
    posture of the femur); `alike` is that of the distance between the trochanters, in mm.
    """
    woman = rng.random() < 0.5
    size = rng.normal(0.93 if woman else 1.0, 0.04)
    side = "left" if rng.random() < 0.5 else "right"
    common = {name: rng.normal(0.0, spread[0]) for name, spread in posture.items()}
    radius = (31.5 if woman else 31.0) * size
    azimuth = rng.normal(57.0, 4.0)
    forward = (8.0 if woman else -7.0) * size
    neck = rng.normal(127.0, 4.0)
    offset, lesser, greater = 41.0 * size, 56.0 * size, -7.0 * size
    femurs, hips = {}, {}
    pelvis = {
        "symphysis": np.array([[rng.normal(0.0, 1.0), 22.0 * size, 38.0 * size]]),
        "sacrococcygeal_joint": np.array([[rng.normal(0.0, 3.0), -10.0, -100.0 * size]]),
    }
    for each, sign in SIGN.items():
        index = each == side
        at = np.radians(azimuth + rng.normal(0.0, 3.0) + (rng.normal(0.0, 5.0) if index else 0.0))
        own = radius + rng.normal(0.0, 0.7)
        off = offset + (rng.normal(0.0, 4.0) if index else rng.normal(0.0, 1.0))
        low = lesser + rng.normal(0.0, 1.2) + (rng.normal(3.0, 5.0) if index else 0.0)
        high = low + greater - lesser + (rng.normal(0.0, alike) if index else 0.0)
        seen_at = low + rng.normal(0.0, 0.5)
        femurs[each] = (
            PosedFemur(
                offset=off,
                lesser=(off - own * np.cos(at), low, -own * np.sin(at)),
                greater=(off + rng.normal(8.0, 2.0), high, forward + rng.normal(0.0, 1.5)),
                flexion=8.0 + common["flexion"] + rng.normal(0.0, posture["flexion"][1]),
                rotation=12.0 + common["rotation"] + rng.normal(0.0, posture["rotation"][1]),
                adduction=rng.normal(5.0, 3.0),
                neck_shaft=neck,
                head_mm=32.0 if index else 46.0 * size,
            ),
            seen_at,
        )
        hips[each] = np.array([sign * 92.0 * size, -14.0 * size, 0.0])
        if index:
            hips[each] += [sign * rng.normal(-2.0, 2.0), rng.normal(0.0, 3.0), rng.normal(0, 1.5)]
        pelvis[f"teardrop_{each}"] = np.array([[sign * 60.0 * size, 0.0, rng.normal(0.5, 1.5)]])
        pelvis[f"ischium_{each}"] = np.array(
            [[sign * 57.0 * size, (47.0 * size) + rng.normal(0.0, 1.4), -31.0 * size]]
        )
        pelvis[f"obturator_foramen_{each}"] = size * np.array(
            [[sign * x, y, 15.0] for x, y in ((56, 20), (26, 22), (41, 6), (42, 36))]
        ) + [0.0, rng.normal(0.0, 1.0), 0.0]
    tilt, rotation, lean = rng.normal(0, 4), rng.normal(0, 2), rng.normal(0, 2)
    matrix = turn("z", lean) @ turn("y", rotation) @ turn("x", tilt)
    # The pelvis turns as one; femurs hang from their hips in the posture drawn.
    away = [rng.normal(0, 8), -35.0 * size + rng.normal(0, 8), rng.uniform(140.0, 190.0)]
    pelvis = {name: points @ matrix.T + away for name, points in pelvis.items()}
    hips = {each: matrix @ hip + away for each, hip in hips.items()}
    lesser_seen = {each: at for each, (_, at) in femurs.items()}
    body = PosedBody(
        side,
        {each: femur for each, (femur, _) in femurs.items()},
        hips,
        pelvis,
        sid=rng.uniform(1000.0, 1200.0),
        cup=(rng.normal(42.0, 5.0), rng.normal(18.0, 5.0)),
    )
    return body, lesser_seen


FRAME = Frame(pitch=(0.25, 0.25), shape=(1400, 1720), beam=(700.0, 860.0))


def posed_reading(body, rng, *, outline_mm=0.0, bone_mm=0.0, twice=(), stated=False, **known):
    """Return a blank film of a body and a reading of it.

    Parameters
    ----------
    outline_mm, bone_mm : float
        Spread of a click on an outline and elsewhere, on the detector.
    twice : tuple of str
        Stems of the landmarks that are placed twice.
    stated : bool
        Whether the reading states its placing spread.
    **known
        What else the reading states.
    """
    landmarks, spread = {}, {}
    for name, xy in body.seen(rng).items():
        stem = name.removesuffix("_left").removesuffix("_right")
        mm = outline_mm if stem in ("femoral_head", "cup_rim") else bone_mm
        spread[name] = mm / FRAME.pitch[0]
        clicks = np.vstack([xy, xy]) if stem in twice else xy
        placed = FRAME.pixels(clicks + rng.normal(0.0, mm, clicks.shape))
        landmarks[name] = tuple(map(tuple, placed.tolist()))
    known = {
        "beam_centre": FRAME.beam,
        "source_detector_mm": body.sid,
        "head_diameter_mm": {body.side: body.femurs[body.side].head_mm},
        "neck_shaft_angle_deg": {body.side: body.femurs[body.side].neck_shaft},
        "placing_sd_px": spread if stated else None,
    } | known
    reading = Reading(
        reader="A",
        read_at="2026-01-31T10:15:00Z",
        operated_side=body.side,
        landmarks=landmarks,
        **known,
    )
    return FRAME.film(source_detector_mm=known["source_detector_mm"]), reading


def posed_film(rng, posture, *, outline_mm=0.25, bone_mm=0.5, stated=True, **more):
    """Draw a body, its film and a reading of it; the truth is (leg-length difference, offset)."""
    body, lesser_seen = posed_body(rng, posture)
    truth = body.leg_length_difference(), body.femurs[body.side].offset
    shown = replace(
        body,
        femurs={
            side: replace(femur, lesser=(femur.lesser[0], lesser_seen[side], femur.lesser[2]))
            for side, femur in body.femurs.items()
        },
    )
    more.setdefault("posture", "supine" if posture is SUPINE else None)
    film, reading = posed_reading(
        shown, rng, outline_mm=outline_mm, bone_mm=bone_mm, stated=stated, **more
    )
    return body, film, reading, truth
