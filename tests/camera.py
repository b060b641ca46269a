"""A point source, a body and a film made by brute force: the truth that measuring is held against.

Nothing here comes from the measuring code's own projection. A point lands where the straight line
from the tube through it meets the detector; a circle is cast point by point; a sphere is cast
along the circle in which the rays touch it.

Frame: millimetres, x to the patient's left, y caudal, z toward the tube, origin where the central
ray meets the detector. The body's own frame has its origin midway between the teardrops.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np

from xraymeasure.film.film import STANDARD_AXES, Film
from xraymeasure.film.spacing import detector_spacing, no_spacing
from xraymeasure.reading.reading import FilmBinding, Reading

SIGN = {"left": 1.0, "right": -1.0}
OTHER = {"left": "right", "right": "left"}


def land(points, sid):
    """Return where points (n, 3) land on the detector z = 0, (n, 2), by walking along the ray."""
    tube = np.array([0.0, 0.0, sid])
    rays = np.asarray(points, float) - tube
    reach = -sid / rays[:, 2]
    return (tube + reach[:, None] * rays)[:, :2]


def axis_of(ri_deg, ra_deg, side):
    """Return the axis out of a cup's opening as the conventions write it for each hip."""
    ri, ra = np.radians([ri_deg, ra_deg])
    return np.array(
        [SIGN[side] * np.sin(ri) * np.cos(ra), np.cos(ri) * np.cos(ra), np.sin(ra)], float
    )


def circle_in_space(centre, radius, normal, turns_deg):
    """Return points (n, 3) around a circle."""
    normal = np.asarray(normal, float) / np.linalg.norm(normal)
    aside = np.array([0.0, 0.0, 1.0]) if abs(normal[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    one = np.cross(normal, aside)
    one /= np.linalg.norm(one)
    two = np.cross(normal, one)
    turn = np.radians(turns_deg)[:, None]
    return np.asarray(centre) + radius * (np.cos(turn) * one + np.sin(turn) * two)


def touched_circle(centre, radius, sid, turns_deg):
    """Return the points (n, 3) of a sphere at which rays from the tube touch it."""
    tube = np.array([0.0, 0.0, sid])
    towards = tube - np.asarray(centre, float)
    share = radius**2 / (towards @ towards)
    return circle_in_space(
        np.asarray(centre) + share * towards, radius * np.sqrt(1.0 - share), towards, turns_deg
    )


def spread_turns(n, start=7.0):
    return start + np.arange(n) * 360.0 / n


@dataclass(frozen=True)
class Body:
    """An invented pelvis with both femora; lengths in mm, sides mirrored about x = 0.

    Every landmark lies in the coronal plane of the hip centres unless `depth` says otherwise.
    `abduction_deg` turns a femur about its hip centre; `leg_mm` lowers a femur's landmarks.
    """

    side: str = "left"
    sid: float = 1150.0
    hip: tuple[float, float, float] = (90.0, 35.0, 150.0)
    ri: float = 40.0
    ra: float = 15.0
    rim_mm: float = 50.0
    shell_mm: float = 54.0
    head_mm: float = 32.0
    other_head_mm: float = 46.0
    obliquity_deg: float = 0.0
    hip_x: float = 88.0
    hip_y: float = -18.0
    other_hip_x: float = 91.0
    other_hip_y: float = -16.0
    offset_mm: float = 42.0
    other_offset_mm: float = 45.0
    leg_mm: float = 6.0
    abduction_deg: float = 0.0
    other_abduction_deg: float = 0.0
    neck_shaft_deg: float = 132.0
    varus_deg: float = 0.0
    depth: dict = field(default_factory=dict)
    both_replaced: bool = False

    def femur_frame(self, side):
        """Return hip centre, distal direction and lateral direction of a femur, in the body."""
        operated, sign = side == self.side, SIGN[side]
        hip = np.array(
            [
                sign * (self.hip_x if operated else self.other_hip_x),
                self.hip_y if operated else self.other_hip_y,
            ]
        )
        angle = np.radians(self.abduction_deg if operated else self.other_abduction_deg)
        distal = np.array([sign * np.sin(angle), np.cos(angle)])
        lateral = np.array([sign * np.cos(angle), -np.sin(angle)])
        return hip, distal, lateral

    def trochanter_along(self, side):
        """Return how far the lesser trochanter lies from the hip centre along the shaft."""
        return 58.0 + (self.leg_mm if side == self.side else 0.0)

    def flat_landmarks(self):
        """Return every landmark but the outlines, in the body's coronal plane, (n, 2)."""
        placed = {"symphysis": [[0.0, 28.0]], "sacrococcygeal_joint": [[1.0, -8.0]]}
        for side, sign in SIGN.items():
            hip, distal, lateral = self.femur_frame(side)
            operated = side == self.side
            offset = self.offset_mm if operated else self.other_offset_mm
            placed[f"teardrop_{side}"] = [[sign * 57.0, 0.0]]
            placed[f"ischium_{side}"] = [[sign * 60.0, 42.0]]
            placed[f"obturator_foramen_{side}"] = [
                [sign * 56.0, 18.0],
                [sign * 24.0, 20.0],
                [sign * 40.0, 4.0],
                [sign * 42.0, 34.0],
            ]
            placed[f"lesser_trochanter_{side}"] = [
                hip + self.trochanter_along(side) * distal + 20.0 * lateral
            ]
            placed[f"greater_trochanter_{side}"] = [hip - 5.0 * distal + (offset + 15.0) * lateral]
            placed[f"femoral_shaft_{side}"] = [
                hip + offset * lateral + along * distal for along in (75.0, 105.0, 140.0, 180.0)
            ]
            if operated or self.both_replaced:
                lean = np.radians(self.varus_deg)
                stem = np.cos(lean) * distal + np.sin(lean) * lateral
                across = np.cos(lean) * lateral - np.sin(lean) * distal
                middle = hip + offset * lateral + 90.0 * distal
                placed[f"stem_axis_{side}"] = [middle - 45.0 * stem, middle + 45.0 * stem]
                open_by = np.radians(self.neck_shaft_deg)
                towards_head = np.cos(open_by) * stem - np.sin(open_by) * across
                placed[f"neck_axis_{side}"] = [hip, hip - 30.0 * towards_head]
                placed[f"stem_shoulder_{side}"] = [middle - 50.0 * stem + 12.0 * across]
        return {name: np.array(points, float) for name, points in placed.items()}

    def in_space(self, flat, height=0.0):
        """Return body points (n, 2) in the patient frame, (n, 3), hung up at the index hip."""
        angle = np.radians(self.obliquity_deg)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        index = self.femur_frame(self.side)[0]
        xy = (np.asarray(flat, float) - index) @ turn.T + np.array(self.hip[:2])
        return np.column_stack([xy, np.full(len(xy), self.hip[2] + height)])

    def hip_centre(self, side):
        return self.in_space([self.femur_frame(side)[0]])[0]

    def cup_axis(self, side):
        axis = axis_of(self.ri, self.ra, side)
        angle = np.radians(self.obliquity_deg)
        cos, sin = np.cos(angle), np.sin(angle)
        return np.array([cos * axis[0] - sin * axis[1], sin * axis[0] + cos * axis[1], axis[2]])

    def opens(self, side):
        """Return which way the opening looks as seen from the tube."""
        to_tube = np.array([0.0, 0.0, self.sid]) - self.hip_centre(side)
        return "anterior" if self.cup_axis(side) @ to_tube > 0 else "posterior"

    def replaced(self, side):
        return side == self.side or self.both_replaced

    def on_detector(self, points_per_outline=24):
        """Return every landmark on the detector, mm, (n, 2)."""
        landed = {}
        for name, flat in self.flat_landmarks().items():
            stem = name.removesuffix("_left").removesuffix("_right")
            landed[name] = land(self.in_space(flat, self.depth.get(stem, 0.0)), self.sid)
        turns = spread_turns(points_per_outline)
        for side in SIGN:
            hip = self.hip_centre(side)
            radius = (self.head_mm if self.replaced(side) else self.other_head_mm) / 2.0
            landed[f"femoral_head_{side}"] = land(
                touched_circle(hip, radius, self.sid, turns), self.sid
            )
            if self.replaced(side):
                landed[f"cup_rim_{side}"] = land(
                    circle_in_space(hip, self.rim_mm / 2.0, self.cup_axis(side), turns), self.sid
                )
        return landed

    def known_sizes(self):
        """Return what a reader of this body's film knows beside the landmarks."""
        sides = [side for side in SIGN if self.replaced(side)]
        return {
            "head_diameter_mm": dict.fromkeys(sides, self.head_mm),
            "cup_opens": {side: self.opens(side) for side in sides},
        }


@dataclass(frozen=True)
class Frame:
    """How the detector's millimetres become rows and columns."""

    shape: tuple[int, int] = (3300, 3600)
    pitch: tuple[float, float] = (0.14, 0.14)
    axes: tuple[tuple[int, int], tuple[int, int]] = STANDARD_AXES
    beam: tuple[float, float] = (1350.0, 1750.0)

    def pixels(self, xy):
        """Return rows and columns of detector points (n, 2), solving for each step."""
        per_step = np.array(self.axes, float) * np.array(self.pitch)
        return np.linalg.solve(per_step, np.asarray(xy, float).T).T + np.array(self.beam)

    def film(self, **known):
        """Return a blank film with this frame; its pixels take no memory."""
        known.setdefault("source_detector_mm", 1150.0)
        known.setdefault("spacing", detector_spacing(self.pitch, "Made by hand."))
        known.setdefault("beam_centre", self.beam)
        film = Film(
            source="made by hand",
            pixels=np.broadcast_to(np.uint8(0), self.shape),
            beam_centre_note="The beam's foot is where the film was made.",
            patient_axes=self.axes,
            **known,
        )
        # It is kept in the film once it was asked for; of blank pixels it is always the same.
        vars(film)["pixel_sha256"] = _blank_sha256(*self.shape)
        return film


@cache
def _blank_sha256(rows, columns):
    return hashlib.sha256(bytes(rows * columns)).hexdigest()


def film_and_reading(body, frame=None, *, film=None, points=24, **known):
    """Return a blank film of a body and the exact reading of it, beam and tube stated."""
    frame = frame or Frame()
    landed = body.on_detector(points)
    reading = Reading(
        reader="A",
        read_at="2026-01-31T10:15:00Z",
        operated_side=body.side,
        landmarks={
            name: tuple(map(tuple, frame.pixels(xy).tolist())) for name, xy in landed.items()
        },
        **{
            "beam_centre": frame.beam,
            "source_detector_mm": body.sid,
            **body.known_sizes(),
            **known,
        },
    )
    if film is None:
        film = frame.film(source_detector_mm=body.sid)
    return film, replace(reading, film=FilmBinding(None, film.pixel_sha256))


def without_geometry(frame):
    """Return a film of the same frame that says nothing of its scale."""
    return frame.film(
        spacing=no_spacing("It says nothing.", frame.pitch[0] / frame.pitch[1]),
        source_detector_mm=None,
    )


def moved(reading, change):
    """Return a reading whose points went through `change`, (n, 2) to (n, 2)."""
    landmarks = {
        name: tuple(map(tuple, change(np.array(points)).tolist())) if points else ()
        for name, points in reading.landmarks.items()
    }
    beam = reading.beam_centre
    if beam is not None:
        beam = tuple(change(np.array([beam]))[0].tolist())
    return replace(reading, landmarks=landmarks, beam_centre=beam)
