"""Scale, lengths and femora of bodies cast on a film by brute force (see camera.py)."""

from dataclasses import replace

import numpy as np
import pytest

from tests.camera import (
    OTHER,
    SIGN,
    Body,
    Frame,
    film_and_reading,
    land,
    spread_turns,
    touched_circle,
    without_geometry,
)
from tests.measured import table, value
from xraymeasure.film.spacing import decide_spacing
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.uncertainty import LEARNING

# A division by zero that is only warned of is a fault all the same.
pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


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
