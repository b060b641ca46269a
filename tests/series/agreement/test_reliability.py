"""The agreement of a study, from readings to page."""

import csv
import io
import re
from dataclasses import replace

import numpy as np
import pytest

from xraymeasure.about import CAUTION
from xraymeasure.errors import StudyError
from xraymeasure.reading.reading import Provenance
from xraymeasure.report.layout.blocks import Heading, Paragraph, Picture, Table, paper_files
from xraymeasure.series.agreement.page import agreement_paper, write_agreement
from xraymeasure.series.agreement.reliability import agreement_of
from xraymeasure.series.agreement.statistics import Limits, Reliability
from xraymeasure.series.agreement.table import agreement_csv
from xraymeasure.series.run.flow import Loss, Stage
from xraymeasure.series.run.run import run_study
from xraymeasure.series.study.placing import read_placing, write_placing
from xraymeasure.series.study.readings import add_reading, study_readings
from xraymeasure.series.study.remarks import Remark, add_remark
from xraymeasure.series.study.study import read_study


def agreed(study, **asked):
    return agreement_of(study, run_study(study, workers=0, draws=0), **asked)


@pytest.fixture
def report_of(make_study):
    def report(**study):
        made = make_study(**study)
        return made, agreed(made, components=made.occasions > 1)

    return report


def found(report, name, method):
    (entry,) = (m for m in report.measurements if (m.name, m.method) == (name, method))
    return entry


def test_that_one_film_is_too_few_is_said_once(report_of):
    _, report = report_of(films=1, readers=("A", "B"))
    said = paper_files("a", agreement_paper(report))["a.html"]
    assert said.count("at least two films") == 1
    assert "Not compared between readers A, B" in said
    assert "Limits of agreement, with" not in said


def test_a_measurement_is_compared_between_and_within_readers(report_of):
    study, report = report_of(films=4, readers=("A", "B"), occasions=2)
    assert (report.films, report.subjects) == (4, 4)
    assert [stage.remaining for stage in report.flow[-3:]] == [16] * 3
    entry = found(report, "pelvic_obliquity", "inter_teardrop")
    assert entry.primary
    assert [comparison.label for comparison in entry.comparisons] == [
        "between readers A, B",
        "within reader A",
        "within reader B",
    ]
    assert [pair for c in entry.comparisons for pair, _ in c.limits] == [
        "A − B",
        "A, occasion 1 − 2",
        "B, occasion 1 − 2",
    ]
    # The angle of the line through the teardrops, by hand: rows down, columns to the left side.
    angle = {}
    for e in study_readings(study):
        left, right = (e.reading.points(f"teardrop_{side}")[0] for side in ("left", "right"))
        down, across = left - right
        angle[e.place] = np.degrees(np.arctan2(down, across))
    # Each film is of one patient and hip; readers, occasions, and what they do on a film.
    told = report.components["leg_length_difference"]
    assert told.levels == {"patient": 4, "reader": 2, "occasion": 4, "reader and film": 8}
    assert told.n == 16
    assert "variance_reader_and_film" in agreement_csv(report)
    assert "without sight of the plan" in report.methods or "blinding" in report.methods
    for comparison, columns in zip(
        entry.comparisons,
        ([("A", 1), ("B", 1)], [("A", 1), ("A", 2)], [("B", 1), ("B", 2)]),
        strict=True,
    ):
        ((_, limits),) = comparison.limits
        by_hand = [
            angle[film.label, *columns[0]] - angle[film.label, *columns[1]] for film in study.films
        ]
        assert limits.differences == pytest.approx(by_hand, abs=1e-6)
        assert comparison.reliability.n == 4


def test_a_reader_who_copied_the_other_is_told_first(make_study):
    study = make_study(films=3, readers=("A", "B"), occasions=2)
    entries = {entry.place: entry for entry in study_readings(study)}
    for film in ("F0", "F2"):
        entries[film, "B", 1].path.unlink()
        add_reading(study, film, 1, replace(entries[film, "A", 1].reading, reader="B"))
    kept = dict.fromkeys(entries["F1", "A", 1].reading.landmarks, "confirmed")
    for reader in "AB":
        entries["F1", reader, 2].path.unlink()
        proposed = replace(
            entries["F0", "A", 2].reading,
            reader=reader,
            read_at="2026-04-01T10:00:00Z",
            proposed=Provenance("invented", kept),
        )
        add_reading(study, "F1", 2, proposed)
    report = agreed(study)
    (copied,) = (same for same in report.same if same.films == ("F0", "F2"))
    assert (copied.first, copied.second, copied.of, copied.proposed) == (
        ("A", 1),
        ("B", 1),
        3,
        False,
    )
    assert any(same.proposed and same.films == ("F1",) for same in report.same)
    _, first, *_ = agreement_paper(report).blocks
    assert first.loud and "A and B are the same to the last digit on 2 of 3 films" in first.text
    # One reader's occasions alone, or the readers by their second occasion.
    alone = agreed(study, reader="B")
    assert {c.label for c in alone.measurements[0].comparisons} == {"within reader B"}
    second = agreed(study, occasion=2)
    assert second.measurements[0].comparisons[0].columns == (("A", 2), ("B", 2))
    with pytest.raises(StudyError, match="there is no occasion 3"):
        agreed(study, occasion=3)


def test_only_films_with_all_readings_enter_and_the_rest_are_counted(make_study):
    study = make_study(films=6, readers=("A", "B", "C"))
    next(iter((study.folder / "readings").glob("F1__B__*"))).unlink()
    add_remark(study, Remark("F2", "C", 1, "2026-03-01T10:00:00Z", "exclude", "cut off"))
    report = agreed(study)
    asked = next(stage for stage in report.flow if stage.name == "readings asked for")
    assert (asked.n, asked.remaining) == (18, 16)
    assert {loss.reason: loss.which for loss in asked.lost} == {
        "not read by B on occasion 1": ("F1",),
        "excluded by C: cut off": ("F2",),
    }
    between = found(report, "pelvic_obliquity", "inter_teardrop").comparisons[0]
    assert (between.reliability.n, between.reliability.left_out) == (4, 2)
    assert {pair: limits.n for pair, limits in between.limits} == {
        "A − B": 5,
        "A − C": 5,
        "B − C": 4,
    }


def test_numbers_of_two_hips_are_never_held_against_one_another(make_study):
    study = make_study(films=5, readers=("A", "B"))
    path = next(iter((study.folder / "readings").glob("F0__B__*")))
    (entry,) = (e for e in study_readings(study) if e.path == path)
    path.unlink()
    films = study.folder / "films.csv"
    films.write_text(films.read_text().replace("left", ""))
    study = read_study(study.folder)
    wrong = replace(
        entry.reading,
        operated_side="right",
        head_diameter_mm={"right": 36.0},
        cup_diameter_mm={},
        neck_shaft_angle_deg={},
        native_head_mm={},
    )
    add_reading(study, "F0", 1, wrong)
    next(iter((study.folder / "readings").glob("F4__A__*"))).unlink()
    report = agreed(study)
    # Each reading that is held against none is counted, with its reason.
    *_, measured, compared = report.flow
    assert (measured.n, measured.remaining, compared.n) == (9, 6, 6)
    assert {loss.which: loss.reason.partition(" than")[0] for loss in measured.lost} == {
        ("F0", "F0"): "of the other hip",
        ("F4",): "no other reading of the film to hold it against",
    }
    offset = found(report, "acetabular_offset", "landmarks").comparisons[0]
    assert (offset.reliability.n, offset.reliability.left_out) == (3, 1)
    # What belongs to the film, not to a hip, can still be compared.
    obliquity = found(report, "pelvic_obliquity", "inter_teardrop").comparisons[0]
    assert obliquity.reliability.n == 4


def test_what_belongs_to_a_film_counts_once_where_it_stands_in_two_rows(make_study):
    study = make_study(films=4, readers=("A", "B"))
    films = study.folder / "films.csv"
    films.write_text(films.read_text().replace("films/1.dcm", "films/0.dcm"))
    report = agreed(read_study(study.folder))
    counts = {entry.name: entry.comparisons[0].reliability.n for entry in report.measurements}
    assert counts["leg_length_difference"] == counts["pelvic_obliquity"] == 3
    assert counts["radiographic_inclination"] == counts["femoral_offset"] == 4


def test_a_study_in_which_no_film_was_read_twice_says_so(report_of):
    with pytest.raises(StudyError, match="no film was read twice"):
        report_of(films=2)


def test_where_too_few_films_were_read_the_page_gives_the_reason(report_of):
    _, report = report_of(films=2, readers=("A", "B"))
    between = found(report, "pelvic_obliquity", "inter_teardrop").comparisons[0]
    assert isinstance(between.reliability, Reliability)
    assert between.limits[0][1] == (
        "limits of agreement need at least three films; 2 have both readings"
    )
    assert between.limits[0][1] in paper_files("a", agreement_paper(report))["a.html"]


def test_the_spread_with_which_the_readings_were_placed_is_found_and_written_back(report_of):
    from xraymeasure.phantom.reader import READER_SD_MM

    study, report = report_of(films=8, occasions=2)
    (placing,) = report.placing
    assert placing.reader == "A"
    for name, spread in placing.landmarks.items():
        # The simulated reader's spreads are an input of the simulation, in mm at the hip.
        stem = re.sub("_(left|right)$", "", name)
        ratio = spread.sd_mm / READER_SD_MM[stem]
        # Three standard errors of a spread, and some: a reader has 42 of them.
        assert abs(ratio - 1) < 3.5 / np.sqrt(2 * spread.freedom), spread
    write_placing(study, placing)
    assert read_placing(study, "A") == placing


FLOW = (
    Stage("films in the study", "films", 20),
    Stage("readings asked for", "readings", 80, (Loss("the shaft is cut", ("F1", "F2", "F3")),)),
    Stage("readings measured", "readings", 77),
)


@pytest.fixture(scope="module")
def page():
    """A report with every kind of entry, of invented numbers."""
    from xraymeasure.series.agreement.reliability import (
        AgreementReport,
        MeasurementAgreement,
        ReaderComparison,
    )
    from xraymeasure.series.agreement.statistics import limits_of_agreement, reliability
    from xraymeasure.series.study.placing import Placing, Spread

    rng = np.random.default_rng(5)
    table = rng.normal(40, 4, (20, 1)) + rng.normal(0, 1, (20, 2))
    comparison = ReaderComparison(
        "between readers A, B",
        (("A", 1), ("B", 1)),
        reliability(table),
        (("A − B", limits_of_agreement(*table.T)),),
    )
    nothing = ReaderComparison(
        "within reader <A>", (), "too few", (("A, occasion 1 − 2", "too few"),)
    )
    entries = tuple(
        MeasurementAgreement(name, method, primary, (comparison, nothing))
        for name, method, primary in [
            ("radiographic_inclination", "perspective", True),
            ("radiographic_inclination", "ellipse", False),
            ("operative_inclination", "from_perspective", True),
        ]
    )
    placing = Placing(
        "A",
        {
            "symphysis": Spread(2.0, 1.5, 2.9, 38, 19, sd_mm=0.3),
            "teardrop_left": Spread(1.0, 0.7, 2.0, 8, 4),
        },
    )
    return AgreementReport(
        "Invented & <b>bold</b>", ("A", "B"), 2, 20, 18, FLOW, entries, (placing,), ("A note.",)
    )


def test_the_page_shows_one_method_of_each_measurement_and_the_reason_where_there_is_none(page):
    paper = agreement_paper(page)
    assert paper.caution == CAUTION
    assert paper.identity == ("Invented & <b>bold</b>", "readers A, B")
    summary = next(block for block in paper.blocks if isinstance(block, Paragraph))
    assert summary.text == (
        "20 films of 18 subjects, read by 2 readers on 2 occasions. 77 of the 80 readings asked "
        "for could be measured; why not the others stands at the end."
    )
    result, reliability, limits, placing = (
        block for block in paper.blocks if isinstance(block, Table)
    )
    # The result comes first: one line a comparison, with everything that is asked.
    assert paper.blocks.index(result) < paper.blocks.index(reliability)
    first = page.measurements[0].comparisons[0]
    sem = first.reliability.sem_agreement
    assert [cell.text for cell in result.rows[1]][:2] == ["between readers A, B", "20"]
    assert result.rows[1][3].text == f"{sem.value:.2f}"
    assert result.rows[1][3].below == f"{sem.low:.2f} to {sem.high:.2f}"
    assert result.rows[1][5].below == "A − B"
    assert [[cell.text for cell in row][:1] for row in reliability.rows] == [
        ["Radiographic inclination (°)"],
        ["between readers A, B"],
    ]
    assert Paragraph("Not compared within reader <A>: too few.", glyph="△") in paper.blocks
    found = page.measurements[0].comparisons[0]
    icc = found.reliability.icc("ICC(2,1)")
    assert reliability.rows[1][2].text == f"{icc.value:.2f}"
    assert reliability.rows[1][2].below == f"{icc.low:.2f} to {icc.high:.2f}"
    lower = found.limits[0][1].lower
    assert limits.rows[1][3].text == f"−{abs(lower.value):.2f}"
    assert [row[-1].text for row in placing.rows] == ["Reader A", "yes", "too few repeats"]
    # The differences, and the flow of the readings.
    assert sum(isinstance(block, Picture) for block in paper.blocks) == 2
    assert Heading("How it was reckoned") in paper.blocks


def test_the_page_carries_the_caution_and_no_markup_of_the_study(page, tmp_path):
    paths = write_agreement(page, tmp_path / "out")
    assert [path.name for path in paths] == [
        "agreement.pdf",
        "agreement.html",
        "agreement.csv",
        "flow.csv",
    ]
    html = paths[1].read_text("utf-8")
    assert CAUTION in html and "http" not in html.replace("http-equiv", "")
    assert "<b>bold</b>" not in html and "within reader &lt;A&gt;" in html


def test_the_table_for_a_spreadsheet_holds_every_statistic(page):
    rows = list(csv.DictReader(io.StringIO(agreement_csv(page))))
    assert {row["measurement"] for row in rows} == {entry.name for entry in page.measurements}
    (row,) = (r for r in rows if (r["method"], r["statistic"]) == ("ellipse", "ICC(2,1)"))
    truth = page.measurements[1].comparisons[0].reliability.icc("ICC(2,1)")
    assert float(row["value"]) == truth.value and float(row["low"]) == truth.low
    assert row["description"] == truth.full_name and row["n"] == "20"
    limits = page.measurements[0].comparisons[0].limits[0][1]
    assert isinstance(limits, Limits)
    (upper,) = (r for r in rows if (r["method"], r["statistic"]) == ("perspective", "upper_limit"))
    assert float(upper["high"]) == limits.upper.high
    assert all(row["value"] or row["absent_because"] for row in rows)
    assert all(row["caution"] == CAUTION for row in rows)
