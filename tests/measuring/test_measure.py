"""The whole measurement against bodies cast on a film by brute force (see camera.py)."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.camera import (
    OTHER,
    SIGN,
    Body,
    Frame,
    axis_of,
    film_and_reading,
    land,
    moved,
    spread_turns,
    touched_circle,
    without_geometry,
)
from xraymeasure.errors import MeasureError, ReadingError
from xraymeasure.film.spacing import decide_spacing
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.uncertainty import LEARNING
from xraymeasure.reading.reading import FilmBinding
from xraymeasure.vocabulary.landmarks import LANDMARKS
from xraymeasure.vocabulary.quantities import METHODS, QUANTITIES, SOURCES

# A division by zero that is only warned of is a fault all the same.
pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


def value(measurements, name, method=None, side=None):
    row = measurements.by_method(name, method, side) if method else measurements.primary(name, side)
    assert row is not None, (name, method, side, measurements.missing)
    return row.value


def table(measurements):
    return {(row.name, row.side, row.method): row.value for row in measurements.rows}


# --- the camera itself ----------------------------------------------------------------------------


def test_the_camera_magnifies_by_similar_triangles():
    """M = SID / (SID - h): 1150 / 1000."""
    assert land([[100.0, -20.0, 150.0]], 1150.0) == pytest.approx(np.array([[115.0, -23.0]]))


def test_rays_along_a_spheres_outline_touch_it():
    centre, tube = np.array([95.0, 20.0, 170.0]), np.array([0.0, 0.0, 1150.0])
    outline = land(touched_circle(centre, 16.0, 1150.0, spread_turns(40)), 1150.0)
    rays = np.column_stack([outline, np.zeros(40)]) - tube
    rays /= np.linalg.norm(rays, axis=1)[:, None]
    away = np.linalg.norm(np.cross(centre - tube, rays), axis=1)
    assert away == pytest.approx(np.full(40, 16.0))


def test_a_sphere_off_the_beam_is_drawn_out_along_the_ray():
    """95 mm off axis at M 1.1735 the outline is 1.1791 times as long and 1.1736 times as wide."""
    sid, magnification, radius = 1150.0, 1.1735, 16.0
    height = sid * (1.0 - 1.0 / magnification)
    outline = land(touched_circle([95.0, 0.0, height], radius, sid, np.arange(720) / 2.0), sid)
    length, width = np.ptp(outline, axis=0) / (2.0 * radius)
    assert (length, width) == pytest.approx((1.1791, 1.1736), abs=2e-4)


# --- the cup, seen from the tube ------------------------------------------------------------------


def check_the_pose(body, frame=None):
    """Angles within 0.02 degrees and hip centre within 0.1 mm of the truth, by exact clicks."""
    film, reading = film_and_reading(body, frame, placing_sd_px=0.05)
    measured = measure(film, reading, draws=0)
    for side in SIGN:
        if not body.replaced(side):
            continue
        assert measured.primary("radiographic_inclination", side).method == "perspective"
        assert value(measured, "radiographic_inclination", side=side) == pytest.approx(
            body.ri, abs=0.02
        )
        assert value(measured, "radiographic_anteversion", side=side) == pytest.approx(
            body.ra, abs=0.02
        )
    x, y, z = body.hip
    assert value(measured, "hip_centre_left_of_beam") == pytest.approx(x, abs=0.1)
    assert value(measured, "hip_centre_caudal_of_beam") == pytest.approx(y, abs=0.1)
    assert value(measured, "hip_centre_above_detector") == pytest.approx(z, abs=0.1)
    return film, reading, measured


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("sid", [950.0, 1250.0])
@pytest.mark.parametrize("ri", [20.0, 65.0])
@pytest.mark.parametrize("ra", [-20.0, 5.0, 20.0, 45.0])
@pytest.mark.parametrize("hip", [(85.0, 40.0), (-160.0, -120.0)])
def test_the_cup_and_the_hip_centre_are_found_wherever_the_beam_is(side, sid, ri, ra, hip):
    check_the_pose(Body(side=side, sid=sid, ri=ri, ra=ra, hip=(*hip, 160.0)))


@given(
    st.sampled_from(["left", "right"]),
    st.floats(950, 1250),
    st.floats(20, 65),
    st.floats(-20, 45),
    st.floats(-200, 200),
    st.floats(-200, 200),
    st.floats(60, 250),
    st.floats(-6, 6),
)
@settings(max_examples=30)
def test_the_cup_is_found_anywhere_on_the_film(side, sid, ri, ra, x, y, z, obliquity):
    body = Body(side=side, sid=sid, ri=ri, ra=ra, hip=(x, y, z), obliquity_deg=obliquity)
    ray = body.hip_centre(side) - np.array([0.0, 0.0, sid])
    facing = abs(body.cup_axis(side) @ ray) / np.linalg.norm(ray)
    # Seen edge on within a tenth of a degree, the outline is a line and no cup at all.
    if facing > np.sin(np.radians(0.1)):
        check_the_pose(body)


def test_a_cup_seen_edge_on_is_refused_with_its_name():
    body = Body(hip=(0.0, 0.0, 150.0), ra=0.0)
    film, reading = film_and_reading(body)
    with pytest.raises(MeasureError, match=r"landmarks\.cup_rim_left: the points lie on a line"):
        measure(film, reading, draws=0)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("ri", "ra"), [(40.0, 15.0), (50.0, -12.0), (62.0, 33.0)])
@pytest.mark.parametrize("hip", [(90.0, 35.0), (-120.0, 60.0)])
def test_the_other_solution_casts_the_same_outline(side, ri, ra, hip):
    """A plane across the other axis must cut the cone of rays in a circle."""
    body = Body(side=side, ri=ri, ra=ra, hip=(*hip, 150.0))
    _, _, measured = check_the_pose(body)
    other = [
        value(measured, name, "perspective_other")
        for name in ("radiographic_inclination", "radiographic_anteversion")
    ]
    assert abs(other[1] - ra) > 1.0
    normal = axis_of(*other, side)
    tube = np.array([0.0, 0.0, body.sid])
    outline = body.on_detector(36)[f"cup_rim_{side}"]
    rays = np.column_stack([outline, np.zeros(36)]) - tube
    reach = (normal @ (body.hip_centre(side) - tube)) / (rays @ normal)
    section = tube + reach[:, None] * rays
    # Circumcentre by linear least squares in the plane's own coordinates.
    basis = np.linalg.svd(normal[None])[2][1:]
    u, v = basis @ section.T
    system = np.column_stack([2 * u, 2 * v, np.ones(36)])
    (cu, cv, _), *_ = np.linalg.lstsq(system, u * u + v * v, rcond=None)
    radii = np.hypot(u - cu, v - cv)
    assert np.ptp(radii) < 1e-4 * radii.mean()


def test_a_published_second_solution_is_reported():
    """40/15 at SID 1150, cup 150 mm high, beam 90 mm medial and 35 mm caudal: 42.42/-11.24."""
    body = Body(sid=1150.0, hip=(90.0, -35.0, 150.0), ri=40.0, ra=15.0)
    measured = measure(*film_and_reading(body), draws=0)
    assert value(measured, "radiographic_inclination", "perspective_other") == pytest.approx(
        42.42, abs=0.01
    )
    assert value(measured, "radiographic_anteversion", "perspective_other") == pytest.approx(
        -11.24, abs=0.01
    )


# Ellipse reading of a pelvis-centred film: derived in the references for this very geometry.
@pytest.mark.parametrize(
    ("ri", "ra", "read_ri", "read_ra"),
    [
        (40, 15, 41.21, 13.12),
        (40, 20, 41.69, 18.08),
        (50, 5, 50.20, 2.33),
        (35, 30, 37.87, 28.43),
    ],
)
@pytest.mark.parametrize("side", ["left", "right"])
def test_the_ellipse_method_reads_what_a_pelvis_centred_film_makes_of_a_cup(
    side, ri, ra, read_ri, read_ra
):
    hip = (SIGN[side] * 90.0, -35.0, 150.0)
    body = Body(side=side, sid=1150.0, hip=hip, ri=ri, ra=ra)
    measured = measure(*film_and_reading(body), draws=0)
    found = [
        value(measured, name, "ellipse")
        for name in ("radiographic_inclination", "radiographic_anteversion")
    ]
    assert found == pytest.approx([read_ri, read_ra], abs=0.01)


# Bias (dRI, dRA) of the ellipse reading for 45/15, rim radius 26, SID 1150, hip 170 mm high, by
# how far lateral and cranial of the beam's foot the hip lies; derived in the references.
BIAS = {
    0: [(0.0, 0.0), (0.4, 1.2), (0.8, 2.5), (1.3, 3.7), (1.8, 4.9)],
    60: [(0.5, -2.5), (0.9, -1.3), (1.3, -0.1), (1.8, 1.1), (2.3, 2.2)],
    95: [(0.8, -3.9), (1.1, -2.8), (1.5, -1.6), (2.0, -0.5), (2.5, 0.7)],
    120: [(0.9, -5.0), (1.2, -3.8), (1.6, -2.7), (2.1, -1.5), (2.6, -0.4)],
}


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("lateral", BIAS)
def test_the_bias_of_the_ellipse_method_is_the_tabulated_one(side, lateral):
    for cranial, wanted in zip((0, 30, 60, 90, 120), BIAS[lateral], strict=True):
        hip = (SIGN[side] * lateral, -float(cranial), 170.0)
        body = Body(side=side, sid=1150.0, hip=hip, ri=45.0, ra=15.0, rim_mm=52.0)
        measured = measure(*film_and_reading(body), draws=0)
        bias = (
            value(measured, "radiographic_inclination", "ellipse") - 45.0,
            value(measured, "radiographic_anteversion", "ellipse") - 15.0,
        )
        assert bias == pytest.approx(wanted, abs=0.051), cranial


def test_the_sign_is_decided_as_the_tube_sees_it():
    """True RA 5, hip 60 mm caudal of the beam: apparently -1.4, and +5 once told so.

    Read as an opening that faces the tube, it is 'corrected' to 7.8 (references: sign trap).
    """
    body = Body(hip=(0.0, 60.0, 150.0), ri=45.0, ra=5.0, sid=1150.0)
    film, reading = film_and_reading(body)
    told = measure(film, reading, draws=0)
    assert value(told, "radiographic_anteversion") == pytest.approx(5.0, abs=0.02)
    apparent = value(told, "radiographic_anteversion", "ellipse")
    assert np.sign(apparent) == (1 if body.opens("left") == "anterior" else -1)
    flipped = {"left": "posterior" if body.opens("left") == "anterior" else "anterior"}
    wrong = measure(film, replace(reading, cup_opens=flipped), draws=0)
    assert value(wrong, "radiographic_anteversion", "perspective_other") == pytest.approx(
        5.0, abs=0.02
    )
    assert abs(value(wrong, "radiographic_anteversion") - 5.0) > 1.0


@pytest.mark.parametrize("axis_ratio", [0.05, 0.15, 0.26, 0.5, 0.8])
@pytest.mark.parametrize("angle", range(3, 90, 14))
def test_the_axis_ratio_of_an_exact_ellipse_is_read(axis_ratio, angle):
    """Parallel rays: sin RA = b / a (Lewinnek GE et al., J Bone Joint Surg Am 1978;60-A:217)."""
    turn, lean = np.radians(spread_turns(12)), np.radians(angle)
    u, v = 26.0 * np.cos(turn), 26.0 * axis_ratio * np.sin(turn)
    # The short axis stands at the inclination: lateral sin, caudal cos.
    x = 80.0 + u * np.cos(lean) + v * np.sin(lean)
    y = -u * np.sin(lean) + v * np.cos(lean)
    frame = Frame()
    film, reading = film_and_reading(Body(), frame, film=without_geometry(frame))
    reading = replace(reading, source_detector_mm=None, beam_centre=None)
    # The ellipse alone, about no head: it lies where no rim of this hip would.
    reading = reading.without("femoral_head_left")
    reading = reading.with_points("cup_rim_left", frame.pixels(np.column_stack([x, y])))
    measured = measure(film, reading, draws=0)
    anteversion = value(measured, "radiographic_anteversion", "ellipse")
    assert np.sin(np.radians(anteversion)) == pytest.approx(axis_ratio, rel=3e-3)
    inclination = value(measured, "radiographic_inclination", "ellipse")
    assert inclination == pytest.approx(angle, abs=0.05)


# --- scale ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("pitch", [(0.14, 0.14), (0.1, 0.1), (0.2, 0.15), (0.139, 0.175)])
@pytest.mark.parametrize("head", [22.225, 28.0, 32.0, 36.0])
def test_the_head_is_as_wide_as_it_is_magnified(pitch, head):
    body = Body(head_mm=head, hip=(95.0, -40.0, 170.0))
    measured = measure(*film_and_reading(body, Frame(pitch=pitch)), draws=0)
    magnification = body.sid / (body.sid - 170.0)
    assert value(measured, "magnification") == pytest.approx(magnification, rel=1e-5)
    wanted = head * magnification / np.sqrt(pitch[0] * pitch[1])
    assert value(measured, "head_diameter_px", "sphere") == pytest.approx(wanted, rel=2e-3)


def test_a_circle_on_a_film_without_geometry_has_its_diameter_in_pixels():
    frame = Frame()
    film, reading = film_and_reading(Body(), frame, film=without_geometry(frame))
    turn = np.radians(spread_turns(9))
    circle = 1500.0 + 128.3 * np.column_stack([np.sin(turn), np.cos(turn)])
    reading = replace(reading, source_detector_mm=None, beam_centre=None)
    measured = measure(film, reading.with_points("femoral_head_left", circle), draws=0)
    assert value(measured, "head_diameter_px", "circle") == pytest.approx(256.6, rel=2e-5)
    assert measured.mm_per_px == pytest.approx(32.0 / 256.6, rel=1e-5)
    assert measured.primary("magnification") is None
    assert "spacing at the detector is not known" in measured.why_missing("magnification")


def body_with(*, head=None, native=None, other_native=None, cup=None, marker=None):
    """Return a blank film and a reading whose known sizes are these and no other."""
    body = Body()
    film, reading = film_and_reading(body)
    turn = np.radians(spread_turns(20))
    height = 150.0
    shell = land(
        np.column_stack(
            [
                body.hip[0] + 27.0 * np.cos(turn),
                body.hip[1] + 27.0 * np.sin(turn),
                np.full(20, height),
            ]
        ),
        body.sid,
    )
    ball = land(touched_circle([0.0, 45.0, height], 12.7, body.sid, spread_turns(20)), body.sid)
    frame = Frame()
    reading = reading.with_points("cup_shell_left", frame.pixels(shell)).with_points(
        "marker_sphere", frame.pixels(ball)
    )
    natives = {"left": native, "right": other_native}
    return film, replace(
        reading,
        head_diameter_mm={"left": head} if head else {},
        native_head_mm={side: size for side, size in natives.items() if size},
        cup_diameter_mm={"left": cup} if cup else {},
        marker_diameter_mm=marker,
    )


@pytest.mark.parametrize(
    ("sizes", "method"),
    [
        ({"head": 32, "cup": 54, "other_native": 46, "marker": 25.4}, "head"),
        ({"cup": 54, "other_native": 46, "marker": 25.4}, "cup"),
        ({"native": 32, "other_native": 46, "marker": 25.4}, "native_head"),
        ({"other_native": 46, "marker": 25.4}, "native_head"),
        ({"marker": 25.4}, "marker"),
    ],
)
def test_the_implants_of_the_index_hip_come_first_as_scale(sizes, method):
    measured = measure(*body_with(**sizes), draws=0)
    row = measured.primary("magnification")
    assert row.method == method
    # The shell's outline is a circle across the beam; the marker is fitted as one.
    assert row.value == pytest.approx(1.15, rel=2e-3)
    others = {row.method for row in measured.rows if row.name == "magnification"} - {method}
    assert others == {
        {"head": "head", "cup": "cup", "native": "native_head", "other_native": "native_head"}.get(
            size, size
        )
        for size in sizes
    } - {method}


def test_without_any_known_size_lengths_are_missing_and_angles_are_not():
    measured = measure(*body_with(), draws=0)
    assert measured.mm_per_px is None
    assert value(measured, "radiographic_inclination") == pytest.approx(40.0, abs=0.02)
    for name in ("leg_length_difference", "femoral_offset", "magnification"):
        assert "there is no scale" in measured.why_missing(name)


def test_a_calibrated_spacing_alone_is_a_scale_and_magnification_is_not_divided_out_twice():
    """DICOM PS3.3 10.7: Pixel Spacing of a calibrated film holds in the patient."""
    body, frame = Body(), Frame()
    in_patient = tuple(pitch / 1.15 for pitch in frame.pitch)
    film = frame.film(
        spacing=decide_spacing(pixel=in_patient, calibration_type="FIDUCIAL"),
        source_detector_mm=body.sid,
    )
    _, reading = film_and_reading(body, frame)
    reading = replace(reading, head_diameter_mm={})
    measured = measure(film, reading, draws=0)
    assert measured.mm_per_px == pytest.approx(0.14 / 1.15)
    assert measured.primary("magnification") is None
    assert value(measured, "femoral_offset", "projected") == pytest.approx(42.0, abs=0.05)
    assert measured.primary("radiographic_anteversion").method == "perspective"


def test_a_calibrated_film_with_a_detector_pitch_is_scaled_by_its_head_first():
    body, frame = Body(), Frame()
    in_patient = tuple(pitch / 1.18 for pitch in frame.pitch)
    film = frame.film(
        spacing=decide_spacing(frame.pitch, in_patient, calibration_type="GEOMETRY"),
        source_detector_mm=body.sid,
    )
    measured = measure(film, film_and_reading(body, frame)[1], draws=0)
    assert measured.primary("magnification").method == "head"
    assert value(measured, "magnification", "film") == pytest.approx(1.18)
    assert value(measured, "femoral_offset", "projected") == pytest.approx(42.0, abs=0.05)


# --- the femur ------------------------------------------------------------------------------------


def projected_truth(body):
    """Return lengths on the film itself, by its own lines, in mm of the index hip's plane."""
    per_mm = (body.sid - body.hip[2]) / body.sid
    film = {name: points * per_mm for name, points in body.on_detector(8).items()}
    hips = {
        side: land(body.hip_centre(side)[None], body.sid)[0] * per_mm for side in ("left", "right")
    }
    left, right = film["teardrop_left"][0], film["teardrop_right"][0]
    along = (left - right) / np.hypot(*(left - right))
    down = np.array([-along[1], along[0]])
    middle = (left + right) / 2.0
    truth = {}
    lengths, neutral = {}, {}
    for side, sign in SIGN.items():
        hip, trochanter = hips[side], film[f"lesser_trochanter_{side}"][0]
        shaft = film[f"femoral_shaft_{side}"]
        centre = shaft.mean(axis=0)
        distal = np.linalg.svd(shaft - centre)[2][0]
        distal = distal * np.sign(distal @ down)
        aside = (hip - centre) - ((hip - centre) @ distal) * distal
        truth["femoral_offset", side] = np.hypot(*aside)
        truth["acetabular_offset", side] = sign * (hip - middle) @ along
        truth["global_offset", side] = (
            truth["femoral_offset", side] + truth["acetabular_offset", side]
        )
        truth["hip_centre_height", side] = -(hip - middle) @ down
        truth["hip_centre_lateral", side] = sign * (hip - (left if sign > 0 else right)) @ along
        lengths[side] = (trochanter - middle) @ down
        neutral[side] = (hip - middle) @ down + (trochanter - hip) @ distal
    truth["raw"] = lengths[body.side] - lengths[OTHER[body.side]]
    truth["femur_neutral"] = neutral[body.side] - neutral[OTHER[body.side]]
    return truth


REAL_HEIGHTS = {
    "teardrop": 4.0,
    "ischium": -28.0,
    "lesser_trochanter": -22.0,
    "greater_trochanter": -5.0,
    "femoral_shaft": -6.0,
    "symphysis": 35.0,
    "sacrococcygeal_joint": -85.0,
}


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("obliquity", [-3.0, 0.0, 4.0])
@pytest.mark.parametrize("hip", [(88.0, 20.0), (-95.0, -70.0)])
@pytest.mark.parametrize("depth", [{}, REAL_HEIGHTS], ids=["one plane", "real heights"])
def test_leg_length_and_offset_are_those_of_the_projection(side, obliquity, hip, depth):
    body = Body(
        side=side,
        obliquity_deg=obliquity,
        hip=(*hip, 155.0),
        abduction_deg=4.0,
        other_abduction_deg=-2.0,
        depth=depth,
    )
    measured = measure(*film_and_reading(body), draws=0)
    truth = projected_truth(body)
    for method in ("raw", "femur_neutral"):
        assert value(measured, "leg_length_difference", method) == pytest.approx(
            truth.pop(method), abs=0.3
        )
    for (name, each), wanted in truth.items():
        method = "projected" if name in ("femoral_offset", "global_offset") else None
        found = value(measured, name, method, each)
        assert found == pytest.approx(wanted, abs=0.3), (name, each)


@pytest.mark.parametrize("side", ["left", "right"])
def test_in_one_plane_the_lengths_are_those_of_the_body(side):
    body = Body(
        side=side,
        obliquity_deg=3.0,
        abduction_deg=5.0,
        other_abduction_deg=1.0,
        varus_deg=2.0,
        hip=(60.0, -20.0, 165.0),
    )
    measured = measure(*film_and_reading(body), draws=0)
    wanted = {
        # Hip centres 18 and 16 mm above the line; trochanters 64 and 58 mm further down.
        ("leg_length_difference", "femur_neutral", side): (-18.0 + 64.0) - (-16.0 + 58.0),
        ("femoral_offset", "projected", side): 42.0,
        ("femoral_offset", "projected", OTHER[side]): 45.0,
        ("acetabular_offset", "landmarks", side): 88.0,
        ("global_offset", "projected", side): 130.0,
        ("hip_centre_height", "landmarks", side): 18.0,
        ("hip_centre_height", "landmarks", OTHER[side]): 16.0,
        ("hip_centre_lateral", "landmarks", side): 31.0,
        ("neck_shaft_angle", "projected", side): 132.0,
        ("stem_alignment", "landmarks", side): 2.0,
        ("femoral_abduction", "landmarks", side): 5.0,
        ("femoral_abduction", "landmarks", OTHER[side]): 1.0,
        ("pelvic_obliquity", "inter_teardrop", None): 3.0,
        ("pelvic_obliquity", "bi_ischial", None): 3.0,
        ("obturator_ratio", "landmarks", None): 1.0,
        ("magnification", "head", None): 1150.0 / 985.0,
    }
    found = {
        (row.name, row.method, row.side): row.value
        for row in measured.rows
        if (row.name, row.method, row.side) in wanted
    }
    assert found == pytest.approx(wanted, abs=1e-3)


@pytest.mark.parametrize("beside", [0.0, 60.0, 95.0])
def test_the_sacrum_is_not_read_as_if_it_lay_in_the_plane_of_the_hips(beside):
    """Deep as an open model of a pelvis: on a hip-centred film it would stand 12 mm aside."""
    body = Body(
        hip=(88.0 - beside, -20.0, 165.0),
        depth={"symphysis": 38.0, "sacrococcygeal_joint": -95.0},
    )
    measured = measure(*film_and_reading(body), draws=0)
    assert value(measured, "pelvic_rotation_indicator") == pytest.approx(1.0, abs=0.2)
    assert value(measured, "pelvic_tilt_indicator") == pytest.approx(36.0, abs=0.3)


def test_unequal_abduction_costs_leg_length_what_it_should():
    """About e sin(alpha), e the trochanter's distance across: 1.7 mm at 3 degrees for 30 mm.

    Here the trochanter lies 20 mm across and its distance down the shaft changes too.
    """
    straight = measure(*film_and_reading(Body()), draws=0)
    abducted = measure(*film_and_reading(Body(abduction_deg=5.0)), draws=0)
    lost = value(straight, "leg_length_difference", "raw") - value(
        abducted, "leg_length_difference", "raw"
    )
    five = np.radians(5.0)
    assert lost == pytest.approx(20.0 * np.sin(five) + 64.0 * (1.0 - np.cos(five)), abs=1e-3)
    neutral = "leg_length_difference", "femur_neutral"
    assert value(abducted, *neutral) == pytest.approx(value(straight, *neutral), abs=1e-3)


def test_both_hips_replaced_are_both_measured():
    body = Body(both_replaced=True, side="right", hip=(-80.0, 15.0, 150.0))
    film, reading = film_and_reading(body)
    measured = measure(film, reading, draws=0)
    for side in ("right", "left"):
        assert value(measured, "radiographic_inclination", side=side) == pytest.approx(40, abs=0.02)
        assert value(measured, "radiographic_anteversion", side=side) == pytest.approx(15, abs=0.02)
        assert value(measured, "neck_shaft_angle", side=side) == pytest.approx(132, abs=1e-3)
        assert value(measured, "hip_centre_above_detector", side=side) == pytest.approx(
            150, abs=0.1
        )
    # The side under review is the index: its leg is the longer one, whichever it is.
    neutral = "leg_length_difference", "femur_neutral"
    assert value(measured, *neutral) == pytest.approx(4.0, abs=1e-3)
    assert measured.primary("leg_length_difference").side == "right"
    swapped = measure(film, replace(reading, operated_side="left"), draws=0)
    assert value(swapped, *neutral) == pytest.approx(-4.0, abs=1e-3)


# --- the film as it is shown ----------------------------------------------------------------------

SHOWN = {
    "usual": ((0, 1), (1, 0)),
    "mirrored": ((0, -1), (1, 0)),
    "upside down": ((0, 1), (-1, 0)),
    "half a turn": ((0, -1), (-1, 0)),
    "a quarter to the left": ((1, 0), (0, 1)),
    "a quarter to the right": ((-1, 0), (0, 1)),
    "transposed": ((1, 0), (0, -1)),
    "transposed and mirrored": ((-1, 0), (0, -1)),
}


@pytest.mark.parametrize("axes", SHOWN.values(), ids=SHOWN.keys())
@pytest.mark.parametrize("pitch", [(0.14, 0.14), (0.2, 0.12)])
def test_the_way_a_film_is_shown_changes_no_number(axes, pitch):
    body = Body(obliquity_deg=2.5, abduction_deg=3.0, depth=REAL_HEIGHTS)
    usual = measure(*film_and_reading(body, Frame(pitch=pitch)), draws=0)
    shown = measure(*film_and_reading(body, Frame(pitch=pitch, axes=axes)), draws=0)
    # A spread in pixels is not the same in mm along rows and columns of unequal pixels: what is
    # weighed by it is weighed a little otherwise.
    exact = {key for key in table(usual) if pitch[0] == pitch[1] or key[2] not in LEARNING}
    found, wanted = ({key: table(each)[key] for key in exact} for each in (shown, usual))
    assert found == pytest.approx(wanted, abs=1e-4)
    for one, other in zip(shown.rows, usual.rows, strict=True):
        if pitch[0] == pitch[1]:
            assert (one.low, one.high) == pytest.approx((other.low, other.high), abs=1e-3), one.name


def test_a_film_without_any_scale_still_has_pixels_of_known_shape():
    """The aspect of the pixels holds in every plane; angles need it and nothing else."""
    body, frame = Body(hip=(88.0, 0.0, 150.0)), Frame(pitch=(0.2, 0.1))
    film, reading = film_and_reading(body, frame, film=without_geometry(frame))
    reading = replace(reading, source_detector_mm=None)
    square = Frame(pitch=(0.14, 0.14))
    film_2, reading_2 = film_and_reading(body, square, film=without_geometry(square))
    reading_2 = replace(reading_2, source_detector_mm=None)
    one, other = measure(film, reading, draws=0), measure(film_2, reading_2, draws=0)
    for name, method in (
        ("radiographic_inclination", None),
        ("radiographic_anteversion", None),
        ("leg_length_difference", "femur_neutral"),
        ("femoral_offset", "projected"),
        ("neck_shaft_angle", None),
    ):
        found, wanted = (value(each, name, method) for each in (one, other))
        assert found == pytest.approx(wanted, abs=1e-4), name


def test_a_mirrored_film_taken_for_a_usual_one_swaps_the_sides_and_says_so():
    film, reading = film_and_reading(Body(), Frame(axes=SHOWN["mirrored"]))
    wrong = measure(replace(film, patient_axes=SHOWN["usual"]), reading, draws=0)
    assert "sides_swapped" in {finding.code for finding in wrong.findings}


# --- what is missing, and why ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gone", "missing"),
    [
        (["cup_rim_left"], ["radiographic_inclination_left", "anatomical_anteversion_left"]),
        (["femoral_head_left"], ["hip_centre_height_left", "acetabular_offset_left"]),
        (
            ["lesser_trochanter_right", "greater_trochanter_left"],
            ["leg_length_difference_left"],
        ),
        (["neck_axis_left"], ["neck_shaft_angle_left", "femoral_rotation_left"]),
        (["femoral_shaft_left", "stem_axis_left"], ["femoral_offset_left", "global_offset_left"]),
        (["femoral_shaft_left"], ["femoral_abduction_left", "stem_alignment_left"]),
        (["symphysis"], ["pelvic_tilt_indicator", "pelvic_rotation"]),
        (["obturator_foramen_right"], ["obturator_ratio"]),
        (["stem_shoulder_left"], ["stem_to_trochanter_left"]),
    ],
)
@pytest.mark.parametrize("seen", ["not placed", "not visible"])
def test_what_needs_a_landmark_is_missing_without_it_and_says_which(gone, missing, seen):
    film, reading = film_and_reading(Body(), neck_shaft_angle_deg={"left": 125.0})
    for name in gone:
        reading = reading.with_points(name, []) if seen == "not visible" else reading.without(name)
    measured = measure(film, reading, draws=0)
    for key in missing:
        stem = key.removesuffix("_left")
        side = "left" if key.endswith("_left") else None
        why = measured.why_missing(stem)
        assert gone[0] in why and seen in why, measured.missing
        assert not [row for row in measured.rows if (row.name, row.side) == (stem, side)]


def test_without_a_reference_line_only_what_needs_it_is_missing():
    film, reading = film_and_reading(Body())
    for name in ("teardrop_left", "ischium_right"):
        reading = reading.without(name)
    measured = measure(film, reading, draws=0)
    reason = measured.why_missing("leg_length_difference")
    assert "no reference line" in reason
    assert "teardrop_left" in reason and "ischium_right" in reason
    assert "teardrop_right" not in reason
    assert value(measured, "radiographic_anteversion") == pytest.approx(15.0, abs=0.02)
    assert value(measured, "femoral_offset", "projected") == pytest.approx(42.0, abs=1e-3)


def test_without_a_teardrop_the_ischia_give_the_reference_line():
    film, reading = film_and_reading(Body(obliquity_deg=2.0))
    measured = measure(film, reading.without("teardrop_left"), draws=0)
    row = measured.primary("radiographic_inclination")
    assert row.reference == "bi_ischial" and row.value == pytest.approx(40.0, abs=0.02)
    assert "teardrop_left" in measured.why_missing("acetabular_offset")


def test_the_reference_line_can_be_chosen():
    film, reading = film_and_reading(Body())
    left = reading.landmarks["ischium_left"][0]
    reading = reading.with_points("ischium_left", [(left[0] + 40, left[1])])
    chosen = measure(film, reading, draws=0, reference="bi_ischial")
    default = measure(film, reading, draws=0)
    assert {row.reference for row in chosen.rows if row.name == "leg_length_difference"} == {
        "bi_ischial"
    }
    turned = value(chosen, "pelvic_obliquity")
    assert turned == pytest.approx(value(default, "pelvic_obliquity", "bi_ischial"))
    # Rotating the line rotates the inclination with it.
    assert value(chosen, "radiographic_inclination") - 40.0 == pytest.approx(turned, abs=0.02) or (
        40.0 - value(chosen, "radiographic_inclination") == pytest.approx(turned, abs=0.02)
    )


def test_an_empty_reading_is_all_missing_and_never_zero():
    film, reading = film_and_reading(Body())
    measured = measure(film, replace(reading, landmarks={}), draws=0)
    assert measured.rows == ()
    assert len(measured.missing) == len(QUANTITIES)
    assert all(each.reason for each in measured.missing)


def test_each_measurement_is_there_or_missing_with_a_reason():
    film, reading = film_and_reading(Body(), neck_shaft_angle_deg={"left": 125.0})
    for gone in ("", *LANDMARKS):
        measured = measure(film, reading.without(gone), draws=0)
        there = {row.name for row in measured.rows if row.side in ("left", None)}
        absent = {each.name for each in measured.missing}
        assert there | absent >= set(QUANTITIES), gone


# --- rows -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def everything():
    """Everything that can be measured of a body with both hips replaced."""
    body = Body(both_replaced=True, neck_shaft_deg=139.0, abduction_deg=2.0)
    film, reading = film_and_reading(body, neck_shaft_angle_deg={"left": 130.0, "right": 130.0})
    for side in ("left", "right"):
        shell = touched_circle(body.hip_centre(side), body.shell_mm / 2, body.sid, spread_turns(12))
        points = Frame().pixels(land(shell, body.sid))
        reading = reading.with_points(f"cup_shell_{side}", points.tolist())
    return film, reading, measure(film, reading, draws=512, seed=3)


def test_a_number_never_travels_alone(everything):
    _, reading, measured = everything
    assert {row.name for row in measured.rows} == set(QUANTITIES)
    for row in measured.rows:
        assert row.method in METHODS
        assert row.unit == QUANTITIES[row.name].unit
        assert np.isfinite([row.value, row.low, row.high]).all()
        assert row.low <= row.value <= row.high, row
        assert row.low < row.high, row
        assert row.standard_uncertainty > 0
        assert set(row.sources) <= set(SOURCES)
        assert set(row.rests_on) <= set(reading.landmarks)


def test_one_row_stands_for_each_name_and_side(everything):
    rows = everything[2].rows
    assert len({(row.name, row.side, row.method) for row in rows}) == len(rows)
    primaries = [(row.name, row.side) for row in rows if row.primary]
    assert len(primaries) == len(set(primaries))
    assert set(primaries) == {(row.name, row.side) for row in rows}


@pytest.mark.parametrize("missing", [None, "femoral_shaft_right", "teardrop_left", "cup_rim_left"])
def test_one_row_stands_for_each_name_and_side_of_a_partial_reading_too(everything, missing):
    film, reading, _ = everything
    rows = measure(film, reading.without(missing) if missing else reading, draws=0).rows
    primaries = [(row.name, row.side) for row in rows if row.primary]
    assert len(primaries) == len(set(primaries))
    assert set(primaries) == {(row.name, row.side) for row in rows}


def test_the_shares_of_uncertainty_add_up(everything):
    for row in everything[2].rows:
        if row.sources:
            assert sum(row.sources.values()) == pytest.approx(1.0), row
            assert min(row.sources.values()) >= 0


def test_rows_come_in_the_order_of_the_table_index_side_first(everything):
    rows = everything[2].rows
    order = [list(QUANTITIES).index(row.name) for row in rows]
    assert order == sorted(order)
    for name in QUANTITIES:
        sides = [row.side for row in rows if row.name == name and row.side]
        assert sides == sorted(sides)  # left is the index side here


def test_every_row_names_its_reference_line_and_its_scale(everything):
    for row in everything[2].rows:
        if row.name in ("radiographic_inclination", "leg_length_difference", "hip_centre_height"):
            assert row.reference == "inter_teardrop"
        if row.unit == "mm" and not row.name.startswith("hip_centre_"):
            assert any("scale from the left head of 32 mm" in text for text in row.assumptions)
        if row.name == "radiographic_anteversion":
            assert any("as seen from the tube" in text for text in row.assumptions)
        if row.method == "ellipse":
            assert any("parallel" in text for text in row.assumptions)


def test_without_a_stated_tube_a_row_says_where_the_tube_is_taken_to_stand():
    frame = Frame()
    film, reading = film_and_reading(Body(), frame, film=without_geometry(frame))
    reading = replace(reading, beam_centre=None, source_detector_mm=None)
    row = measure(film, reading, draws=0).primary("radiographic_anteversion")
    assert any("above the picture's middle" in text for text in row.assumptions)


def test_a_row_rests_on_what_it_says_and_on_nothing_else(everything):
    """Without a landmark that a row does not name, its value stays; scale and hip are common."""
    film, reading, _ = everything
    whole = {(r.name, r.side, r.method): r for r in measure(film, reading, draws=0).rows}
    common = {"femoral_head_left"}
    for gone in sorted(reading.landmarks.keys() - common):
        less = table(measure(film, reading.without(gone), draws=0))
        for key, row in whole.items():
            if gone not in row.rests_on and key[2] != "bi_ischial":
                # Another reference line or axis takes over where one is gone; it must be named.
                assert less.get(key) == pytest.approx(row.value, abs=1e-6), (key, gone)


def test_an_offset_to_the_stem_says_that_it_rests_on_the_stem(everything):
    film, reading, _ = everything
    row = measure(film, reading.without("femoral_shaft_left"), draws=0).primary("femoral_offset")
    assert "stem_axis_left" in row.rests_on


# --- intervals ------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_intervals_and_another_nearly_so(everything):
    film, reading, first = everything
    again = measure(film, reading, draws=512, seed=3)
    assert again.rows == first.rows and again.findings == first.findings
    other = measure(film, reading, draws=512, seed=4)
    assert [row.value for row in other.rows] == [row.value for row in first.rows]
    assert [row.low for row in other.rows] != [row.low for row in first.rows]


def test_twice_the_placing_spread_is_twice_the_share_of_placing():
    film, reading = film_and_reading(Body(), placing_sd_px=2.0)
    one = measure(film, reading, draws=0).primary("neck_shaft_angle")
    two = measure(film, replace(reading, placing_sd_px=4.0), draws=0).primary("neck_shaft_angle")
    assert one.sources["placing"] == pytest.approx(1.0)
    assert two.standard_uncertainty == pytest.approx(2.0 * one.standard_uncertainty, rel=1e-6)


def test_the_interval_of_an_angle_between_two_lines_is_the_one_of_the_textbook():
    """u(angle of a line through two points) = sqrt(2) u / length (GUM 5.1.2, independent inputs).

    Neck 30 mm and stem 90 mm long at M 1.15 on 0.14 mm pixels.
    """
    film, reading = film_and_reading(Body(hip=(88.0, 0.0, 150.0)), placing_sd_px=2.0)
    row = measure(film, reading, draws=0).primary("neck_shaft_angle")
    per_px = 1.15 / 0.14
    wanted = np.degrees(np.hypot(*(np.sqrt(2.0) * 2.0 / (length * per_px) for length in (30, 90))))
    assert row.standard_uncertainty == pytest.approx(wanted, rel=1e-3)


@dataclass(frozen=True)
class TurnedBody(Body):
    """A body turned about the long axis through its index hip: one side nearer to the tube."""

    turned_deg: float = 0.0

    def in_space(self, flat, height=0.0):
        points = super().in_space(flat, height)
        points[:, 2] += (points[:, 0] - self.hip[0]) * np.tan(np.radians(self.turned_deg))
        return points


@pytest.mark.parametrize(
    ("name", "method", "side"),
    [
        ("femoral_offset", "projected", "right"),
        ("acetabular_offset", "landmarks", "left"),
        ("acetabular_offset", "landmarks", "right"),
        ("global_offset", "projected", "right"),
        ("hip_centre_lateral", "landmarks", "right"),
        ("hip_centre_height", "landmarks", "right"),
        ("leg_length_difference", "raw", "left"),
        ("leg_length_difference", "femur_neutral", "left"),
        ("radiographic_inclination", "perspective", "left"),
    ],
)
def test_the_rotation_of_the_pelvis_costs_what_a_turned_body_shows(name, method, side):
    """Three degrees of spread; one degree either way on the film gives the slope."""
    # The lesser trochanter lies where it is assumed to lie, 22 mm behind the hip centre.
    where = {"hip": (95.0, 60.0, 150.0), "depth": {"lesser_trochanter": -22.0}}
    shown = {
        turned: value(
            measure(*film_and_reading(TurnedBody(**where, turned_deg=turned)), draws=0),
            name,
            method,
            side,
        )
        for turned in (-1.0, 1.0)
    }
    slope = abs(shown[1.0] - shown[-1.0]) / 2.0
    row = measure(*film_and_reading(Body(**where)), draws=0).by_method(name, method, side)
    from_rotation = row.standard_uncertainty * row.sources["rotation"] ** 0.5
    # A landmark 22 mm behind the hip is magnified 2.2 % less at a tube 1000 mm away; this enters
    # twice, in its lever and in the step from what is shown to what is there.
    assert from_rotation == pytest.approx(3.0 * slope, rel=0.05, abs=2e-3)


def test_a_rim_seen_nearly_edge_on_gets_an_honest_interval_to_one_side():
    """A noisy ellipse is never flat: the interval ends at flat, or leans to one side."""
    body = Body(hip=(0.0, 0.0, 150.0), ra=0.4)
    film, reading = film_and_reading(body)
    reading = replace(reading, placing_sd_px={"cup_rim_left": 2.0})
    held = one_sided = 0
    for seed in range(10):
        noise = np.random.default_rng(seed).normal(0, 2.0, (24, 2))
        noisy = reading.with_points("cup_rim_left", reading.points("cup_rim_left") + noise)
        row = measure(film, noisy, draws=256).primary("radiographic_anteversion")
        held += row.low < 0.4 < row.high
        # But for where the beam was, never across the flat rim, to the sign assumed away.
        assert row.low > -0.3
        one_sided += not 0.5 < (row.high - row.value) / max(row.value - row.low, 1e-6) < 2.0
        assert row.high - row.low < 10.0
    # 95 % intervals miss two or more of ten in 9 % of such tens; this is one fixed ten.
    assert held >= 9
    assert one_sided >= 5


def test_a_quick_interval_of_a_rim_seen_nearly_edge_on_is_not_absurd():
    film, reading = film_and_reading(Body(hip=(0.0, 0.0, 150.0), ra=0.4))
    reading = replace(reading, placing_sd_px={"cup_rim_left": 2.0})
    row = measure(film, reading, draws=0).primary("radiographic_anteversion")
    assert row.high - row.low < 10.0


def test_where_the_beam_is_not_stated_the_angles_are_less_certain():
    film, reading = film_and_reading(Body())
    stated = measure(film, reading, draws=0).primary("radiographic_anteversion")
    assumed = measure(
        film, replace(reading, beam_centre=None, source_detector_mm=None), draws=0
    ).primary("radiographic_anteversion")
    assert assumed.value == pytest.approx(stated.value)
    assert assumed.standard_uncertainty > stated.standard_uncertainty
    assert assumed.sources["geometry"] > stated.sources["geometry"]


@pytest.mark.parametrize("missed_mm", [(0.0, 0.0), (20.0, -15.0)])
def test_without_a_stated_tube_the_cup_is_read_under_a_plausible_one(missed_mm):
    """40/15 on a pelvis-centred film reads 41.2/13.1 by the ellipse (derived).

    Both methods hold the true cup in their intervals; the primary one stands nearer to it.
    """
    body = Body(hip=(90.0, -35.0, 150.0))
    frame = Frame(beam=(1649.5 + missed_mm[0] / 0.14, 1799.5 + missed_mm[1] / 0.14))
    film, reading = film_and_reading(body, frame, film=without_geometry(frame))
    reading = replace(reading, beam_centre=None, source_detector_mm=None)
    measured = measure(film, reading, draws=4000)
    for name, true in (("radiographic_inclination", 40.0), ("radiographic_anteversion", 15.0)):
        row, ellipse = measured.primary(name), measured.by_method(name, "ellipse")
        assert row.method == "perspective"
        for each in (row, ellipse):
            assert each.low < true < each.high
        assert abs(row.value - true) < abs(ellipse.value - true)


# --- the film that a reading belongs to -----------------------------------------------------------


def test_a_reading_of_this_film_is_taken():
    film, reading = film_and_reading(Body(), Frame(shape=(8, 8)))
    film = replace(film, sop_instance_uid="1.2.3")
    for binding in (
        FilmBinding(),
        FilmBinding("1.2.3"),
        FilmBinding(None, film.pixel_sha256),
        FilmBinding("1.2.3", film.pixel_sha256),
    ):
        assert measure(film, replace(reading, film=binding), draws=0).rows


@pytest.mark.parametrize(
    ("uid", "binding", "words"),
    [
        ("1.2.3", FilmBinding("1.2.4"), r"film\.sop_instance_uid: .*1\.2\.4.*1\.2\.3"),
        (None, FilmBinding("1.2.4"), r"film\.sop_instance_uid: .*no SOP Instance UID"),
        ("1.2.3", FilmBinding(None, "0" * 64), r"film\.pixel_sha256: .*other pixels"),
        ("1.2.3", FilmBinding("1.2.3", "0" * 64), r"film\.pixel_sha256: .*other pixels"),
        (None, FilmBinding("1.2.4", "0" * 64), r"film\.pixel_sha256: .*other pixels"),
    ],
)
def test_a_reading_of_another_film_is_refused_with_what_does_not_match(uid, binding, words):
    film, reading = film_and_reading(Body(), Frame(shape=(8, 8)))
    film = replace(film, sop_instance_uid=uid)
    with pytest.raises(ReadingError, match=words):
        measure(film, replace(reading, film=binding), draws=0)


@pytest.mark.parametrize("name", ["femoral_head_left", "cup_rim_left", "marker_sphere"])
def test_an_outline_on_a_line_is_refused_by_name(name):
    film, reading = film_and_reading(Body())
    line = np.column_stack([np.arange(8) * 10.0, np.arange(8) * 7.0])
    with pytest.raises(MeasureError, match=rf"landmarks\.{name}: the points lie on a line"):
        measure(film, reading.with_points(name, line), draws=0)


@pytest.mark.parametrize("name", ["femoral_shaft_left", "stem_axis_left", "neck_axis_left"])
def test_an_axis_through_one_place_is_refused_by_name(name):
    film, reading = film_and_reading(Body())
    with pytest.raises(MeasureError, match=rf"landmarks\.{name}: the points coincide"):
        measure(film, reading.with_points(name, [(500.0, 500.0), (500.0, 500.0)]), draws=0)


def test_teardrops_on_one_another_are_refused_by_name():
    film, reading = film_and_reading(Body())
    reading = reading.with_points("teardrop_right", reading.landmarks["teardrop_left"])
    with pytest.raises(MeasureError, match="teardrop"):
        measure(film, reading, draws=0)


def test_one_side_may_be_placed_twice_and_the_other_three_times():
    film, reading = film_and_reading(Body())
    again = reading
    for name, times in (("teardrop_left", 2), ("teardrop_right", 3)):
        again = again.with_points(name, reading.landmarks[name] * times)
    found, expected = (
        measure(film, each, draws=0)["leg_length_difference"] for each in (again, reading)
    )
    assert found.value == pytest.approx(expected.value, abs=0.2)
    assert found.standard_uncertainty < expected.standard_uncertainty


def test_too_few_points_are_refused_by_name():
    film, reading = film_and_reading(Body())
    few = replace(reading, landmarks={**reading.landmarks, "cup_rim_left": ((1.0, 2.0),)})
    with pytest.raises(ReadingError, match=r"landmarks\.cup_rim_left: too few points \(1\)"):
        measure(film, few, draws=0)


def test_points_that_moved_with_the_film_give_the_same_numbers():
    film, reading = film_and_reading(Body())
    shift = moved(reading, lambda points: points + np.array([120.0, -75.0]))
    assert table(measure(film, shift, draws=0)) == pytest.approx(
        table(measure(film, reading, draws=0)), abs=1e-5
    )
