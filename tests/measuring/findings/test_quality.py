"""Every finding is provoked by one thing that is wrong, and absent where nothing is."""

import ast
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import xraymeasure.measuring.calibration
import xraymeasure.measuring.findings.femora
import xraymeasure.measuring.findings.outlines
import xraymeasure.measuring.findings.quality
from tests.camera import Body, Frame, film_and_reading, land, spread_turns, without_geometry
from tests.cup_scenes import scene
from xraymeasure.film.spacing import decide_spacing
from xraymeasure.measuring.findings.thresholds import Thresholds
from xraymeasure.measuring.fits.settle import settle
from xraymeasure.measuring.measure import measure
from xraymeasure.reading.reading import Provenance
from xraymeasure.vocabulary.quantities import QUANTITIES

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")

FRAME = Frame()
# Whatever the film, one of two poses is chosen and the side marker asked for; nothing else.
CLEAN = {"pose_assumed", "side_by_display"}


def findings(film, reading, thresholds=None):
    return {
        finding.code: finding
        for finding in measure(film, reading, draws=0, thresholds=thresholds).findings
    }


def clean(**body):
    return film_and_reading(Body(**body), FRAME)


def nudge(name, rows=0.0, columns=0.0, point=None):
    def change(film, reading):
        points = reading.points(name)
        points[slice(None) if point is None else point] += [rows, columns]
        return film, reading.with_points(name, points)

    return change


def scattered(name, by):
    """Return a change that moves every other point of an outline out, and the rest in."""

    def change(film, reading):
        points = reading.points(name)
        middle = points.mean(axis=0)
        out = (points - middle) / np.linalg.norm(points - middle, axis=1)[:, None]
        points += by * out * np.where(np.arange(len(points)) % 2, 1.0, -1.0)[:, None]
        return film, reading.with_points(name, points)

    return change


def twice(name):
    def change(film, reading):
        points = reading.points(name)
        return film, reading.with_points(name, [*points, points[3] + 0.2])

    return change


def keep_arc(name, fraction):
    def change(film, reading):
        points = reading.points(name)
        return film, reading.with_points(name, points[: int(len(points) * fraction)])

    return change


def on(film=None, **known):
    def change(blank, reading):
        return (film(FRAME) if film else blank), replace(reading, **known)

    return change


def without(*names):
    def change(film, reading):
        for name in names:
            reading = reading.without(name)
        return film, reading

    return change


def contradictory(frame):
    return frame.film(spacing=decide_spacing(frame.pitch, frame.pitch, calibration_type="FIDUCIAL"))


def scale_from_other_hip(film, reading):
    return film, replace(reading, head_diameter_mm={}, native_head_mm={"right": 46.0})


def head_only_on_one_side(film, reading):
    """A head given as 2 mm of a true 32: no standard head explains it."""
    return film, replace(reading, head_diameter_mm={"left": 22.225})


def rim_on_one_arc(film, reading):
    from xraymeasure.geometry.ellipses import fit_ellipse

    points = reading.points("cup_rim_left")
    x, y, _, _, angle = fit_ellipse(points).parameters
    across = np.cos(angle) * (points[:, 1] - y) - np.sin(angle) * (points[:, 0] - x)
    return film, reading.with_points("cup_rim_left", points[across >= 0])


def obliquely_placed_shell(film, reading):
    """A shell whose circle is centred 5 mm beside the head."""
    turn = np.radians(spread_turns(20))
    x, y, z = Body().hip
    circle = np.column_stack(
        [x + 5.0 + 27.0 * np.cos(turn), y + 27.0 * np.sin(turn), np.full(20, z)]
    )
    return film, reading.with_points("cup_shell_left", FRAME.pixels(land(circle, 1150.0)))


def near_the_edge(film, reading):
    return film, reading.with_points("ischium_left", [(5.0, 900.0)])


def off_the_film(film, reading):
    return film, reading.with_points("ischium_left", [(-3.0, 900.0)])


def lateral(frame):
    return frame.film(view="LL")


def unchanged(film, reading):
    return film, reading


# Code: how the body differs, what is done to the reading, words of the text.
PROVOKED = {
    "proposed_unconfirmed": (
        {},
        on(proposed=Provenance("invented 1", {"cup_rim_left": "proposed"})),
        ["confirmed by nobody", "cup rim", "invented 1"],
    ),
    "view_not_ap": ({}, on(lateral), ["LL"]),
    "spacing_contradiction": ({}, on(contradictory), ["FIDUCIAL"]),
    "no_scale": ({}, on(head_diameter_mm={}), ["diameter"]),
    "scale_disagreement": (
        {},
        on(native_head_mm={"right": 43.0}),
        ["The left head of 32 mm", "the right native head of 43 mm", "mm per pixel"],
    ),
    "magnification_implausible": (
        {},
        on(head_diameter_mm={"left": 28.0}),
        ["28 mm", "over the detector", "32 mm"],
    ),
    "magnification_impossible": ({}, head_only_on_one_side, ["not possible", "22.225 mm"]),
    "scale_from_other_hip": ({}, scale_from_other_hip, ["right native head"]),
    "short_arc": ({}, keep_arc("femoral_head_left", 0.3), ["degrees of arc", "150"]),
    "rim_one_arc": ({}, rim_on_one_arc, ["one arc"]),
    "outline_point_off": ({}, nudge("cup_rim_left", 60.0, 25.0, 5), ["point 6", "pixels off"]),
    "outline_scatters": (
        {},
        scattered("femoral_head_left", 5.0),
        ["times as much as placing explains"],
    ),
    "outline_point_twice": ({}, twice("cup_rim_left"), ["point 25", "does not count"]),
    "beam_assumed": ({}, on(beam_centre=None), ["middle of the field"]),
    "geometry_unknown": (
        {},
        on(without_geometry, source_detector_mm=None),
        ["middle of the picture", "1000 to 1270 mm"],
    ),
    "rim_nearly_flat": ({"hip": (0.0, 0.0, 150.0), "ra": 1.0}, unchanged, ["edge on"]),
    "pose_ambiguous": ({"hip": (60.0, 130.0, 150.0), "ra": 4.0}, unchanged, ["Two positions"]),
    "pose_assumed": ({}, unchanged, ["15.0 degrees", "cross-table"]),
    "opens_backward": (
        {},
        on(cup_opens={"left": "posterior"}),
        ["open backward", "with 15.0 degrees"],
    ),
    "no_reference_line": ({}, without("teardrop_left", "ischium_left"), ["no reference line"]),
    "reference_lines_disagree": ({}, nudge("ischium_left", 60.0), ["+", "more than 2"]),
    "pelvis_rotated": ({}, nudge("sacrococcygeal_joint", 0.0, 200.0), ["to the right", "degrees"]),
    "obturator_unequal": (
        {},
        nudge("obturator_foramen_left", 0.0, -110.0, 0),
        ["left over right 0.", "1.4"],
    ),
    "pelvis_tilted": ({}, nudge("sacrococcygeal_joint", -400.0), ["above the symphysis"]),
    "femora_unequal": ({"abduction_deg": 6.0}, unchanged, ["6 degrees apart"]),
    "shaft_short": ({}, keep_arc("femoral_shaft_left", 0.5), ["over 30 mm", "40"]),
    "shaft_crooked": ({}, nudge("femoral_shaft_left", 0.0, 100.0, 1), ["scatter by", "2.5"]),
    "trochanters_disagree": (
        {},
        nudge("lesser_trochanter_left", 150.0),
        ["lesser trochanters", "where 6 is usual"],
    ),
    "head_off_cup": ({}, obliquely_placed_shell, ["mm from the centre of the cup"]),
    "outside_film": ({}, off_the_film, ["outside the film", "3300 x 3600"]),
    "cut_off": ({}, near_the_edge, ["from the edge"]),
}


@cache
def provoke(code):
    body, change, words = PROVOKED[code]
    return findings(*change(*clean(**body))), words


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_clean_film_is_told_only_what_is_taken_on_trust(side):
    sign = 1 if side == "left" else -1
    film, reading = clean(side=side, hip=(sign * 90.0, 35.0, 150.0))
    assert set(findings(film, reading)) == CLEAN


@pytest.mark.parametrize("code", PROVOKED)
def test_what_is_wrong_is_found_and_said_with_its_numbers(code):
    found, words = provoke(code)
    assert code in found, list(found)
    for each in words:
        assert each in found[code].text, found[code].text


@pytest.mark.parametrize("code", PROVOKED)
def test_a_finding_touches_measurements_that_exist(code):
    found, _ = provoke(code)
    known = {
        *QUANTITIES,
        "pelvic_position",
        "stem_subsidence",
    }
    for finding in found.values():
        assert set(finding.touches) <= known
        assert finding.severity in ("note", "warning", "strong")
        assert finding.text[0].isupper() and finding.text.endswith((".", "?"))


# Those of which nothing else is to be said.
ALONE = [
    "view_not_ap", "no_scale", "scale_disagreement", "magnification_implausible",
    "magnification_impossible", "short_arc", "beam_assumed", "reference_lines_disagree",
    "pelvis_rotated", "obturator_unequal", "pelvis_tilted", "femora_unequal", "shaft_short",
    "shaft_crooked", "opens_backward", "trochanters_disagree", "head_off_cup", "rim_one_arc",
    "outline_point_off", "outline_scatters", "outline_point_twice", "scale_from_other_hip",
]  # fmt: skip


@pytest.mark.parametrize("code", ALONE)
def test_nothing_else_is_said_of_a_film_with_one_fault(code):
    found, _ = provoke(code)
    assert set(found) <= {code} | CLEAN


def test_every_code_that_the_program_can_say_is_provoked_here():
    said = set()
    parts = xraymeasure.measuring.findings
    modules = (parts.quality, parts.outlines, parts.femora, xraymeasure.measuring.calibration)
    for module in modules:
        for node in ast.walk(ast.parse(Path(module.__file__).read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                code = node.args[0]
                parts = [code.body, code.orelse] if isinstance(code, ast.IfExp) else [code]
                said |= {part.value for part in parts}
    assert said == set(PROVOKED)


@pytest.mark.parametrize(
    ("code", "thresholds"),
    [
        ("reference_lines_disagree", Thresholds(reference_lines_deg=30.0)),
        ("pelvis_rotated", Thresholds(pelvis_rotation_deg=90.0)),
        ("obturator_unequal", Thresholds(obturator_ratio=10.0)),
        ("pelvis_tilted", Thresholds(pelvis_tilt_mm=(-500.0, 500.0))),
        ("femora_unequal", Thresholds(abduction_difference_deg=30.0)),
        ("shaft_short", Thresholds(shaft_mm=1.0)),
        ("shaft_crooked", Thresholds(shaft_off_line_mm=50.0)),
        ("trochanters_disagree", Thresholds(trochanters_factor=20.0)),
        ("short_arc", Thresholds(arc_deg=10.0)),
        ("head_off_cup", Thresholds(head_off_cup_mm=50.0)),
        ("cut_off", Thresholds(cut_off_mm=0.1)),
    ],
)
def test_each_threshold_can_be_changed(code, thresholds):
    body, change, _ = PROVOKED[code]
    film, reading = change(*clean(**body))
    assert code in findings(film, reading)
    assert code not in findings(film, reading, thresholds)


def test_a_picture_is_called_cropped_where_its_middle_is_not_on_the_pelvis():
    film, reading = clean(hip=(44.0, -23.0, 150.0), sid=1100.0)
    _, reading = on(source_detector_mm=None, beam_centre=None)(film, reading)
    whole = without_geometry(FRAME)
    assert "middle of the picture" in findings(whole, reading)["geometry_unknown"].text
    corner = replace(whole, beam_centre=(300.0, 300.0))
    assert "cropped" in findings(corner, reading)["geometry_unknown"].text
    wide, narrow = (
        measure(each, reading, draws=0).primary("radiographic_anteversion")
        for each in (corner, whole)
    )
    assert wide.high - wide.low > narrow.high - narrow.low
    assert wide.low < 15.0 < wide.high


def test_one_wrong_click_of_ten_on_a_rim_is_named_with_default_spreads():
    """20 pixels (5 mm on the detector) off the outline, on pelves that the model does not share."""
    rng = np.random.default_rng(21)
    named = 0
    for _ in range(8):
        drawn = scene(rng, bad_click=("cup_rim", 20.0), stated_spread=False)
        outline = settle(drawn.film, drawn.reading).outlines[
            f"cup_rim_{drawn.reading.operated_side}"
        ]
        named += bool(outline.off)
    assert named >= 7  # 97 and 98 of 100 on two other seeds; 95 % of 8, less what chance takes


@pytest.mark.parametrize("click", range(3))
def test_a_rim_near_which_no_ellipse_passes_is_left_out_in_words(click):
    """Nearly flat, one click far off, and nothing tells how long a rim may be."""
    unknown = {"head_diameter_mm": {}, "beam_centre": None, "source_detector_mm": None}
    film, reading = film_and_reading(
        Body(ra=1.0), FRAME, film=without_geometry(FRAME), points=6, **unknown
    )
    left_out = 0
    for towards in np.radians([45.0, 135.0, 225.0, 315.0]):
        points = reading.points("cup_rim_left")
        points[click] += 90.0 * np.array([np.cos(towards), np.sin(towards)])
        measured = measure(film, reading.with_points("cup_rim_left", points), draws=0)
        said = [each for each in measured.findings if each.code == "rim_is_none"]
        gone = measured.primary("radiographic_anteversion") is None
        assert gone == bool(said)
        assert not gone or said[0].severity == "strong"
        assert not gone or "was left out" in measured.why_missing("radiographic_anteversion")
        assert measured["femoral_abduction"] is not None
        left_out += "no ellipse passes near" in "".join(each.text for each in said)
    assert left_out > 0
