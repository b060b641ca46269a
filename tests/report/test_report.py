import json
from dataclasses import replace
from datetime import date

import pytest

from xraymeasure.errors import XrayMeasureError
from xraymeasure.report.subject import Subject
from xraymeasure.report.write import write_report


def test_a_report_is_four_files(found, tmp_path):
    paths = write_report(found, tmp_path / "out", "hip")
    names = ["hip.pdf", "hip.html", "measurements.json", "measurements.csv"]
    assert [path.name for path in paths] == names
    assert all(path.stat().st_size > 0 for path in paths)
    assert json.loads(paths[2].read_text(encoding="utf-8"))["comparison"]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(names)


def test_a_report_without_a_plan_compares_nothing(film, reading, measurements, tmp_path):
    paths = write_report(Subject(film, reading, measurements), tmp_path, "hip")
    assert json.loads(paths[2].read_text(encoding="utf-8"))["comparison"] == []
    assert "No plan was given" in paths[1].read_text(encoding="utf-8")


def test_the_page_names_no_date_and_no_film_of_the_archive_unasked(
    film, reading, measurements, tmp_path
):
    dated = replace(film, acquired_on=date(2025, 11, 3), source="surname_forename.dcm")
    named = replace(measurements, film=replace(measurements.film, sop_instance_uid="1.2.840.77"))
    _, page, _, _ = write_report(Subject(dated, reading, named), tmp_path, "hip")
    text = page.read_text(encoding="utf-8")
    for secret in ("2025-11-03", "1.2.840.77", "surname"):
        assert secret not in text
    _, page, _, _ = write_report(Subject(dated, reading, named), tmp_path, "hip", show_date=True)
    assert "taken 2025-11-03" in page.read_text(encoding="utf-8")


def test_a_folder_that_cannot_be_made_is_an_error_with_words(film, reading, measurements, tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(XrayMeasureError, match="cannot be made"):
        write_report(
            Subject(film, reading, measurements),
            tmp_path / "taken" / "out",
            "hip",
        )
