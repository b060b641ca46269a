"""What is proposed on films made by brute force, and that nothing is where there is no implant."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.ndimage import rotate

from tests.detect.metal_film import PITCH, Metal, metal_film
from xraymeasure.detect.propose import METHOD, propose, proposed_reading
from xraymeasure.film.film import film_from_array
from xraymeasure.measuring.measure import measure
from xraymeasure.reading.file import format_reading, parse_reading

LEFT = Metal()
OPAQUE = Metal(side="right", shell_attenuation=0.45, head_attenuation=0.42, anteversion=9.0)


@cache
def film_of(*hips):
    return metal_film(*hips)


@cache
def found_on(*hips):
    return propose(film_of(*hips), head_diameter_mm=hips[0].head_mm)


def only(proposals):
    (hip,) = proposals.hips
    return hip


@pytest.mark.parametrize(
    ("hip", "within"),
    [
        (LEFT, (0.5, 0.6)),
        (Metal(side="right", inclination=36, anteversion=25, head_mm=28), (0.5, 0.6)),
        (OPAQUE, (0.5, 0.6)),
        (Metal(flange=True, holes=True), (0.5, 1.2)),
    ],
    ids=["plain", "right", "opaque", "flanged and holed"],
)
def test_the_cup_is_read_from_its_whole_shadow(hip, within):
    # Bounds: what 95 % of cups are to keep, plain ones and those with a flange and holes.
    found = only(found_on(hip))
    assert found.side == hip.side
    assert abs(found.inclination_deg - hip.inclination) < within[0]
    assert abs(found.anteversion_deg - hip.anteversion) < within[1]


@pytest.mark.parametrize("hip", [LEFT, OPAQUE], ids=["plain", "opaque"])
def test_the_magnification_is_that_of_the_plane_of_the_head(hip):
    # By similar triangles; 0.3 % is what the diameter of an unprocessed head is to keep.
    found = only(found_on(hip))
    assert found.magnification == pytest.approx(1150 / (1150 - 160), rel=0.004)
    assert hip.head_mm in found.plausible_heads_mm


def test_both_hips_are_found_on_one_film():
    both = propose(film_of(LEFT, OPAQUE), head_diameter_mm=32)
    assert [hip.side for hip in both.hips] == ["left", "right"]
    (one,) = propose(film_of(LEFT, OPAQUE), head_diameter_mm=32, side="right").hips
    assert one.side == "right"


def test_a_film_without_an_implant_gets_no_proposal():
    assert propose(film_of(), head_diameter_mm=32).hips == ()


def test_the_grey_scale_may_be_turned_round_and_of_eight_bits():
    pixels = film_of(LEFT).pixels
    eight = film_from_array(
        (255 - pixels // 16).astype(np.uint8),
        pitch_mm=PITCH,
        source_detector_mm=1150.0,
        greys=replace(film_of(LEFT).greys, inverted=True),
    )
    found = only(propose(eight, head_diameter_mm=32))
    assert found.inclination_deg == pytest.approx(LEFT.inclination, abs=0.5)
    assert found.anteversion_deg == pytest.approx(LEFT.anteversion, abs=0.6)


def test_metal_that_is_clipped_to_white_is_still_read():
    # The dense tenth of the metal is lost.
    pixels = film_of(LEFT).pixels
    white = np.percentile(pixels, 98.5).astype(np.uint16)
    clipped = film_from_array(np.minimum(pixels, white), pitch_mm=PITCH, source_detector_mm=1150.0)
    found = only(propose(clipped, head_diameter_mm=32))
    assert found.inclination_deg == pytest.approx(LEFT.inclination, abs=0.7)
    assert found.anteversion_deg == pytest.approx(LEFT.anteversion, abs=1.2)


def test_a_mirrored_film_gives_the_same_hip_at_the_mirrored_place():
    film = film_of(LEFT)
    mirrored = film_from_array(
        np.ascontiguousarray(film.pixels[:, ::-1]),
        pitch_mm=PITCH,
        source_detector_mm=1150.0,
        patient_axes=((0, -1), (1, 0)),
    )
    found, usual = only(propose(mirrored, head_diameter_mm=32)), only(found_on(LEFT))
    assert found.side == "left"
    assert found.anteversion_deg == pytest.approx(usual.anteversion_deg, abs=1e-6)
    for name, points in usual.landmarks.items():
        rows, columns = np.array(points).T
        there = np.stack([rows, film.shape[1] - 1 - columns], axis=1)
        assert np.allclose(there, found.landmarks[name], atol=0.002)


def test_a_turned_film_with_other_contrast_and_more_noise_agrees_within_its_intervals():
    # Turned by 3 degrees about the central ray, here the middle of the film: inclination follows.
    pixels = film_of(LEFT).pixels / 4095.0
    darker = 4095 * rotate(pixels, 3.0, reshape=False, order=1, mode="nearest") ** 1.3
    darker += 12.0 * np.random.default_rng(5).standard_normal(pixels.shape)
    turned = film_from_array(
        np.clip(np.round(darker), 0, 4095).astype(np.uint16),
        pitch_mm=PITCH,
        source_detector_mm=1150.0,
    )
    found, usual = only(propose(turned, head_diameter_mm=32)), only(found_on(LEFT))
    turn = abs(found.inclination_deg - usual.inclination_deg)
    # The film is the same, so each interval alone must reach.
    assert abs(turn - 3.0) < 1.96 * found.angle_sd_deg[0]
    assert abs(found.anteversion_deg - usual.anteversion_deg) < 1.96 * found.angle_sd_deg[1]


def test_a_cup_said_to_open_backward_gets_the_other_pose():
    found = only(propose(film_of(LEFT), head_diameter_mm=32, opens="posterior"))
    usual = only(found_on(LEFT))
    assert found.anteversion_deg < 0 < usual.anteversion_deg
    assert found.other_pose_deg[1] == pytest.approx(usual.anteversion_deg, abs=1.5)


def test_a_proposed_reading_is_measured_as_it_is_and_says_that_nobody_confirmed_it():
    film = film_of(LEFT)
    reading = proposed_reading(film, found_on(LEFT), head_diameter_mm=32.0)
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
    points = np.array(only(found_on(LEFT)).landmarks["femoral_shaft_left"])
    true = (720 / 2) + (88 + 30) * 1.16 / PITCH
    assert points[:, 1] == pytest.approx(true, abs=2.0)


def test_nothing_proposed_makes_no_reading():
    with pytest.raises(ValueError, match="nothing was proposed"):
        proposed_reading(film_of(), propose(film_of()))
