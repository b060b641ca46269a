"""The femurs in space: flexion, rotation and adduction solved with what the film shows.

A film does not show how far a femur is flexed or turned, yet both move what is measured along it.
They are inputs with a spread, as anatomy is; with them given, the film has one solution through
the point source: the shaft lies in the plane of its line and the tube, its distance from the
head's centre follows from the rotation, a trochanter lies where its ray passes at the depth that
it has in the femur. What else the film shows must then agree (the neck-shaft angle with the
stem's, both trochanters with each other, the lesser one's prominence with its place in the bone,
further lines through the pelvis with the reference line): numbers learn from that, see
`xraymeasure.measuring.uncertainty.Linear`.

Frame: millimetres about the beam's foot in the plane of the index hip; x to the patient's left,
y caudal, z toward the tube, which stands at ``(0, 0, distance)``. Vectors are ``(3, draws)``.
Frame of a femur: from the centre of the head, distally along the shaft, laterally to it in the
plane of the neck, and anteriorly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xraymeasure.measuring.femur import neck_shaft, signed_distance
from xraymeasure.measuring.inputs import ALIKE_U_MM
from xraymeasure.measuring.positions import ALONG_THE_FEMUR, Scene
from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS
from xraymeasure.measuring.uncertainty import AGREEMENT, Numbers
from xraymeasure.vocabulary.landmarks import SIDES, Side, landmark_name, other_side


@dataclass(frozen=True, eq=False)
class Femur:
    """A femur in space, for every draw of its posture.

    Attributes
    ----------
    head : numpy.ndarray, shape (3, draws)
        The centre of the head.
    distal, lateral, anterior : numpy.ndarray, shape (3, draws)
        The femur's own axes.
    offset_mm : numpy.ndarray, shape (draws,)
        From the head's centre to the axis of the shaft.
    rotation_deg : numpy.ndarray, shape (draws,)
        How far the neck points forward out of the film's plane.
    tube : numpy.ndarray, shape (3, draws)
    """

    head: np.ndarray
    distal: np.ndarray
    lateral: np.ndarray
    anterior: np.ndarray
    offset_mm: np.ndarray
    rotation_deg: np.ndarray
    tube: np.ndarray

    def point(self, on_film: np.ndarray, anterior_mm: np.ndarray) -> np.ndarray:
        """Return where a point of the femur lies from the head's centre: distally and laterally.

        Its ray passes `on_film`, shape (2, draws), in the plane of the hip, and meets the plane
        that lies so far anterior of the neck's.
        """
        ray = _in_plane(on_film) - self.tube
        from_head = self.tube - self.head
        reach = (anterior_mm - _dot(from_head, self.anterior)) / _dot(ray, self.anterior)
        place = from_head + reach * ray
        return np.array([_dot(place, self.distal), _dot(place, self.lateral)])


def solve_femur(scene: Scene, side: Side) -> Femur | None:
    """Return a femur in space as its film, flexion and rotation have it, or None."""
    if f"own_flexion_{side}" not in scene.inputs:
        return None
    inputs, sign = scene.inputs, scene.setting.hips[side].lateral_sign
    head = scene.heads_in_space[side]
    tube = np.zeros_like(head)
    tube[2] = scene.tube_above_hip_mm
    on_line, along = next(
        scene.lines[name]
        for stem in ALONG_THE_FEMUR
        if (name := landmark_name(stem, side)) in scene.lines
    )
    forward = np.tan(np.radians(inputs["flexion"][0] + inputs[f"own_flexion_{side}"][0]))
    distal, normal = _flexed(scene.on_hip_plane(on_line), along, forward, tube)
    turn = inputs["turn"][0] + inputs[f"own_turn_{side}"][0]
    lateral, anterior = _turned(distal, turn, sign)
    offset = -_dot(normal, head - tube) / _dot(normal, lateral)
    return Femur(head, distal, lateral, anterior, offset, turn, tube)


def _flexed(
    on_line: np.ndarray, along: np.ndarray, forward: np.ndarray, tube: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the direction of a shaft, distally, and the normal of the plane that holds its rays.

    The shaft lies in that plane and goes `forward` for each unit that it goes caudally.
    """
    normal = _cross(_in_plane(on_line) - tube, _in_plane(along))
    across = -(normal[1] + normal[2] * forward) / normal[0]
    distal = np.array([across, np.ones_like(across), forward + np.zeros_like(across)])
    return distal / np.sqrt(_dot(distal, distal)), normal


def _turned(distal: np.ndarray, turn_deg: np.ndarray, sign: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the directions from the head to the shaft's axis and anterior of the neck's plane."""
    side = sign * np.array([distal[1], -distal[0], np.zeros_like(distal[0])])
    side = side / np.sqrt(_dot(side, side))
    front = sign * _cross(side, distal)
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return cos * side - sin * front, cos * front + sin * side


def femurs_in_space(
    scene: Scene, tilt: np.ndarray, origin: np.ndarray | None, numbers: Numbers
) -> None:
    """Add what is measured on femurs in space, and what must agree for it to be right."""
    femurs = {side: solve_femur(scene, side) for side in SIDES}
    operated = scene.setting.operated
    for side, femur in femurs.items():
        if femur is None:
            continue
        numbers["femoral_offset", side, "in_space"] = femur.offset_mm
        if (acetabular := numbers.get(("acetabular_offset", side, "landmarks"))) is not None:
            numbers["global_offset", side, "in_space"] = femur.offset_mm + acetabular
        _neck_agrees(scene, side, femur, numbers)
    solved = {side: femur for side, femur in femurs.items() if femur is not None}
    if origin is None or len(solved) < len(SIDES):
        return
    down = np.array([-np.sin(tilt), np.cos(tilt)])
    heights = {side: (femur.head[:2] * down).sum(axis=0) for side, femur in solved.items()}
    lessers = {side: _lesser(scene, side, femur, numbers) for side, femur in solved.items()}
    greaters = {side: _greater(scene, side, femur) for side, femur in solved.items()}
    other = other_side(operated)
    hips = heights[operated] - heights[other]
    by_lesser = _longer(hips, lessers[operated], lessers[other])
    by_greater = _longer(hips, greaters[operated], greaters[other])
    if by_greater is not None:
        by_greater = by_greater + scene.inputs["trochanters_alike"][0]
    length = by_lesser if by_lesser is not None else by_greater
    if length is None:
        return
    numbers["leg_length_difference", operated, "posture"] = length
    if by_lesser is not None and by_greater is not None:
        numbers[AGREEMENT, None, "trochanters"] = by_lesser - by_greater
    _line_agrees(scene, tilt, numbers)


def _longer(
    hips: np.ndarray, ours: np.ndarray | None, theirs: np.ndarray | None
) -> np.ndarray | None:
    """Return the leg-length difference by one trochanter, or None where a side lacks it."""
    return None if ours is None or theirs is None else hips + ours - theirs


def _neck_agrees(scene: Scene, side: Side, femur: Femur, numbers: Numbers) -> None:
    """Hold the projected neck-shaft angle against that of a stem in this posture."""
    neck, stem = f"neck_axis_{side}", f"stem_axis_{side}"
    key = f"neck_shaft_{side}"
    if key not in scene.inputs or neck not in scene.units or stem not in scene.units:
        return
    numbers["femoral_rotation", side, "posture"] = femur.rotation_deg
    sign = scene.setting.hips[side].lateral_sign
    forward = femur.distal[2] / femur.distal[1]
    on_line, along = scene.lines[stem]
    distal, _ = _flexed(scene.on_hip_plane(on_line), along, forward, femur.tube)
    lateral, _ = _turned(distal, femur.rotation_deg, sign)
    angle = np.radians(scene.inputs[key][0])
    towards_head = np.cos(angle) * distal - np.sin(angle) * lateral
    # How the ray through the head's centre moves when the point goes along the neck.
    tube_above = femur.tube[2] - femur.head[2]
    seen = towards_head[:2] + femur.head[:2] / tube_above * towards_head[2]
    expected = np.arctan2(
        np.abs(seen[0] * along[1] - seen[1] * along[0]), (seen * along).sum(axis=0)
    )
    numbers[AGREEMENT, side, "neck_shaft"] = neck_shaft(scene, side) - np.degrees(expected)
    if (through := scene.inputs.get(f"neck_through_head_{side}")) is not None:
        ends = scene.units[neck]
        along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
        off = signed_distance(scene.head_centre[side], ends[0], along) * scene.mm_per_unit
        numbers[AGREEMENT, side, "neck_through_head"] = off + through[0]


def _lesser(scene: Scene, side: Side, femur: Femur, numbers: Numbers) -> np.ndarray | None:
    """Return how far distal of the head's centre the lesser trochanter lies."""
    name = f"lesser_trochanter_{side}"
    if name not in scene.units:
        return None
    inputs = scene.inputs
    radius = inputs["lesser_radius"][0] + inputs[f"own_lesser_radius_{side}"][0]
    azimuth = np.radians(inputs["lesser_azimuth"][0] + inputs[f"own_lesser_azimuth_{side}"][0])
    along, aside = femur.point(scene.on_hip_plane(scene.units[name][0]), -radius * np.sin(azimuth))
    numbers[AGREEMENT, side, "lesser_trochanter"] = (
        femur.offset_mm - aside - radius * np.cos(azimuth)
    )
    return np.asarray(along + inputs[f"lesser_seen_{side}"][0])


def _greater(scene: Scene, side: Side, femur: Femur) -> np.ndarray | None:
    """Return how far distal of the head's centre the greater trochanter's tip lies."""
    name = f"greater_trochanter_{side}"
    if name not in scene.units:
        return None
    inputs = scene.inputs
    anterior = inputs["greater_anterior"][0] + inputs[f"own_greater_anterior_{side}"][0]
    return np.asarray(femur.point(scene.on_hip_plane(scene.units[name][0]), anterior)[0])


def _line_agrees(scene: Scene, tilt: np.ndarray, numbers: Numbers) -> None:
    """Hold further lines across the pelvis against the reference line."""
    reference = scene.setting.reference
    used = REFERENCE_LANDMARKS[reference] if reference else None
    for stem in ALIKE_U_MM:
        if stem == used or f"{stem}_alike" not in scene.inputs:
            continue
        left, right = (scene.in_hip_plane(landmark_name(stem, side)).mean(axis=0) for side in SIDES)
        across, down = left - right
        lower = np.cos(tilt) * down - np.sin(tilt) * across
        numbers[AGREEMENT, None, stem] = lower + scene.inputs[f"{stem}_alike"][0]


def _in_plane(xy: np.ndarray) -> np.ndarray:
    """Return points of the hip's plane in space, shape (3, draws)."""
    return np.array([*xy, np.zeros_like(xy[0])])


def _dot(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return np.asarray(np.einsum("id,id->d", one, other))


def _cross(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return np.array(
        [
            one[1] * other[2] - one[2] * other[1],
            one[2] * other[0] - one[0] * other[2],
            one[0] * other[1] - one[1] * other[0],
        ]
    )
