"""A film made of arithmetic and measurements written by hand: invented, of nobody."""

import numpy as np
import pytest

from xraymeasure.film.film import film_from_array
from xraymeasure.measuring.results import Drawing, Finding, Measurement, Measurements, Missing
from xraymeasure.plan.compare import compare, parse_plan
from xraymeasure.reading.reading import FilmBinding, Reading
from xraymeasure.report.subject import Subject

PLAN = """
operated_side = "left"
[cup]
inclination_deg = 40
anteversion_deg = 20
[femur]
offset_mm = 44
[leg_length]
difference_mm = 0
change_mm = 6
[tolerance]
inclination_deg = 5
anteversion_deg = 5
leg_length_mm = 5
offset_mm = 5
[recorded]
inclination_deg = 41
anteversion_deg = 22
leg_length_change_mm = 5
"""


def ring(row, column, height, width, count=60):
    turn = np.linspace(0, 2 * np.pi, count)
    return np.stack([row + height * np.sin(turn), column + width * np.cos(turn)], axis=-1)


@pytest.fixture(scope="session")
def film():
    rows, columns = np.mgrid[0:500, 0:640]
    body = 3000 - 0.02 * ((rows - 250) ** 2 + (columns - 320) ** 2)
    pixels = np.clip(body, 0, None)
    pixels[(rows - 250) ** 2 + (columns - 460) ** 2 < 30**2] = 4000
    return film_from_array(pixels.astype(np.uint16), source="invented", pitch_mm=0.6)


@pytest.fixture(scope="session")
def reading():
    return Reading(
        reader="A",
        read_at="2026-01-31T10:15:00Z",
        operated_side="left",
        landmarks={
            "teardrop_left": ((290.0, 400.0),),
            "teardrop_right": ((290.0, 240.0),),
            "femoral_head_left": tuple(map(tuple, ring(250, 460, 30, 30, 9)[:-1])),
            "cup_rim_left": tuple(map(tuple, ring(248, 462, 40, 12, 9)[:-1])),
        },
        head_diameter_mm={"left": 32.0},
    )


def row(name, value, half, unit, method, primary=True, side="left", **rest):
    return Measurement(
        name=name,
        side=side,
        value=value,
        unit=unit,
        low=value - half,
        high=value + half,
        method=method,
        primary=primary,
        reference="inter_teardrop" if side else None,
        standard_uncertainty=half / 1.96,
        sources={"placing": 0.6, "geometry": 0.3, "depth": 0.1},
        **rest,
    )


@pytest.fixture(scope="session")
def measurements():
    assumed = ("The cup opens forward; one AP film does not show it.",)
    return Measurements(
        film=FilmBinding("1.2.3.4", "0123456789abcdef" * 4),
        reader="A",
        read_at="2026-01-31T10:15:00Z",
        operated_side="left",
        rows=(
            row("radiographic_inclination", 42.0, 1.5, "deg", "perspective", rests_on=("cup_rim",)),
            row("radiographic_inclination", 43.1, 1.4, "deg", "ellipse", False),
            row("radiographic_inclination", 44.0, 1.5, "deg", "perspective_other", False),
            row("radiographic_anteversion", 24.0, 2.5, "deg", "perspective", assumptions=assumed),
            row("radiographic_anteversion", 21.0, 1.5, "deg", "ellipse", False),
            row("radiographic_anteversion", -19.0, 2.5, "deg", "perspective_other", False),
            row("leg_length_difference", 8.5, 2.9, "mm", "femur_neutral"),
            row("femoral_offset", 43.0, 3.5, "mm", "projected"),
            row("femoral_offset", 41.0, 3.5, "mm", "projected", side="right"),
            row("global_offset", 81.0, 3.5, "mm", "projected"),
            row("magnification", 1.17, 0.01, "1", "head", side=None),
        ),
        missing=(Missing("neck_shaft_angle", "left", None, "the neck axis was not placed"),),
        findings=(
            Finding("short_arc", "The rim was placed on 120 degrees of arc only.", (), "note"),
            Finding(
                "pelvis_rotated",
                "The pelvis is turned by about 6 degrees.",
                ("obturator_ratio",),
                "strong",
            ),
        ),
        drawings=(
            Drawing("head", "left", ring(250, 460, 30, 30), (), (220.0, 460.0)),
            Drawing(
                "rim",
                "left",
                ring(248, 462, 40, 12),
                ("radiographic_inclination", "radiographic_anteversion"),
                (248.0, 474.0),
            ),
            Drawing(
                "reference", None, np.array([[290.0, 150.0], [290.0, 500.0]]), (), (290.0, 320.0)
            ),
            Drawing(
                "leg_length",
                "left",
                np.array([[290.0, 480.0], [370.0, 480.0]]),
                ("leg_length_difference",),
                (330.0, 480.0),
            ),
            Drawing(
                "offset",
                "left",
                np.array([[250.0, 460.0], [250.0, 520.0]]),
                ("femoral_offset",),
                (250.0, 490.0),
            ),
            Drawing("hip_centre", "left", np.array([[250.0, 460.0]]), (), (250.0, 460.0)),
            Drawing("beam", None, np.array([[250.0, 320.0]]), (), (250.0, 320.0)),
        ),
        mm_per_px=0.51,
        notes=("The scale is that of the head of 32 mm.",),
    )


@pytest.fixture(scope="session")
def comparison(measurements):
    return compare(measurements, parse_plan(PLAN))


@pytest.fixture(scope="session")
def found(film, reading, measurements, comparison):
    return Subject(film, reading, measurements, comparison=comparison)
