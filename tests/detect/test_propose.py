"""What is proposed on films made by brute force, and that nothing is where there is no implant."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.ndimage import rotate, uniform_filter

from tests.camera import land
from tests.detect.metal_film import PITCH, Metal, metal_film
from xraymeasure.detect.accept import may_be_axis
from xraymeasure.detect.cup import descend, start_parameters
from xraymeasure.detect.femur import SHAFT, find_axis
from xraymeasure.detect.field import plate
from xraymeasure.detect.picture import ANTEVERSION, FLANGE, INCLINATION, LIP, scene
from xraymeasure.detect.propose import METHOD, propose, proposed_reading
from xraymeasure.film.film import film_from_array
from xraymeasure.measuring.measure import measure
from xraymeasure.reading.file import format_reading, parse_reading

LEFT = Metal()
OPAQUE = Metal(side="right", shell_attenuation=0.45, head_attenuation=0.42, anteversion=9.0)
SMALL = Metal(side="right", inclination=36, anteversion=25, head_mm=28)
ODD = Metal(flange=True, holes=True)
ONE = replace(LEFT, lip_mm=3.0)
"""The only implant of its film, with a raised lip."""


@cache
def film_of(*hips):
    return metal_film(*hips)


@cache
def found_on(*hips):
    return propose(film_of(*hips), head_diameter_mm={hip.side: hip.head_mm for hip in hips})


def only(proposals):
    (hip,) = proposals.hips
    return hip


def usual():
    """The plain left hip, on a film that shows an opaque right one as well."""
    return found_on(LEFT, OPAQUE).hips[0]


def left_of(film, **known):
    """What is proposed on the left side of a film like that of `usual`."""
    return only(propose(film, head_diameter_mm=32, side="left", **known))


@pytest.mark.parametrize(
    ("hips", "within"),
    [
        ((LEFT, OPAQUE), {"left": (0.5, 0.6), "right": (0.5, 0.6)}),
        ((ODD, SMALL), {"left": (0.5, 1.2), "right": (0.5, 0.6)}),
    ],
    ids=["plain and opaque", "flanged and holed, and small"],
)
def test_the_cup_is_read_from_its_whole_shadow(hips, within):
    # Bounds: what 95 % of cups are to keep, plain ones and those with a flange and holes.
    proposals = found_on(*hips)
    assert [hip.side for hip in proposals.hips] == ["left", "right"]
    for found, hip in zip(proposals.hips, hips, strict=True):
        assert abs(found.inclination_deg - hip.inclination) < within[hip.side][0]
        assert abs(found.anteversion_deg - hip.anteversion) < within[hip.side][1]


def test_a_descent_from_afar_ends_at_the_foot():
    # Steps that grow too short, or one parameter at its bound, left it 3 degrees off.
    upright, centre = plate(film_of(LEFT, OPAQUE)), np.array(LEFT.centre)
    at = land(centre[None], 1150.0)[0]
    box = at[0] - 40, at[0] + 40, at[1] - 40, at[1] + 40
    distance = np.linalg.norm(centre - [0.0, 0.0, 1150.0])
    seen = scene(
        upright.field(1.5, box), 1150.0, "left", at, 16.0, distance, np.pi / 4, at, 37.0, False
    )
    fitted = descend(seen, start_parameters(24.0, 30.0, 25.0), (FLANGE, LIP))
    true = LEFT.inclination, LEFT.anteversion
    assert fitted.parameters[[INCLINATION, ANTEVERSION]] == pytest.approx(true, abs=1.0)


def test_a_raised_lip_hardly_turns_the_inclination_and_is_said():
    # Taken for a shell that is longer all round, it turned it by 4 degrees.
    found = only(found_on(ONE))
    assert abs(found.inclination_deg - ONE.inclination) < 1.96 * found.angle_sd_deg[0] < 4.0
    assert abs(found.anteversion_deg - ONE.anteversion) < 1.2
    assert any("raised on its upper half" in doubt for doubt in found.doubts)


def test_the_magnification_is_that_of_the_plane_of_the_head():
    # By similar triangles; 0.3 % is what the diameter of an unprocessed head is to keep.
    for found in found_on(LEFT, OPAQUE).hips:
        assert found.magnification == pytest.approx(1150 / (1150 - 160), rel=0.004)
        assert 32.0 in found.plausible_heads_mm


def test_a_film_without_an_implant_gets_no_proposal_and_no_reading():
    assert found_on().hips == ()
    with pytest.raises(ValueError, match="nothing was proposed"):
        proposed_reading(film_of(), found_on())


def test_the_grey_scale_may_be_turned_round_of_eight_bits_and_its_edges_enhanced():
    # By a square kernel of 4 mm, which no column of the model has, and more than any film needs.
    pixels = film_of(LEFT, OPAQUE).pixels / 16.0
    sharp = pixels + 2.0 * (pixels - uniform_filter(pixels, round(4.0 / PITCH)))
    eight = film_from_array(
        (255 - np.clip(sharp, 0, 255)).astype(np.uint8),
        pitch_mm=PITCH,
        source_detector_mm=1150.0,
        greys=replace(film_of(LEFT, OPAQUE).greys, inverted=True),
    )
    found = left_of(eight)
    assert found.inclination_deg == pytest.approx(LEFT.inclination, abs=0.5)
    assert found.anteversion_deg == pytest.approx(LEFT.anteversion, abs=0.6)


def test_metal_that_is_clipped_to_white_is_still_read():
    # The dense tenth of the metal is lost.
    pixels = film_of(LEFT, OPAQUE).pixels
    white = np.percentile(pixels, 98.5).astype(np.uint16)
    clipped = film_from_array(np.minimum(pixels, white), pitch_mm=PITCH, source_detector_mm=1150.0)
    found = left_of(clipped)
    assert found.inclination_deg == pytest.approx(LEFT.inclination, abs=0.7)
    assert found.anteversion_deg == pytest.approx(LEFT.anteversion, abs=1.2)


WHITE = Metal(head_mm=28.0, shell_mm=56.0, inclination=36.0, anteversion=30.0)
"""Of the head, the shell leaves little to see."""


@cache
def white_film():
    """All that is denser than one wall of the shell is lost."""
    pixels = film_of(WHITE).pixels
    white = np.percentile(pixels, 95.5).astype(np.uint16)
    return film_from_array(np.minimum(pixels, white), pitch_mm=PITCH, source_detector_mm=1150.0)


def test_a_wrong_size_of_a_head_is_not_found_in_white_metal():
    found = propose(white_film(), head_diameter_mm=44.0)
    assert found.hips == ()
    (hip,) = found.of_another_size
    assert 28.0 in hip.plausible_heads_mm


@pytest.mark.parametrize("known", [28.0, None])
def test_a_head_that_a_white_shell_hides_is_found_by_the_silhouette_of_both(known):
    # Where its size was not known, the shell's outline was taken for that of a large head.
    film = white_film()
    found = only(propose(film, head_diameter_mm=known))
    true = land(np.array(WHITE.centre)[None], 1150.0)[0]
    middle = film.to_patient_mm(np.array(found.landmarks["femoral_head_left"])).mean(axis=0)
    assert np.hypot(*(middle - true)) < 1.0
    assert any("hides the head" in doubt for doubt in found.doubts)
    assert abs(found.inclination_deg - WHITE.inclination) < 1.96 * found.angle_sd_deg[0] < 3.0
    assert abs(found.anteversion_deg - WHITE.anteversion) < 1.96 * found.angle_sd_deg[1] < 6.0


def test_how_much_of_a_point_is_white_is_the_share_of_its_pixels():
    pixels = np.zeros((8, 8), np.uint16)
    pixels[:2, :3] = 4095
    film = film_from_array(pixels, pitch_mm=0.25, source_detector_mm=1150.0)
    assert plate(film).field(1.0).white.tolist() == [[6 / 16, 0.0], [0.0, 0.0]]


def test_a_mirrored_film_gives_the_same_hip_at_the_mirrored_place():
    film = film_of(LEFT, OPAQUE)
    mirrored = film_from_array(
        np.ascontiguousarray(film.pixels[:, ::-1]),
        pitch_mm=PITCH,
        source_detector_mm=1150.0,
        patient_axes=((0, -1), (1, 0)),
    )
    found, plain = left_of(mirrored), usual()
    assert found.side == "left"
    assert found.anteversion_deg == pytest.approx(plain.anteversion_deg, abs=1e-6)
    for name, points in plain.landmarks.items():
        rows, columns = np.array(points).T
        there = np.stack([rows, film.shape[1] - 1 - columns], axis=1)
        assert np.allclose(there, found.landmarks[name], atol=0.002)


def test_a_turned_film_with_other_contrast_and_more_noise_agrees_within_its_intervals():
    # Turned by 3 degrees about the central ray, here the middle of the film: inclination follows.
    pixels = film_of(LEFT, OPAQUE).pixels / 4095.0
    darker = 4095 * rotate(pixels, 3.0, reshape=False, order=1, mode="nearest") ** 1.3
    darker += 12.0 * np.random.default_rng(5).standard_normal(pixels.shape)
    turned = film_from_array(
        np.clip(np.round(darker), 0, 4095).astype(np.uint16),
        pitch_mm=PITCH,
        source_detector_mm=1150.0,
    )
    found, plain = left_of(turned), usual()
    turn = abs(found.inclination_deg - plain.inclination_deg)
    # The film is the same, so each interval alone must reach.
    assert abs(turn - 3.0) < 1.96 * found.angle_sd_deg[0]
    assert abs(found.anteversion_deg - plain.anteversion_deg) < 1.96 * found.angle_sd_deg[1]


def test_a_cup_said_to_open_backward_gets_the_other_pose():
    found, plain = left_of(film_of(LEFT, OPAQUE), opens="posterior"), usual()
    assert found.anteversion_deg < 0 < plain.anteversion_deg
    assert found.other_pose_deg[1] == pytest.approx(plain.anteversion_deg, abs=1.5)


def test_a_proposed_reading_is_measured_as_it_is_and_says_that_nobody_confirmed_it():
    film = film_of(LEFT, OPAQUE)
    reading = proposed_reading(film, found_on(LEFT, OPAQUE), head_diameter_mm=32.0)
    again = parse_reading(format_reading(reading))
    assert again == reading
    measured = measure(film, again, draws=0)
    for name, true in (
        ("radiographic_inclination", LEFT.inclination),
        ("radiographic_anteversion", LEFT.anteversion),
    ):
        (row,) = (
            row
            for row in measured.rows
            if (row.name, row.side, row.primary) == (name, "left", True)
        )
        assert row.low < true < row.high
        assert any(f"proposed by {METHOD}" in each for each in row.assumptions)
    (finding,) = (each for each in measured.findings if each.code == "proposed_unconfirmed")
    assert "radiographic_anteversion" in finding.touches
    seen = again
    for name in again.landmarks:
        seen = seen.confirmed(name)
    codes = {each.code for each in measure(film, seen, draws=0).findings}
    assert "proposed_unconfirmed" not in codes


def test_the_shaft_is_midway_between_its_outer_cortices():
    # The film's shaft runs straight down, 30 mm beside the hip.
    points = np.array(usual().landmarks["femoral_shaft_left"])
    true = (720 / 2) + (88 + 30) * 1.16 / PITCH
    assert points[:, 1] == pytest.approx(true, abs=2.0)


def test_a_shaft_that_bends_is_told_by_how_much():
    # Each row is moved along a parabola: both cortices turn by the same angle.
    pixels = film_of(LEFT, OPAQUE).pixels
    curve = np.radians(8.0) / (2 * 60.0)  # per mm: 8 degrees over 60 mm
    rows = (np.arange(pixels.shape[0]) - (pixels.shape[0] - 1) / 2) * PITCH - 130.0
    moved = [np.roll(row, round(curve * y**2 / PITCH)) for row, y in zip(pixels, rows, strict=True)]
    for film, bend in ((film_of(LEFT, OPAQUE), 0.0), (np.array(moved), 8.0)):
        film = film_from_array(film, pitch_mm=PITCH, source_detector_mm=1150.0) if bend else film
        axis = find_axis(plate(film), 88 * 1.16, 5 * 1.16, "left", SHAFT)
        length = axis.points_mm[-1][1] - axis.points_mm[0][1]
        assert axis.bend_deg == pytest.approx(bend * length / 60.0, abs=1.5)


def test_the_edge_of_the_collimator_is_no_cortex():
    # It is straighter than bone, and 13 mm outside it.
    pixels = np.pad(film_of(LEFT, OPAQUE).pixels, ((0, 0), (40, 40)), mode="edge")
    pixels[:, 774:] = 100
    film = film_from_array(pixels, pitch_mm=PITCH, source_detector_mm=1150.0)
    axis = find_axis(plate(film), 88 * 1.16, 5 * 1.16, "left", SHAFT)
    assert [x for x, _ in axis.points_mm] == pytest.approx([(88 + 30) * 1.16] * 4, abs=1.0)


def test_the_skin_is_no_cortex():
    """A thigh of 150 mm, of which 22 mm lie outside a faint bone."""

    def chord(off, radius):
        return 2.0 * np.sqrt(np.clip(radius**2 - off**2, 0.0, None))

    x, bone = (np.arange(800) - 400) * 0.5, 137.0
    density = 0.02 * chord(x - (bone + 18 + 22 - 75), 75)
    density += 0.012 * (chord(x - bone, 18) - chord(x - bone, 11))
    uneven = 1 + 0.04 * np.sin(np.arange(720) / 13.0)[:, None]
    noise = 1 + 0.006 * np.random.default_rng(0).standard_normal((720, 800))
    passed = np.exp(-density * uneven) * noise + 0.002
    shown = np.clip(-np.log(passed) / 7.0 * 4095, 0, 4095).astype(np.uint16)
    film = film_from_array(shown, pitch_mm=0.5, source_detector_mm=1150.0)
    axis = find_axis(plate(film), bone - 35, 5.8, "left", SHAFT)
    # To leave it out is right as well: the skin was taken for the outer edge, 10 mm off.
    if may_be_axis(axis):
        assert [x for x, _ in axis.points_mm] == pytest.approx([bone] * 4, abs=1.0)


def test_the_shaft_of_a_femur_without_an_implant_is_proposed_with_the_other_hip():
    # It runs straight down as well, 30 mm beside its hip.
    points = np.array(only(found_on(ONE)).landmarks["femoral_shaft_right"])
    true = (720 / 2) - (88 + 30) * 1.16 / PITCH
    assert points[:, 1] == pytest.approx(true, abs=2.0)
    cropped = film_from_array(
        np.ascontiguousarray(film_of(ONE).pixels[:, 200:]),
        pitch_mm=PITCH,
        source_detector_mm=1150.0,
        beam_centre=((film_of(ONE).shape[0] - 1) / 2, 359.5 - 200),
    )
    found = only(propose(cropped, head_diameter_mm=32))
    assert "femoral_shaft_left" in found.landmarks
    assert "femoral_shaft_right" not in found.landmarks


def test_two_heads_that_cannot_both_have_the_diameter_given_are_doubtful():
    """Of 32 and 28 mm in the film's recipe; one magnification holds for both."""
    given = propose(film_of(ODD, SMALL), head_diameter_mm=30)
    assert len(given.hips) == 2
    assert all("one is wrong" in " ".join(hip.doubts) for hip in given.hips)
    known = found_on(ODD, SMALL)
    assert not any("one is wrong" in " ".join(hip.doubts) for hip in known.hips)
