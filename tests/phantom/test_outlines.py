"""Projected outlines against many projected points, and against the film."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.ndimage import map_coordinates, spline_filter

from xraymeasure.phantom import Cup, Geometry, Head, Hip, Pelvis, Scenario, Stem, truth
from xraymeasure.phantom.outlines import dome_outline, horizon, rim_points, sphere_diameter_px
from xraymeasure.phantom.render import bone_length, metal_transmission, picture
from xraymeasure.phantom.scene import place_hip

GEOMETRY = Geometry(source_detector_mm=1150.0, pitch_mm=0.3)
CENTRE = np.array([95.0, -30.0, 160.0])


def _signed_area_inside(outline: np.ndarray, points: np.ndarray) -> np.ndarray:
    """How far points lie outside a convex outline, in pixels."""
    step = np.roll(outline, -1, axis=0) - outline
    normal = np.stack([step[:, 1], -step[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    middle = outline.mean(axis=0)
    normal *= np.sign(np.sum((outline - middle) * normal, axis=1))[:, None]
    return np.max(np.sum((points[:, None] - outline) * normal, axis=2), axis=1)


def test_the_outline_of_a_ball_is_the_hull_of_its_projected_points():
    random = np.random.default_rng(3)
    way = random.standard_normal((200_000, 3))
    points = CENTRE + 18.0 * way / np.linalg.norm(way, axis=1, keepdims=True)
    outline = GEOMETRY.project(horizon(GEOMETRY.source, CENTRE, 18.0, 360))
    seen = GEOMETRY.project(points)
    from scipy.spatial import ConvexHull

    hull = seen[ConvexHull(seen).vertices]
    beyond = _signed_area_inside(outline, hull)
    assert beyond.max() < 0.01
    assert beyond.min() > -0.05


def test_the_short_axis_of_a_ball_is_tangential_and_as_published():
    # Worked value of the point-source geometry: 95 mm off the axis at SID 1150, M about 1.174:
    # radial 1.1791, tangential 1.1736 (derived twice, independently).
    height = 1150.0 * (1.0 - 1.0 / 1.1736)
    centre = np.array([95.0, 0.0, height])
    outline = GEOMETRY.project(horizon(GEOMETRY.source, centre, 14.0, 7200))
    radial, tangential = np.ptp(outline[:, 1]), np.ptp(outline[:, 0])
    assert sphere_diameter_px(GEOMETRY, centre, 14.0) == pytest.approx(tangential, rel=1e-6)
    assert tangential * 0.3 / 28.0 == pytest.approx(1.1736, abs=3e-4)
    assert radial * 0.3 / 28.0 == pytest.approx(1.1791, abs=3e-4)


def test_the_rim_is_a_circle_of_points_at_one_distance_square_to_the_axis():
    axis = np.array([0.62, 0.71, 0.33])
    axis /= np.linalg.norm(axis)
    points = rim_points(CENTRE, axis, 27.0, 90)
    np.testing.assert_allclose(np.linalg.norm(points - CENTRE, axis=1), 27.0, rtol=1e-12)
    np.testing.assert_allclose((points - CENTRE) @ axis, 0.0, atol=1e-12)
    # Its picture is the place where rays meet the plane of the rim 27 mm from the centre.
    seen = GEOMETRY.project(points)
    foot = np.array(GEOMETRY.foot)
    on_detector = np.zeros((90, 3))
    on_detector[:, :2] = ((seen - foot) * 0.3)[:, ::-1]
    ray = on_detector - GEOMETRY.source
    t = ((CENTRE - GEOMETRY.source) @ axis) / (ray @ axis)
    met = GEOMETRY.source + t[:, None] * ray
    np.testing.assert_allclose(np.linalg.norm(met - CENTRE, axis=1), 27.0, rtol=1e-9)


def test_the_dome_outline_lies_on_the_dome_in_one_piece():
    axis = np.array([0.62, 0.71, 0.33])
    axis /= np.linalg.norm(axis)
    arc = dome_outline(GEOMETRY.source, CENTRE, axis, 27.0, 37)
    assert len(arc) == 37
    assert np.all((arc - CENTRE) @ axis <= 0.0)
    assert np.linalg.norm(np.diff(arc, axis=0), axis=1).max() < 4.0


HIPS = {
    "left": Hip(Cup(42.0, 18.0), Head(36.0), Stem(), abduction_deg=-3.0),
    "right": Hip(Cup(50.0, 5.0, 52.0), Head(28.0), Stem()),
}
SCENE = Scenario(hips=HIPS, pelvis=Pelvis(centre_mm=(5.0, 12.0, 150.0)))


def film_of(side):
    """The geometry of a film that shows the hip of one side only."""
    beam = 164.0, {"left": -154.0, "right": 573.0}[side]
    return replace(GEOMETRY, rows=420, columns=420, beam_centre=beam)


@pytest.mark.parametrize("side", ["left", "right"])
def test_edges_of_metal_on_the_film_lie_on_the_true_outline(side):
    scene = replace(SCENE, geometry=film_of(side))
    metal = -np.log(metal_transmission(scene, scene.geometry))
    for kind in ("cup_shell", "femoral_head"):
        check_edges(scene, metal, side, kind)


def check_edges(scene, metal, side, kind):
    # Near its edge the chord in a ball is sqrt(2 r d): its square falls to nought in a straight
    # line at the edge, which is found from samples 2 to 5 px inside, where nothing else begins.
    outline = np.array(truth(scene)["landmarks"][f"{kind}_{side}"])
    placed = place_hip(scene, side)
    middle = scene.geometry.project(placed.cup_centre if kind == "cup_shell" else placed.hip_centre)
    inward = middle - outline
    inward /= np.linalg.norm(inward, axis=1, keepdims=True)
    if kind == "cup_shell":
        outline, inward = outline[6:-6], inward[6:-6]
    else:
        # The head stands free on the open side of the cup, away from the neck.
        neck = scene.geometry.project(placed.stem(np.array([30.0, 26.0, 0.0]))) - middle
        axis = scene.geometry.project(placed.cup_centre + 20.0 * placed.axis) - middle
        free = (-inward @ (axis / np.linalg.norm(axis)) > 0.5) & (
            -inward @ (neck / np.linalg.norm(neck)) < 0.7
        )
        outline, inward = outline[free], inward[free]
        assert free.sum() >= 4
    depth = np.arange(2.0, 5.01, 0.25)
    found = []
    smooth = spline_filter(metal)
    for point, way in zip(outline, inward, strict=True):
        line = point[:, None] + way[:, None] * depth
        square = map_coordinates(smooth, line, prefilter=False) ** 2
        outside = map_coordinates(metal, (point - 3.0 * way)[:, None], order=1)[0]
        if outside > 1e-6:
            continue
        slope, start = np.polyfit(depth, square, 1)
        found.append(-start / slope)
    assert len(found) >= 4
    assert abs(np.median(found)) < 0.1
    assert np.abs(found).max() < 0.3


@pytest.fixture(scope="module")
def bone_at():
    """The bone of two native hips on the film of a pelvis tilted so much, and the truth of it."""
    geometry = replace(GEOMETRY, pitch_mm=0.8, rows=465, columns=525)

    @cache
    def made(tilt):
        pelvis = replace(SCENE.pelvis, tilt_deg=tilt)
        scene = replace(SCENE, geometry=geometry, pelvis=pelvis, hips=dict.fromkeys(HIPS, Hip()))
        return bone_length(scene, geometry, 1.5), truth(scene)["landmarks"]

    return made


@pytest.mark.parametrize("tilt", [-8.0, 8.0])
def test_bony_landmarks_lie_at_the_edge_of_the_bone_that_the_film_shows(tilt, bone_at):
    bone, known = bone_at(tilt)
    for side, lateral in (("left", 1.0), ("right", -1.0)):
        for name, outward in (
            ("lesser_trochanter", (0.0, -lateral)),
            ("greater_trochanter", (-1.0, 0.0)),
            ("ischium", (1.0, 0.0)),
        ):
            point, way = np.array(known[f"{name}_{side}"][0]), 3.0 * np.array(outward)
            beyond, within = (
                map_coordinates(bone, (point + step)[:, None], order=1)[0] for step in (way, -way)
            )
            assert beyond < 0.5 < 3.0 < within, (name, side)


@pytest.mark.parametrize("side", ["left", "right"])
def test_nothing_but_gap_lies_between_the_four_points_of_the_foramen(side, bone_at):
    bone, known = bone_at(8.0)
    lateral, medial, high, low = np.array(known[f"obturator_foramen_{side}"])
    outward = 1.0 if side == "left" else -1.0
    assert (lateral - medial)[1] * outward > 15.0
    assert low[0] - high[0] > 11.0
    middle = 0.25 * (lateral + medial + high + low)
    assert map_coordinates(bone, middle[:, None], order=1)[0] < 0.5


def test_the_steepest_edge_of_a_head_on_the_film_lies_just_inside_its_outline():
    # A ball thins out to nothing at its edge, and a film shows the logarithm: the steepest place
    # lies a third of a pixel (0.1 mm) inside, all round, so the centre is where it should be.
    hip = Hip(Cup(42.0, 18.0), Head(36.0, material="metal"), Stem())
    # The lead letter lies beside it.
    scene = replace(SCENE, geometry=film_of("left"), hips={"left": hip, "right": Hip()})
    shown = spline_filter(picture(scene, quick=True).astype(float))
    outline = np.array(truth(scene)["landmarks"]["femoral_head_left"])
    middle = outline.mean(axis=0)
    inward = (middle - outline) / np.linalg.norm(middle - outline, axis=1, keepdims=True)
    depth = np.arange(-3.0, 3.01, 0.1)
    lag, ways = [], []
    for point, way in zip(outline, inward, strict=True):
        line = point[:, None] + way[:, None] * depth
        values = map_coordinates(shown, line, prefilter=False)
        slope = np.gradient(values)
        if slope.max() > 40.0:
            lag.append(depth[np.argmax(slope)])
            ways.append(-way)
    assert len(lag) > 50
    shift = np.linalg.lstsq(np.column_stack([ways, -np.ones(len(ways))]), -np.array(lag))[0]
    assert np.abs(shift[:2]).max() < 0.1
    assert 0.0 < shift[2] < 0.45
