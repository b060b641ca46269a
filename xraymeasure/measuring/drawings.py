"""What was fitted, as lines in film pixels for the page and the window to draw."""

from __future__ import annotations

from cmath import rect
from collections.abc import Iterator, Sequence

import numpy as np

from xraymeasure.measuring.prepared import REFERENCE_LANDMARKS, PreparedHip, Setting
from xraymeasure.measuring.results import Drawing
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES, Side, landmark_name

_TURN = np.linspace(0.0, 2.0 * np.pi, 97)
_AROUND = np.array([np.cos(_TURN), np.sin(_TURN)])


def ellipse_path(ellipse: np.ndarray) -> np.ndarray:
    """Return points around an ellipse, shape (97, 2), closed; in its own frame.

    Examples
    --------
    >>> ellipse_path(np.array([5.0, 0.0, 2.0, 1.0, 0.0]))[0]
    array([7., 0.])
    """
    x, y, a, b, angle = ellipse
    cos, sin = np.cos(angle), np.sin(angle)
    axes = np.array([[a * cos, -b * sin], [a * sin, b * cos]])
    return np.asarray(np.array([x, y]) + (axes @ _AROUND).T)


def draw(setting: Setting) -> Iterator[Drawing]:
    """Yield what there is to draw of a reading, the lines before what stands on them."""
    yield from _references(setting)
    for side in SIDES:
        yield from _hip(setting, setting.hips[side])
        yield from _femur(setting, setting.hips[side])
    if setting.marker is not None:
        yield _circle(setting, "marker", None, setting.marker.parameters, ("magnification",))
    for name, outline in setting.outlines.items():
        for index in outline.off:
            point = setting.as_placed.points(name)[index : index + 1]
            yield Drawing("off_point", LANDMARKS[name].side, point, (), tuple(point[0].tolist()))
    beam = np.array([setting.beam_px])
    if setting.geometry_known:
        yield Drawing("beam", None, beam, (), tuple(beam[0]))


def _line(
    setting: Setting,
    kind: str,
    side: Side | None,
    points: Sequence[complex],
    names: tuple[str, ...],
    anchor: complex | None = None,
) -> Drawing:
    """Return a line through points of the film, each x + y i in film units."""
    label = points[-1] if anchor is None else anchor
    placed = setting.pixels(np.array([(each.real, each.imag) for each in (*points, label)]))
    return Drawing(kind, side, placed[:-1], names, tuple(placed[-1].tolist()))


def _round(
    setting: Setting,
    kind: str,
    side: Side | None,
    ellipse: Sequence[float],
    names: tuple[str, ...],
    anchor: complex,
) -> Drawing:
    label = setting.pixels(np.array([anchor.real, anchor.imag]))
    path = setting.pixels(ellipse_path(np.array(ellipse)))
    return Drawing(kind, side, path, names, tuple(label.tolist()))


def _circle(
    setting: Setting, kind: str, side: Side | None, circle: np.ndarray, names: tuple[str, ...]
) -> Drawing:
    x, y, radius = circle.tolist()
    return _round(setting, kind, side, (x, y, radius, radius, 0.0), names, complex(x, y - radius))


def _middle(setting: Setting, name: str) -> complex:
    """Return the middle of a placed landmark in film units."""
    return complex(*setting.middles_mm[name]) * setting.units_per_px / setting.mm_per_px_for_placing


def _references(setting: Setting) -> Iterator[Drawing]:
    for name, stem in REFERENCE_LANDMARKS.items():
        names_of_ends = [landmark_name(stem, side) for side in SIDES]
        if not setting.reading.has(*names_of_ends):
            continue
        left, right = (_middle(setting, end) for end in names_of_ends)
        beyond = 0.45 * (left - right)
        kind = "reference" if name == setting.reference else "alternative_reference"
        names = ("pelvic_obliquity", "leg_length_difference", "radiographic_inclination")
        yield _line(setting, kind, None, [right - beyond, left + beyond], names)
        if kind == "reference" and name == "inter_teardrop":
            middle, caudal = (left + right) / 2.0, 1j * (left - right)
            ends = [middle - 0.35 * caudal, middle + 0.45 * caudal]
            yield _line(setting, "midline", None, ends, ("acetabular_offset",))


def _hip(setting: Setting, hip: PreparedHip) -> Iterator[Drawing]:
    if hip.shell is not None:
        yield _circle(setting, "shell", hip.side, hip.shell.parameters, ("magnification",))
    if hip.rim is not None:
        x, y, a, _, angle = ellipse = hip.rim.parameters.tolist()
        centre, along = complex(x, y), a * rect(1.0, angle)
        across = 1j * along
        outward = across if hip.lateral_sign * across.real + across.imag >= 0 else -across
        angles = ("radiographic_inclination", "radiographic_anteversion")
        label = centre + along * hip.lateral_sign
        yield _round(setting, "rim", hip.side, ellipse, angles, label)
        yield _line(setting, "rim_axis", hip.side, [centre - along, centre + along], angles[:1])
        yield _line(setting, "cup_axis", hip.side, [centre, centre + 1.3 * outward], angles[:1])
    if hip.head is not None:
        metal = hip.rim or hip.shell or hip.axes["stem_axis"] is not None or not hip.native
        kind = "head" if metal else "native_head"
        yield _circle(
            setting, kind, hip.side, hip.head.parameters, ("head_diameter_px", "magnification")
        )
        centre = complex(*hip.head.parameters[:2].tolist())
        yield _line(
            setting, "hip_centre", hip.side, [centre], ("hip_centre_height", "hip_centre_lateral")
        )


def _axis(setting: Setting, stem: str, hip: PreparedHip) -> list[complex] | None:
    """Return the ends of an axis, proximal first, in film units; None where not placed."""
    line = hip.axes[stem]
    if line is None:
        return None
    on_line, direction = line
    along = ((setting.on_film[landmark_name(stem, hip.side)] - on_line) @ direction).tolist()
    start, step = complex(*on_line.tolist()), complex(*direction.tolist())
    return sorted((start + min(along) * step, start + max(along) * step), key=_caudal)


def _foot(point: complex, start: complex, end: complex) -> complex:
    """Return the point of a line that is nearest to a point."""
    along = end - start
    return start + along * ((point - start) / along).real


def _caudal(point: complex) -> float:
    return point.imag


def _femur(setting: Setting, hip: PreparedHip) -> Iterator[Drawing]:
    side = hip.side
    shaft, stem = _axis(setting, "femoral_shaft", hip), _axis(setting, "stem_axis", hip)
    neck = _axis(setting, "neck_axis", hip)
    axis = shaft if shaft is not None else stem
    if axis is not None and hip.head is not None:
        centre = complex(*hip.head.parameters[:2].tolist())
        foot = _foot(centre, *axis)
        names = ("femoral_offset", "global_offset")
        yield _line(setting, "offset", side, [centre, foot], names, (centre + foot) / 2.0)
        if shaft is not None:
            shaft = [min(foot, axis[0], key=_caudal), axis[1]]
    if shaft is not None:
        yield _line(setting, "shaft", side, shaft, ("femoral_offset", "femoral_abduction"))
    if stem is not None:
        yield _line(setting, "stem", side, stem, ("stem_alignment", "neck_shaft_angle"))
    if neck is not None:
        yield _line(setting, "neck", side, neck, ("neck_shaft_angle",))
    name = landmark_name("lesser_trochanter", side)
    if setting.reference and setting.reading.has(name):
        line = REFERENCE_LANDMARKS[setting.reference]
        point = _middle(setting, name)
        foot = _foot(point, *(_middle(setting, landmark_name(line, each)) for each in SIDES))
        yield _line(
            setting,
            "leg_length",
            side,
            [foot, point],
            ("leg_length_difference",),
            (foot + point) / 2.0,
        )
