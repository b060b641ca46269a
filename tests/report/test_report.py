import json
from dataclasses import replace
from datetime import date

from xraymeasure.report.measurements_file import format_measurements
from xraymeasure.report.page.content import report_content
from xraymeasure.report.page.html import html_page
from xraymeasure.report.page.page import report_pages
from xraymeasure.report.subject import Subject


def test_a_report_without_a_plan_compares_nothing(film, reading, measurements):
    unplanned = Subject(film, reading, measurements)
    assert json.loads(format_measurements(unplanned))["comparison"] == []
    assert report_content(unplanned).headlines[0][1].startswith("No plan was given")


def test_the_page_names_no_date_and_no_film_of_the_archive(film, reading, measurements):
    dated = replace(film, acquired_on=date(2025, 11, 3), source="surname_forename.dcm")
    named = replace(measurements, film=replace(measurements.film, sop_instance_uid="1.2.840.77"))
    text = html_page(report_pages(Subject(dated, reading, named)))
    for secret in ("2025-11-03", "1.2.840.77", "surname"):
        assert secret not in text
