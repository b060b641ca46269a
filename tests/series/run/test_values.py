"""The study's own value: the mean of its readers, or the word of the one who decides."""

import csv

import pytest

from xraymeasure.series.agreement.reliability import agreement_of
from xraymeasure.series.run.run import run_study
from xraymeasure.series.study.study import read_study


def table(path):
    with path.open(newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_mean_of_readers_stands_but_where_one_decided(make_study):
    study = make_study(films=3, readers=("A", "B", "C"))
    for path in (study.folder / "readings").glob("F[02]__C__*"):
        path.unlink()
    settings = study.folder / "study.toml"
    settings.write_text(settings.read_text() + 'adjudicator = "C"\nvalue = "mean"\n')
    study = read_study(study.folder)
    summary = run_study(study, workers=0, draws=0)
    rows = table(summary.csv.with_name("values.csv"))
    single = {
        (row["film"], row["reader"], row["measurement"]): float(row["value"])
        for row in table(summary.csv)
        if row["primary"] == "true" and row["index_side"] != "false"
    }
    widths = {
        (row["film"], row["reader"]): float(row["high"]) - float(row["low"])
        for row in table(summary.csv)
        if row["measurement"] == "pelvic_obliquity" and row["primary"] == "true"
    }
    told = {row["film"]: row for row in rows if row["measurement"] == "pelvic_obliquity"}
    for film in ("F0", "F2"):
        one, other = (single[film, reader, "pelvic_obliquity"] for reader in "AB")
        assert float(told[film]["value"]) == pytest.approx((one + other) / 2)
        assert (told[film]["rule"], told[film]["readers"]) == ("mean", "A B")
        assert float(told[film]["lowest"]) == min(one, other)
        # Whatever the readings share, a mean is not known better than each of them.
        width = float(told[film]["high"]) - float(told[film]["low"])
        assert width >= min(widths[film, reader] for reader in "AB")
    assert float(told["F1"]["value"]) == single["F1", "C", "pelvic_obliquity"]
    assert (told["F1"]["rule"], told["F1"]["readers"]) == ("adjudicated", "C")
    # Who decides is asked for no other film, and is no reader to agree with.
    report = agreement_of(study, summary)
    asked, measured, compared = report.flow[-3:]
    assert (asked.n, asked.lost, measured.n, compared.n) == (7, (), 7, 6)
    (lost,) = measured.lost
    assert lost.which == ("F1",) and lost.reason == "of a reader or occasion that is not compared"
    assert report.measurements[0].comparisons[0].label == "between readers A, B"
