"""The wide table, and its labels for other programs."""

import csv
import re
import warnings

import pandas as pd

from xraymeasure.series.run.run import run_study
from xraymeasure.series.study.study import read_study


def test_a_reading_is_one_row_with_labels_for_r_and_stata(make_study):
    study = make_study(films=2)
    films = study.folder / "films.csv"
    head, *rest = films.read_text().splitlines()
    films.write_text("\n".join([f"{head},age group,sex", *(f"{line},60,F" for line in rest)]))
    study = read_study(study.folder)
    summary = run_study(study, workers=0, draws=0)
    table, r_script, stata = (summary.csv.with_name(f"wide.{end}") for end in ("csv", "R", "do"))
    with table.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["film"], row["age_group"], row["side"]) for row in rows] == [
        ("F0", "60", "left"),
        ("F1", "60", "left"),
    ]
    # The same numbers as in the tidy table.
    with summary.csv.open(newline="") as stream:
        tidy = {
            (row["film"], row["measurement"]): row
            for row in csv.DictReader(stream)
            if row["primary"] == "true" and row["index_side"] != "false"
        }
    assert {name for _, name in tidy} <= rows[0].keys()
    for row in rows:
        for film, name in tidy:
            if film == row["film"]:
                assert row[f"{name}_low"] == tidy[film, name]["low"]
                assert row[name] == tidy[film, name]["value"]
    # Stata: names of at most 32 letters, labels of at most 80 (its manual, [D] label and [U] 11.3;
    # from memory).
    columns = list(rows[0])
    labels = re.findall(r'label variable (\w{1,32}) "([^"]{1,80})"\n', stata.read_text())
    assert [name for name, _ in labels] == columns
    assert re.findall(r'attr\(wide\$(\w+), "label"\) <- "[^"]+"\n', r_script.read_text()) == columns
    # Text stays text: R 4.2.2 was seen to make FALSE of a column of F, and 7 of a film called 007.
    texts = ["film", "subject", "time_point", "side", "reader", "sex"]
    assert re.findall(r'(\w+) = "character"', r_script.read_text()) == texts
    (places,) = re.findall(r"stringcols\(([\d ]+)\)", stata.read_text())
    assert [columns[int(place) - 1] for place in places.split()] == texts


def test_whatever_groups_are_called_the_table_opens_as_it_is(make_study):
    study = make_study(films=2)
    films = study.folder / "films.csv"
    head, *rest = films.read_text().splitlines()
    long = "a grouping of the study with a long name"
    groups = ["if", "Age", "age", "caution", "Größe", "str12", long[:39], f"{long[:38]}x", "NULL"]
    groups += ["radiographic_inclination_low", "Œuvre"]
    values = [f"{name} ü" for name in groups]
    films.write_text(
        "\n".join([",".join([head, *groups]), *(",".join([line, *values]) for line in rest)]),
        encoding="utf-8",
    )
    study = read_study(study.folder)
    summary = run_study(study, workers=0, draws=0)
    table, stata = (summary.csv.with_name(f"wide.{end}") for end in ("csv", "do"))
    assert not table.read_bytes().startswith(b"\xef\xbb\xbf")
    frame = pd.read_csv(table, encoding="utf-8")
    names = [name.lower() for name in frame.columns]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{0,31}", name) for name in frame.columns)
    labels = dict(re.findall(r'label variable (\w+) "([^"]+)"\n', stata.read_text()))
    assert {name for name in frame if set(frame[name].astype(str)) & set(values)} == {
        name for name, label in labels.items() if label.endswith("(films.csv)")
    }
    # pandas writes Stata's format and knows what Stata calls a name: it warns where it must rename.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        kept = study.folder / "wide.dta"
        frame.to_stata(kept, write_index=False, variable_labels=labels, version=118)
    with pd.read_stata(kept, iterator=True) as reader:
        assert reader.variable_labels() == labels
    pd.testing.assert_frame_equal(pd.read_stata(kept), frame, check_dtype=False)
