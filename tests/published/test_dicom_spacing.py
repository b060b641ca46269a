"""Whose spacing it is: DICOM PS3.3 section 10.7, statement by statement.

Sources: DICOM PS3.3 10.7.1.1 (Pixel Spacing), 10.7.1.2 (Pixel Spacing Calibration Type), 10.7.1.3
(value order), as published at dicom.nema.org, editions 2024d; Imager Pixel Spacing (0018,1164)
"shall never be adjusted". Each row quotes in short the statement that it holds us to.
"""

import pytest

from xraymeasure.film.spacing import SpacingKind, decide_spacing, plausible_pair

IMAGER, PATIENT, SCANNED = (0.30, 0.25), (0.25, 0.20833), (0.17, 0.17)
GEOMETRY, FIDUCIAL = "GEOMETRY", "FIDUCIAL"


@pytest.mark.parametrize(
    "given, kind, detector, patient",
    [
        # Imager Pixel Spacing: "physical distance measured at the front plane of the detector".
        ({"imager": IMAGER}, "detector", IMAGER, None),
        # "If ... not been calibrated ..., the values shall be the same as in Imager Pixel Spacing
        # or Nominal Scanned Pixel Spacing."
        ({"imager": IMAGER, "pixel": IMAGER}, "detector", IMAGER, None),
        ({"scanned": SCANNED, "pixel": SCANNED}, "digitised_film", SCANNED, None),
        ({"scanned": SCANNED}, "digitised_film", SCANNED, None),
        # "If ... the values are different ..., then the image has been corrected ... or
        # calibrated."
        ({"imager": IMAGER, "pixel": PATIENT}, "calibrated", IMAGER, PATIENT),
        (
            {"imager": IMAGER, "pixel": PATIENT, "calibration_type": GEOMETRY},
            "calibrated",
            IMAGER,
            PATIENT,
        ),
        (
            {"imager": IMAGER, "pixel": PATIENT, "calibration_type": FIDUCIAL},
            "calibrated",
            IMAGER,
            PATIENT,
        ),
        ({"scanned": SCANNED, "pixel": (0.14, 0.14)}, "calibrated", SCANNED, (0.14, 0.14)),
        # "If Calibration Type and Imager Pixel Spacing and Nominal Scanned Pixel Spacing are
        # absent, then it cannot be determined whether or not ... calibration have been performed."
        ({"pixel": PATIENT}, "unknown", None, None),
        # With a calibration type it can.
        ({"pixel": PATIENT, "calibration_type": GEOMETRY}, "calibrated", None, PATIENT),
        ({"pixel": PATIENT, "calibration_type": FIDUCIAL}, "calibrated", None, PATIENT),
        ({}, "unknown", None, None),
    ],
)
def test_which_spacing_it_is(given, kind, detector, patient):
    spacing = decide_spacing(**given)
    assert spacing.kind == kind
    assert spacing.detector_mm == detector
    assert spacing.patient_mm == patient
    assert spacing.reason.endswith(".")
    assert spacing.calibration_type == (given.get("calibration_type") if patient else None)


@pytest.mark.parametrize(
    "given, words",
    [
        ({"imager": IMAGER, "pixel": PATIENT}, "no Pixel Spacing Calibration Type"),
        ({"imager": IMAGER, "pixel": IMAGER, "calibration_type": FIDUCIAL}, "a magnification of 1"),
        ({"imager": IMAGER, "pixel": IMAGER, "calibration_type": GEOMETRY}, "a magnification of 1"),
        ({"imager": IMAGER, "calibration_type": GEOMETRY}, "without a Pixel Spacing"),
        ({"pixel": PATIENT, "calibration_type": "GUESS"}, "is none that DICOM defines"),
        ({"imager": IMAGER, "scanned": SCANNED}, "differ"),
        ({"imager": PATIENT, "pixel": IMAGER, "calibration_type": GEOMETRY}, "behind the detector"),
        (
            {"imager": IMAGER, "pixel": PATIENT[::-1], "calibration_type": GEOMETRY},
            "along columns and 1.000 along rows",
        ),
        ({"imager": IMAGER, "aspect": 1.5}, "Pixel Aspect Ratio says 1.5, the spacing 1.2"),
    ],
)
def test_what_contradicts_itself_is_said(given, words):
    assert words in decide_spacing(**given).contradiction


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"imager": IMAGER},
        {"imager": IMAGER, "pixel": IMAGER},
        {"imager": IMAGER, "pixel": PATIENT, "calibration_type": FIDUCIAL},
        {"imager": IMAGER, "scanned": IMAGER},
        {"scanned": SCANNED, "pixel": SCANNED},
        {"pixel": PATIENT},
        {"imager": IMAGER, "aspect": 1.2},
    ],
)
def test_what_does_not_contradict_itself_is_left_in_peace(given):
    assert decide_spacing(**given).contradiction is None


def test_a_calibration_type_that_dicom_does_not_define_decides_nothing():
    assert decide_spacing(pixel=PATIENT, calibration_type="GUESS").kind is SpacingKind.UNKNOWN


def test_rounding_of_the_decimal_strings_is_no_calibration():
    spacing = decide_spacing(imager=(0.13889, 0.13889), pixel=(0.139, 0.139))
    assert spacing.kind is SpacingKind.DETECTOR
    # The smallest correction that a hip could need: 3 % is 30 mm off the detector at 1 m.
    assert decide_spacing(imager=(0.139, 0.139), pixel=(0.135, 0.135)).patient_mm is not None


def test_the_first_value_is_the_distance_between_rows():
    # PS3.3 10.7.1.3, figure 10.7.1.3-1: Pixel Spacing 0.30\0.25 is row spacing 0.30, column
    # spacing 0.25.
    spacing = decide_spacing(imager=plausible_pair([0.30, 0.25]))
    assert spacing.detector_mm == (0.30, 0.25)
    assert spacing.aspect == pytest.approx(1.2)
    assert "0.3 (rows) by 0.25 (columns) mm" in spacing.reason


def test_the_aspect_is_known_even_where_the_plane_is_not():
    assert decide_spacing(pixel=IMAGER).aspect == pytest.approx(1.2)
    assert decide_spacing(aspect=1.5).aspect == 1.5


@pytest.mark.parametrize(
    "values",
    [
        None,
        (),
        (0.1,),
        (0.1, 0.1, 0.1),
        (0.0, 0.1),
        (-0.1, 0.1),
        (float("nan"), 0.1),
        (float("inf"), 0.1),
        (143.0, 143.0),
    ],
)
def test_spacings_shall_be_positive_and_two(values):
    # PS3.3 10.7.1.3: "All pixel spacing related Attributes shall have positive non-zero values".
    assert plausible_pair(values) is None
