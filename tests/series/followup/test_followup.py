"""A hip over time: what enters, what the page says, and what a study gives."""

import csv
import json
from dataclasses import replace

import numpy as np
import pytest

from xraymeasure.about import CAUTION
from xraymeasure.change.positioning import Visit
from xraymeasure.errors import StudyError
from xraymeasure.film.film import film_from_array
from xraymeasure.measuring.measure import measure
from xraymeasure.phantom import Cup, Geometry, Head, Hip, Pelvis, Scenario, Stem, simulate_reading
from xraymeasure.reading.file import parse_reading
from xraymeasure.report.layout.blocks import Table
from xraymeasure.series.followup.followup import StudyFollowUp, followup_of, followup_of_study
from xraymeasure.series.followup.page import followup_paper, write_followup, write_followups
from xraymeasure.series.followup.study_page import overall, write_followup_study
from xraymeasure.series.followup.tables import followup_csv, format_followup
from xraymeasure.series.run.flow import Stage, losses
from xraymeasure.series.run.run import run_study
from xraymeasure.series.study.readings import add_reading
from xraymeasure.series.study.study import read_study

SCENARIO = Scenario(
    geometry=Geometry(pitch_mm=1.2, rows=310, columns=350),
    hips={
        "left": Hip(Cup(), Head(), Stem(), abduction_deg=-4.0, rotation_deg=9.0),
        "right": Hip(abduction_deg=-4.0, rotation_deg=9.0),
    },
)


def with_hip(**parts):
    return replace(
        SCENARIO, hips={**SCENARIO.hips, "left": replace(SCENARIO.hips["left"], **parts)}
    )


def read(scenario, seed=0, spread=0.02, **known):
    record = simulate_reading(scenario, np.random.default_rng(seed), spread, **known)
    return parse_reading(json.dumps(record))


def visit(years, scenario=SCENARIO, label="", **options):
    geometry = scenario.geometry
    film = film_from_array(
        np.zeros((geometry.rows, geometry.columns), np.uint8),
        pitch_mm=geometry.pitch_mm,
        source_detector_mm=geometry.source_detector_mm,
    )
    measured = measure(film, read(scenario, **options), draws=0)
    return Visit(years, measured, label, cup_centre_from="shell")


@pytest.fixture(scope="module")
def sunk():
    """Films at 0, 1 and 4 years; the stem sank 3 mm, then 4 more, and the head 1.6 mm."""
    later = with_hip(stem=Stem(subsidence_mm=3.0))
    latest = with_hip(stem=Stem(subsidence_mm=7.0), head=Head(penetration_mm=1.6))
    visits = [visit(4.0, latest, "4y"), visit(0.0, label="post"), visit(1.0, later, "1y")]
    return followup_of(
        visits,
        subject="S001",
        stem_type="invented stem",
        subsidence_threshold_mm=2.0,
        left_out=(("pre", "no cup on it: before the operation"),),
    )


def test_every_film_is_held_against_the_first_in_order_of_time(sunk):
    assert [sunk.first.label, *(step.visit.label for step in sunk.steps)] == ["post", "1y", "4y"]
    sinking = [step.changes.row("stem_subsidence").value for step in sunk.steps]
    # The trochanter lies some 20 mm behind the hip, so 2 % of the way is lost on the film.
    assert sinking == [pytest.approx(3.0, abs=0.2), pytest.approx(7.0, abs=0.3)]
    wear = sunk.last.changes.row("head_penetration")
    assert wear.value == pytest.approx(1.6, abs=0.1)
    assert wear.per_year[0] == pytest.approx(0.4, abs=0.03)
    assert wear.verdict == "changed"
    # Both against the first, and the last against the one before it, are judged as one hip.
    assert len(sunk.pairs) == 3
    (trend,) = (trend for trend in sunk.trends if trend.name == "stem_subsidence")
    assert trend.films == 3
    assert trend.per_year[1] <= trend.per_year[0] <= trend.per_year[2]


def test_subsidence_is_held_against_the_stems_own_threshold(sunk):
    first, last = (step.changes.row("stem_subsidence") for step in sunk.steps)
    assert sunk.subsidence(last) == "beyond"
    assert sunk.subsidence(replace(first, low=1.0, high=5.0)) == "undecided"
    assert sunk.subsidence(replace(first, low=-1.0, high=1.9)) == "below"
    assert replace(sunk, subsidence_threshold_mm=None).subsidence(last) is None
    assert sunk.subsidence(replace(last, verdict="not comparable")) is None


@pytest.mark.parametrize(
    ("visits", "said"),
    [
        ([visit(0.0)], "needs two films; there is 1"),
        ([visit(1.0), visit(1.0)], "same day"),
        (
            [
                visit(0.0),
                replace(
                    visit(1.0), measurements=replace(visit(1.0).measurements, operated_side="right")
                ),
            ],
            "different index sides",
        ),
    ],
)
def test_what_is_no_follow_up_is_refused(visits, said):
    with pytest.raises(StudyError, match=said):
        followup_of(visits, subject="S001")


def test_a_tilted_later_film_is_pointed_out_and_taken_into_account():
    tilted = replace(SCENARIO, pelvis=Pelvis(tilt_deg=6.0))
    found = followup_of([visit(0.0), visit(2.0, tilted)])
    # The phantom's joint lies 129 mm behind its symphysis; and noise.
    check = next(
        check for check in found.last.changes.comparability.failed() if check.name == "pelvic_tilt"
    )
    assert abs(check.difference) == pytest.approx(129.0 * np.sin(np.radians(6.0)), abs=2.0)
    # It tipped by 6 degrees, and no more than that moved the cup.
    tilt = found.last.changes.position.tilt
    assert abs(tilt.mean_deg) == pytest.approx(6.0, abs=2.0)
    assert found.last.changes.row("anteversion_change").verdict == "not shown"
    assert not found.flagged


# --- the page -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pages(sunk, tmp_path_factory):
    return {
        path.suffix: path for path in write_followup(sunk, tmp_path_factory.mktemp("out") / "new")
    }


@pytest.mark.parametrize("kind", [".html", ".json", ".csv"])
def test_every_output_carries_the_caution_and_asks_no_server(pages, kind):
    assert pages[kind].name == f"followup_S001_left{kind}"
    text = pages[kind].read_text("utf-8")
    assert CAUTION in text and "http" not in text and "<script" not in text


@pytest.mark.parametrize(
    "said",
    [
        "does not resolve wear below about 1.1 mm",
        "The study names this stem: invented stem",
        "no cup on it: before the operation",
    ],
)
def test_the_page_says_what_its_numbers_cannot(pages, said):
    assert said in pages[".html"].read_text("utf-8")


def test_the_tables_hold_every_change(sunk, pages):
    record = json.loads(pages[".json"].read_text("utf-8"))
    assert record["format"] == "xraymeasure-followup"
    found = {change["name"]: change for change in record["films"][-1]["changes"]}
    wear = sunk.last.changes.row("head_penetration")
    assert found["head_penetration"]["per_year"]["low"] == wear.per_year[1]
    lines = [
        line for line in pages[".csv"].read_text("utf-8").splitlines() if not line.startswith("#")
    ]
    rows = list(csv.DictReader(lines))
    assert len(rows) == sum(len(step.changes.rows) for step in sunk.steps)
    assert float(rows[-1]["value"]) == sunk.last.changes.rows[-1].value


def test_the_same_follow_up_gives_the_same_bytes(sunk, pages, tmp_path):
    shown = []
    for path in write_followups([sunk], tmp_path, progress=lambda *at: shown.append(at)):
        assert path.read_bytes() == pages[path.suffix].read_bytes()
    assert shown == [(1, 1)]


def test_a_change_that_could_not_be_measured_says_why():
    reading = read(SCENARIO).without("greater_trochanter_left")
    bare = replace(visit(1.0), measurements=measure(
        film_from_array(np.zeros((310, 350), np.uint8), pitch_mm=1.2, source_detector_mm=1150.0),
        reading, draws=0,
    ))  # fmt: skip
    found = followup_of([visit(0.0), bare])
    assert "greater_trochanter_left is not placed" in format_followup(found)
    assert "not measured" in followup_csv(found)
    cells = [
        cell.below
        for block in followup_paper(found).blocks
        if isinstance(block, Table)
        for row in block.rows
        for cell in row
    ]
    assert any("not measured: greater_trochanter_left is not placed" in text for text in cells)


# --- a study -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Two hips: one with films before, after and at two years, one without the day of a film."""
    from xraymeasure.phantom.dicom import film_dataset

    folder = tmp_path_factory.mktemp("study")
    (folder / "films").mkdir()
    native = replace(SCENARIO, hips={"left": Hip(), "right": Hip()})
    later = with_hip(stem=Stem(subsidence_mm=6.0))
    films = {
        "B1": ("S1", "pre", "-30", native),
        "P1": ("S1", "post", "2", SCENARIO),
        "Y1": ("S1", "2y", "732", later),
        "P2": ("S2", "post", "0", SCENARIO),
        "Y2": ("S2", "2y", "", later),
        "P3": ("S3", "post", "0", SCENARIO),
    }
    lines = ["film,file,subject,time_point,day,side"]
    for label, (subject, when, day, scenario) in films.items():
        pixels = np.full((scenario.geometry.rows, scenario.geometry.columns), 100, np.uint16)
        film_dataset(scenario, pixels).save_as(folder / "films" / f"{label}.dcm")
        lines.append(f"{label},films/{label}.dcm,{subject},{when},{day},left")
    (folder / "films.csv").write_text("\n".join(lines))
    (folder / "study.toml").write_text(
        'format = "xraymeasure-study"\nversion = 1\nfilms = "films.csv"\nreaders = ["A", "B"]\n'
        'occasions = 1\nblinded = true\nseed = 1\n[stem]\ntype = "invented stem"\n'
        "subsidence_threshold_mm = 2.0\n[comparable]\npelvic_tilt_mm = 8.0\n"
    )
    found = read_study(folder)
    for seed, (label, (*_, scenario)) in enumerate(films.items()):
        add_reading(found, label, 1, read(scenario, seed, reader="B"))
    # The first reader saw one film only, and must not be mixed with the other.
    add_reading(found, "P1", 1, read(SCENARIO, 99, reader="A"))
    return found


def hips_of(study, **asked):
    return followup_of_study(study, run_study(study, draws=0, workers=0), **asked)


def test_a_study_gives_its_hips_with_more_than_one_film(study):
    found = hips_of(study)
    assert len(found) == 1
    (hip,) = found
    assert (hip.subject, hip.side, hip.first.label) == ("S1", "left", "post")
    assert hip.first.measurements.reader == "B"
    assert hip.last.visit.years - hip.first.years == pytest.approx(730 / 365.25)
    assert hip.left_out == (("B1", "no cup on it: before the operation"),)
    assert hip.limits.pelvic_tilt_mm == 8.0
    assert (hip.stem_type, hip.subsidence_threshold_mm) == ("invented stem", 2.0)
    assert hip.last.changes.row("stem_subsidence").value == pytest.approx(6.0, abs=0.3)


def test_hips_without_a_follow_up_are_named_with_the_reason(study):
    found = hips_of(study)
    assert [name for name, _ in found.left_out] == ["S2 left"]
    read, followed = found.flow[-2:]
    assert (read.n, read.remaining, followed.n) == (3, 1, 1)
    assert [loss.which for loss in read.lost if loss.reason == "filmed once"] == [("S3 left",)]
    assert "Y2: the table of films does not say its day" in found.left_out[0][1]


def test_a_reader_can_be_chosen(study):
    found = hips_of(study, reader="A")
    assert not found.hips
    assert "Y1: not read by A (read by B)" in dict(found.left_out)["S1 left"]
    with pytest.raises(StudyError, match="'C' is not one of them"):
        hips_of(study, reader="C")


def test_outputs_of_two_runs_never_stand_beside_one_another(study, run, tmp_path, monkeypatch):
    """A run that ends between the table of all hips and the page of one changes neither."""
    from xraymeasure.series.followup import page

    def fails(followup, out):
        raise StudyError("invented failure")

    out, (old, others) = tmp_path / "out", ("an earlier table", "an earlier page")
    out.mkdir()
    (out / "changes.csv").write_text(old)
    (out / "followup_S1_left.html").write_text(others)
    asked = "series", "followup", study.folder, "--workers", 0, "--out", out
    with monkeypatch.context() as broken:
        broken.setattr(page, "write_followup", fails)
        code, _, err = run(*asked)
    assert code == 2 and "invented failure" in err
    assert (out / "changes.csv").read_text() == old
    assert (out / "followup_S1_left.html").read_text() == others
    code, said, _ = run(*asked)
    assert code == 0 and str(out / "followup_S1_left.pdf") in said.replace("\n", "")
    assert (out / "changes.csv").read_text() != old
    assert (out / "followup_S1_left.html").read_text() != others


def test_a_study_has_one_page_and_one_table_over_all_hips(sunk, tmp_path):
    import pyarrow.parquet as pq

    # Three patients, one with both hips.
    hips = [replace(sunk, subject=f"S{number}") for number in (1, 1, 2, 3)]
    flow = (Stage("hips read", "hips", 5, losses([("S4 left", "filmed once")])),)
    found = StudyFollowUp(tuple(hips), (), "Invented series", "How it was read.", flow)
    paths = {path.name: path for path in write_followup_study(found, tmp_path)}
    rows = list(
        csv.DictReader(
            line for line in paths["changes.csv"].read_text().splitlines() if line[0] != "#"
        )
    )
    asked = sum(len(step.changes.rows) + len(step.changes.missing) for step in sunk.steps)
    assert len(rows) == 4 * asked == pq.read_table(paths["changes.parquet"]).num_rows
    text = " ".join(paths["followup.html"].read_text("utf-8").split())
    by = f"reader {sunk.first.measurements.reader} "
    for said in (
        "A change is shown on 4 of 4 hips",
        by,
        "filmed once",
        "How it was read.",
        CAUTION,
    ):
        assert said in text
    (sinking,) = (each for each in overall(hips) if each.name == "stem_subsidence")
    (trend,) = (each for each in sunk.trends if each.name == "stem_subsidence")
    assert (sinking.hips, sinking.shown) == (4, 4)
    # All the same, so nothing can be told of how they differ.
    assert "all readings are equal" in sinking.mean
    (single,) = (each for each in overall(hips[1:]) if each.name == "stem_subsidence")
    assert single.per_year.value == pytest.approx(trend.per_year[0])
