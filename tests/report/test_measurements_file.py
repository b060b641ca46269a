import csv
import io
import json
from dataclasses import replace

import pytest

from xraymeasure.about import CAUTION
from xraymeasure.errors import MeasureError
from xraymeasure.reading.reading import CarriedOver, Provenance
from xraymeasure.report.measurements_file import (
    format_measurements,
    measurements_record,
    read_measurements,
)
from xraymeasure.report.measurements_table import CSV_COLUMNS, format_csv

# The keys that the format's description promises.
TOP = {"format", "version", "film", "reader", "operated_side", "measurements", "comparison"}
ROW = {
    "name", "side", "value", "unit", "low", "high", "method", "primary", "reference", "assumptions",
}  # fmt: skip
COMPARED = {
    "name", "planned", "achieved", "difference", "low", "high", "unit", "tolerance", "verdict",
}  # fmt: skip

DESCRIBED = """
{"format": "xraymeasure-measurements", "version": 1, "film": {}, "reader": "A",
 "operated_side": "left",
 "measurements": [{"name": "radiographic_anteversion", "side": "left", "value": 17.2,
                   "unit": "deg", "low": 15.1, "high": 19.3, "method": "perspective",
                   "primary": true, "reference": "inter_teardrop", "assumptions": ["..."]}],
 "comparison": [{"name": "radiographic_anteversion", "planned": 18.0, "achieved": 17.2,
                 "difference": -0.8, "low": -2.9, "high": 1.3, "unit": "deg", "tolerance": 5.0,
                 "verdict": "within"}],
 "warnings": [{"code": "pelvis_rotated", "text": "..."}]}
"""


def test_the_record_has_the_keys_that_the_format_promises(found):
    record = measurements_record(found)
    assert record.keys() >= TOP | {"warnings"}
    assert all(row.keys() >= ROW for row in record["measurements"])
    assert all(row.keys() >= COMPARED for row in record["comparison"])
    assert all(each.keys() >= {"code", "text"} for each in record["warnings"])
    assert record["caution"] == CAUTION


def test_what_is_absent_is_null_with_its_reason_and_never_nought(found):
    record = json.loads(format_measurements(found))
    (change,) = (row for row in record["comparison"] if row["name"] == "leg_length_change")
    assert change["achieved"] is None
    assert change["difference"] is None
    assert change["verdict"] is None
    assert change["reason"] == "needs the film before the operation"
    assert record["missing"] == [
        {
            "name": "neck_shaft_angle",
            "side": "left",
            "method": None,
            "reason": "the neck axis was not placed",
        }
    ]


def test_measurements_survive_being_written_and_read(found, measurements, tmp_path):
    path = tmp_path / "measurements.json"
    path.write_text(format_measurements(found), encoding="utf-8")
    assert read_measurements(path) == replace(measurements, drawings=())


def test_the_example_of_the_format_is_read(tmp_path):
    path = tmp_path / "measurements.json"
    path.write_text(DESCRIBED)
    (row,) = read_measurements(path).rows
    assert (row.value, row.low, row.high, row.primary) == (17.2, 15.1, 19.3, True)
    assert row.standard_uncertainty == pytest.approx(4.2 / 3.92, rel=1e-4)


@pytest.mark.parametrize(
    ("was", "becomes", "words"),
    [
        ('"xraymeasure-measurements"', '"xraymeasure-reading"', "is not a file of measurements"),
        ('"version": 1', '"version": 2', "version 2 of the format .* update"),
        ('"version": 1', '"version": "1"', "version"),
        ('"reader": "A"', '"reader": "A", "surname": "B"', "surname: unknown key"),
        ('"value": 17.2', '"value": NaN', "measurements.*value"),
        ('"value": 17.2', '"value": "17.2"', "measurements.*value"),
        ('"value": 17.2,', "", "measurements.*value.*missing"),
        ('"unit": "deg", "low": 15.1', '"unit": "rad", "low": 15.1', "unit"),
        ('"name": "radiographic_anteversion", "side"', '"name": "acetabular_mood", "side"', "name"),
        ('"operated_side": "left"', '"operated_side": "both"', "operated_side"),
        ('"warnings"', '"warnings" 3', "broken JSON at line"),
    ],
)
def test_a_file_that_is_wrong_is_refused_with_words(tmp_path, was, becomes, words):
    assert was in DESCRIBED
    path = tmp_path / "measurements.json"
    path.write_text(DESCRIBED.replace(was, becomes, 1))
    with pytest.raises(MeasureError, match=words) as caught:
        read_measurements(path)
    assert str(caught.value).startswith(str(path))


def test_a_number_that_is_not_one_is_not_written(found, measurements):
    broken = replace(measurements, mm_per_px=float("nan"))
    with pytest.raises(ValueError, match="JSON"):
        format_measurements(replace(found, measurements=broken))


def test_the_table_has_one_line_for_each_measurement_and_each_missing_one(measurements):
    lines = list(csv.DictReader(io.StringIO(format_csv(measurements))))
    assert len(lines) == len(measurements.rows) + len(measurements.missing)
    assert tuple(lines[0]) == CSV_COLUMNS
    for line, row in zip(lines, measurements.rows, strict=False):
        assert (line["name"], line["side"]) == (row.name, row.side or "")
        assert (float(line["value"]), float(line["low"])) == (row.value, row.low)
        assert line["caution"] == CAUTION
    absent = lines[-1]
    assert (absent["name"], absent["side"], absent["value"]) == ("neck_shaft_angle", "left", "")
    assert absent["missing_because"] == "the neck axis was not placed"


def test_the_table_says_which_landmarks_were_proposed_and_how_they_stand(measurements):
    names = ("cup_rim_left", "femoral_head_left", "teardrop_left", "ischium_left")
    row = replace(measurements.rows[0], rests_on=names)
    proposed = Provenance(
        "synthesis-1",
        {names[0]: "proposed", names[1]: "placed", names[2]: "confirmed"},
        CarriedOver("carried-1", 90, (names[2],)),
    )
    text = format_csv(replace(measurements, rows=(row,), missing=()), proposed)
    (line,) = csv.DictReader(io.StringIO(text))
    assert line["proposed"] == (
        "cup_rim_left: proposed; femoral_head_left: placed; teardrop_left: carried, confirmed"
    )
