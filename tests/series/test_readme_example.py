"""The worked example of the README, run word for word."""

import csv
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HEADING = "### One worked example"


@pytest.fixture(scope="module")
def example(tmp_path_factory, plain_films):
    """The folder in which the commands of that part were run."""
    part = (ROOT / "README.md").read_text(encoding="utf-8").partition(HEADING)[2]
    commands = re.findall(r"```sh\n(.*?)```", re.split(r"\n##", part)[0], re.DOTALL)
    assert len(commands) == 3
    folder = tmp_path_factory.mktemp("example")
    (folder / "sample_images").mkdir()
    for path in (ROOT / "sample_images").iterdir():
        plain = plain_films(path.stem) if path.suffix == ".dcm" else path
        (folder / "sample_images" / path.name).symlink_to(plain)
    program = folder / "bin" / "xraymeasure"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m xraymeasure.cli "$@"\n')
    program.chmod(0o755)
    where = os.pathsep.join([str(program.parent), os.environ["PATH"]])
    ended = subprocess.run(
        ["sh", "-eu", "-c", "\n".join(commands)],
        cwd=folder,
        env=os.environ | {"PATH": where, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
    )
    assert ended.returncode == 0, ended.stderr
    return folder


def test_its_two_pages_are_there_and_name_nobody(example):
    made = {path.name for path in (example / "films-study" / "followup").iterdir()}
    assert {"cohort.pdf", "cohort.html", "flow.csv", "changes.csv"} <= made
    (hip,) = (name for name in made if re.fullmatch(r"followup_S\d{3}_left\.pdf", name))
    page = example / "films-study" / "followup" / hip.replace(".pdf", ".html")
    assert "well_placed" not in page.read_text() and "730" not in page.name


def test_what_it_says_of_the_cohort_is_so(example):
    with (example / "films-study" / "results" / "measurements.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    (excluded,) = (row for row in rows if row["status"] == "excluded")
    assert excluded["reason"] == "centred on one hip"
    cohort = (example / "films-study" / "followup" / "cohort.html").read_text()
    # Of the six hips with a plan one is excluded; the cup that is out of plan is the planted one.
    assert "4 of 5" in cohort
    lines = (example / "films-study.key.csv").read_text().splitlines()
    (off_plan,) = (line.partition(",")[0] for line in lines if "/off_plan_cup.dcm" in line)
    assert f"Outside: film {off_plan}, right hip" in cohort
