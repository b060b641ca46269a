"""A cohort against its plans and against the record of the theatre."""

import csv
import json
import shutil
from dataclasses import replace

import numpy as np
import pytest

from xraymeasure.about import CAUTION
from xraymeasure.errors import StudyError
from xraymeasure.examination import examine
from xraymeasure.film.read import read_film
from xraymeasure.phantom import Cup, Geometry, Head, Hip, Scenario, Stem, simulate_reading
from xraymeasure.phantom.dicom import film_dataset
from xraymeasure.plan.compare import Comparison, ComparisonRow, parse_plan, read_plan
from xraymeasure.reading.file import parse_reading
from xraymeasure.report.layout.blocks import Paragraph, Table
from xraymeasure.series.cohort.cases import with_tolerance
from xraymeasure.series.cohort.cohort import cohort_of_study, each_leg_once, outcomes_of
from xraymeasure.series.cohort.methods import methods_text
from xraymeasure.series.cohort.page import cohort_paper, write_cohort
from xraymeasure.series.run.run import run_study
from xraymeasure.series.study.readings import add_reading
from xraymeasure.series.study.remarks import Remark, add_remark
from xraymeasure.series.study.study import read_study

# --- the numbers --------------------------------------------------------------------------------


def row(name="radiographic_inclination", **values):
    """A comparison that holds what is given."""
    keys = ("planned", "recorded", "achieved", "difference", "low", "high", "tolerance", "verdict")
    cells = {key: values.get(key) for key in keys}
    if cells["planned"] is not None and cells["achieved"] is not None:
        cells["difference"] = cells["achieved"] - cells["planned"]
    achieved = cells["achieved"]
    return Comparison(
        (
            ComparisonRow(
                name, "left", "deg", **cells, reason="", method="perspective",
                achieved_low=None if achieved is None else achieved - 1.959964,
                achieved_high=None if achieved is None else achieved + 1.959964,
            ),
        ),
        (),
    )  # fmt: skip


def test_achieved_against_planned_counts_shares_and_verdicts():
    made = [(38.0, "within"), (41.0, "within"), (44.0, "undecided"), (47.0, "outside")]
    # A hip on the tolerance is within.
    (edge,) = outcomes_of([row(planned=40.0, achieved=45.0, tolerance=5.0)] * 3)
    assert edge.share.within == 3
    (outcome,) = outcomes_of(
        [row(planned=40.0, achieved=a, tolerance=5.0, verdict=v) for a, v in made]
    )
    assert outcome.against_plan.bias.value == pytest.approx(2.5)
    # Sample standard deviation of -2, 1, 4, 7.
    assert outcome.against_plan.sd == pytest.approx(np.sqrt(15.0))
    assert (outcome.share.within, outcome.share.n) == (3, 4)
    assert outcome.verdicts == {"within": 2, "undecided": 1, "outside": 1}
    assert outcome.measuring_sd == pytest.approx(1.0)


def test_few_hips_are_said_to_be_few():
    (outcome,) = outcomes_of([row(planned=40.0, recorded=41.0, achieved=42.0)])
    assert outcome.against_plan == "only 1 hip has it planned and measured"
    assert outcome.against_record == "only 1 hip has it recorded and measured"
    assert outcome.share is None


def test_what_was_neither_planned_nor_recorded_is_no_outcome():
    assert outcomes_of([row(achieved=42.0)] * 3) == ()


def test_the_studys_tolerance_stands_where_the_plan_names_none():
    plan = parse_plan('operated_side = "left"\n[tolerance]\ninclination_deg = 3')
    joined = with_tolerance(plan, {"inclination_deg": 5.0, "anteversion_deg": 6.0}).tolerance
    assert (joined.inclination_deg, joined.anteversion_deg) == (3.0, 6.0)
    assert joined.leg_length_mm is None


# --- a study ------------------------------------------------------------------------------------

BASE = Scenario(geometry=Geometry(pitch_mm=1.2, rows=310, columns=350))
NATIVE = Hip(abduction_deg=-4.0, rotation_deg=9.0)
PLAN = """operated_side = "left"
[cup]
inclination_deg = 40
anteversion_deg = 20
[leg_length]
difference_mm = 0
change_mm = 5
[recorded]
inclination_deg = {0}
anteversion_deg = 20
leg_length_change_mm = 6
"""


def scenario(inclination=None, longer=0.0):
    hip = NATIVE
    if inclination is not None:
        hip = replace(NATIVE, cup=Cup(inclination, 18.0), head=Head(), stem=Stem())
    return replace(BASE, hips={"left": replace(hip, leg_length_change_mm=longer), "right": NATIVE})


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Five hips with plans, and every reason for which a film does not enter."""
    folder = tmp_path_factory.mktemp("study")
    (folder / "films").mkdir()
    (folder / "plans").mkdir()
    films = {
        "B1": ("S1", "-9", "", scenario(longer=-3.0)),
        "P1": ("S1", "3", "P1", scenario(36.0, 2.0)),
        "Y1": ("S1", "365", "P1", scenario(36.0, 2.0)),
        "P2": ("S2", "0", "P2", scenario(39.0)),
        "P3": ("S3", "0", "P3", scenario(42.0)),
        "P4": ("S4", "0", "P4", scenario(48.0)),
        "P5": ("S5", "0", "P5", scenario(41.0)),
        "U6": ("S6", "0", "P5", scenario(41.0)),
        "E7": ("S7", "0", "P5", scenario(41.0)),
        "W8": ("S8", "0", "right", scenario(41.0)),
        "K9": ("S9", "0", "broken", scenario(41.0)),
    }
    for number in range(1, 6):
        text = PLAN.format(40 + number)
        (folder / "plans" / f"P{number}.toml").write_text(text)
    (folder / "plans" / "right.toml").write_text('operated_side = "right"')
    (folder / "plans" / "broken.toml").write_text("operated_side = left")
    lines = ["film,file,subject,time_point,day,side,plan"]
    for number, (label, (subject, day, plan, made)) in enumerate(films.items()):
        # No two films have the same pixels.
        pixels = np.full((310, 350), 100 + number, np.uint16)
        film_dataset(made, pixels).save_as(folder / "films" / f"{label}-surname.dcm")
        plan = plan and f"plans/{plan}.toml"
        lines.append(f"{label},films/{label}-surname.dcm,{subject},,{day},left,{plan}")
    (folder / "films.csv").write_text("\n".join(lines))
    (folder / "study.toml").write_text(
        'format = "xraymeasure-study"\nversion = 1\ntitle = "Invented series"\n'
        'films = "films.csv"\nreaders = ["A", "B"]\noccasions = 2\nblinded = true\nseed = 77\n'
        "[tolerance]\ninclination_deg = 5\nanteversion_deg = 5\nleg_length_mm = 5\n"
    )
    found = read_study(folder)
    rng = np.random.default_rng(4)
    for label, (*_, made) in films.items():
        record = simulate_reading(made, rng, 0.02, reader="B")
        if label == "B1":
            record["native_head_left_mm"] = 46.0
        if label != "U6":
            add_reading(found, label, 1, parse_reading(json.dumps(record)))
    add_remark(found, Remark("E7", "B", 1, "2024-01-01T00:00:00Z", "exclude", "rim not seen"))
    return found


def held(study, **asked):
    return cohort_of_study(study, run_study(study, draws=0, workers=0), workers=0, **asked)


@pytest.fixture(scope="module")
def cohort(study):
    return held(study)


def test_the_first_film_of_each_hip_with_a_plan_enters(cohort):
    assert [case.film for case in cohort.cases] == ["P1", "P2", "P3", "P4", "P5"]
    assert (cohort.settings.standing.reader, cohort.settings.standing.occasion) == ("B", 1)
    assert cohort.subjects == 5


def test_the_adjudicators_word_stands_on_the_films_that_they_read(study, cohort, tmp_path):
    folder = shutil.copytree(study.folder, tmp_path / "study")
    settings = (folder / "study.toml").read_text().replace('"A", "B"', '"A", "B", "C"')
    (folder / "study.toml").write_text(
        settings.replace("blinded = true", 'blinded = true\nadjudicator = "C"')
    )
    judged = read_study(folder)
    record = simulate_reading(scenario(39.0), np.random.default_rng(9), 0.4, reader="C")
    reading = parse_reading(json.dumps(record))
    add_reading(judged, "P2", 1, reading)
    found = held(judged)
    name = "radiographic_inclination"
    film = read_film(folder / "films" / "P2-surname.dcm")
    alone = examine(film, reading, read_plan(folder / "plans" / "P2.toml"), draws=0)
    for case, before in zip(found.cases, cohort.cases, strict=True):
        stands = alone.comparison if case.film == "P2" else before.comparison
        assert case.comparison.row(name).achieved == pytest.approx(stands.row(name).achieved)
    assert found.cases[1].why.endswith("read by adjudicator C")
    assert "reader B, occasion 1; of 1 hip adjudicator C" in methods_text(found)
    # A reader who is asked for stands alone.
    asked = held(judged, reader="B")
    assert asked.settings.whose == "reader B, occasion 1"
    assert [case.comparison for case in asked.cases] == [case.comparison for case in cohort.cases]


def test_the_mean_of_readers_stands_where_the_study_says_so(study, cohort, tmp_path):
    folder = shutil.copytree(study.folder, tmp_path / "study")
    settings = (folder / "study.toml").read_text()
    (folder / "study.toml").write_text(
        settings.replace("blinded = true", 'blinded = true\nvalue = "mean"')
    )
    both = read_study(folder)
    record = simulate_reading(scenario(39.0), np.random.default_rng(9), 0.4, reader="A")
    add_reading(both, "P2", 1, parse_reading(json.dumps(record)))
    alone = [
        held(both, reader=reader).cases[place].comparison for reader, place in (("A", 0), ("B", 1))
    ]
    found = held(both)
    mean = found.cases[1].comparison
    for name in ("radiographic_inclination", "leg_length_difference"):
        one, other = (each.row(name) for each in alone)
        assert mean.row(name).achieved == pytest.approx((one.achieved + other.achieved) / 2)
        assert mean.row(name).low <= (one.low + other.low) / 2 + 1e-9
        inside = abs(mean.row(name).low) < 5.0 and abs(mean.row(name).high) < 5.0
        assert (mean.row(name).verdict == "within") == inside
    assert found.cases[1].why.endswith("mean of A, B")
    assert found.cases[0].why.endswith("read by B only")
    assert "the mean of readers A, B, occasion 1" in methods_text(found)


def test_what_does_not_enter_is_listed_with_its_reason(cohort):
    reasons = dict(cohort.left_out)
    assert set(reasons) == {"B1", "Y1", "U6", "E7", "W8", "K9"}
    assert reasons["B1"].startswith("no cup on it: a film before the operation")
    assert reasons["Y1"] == "a later film of a hip that is in already"
    assert reasons["U6"] == "not read by B"
    assert reasons["E7"] == "excluded by B: rim not seen"
    assert "the plan says right and the reading says left" in reasons["W8"]
    assert reasons["K9"].startswith("plan of film K9: is not a plan, or is damaged: broken TOML")


def test_the_cups_are_held_against_their_plan(cohort):
    # Made at 36, 39, 42, 48 and 41 degrees, planned at 40; read almost exactly.
    found = cohort.outcome("radiographic_inclination")
    expected = np.array([36.0, 39.0, 42.0, 48.0, 41.0]) - 40.0
    assert sorted(found.against_plan.differences) == [
        pytest.approx(value, abs=0.35) for value in sorted(expected)
    ]
    assert (found.share.within, found.share.n) == (4, 5)
    assert (cohort.cup_share.within, cohort.cup_share.n) == (4, 5)


def test_a_verdict_is_withheld_where_the_page_of_the_film_withholds_it(study, tmp_path):
    # Heads of 36 mm read as 22 mm: a scale that cannot be.
    folder = tmp_path / "study"
    shutil.copytree(study.folder, folder)
    for path in (folder / "readings").glob("P4__*"):
        path.unlink()
    copied = read_study(folder)
    wrong = simulate_reading(scenario(48.0), np.random.default_rng(4), 0.02, reader="B")
    wrong["head_diameter_mm"] = 22.0
    wrong["cup_diameter_mm"] = None
    reading = parse_reading(json.dumps({key: v for key, v in wrong.items() if v is not None}))
    add_reading(copied, "P4", 1, reading)
    found = held(copied)
    case = next(case for case in found.cases if case.film == "P4")
    plan = with_tolerance(read_plan(folder / "plans" / "P4.toml"), copied.tolerance)
    film = read_film(folder / "films" / "P4-surname.dcm")
    alone = examine(film, reading, plan, draws=0).comparison
    assert case.withheld == {row.name: row.reason for row in alone.rows if row.withheld} != {}
    assert "leg_length_difference" in case.withheld
    outcome = found.outcome("leg_length_difference")
    assert (outcome.share.n, outcome.verdicts["withheld"]) == (4, 1)
    assert outcome.against_plan.n == 5
    said = [block.text for block in cohort_paper(found).blocks if isinstance(block, Paragraph)]
    assert any(text.startswith("Verdict withheld, and in no share: film P4 (") for text in said)
    # What was kept is taken over: the same comparison from the file.
    again = held(copied)
    assert again.cases == found.cases


def test_the_record_of_the_theatre_is_held_against_the_film(cohort):
    # Recorded 41 to 45, made 36, 39, 42, 48, 41: on average 43 less 41.2.
    found = cohort.outcome("radiographic_inclination").against_record
    assert found.n == 5
    assert found.bias.value == pytest.approx(1.8, abs=0.3)


def test_the_leg_length_of_a_film_with_both_hips_counts_once(study, cohort):
    films = {film.label: film for film in study.films}
    twin = replace(films["P2"], file=films["P1"].file)
    both = replace(study, films=(films["P1"], twin, *(films[each] for each in ("P3", "P4", "P5"))))
    found = {o.name: o for o in outcomes_of(each_leg_once(both, cohort.cases))}
    assert found["leg_length_difference"].against_plan.n == 4
    assert found["radiographic_inclination"].against_plan.n == 5


def test_a_planned_change_uses_the_film_before(cohort):
    case = next(case for case in cohort.cases if case.film == "P1")
    # From 3 mm short to 2 mm long.
    row = case.comparison.row("leg_length_change")
    assert row.achieved_low < 5.0 < row.achieved_high
    assert "only 1 hip" in cohort.outcome("leg_length_change").against_plan


def test_a_reader_without_readings_gives_no_cohort(study):
    with pytest.raises(StudyError, match="no film with a plan was read by A on occasion 1"):
        held(study, reader="A")
    with pytest.raises(StudyError, match="no occasion 3"):
        held(study, occasion=3)


# --- the page -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pages(cohort, tmp_path_factory):
    written = write_cohort(cohort, tmp_path_factory.mktemp("out"))
    # The flow of counts is a table of its own.
    return {path.suffix: path for path in written if path.name != "flow.csv"}


@pytest.mark.parametrize("kind", [".html", ".json", ".csv"])
def test_every_output_carries_the_caution_and_no_name_of_a_file(pages, kind):
    text = pages[kind].read_text("utf-8")
    assert CAUTION in text
    assert "surname" not in text and "broken.toml" not in text


@pytest.mark.parametrize(
    "said",
    [
        # Abdel MP et al., Clin Orthop Relat Res 2016 (read).
        "of 206 dislocated hips 58 % had the cup inside",
        "Both cup angles within tolerance: 4 of 5 (80 %, 95 % interval 38 to 96 %)",
        "A later film of a hip that is in already",
        "Excluded by B: rim not seen",
        "Recorded in theatre minus measured on the film",
    ],
)
def test_the_page_says_what_the_numbers_are_worth(pages, said):
    assert said in " ".join(pages[".html"].read_text("utf-8").split())


def test_the_paragraph_of_methods_holds_the_actual_settings(cohort):
    text = methods_text(cohort)
    for said in (
        "placed by 1 reader on 1 occasion (9 readings)",
        "Of these readings neither blinding nor order is recorded",
        "The spread of placing was that stated in the reading",
        "reader B, occasion 1",
        "5 hips of 5 persons",
        "first-order 95 % intervals",
        "pose of the rim's circle seen from the tube",
        "line through the teardrops",
        "known diameter of the head",
        "cup inclination 5 degrees",
        "Wilson EB",
        f"numpy {np.__version__}",
    ):
        assert said in text
    # One reader read once: no reliability is claimed.
    assert "ICC" not in text
    run = replace(cohort.settings.run, draws=10_000, seed=77, readers=("B",))
    drawn = replace(cohort, settings=replace(cohort.settings, run=run))
    assert "10000 Monte Carlo draws (JCGM 101:2008; seed 77)" in methods_text(drawn)
    assert "placed by 1 reader on" in methods_text(drawn)


def test_the_tables_hold_every_hip(cohort, pages):
    record = json.loads(pages[".json"].read_text("utf-8"))
    assert record["hips"] == 5
    assert record["both_cup_angles_within"]["value"] == 0.8
    lines = pages[".csv"].read_text("utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == sum(len(case.comparison.rows) for case in cohort.cases)


def test_subgroups_have_their_own_shares(cohort):
    # P4, at 48 degrees, is the one outside.
    groups = {"P1": "lateral", "P2": "lateral", "P3": "posterior", "P4": "posterior"}
    cases = tuple(
        replace(
            case,
            groups={"case number": case.film}
            | ({"approach": groups[case.film]} if case.film in groups else {}),
        )
        for case in cohort.cases
    )
    tables = [
        block
        for block in cohort_paper(replace(cohort, cases=cases)).blocks
        if isinstance(block, Table)
    ]
    (found,) = (table for table in tables if table.rows[0][0].text == "approach")
    told = {row[0].text: (row[1].text, row[2].text[:6]) for row in found.rows[1:]}
    # A column with a value for every hip is no grouping.
    assert told == {
        "lateral": ("2", "2 of 2"),
        "not stated": ("1", "1 of 1"),
        "posterior": ("2", "1 of 2"),
    }


def test_a_single_hip_has_a_page_too(cohort, tmp_path):
    only = cohort.cases[:1]
    single = replace(cohort, cases=only, outcomes=outcomes_of([only[0].comparison]))
    assert all(path.stat().st_size for path in write_cohort(single, tmp_path))
