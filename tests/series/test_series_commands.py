"""A study from the command line: new, run, agreement, follow-up."""

import csv
import errno
import os
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from xraymeasure.series.run import run as run_module
from xraymeasure.series.study.readings import add_reading, study_readings
from xraymeasure.series.study.remarks import Remark, add_remark
from xraymeasure.series.study.study import read_study


@pytest.fixture
def call(monkeypatch, run):
    """Call the command line in this process; returns exit code, standard output and error.

    Intervals are first-order ones: how many draws there are is no question of the commands.
    """
    monkeypatch.setattr(run_module, "run_study", partial(run_module.run_study, draws=0))
    return partial(run, "series")


def test_a_folder_of_films_becomes_a_study_and_grows(call, tmp_path, blank_film):
    films, study = tmp_path / "films", tmp_path / "films-study"
    films.mkdir()
    (films / "one.dcm").write_bytes(blank_film[1].read_bytes())
    code, out, err = call("new", films)
    assert (code, out.strip()) == (0, str(study / "study.toml"))
    assert "1 film of" not in out and f"{study}.key.csv only" in err
    assert len(read_study(study).films) == 1
    (films / "notes.txt").write_text("no film")
    code, out, err = call("add", study, films)
    assert (code, out) == (2, "") and "no film that is new to the study" in err


def test_a_bad_film_is_told_and_the_run_ends_with_2(call, make_study):
    study = make_study(films=2)
    study.films[0].file.write_bytes(b"not a film")
    code, _, err = call("run", study.folder, "--workers", 0)
    assert code == 2
    assert "F0" in err and "neither DICOM nor" in err
    assert (study.folder / "results" / "measurements.csv").exists()


def test_one_reader_and_occasion_alone_are_measured_on_request(call, make_study):
    study = make_study(films=2, readers=("A", "B"), occasions=2)
    code, out, _ = call("run", study.folder, "--reader", "B", "--occasion", 2, "--workers", 0)
    assert code == 0 and out.startswith("2 measured, 0 unchanged;")
    with (study.folder / "results" / "measurements.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert {(row["reader"], row["occasion"]) for row in rows} == {("B", "2")}
    assert call("run", study.folder, "--reader", "C")[0] == 2


def test_a_study_that_cannot_be_written_is_one_line(call, make_study):
    study = make_study(films=1)
    (study.folder / "results").write_text("a file where the folder is to be")
    code, _, err = call("run", study.folder, "--workers", 0)
    assert code == 2 and err.count("\n") == 1 and "cannot be made" in err


@pytest.mark.parametrize("damage", [b"\xff\0", "folder"])
def test_damaged_files_of_a_study_are_one_line_or_made_anew(call, make_study, damage):
    study = make_study(films=1, occasions=2)
    assert call("spread", study.folder, "--workers", 0)[0] == 0
    shutil.rmtree(study.folder / "results")
    assert call("run", study.folder, "--workers", 0)[0] == 0
    add_remark(study, Remark("F0", "A", 1, "2026-03-01T10:00:00Z", "comment", "rotated"))
    (study.folder / "left_out.csv").write_text("label,kind,reason\nX001,copy,the same\n")
    # A damaged film is a row with its reason, for each of its readings.
    others = {path for path in study.folder.rglob("*") if path.is_file()} - {study.films[0].file}
    for path in sorted(others):
        whole = path.read_bytes()
        path.unlink()
        if damage == "folder":
            path.mkdir()
        else:
            path.write_bytes(damage)
        code, _, err = call("run", study.folder, "--workers", 0)
        lines = err.splitlines()
        remade = study.folder / "results" in path.parents
        assert code in (0, 2) and len(lines) == (code == 2), (path, lines)
        assert not remade or damage == "folder" or (code == 0 and path.read_bytes() == whole)
        if path.is_dir():
            path.rmdir()
        path.write_bytes(whole)


def test_a_study_that_can_only_be_read_is_read_only(call, make_study, monkeypatch, tmp_path):
    study = make_study(films=2, occasions=2)
    before = {path: path.stat().st_mtime_ns for path in study.folder.rglob("*")}
    may = os.access
    monkeypatch.setattr(
        os,
        "access",
        # Who runs the tests may write everywhere.
        lambda path, mode: may(path, mode) and (Path(path), mode) != (study.folder, os.W_OK),
    )
    code, _, err = call("agreement", study.folder, "--workers", 0)
    assert code == 2 and err.count("\n") == 1 and "--out" in err
    out = tmp_path / "elsewhere"
    assert call("agreement", study.folder, "--out", out, "--workers", 0)[0] == 0
    assert (out / "agreement.csv").exists() and (out / "results" / "measurements.csv").exists()
    assert {path: path.stat().st_mtime_ns for path in study.folder.rglob("*")} == before


def test_a_full_disk_is_one_line(call, make_study, monkeypatch):
    study = make_study(films=1)

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    code, _, err = call("run", study.folder, "--workers", 0)
    assert code == 2 and err.count("\n") == 1 and "No space left" in err


def test_agreement_writes_its_page_and_leaves_the_next_run_alone(call, make_study):
    study = make_study(films=2, readers=("A", "B"), occasions=2)
    code, out, _ = call("agreement", study.folder, "--workers", 0)
    assert code == 0
    written = out.split("\n")
    assert str(study.folder / "agreement" / "agreement.pdf") in written
    assert not (study.folder / "placing").exists()


def test_a_readers_own_spread_is_taken_up_by_a_step_of_its_own(call, make_study):
    study = make_study(films=3, readers=("A", "B"), occasions=2)

    def stood():
        with (study.folder / "results" / "measurements.csv").open() as stream:
            return {(row["reader"], row["placing"]) for row in csv.DictReader(stream)}

    code, out, _ = call("spread", study.folder, "--reader", "A", "--workers", 0)
    assert code == 0 and "Reader A" in out and " mm (3 films" in out
    assert stood() == {("A", "default"), ("B", "default")}
    assert call("run", study.folder, "--workers", 0)[0] == 0
    assert stood() == {("A", "repeats"), ("B", "default")}
    # A reading that states its own spread takes no other.
    one = next(each for each in study_readings(study) if each.place == ("F0", "A", 1))
    one.path.unlink()
    add_reading(study, "F0", 1, replace(one.reading, placing_sd_px=1.0))
    _, _, err = call("spread", study.folder, "--reader", "A", "--workers", 0)
    assert "not for 1 of 6 readings, which state their own" in err


def test_a_learning_curve_is_drawn_of_each_surgeon_in_films_csv(call, make_study):
    folder = make_study(films=2).folder
    (folder / "plan.toml").write_text(
        'operated_side = "left"\n[cup]\ninclination_deg = 40\nanteversion_deg = 20\n'
        "[tolerance]\ninclination_deg = 10\nanteversion_deg = 10\n"
    )
    first, *films = (folder / "films.csv").read_text().splitlines()
    lines = [f"{line},plan.toml,T{i},{7 - i}" for i, line in enumerate(films)]
    head = f"{first},plan,surgeon,case_number"
    (folder / "films.csv").write_text("\n".join([head, *lines]))
    code, out, err = call("learning", folder, "--workers", 0)
    assert code == 0, err
    assert {"learning.pdf", "learning.csv"} <= {path.name for path in map(Path, out.split())}
    with (folder / "learning" / "learning.csv").open() as stream:
        assert next(stream).startswith("# ")
        rows = list(csv.DictReader(stream))
    assert {(row["surgeon"], row["film"]) for row in rows} == {("T0", "F0"), ("T1", "F1")}
    code, out, err = call("learning", folder, "--workers", 0, "--by", "nobody")
    assert (code, out) == (2, "") and "nobody" in err


def test_the_size_of_a_study_is_told(call):
    code, out, _ = call("size", "--icc", "0.8", "--width", "0.2", "--readings", "3")
    assert code == 0 and out.startswith("36 films")
    assert call("size")[0] == 2


def test_no_study_is_one_line_that_names_its_folder(call, tmp_path):
    (tmp_path / "file").touch()
    for name, word in ((".", "series new"), ("none", "none: no such"), ("file", "file: is a file")):
        code, out, err = call("run", tmp_path / name)
        assert (code, out) == (2, "")
        assert err.count("\n") == 1 and word in err
