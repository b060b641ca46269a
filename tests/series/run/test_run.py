"""A study is measured whole, whatever breaks, and the table is the same however it came about."""

import csv
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace

import pandas as pd
import pytest

from xraymeasure.errors import StudyError
from xraymeasure.film import read as film_reading
from xraymeasure.film.read import read_film
from xraymeasure.measuring.measure import measure
from xraymeasure.series.run import run as run_module
from xraymeasure.series.run.run import run_study
from xraymeasure.series.run.task import kept_measurements
from xraymeasure.series.run.tidy_table import COLUMNS
from xraymeasure.series.run.workers import WorkerDied, map_tasks
from xraymeasure.series.study.placing import Placing, Spread, write_placing
from xraymeasure.series.study.readings import add_reading, study_readings
from xraymeasure.series.study.remarks import Remark, add_remark
from xraymeasure.series.study.study import read_study


def rows_of(summary):
    with summary.csv.open(newline="") as stream:
        return list(csv.DictReader(stream))


def bytes_of(summary):
    return summary.csv.read_bytes(), summary.parquet.read_bytes()


def test_the_table_holds_what_measure_says_film_by_film(make_study):
    study = make_study(films=2, readers=("A", "B"))
    summary = run_study(study, workers=0, draws=0)
    assert (summary.measured, summary.unchanged, summary.failed) == (4, 0, ())
    rows = rows_of(summary)
    assert list(rows[0]) == list(COLUMNS) and len(rows) == summary.rows
    for entry in study_readings(study):
        measured = measure(read_film(study.film(entry.film).file), entry.reading, draws=0)
        for one in measured.rows:
            (row,) = (
                row
                for row in rows
                if (row["film"], row["reader"], row["measurement"], row["method"])
                == (entry.film, entry.reader, one.name, one.method)
                and row["side"] == (one.side or "")
            )
            assert [float(row[key]) for key in ("value", "low", "high")] == [
                one.value,
                one.low,
                one.high,
            ]
            assert (row["unit"], row["status"], row["occasion"]) == (one.unit, "measured", "1")
            assert row["primary"] == ("true" if one.primary else "false")
            assert row["index_side"] == {"left": "true", "right": "false", None: ""}[one.side]
        missing = [r for r in rows if r["film"] == entry.film and r["status"] == "missing"]
        assert all(row["reason"] and not row["value"] for row in missing)


def test_csv_and_parquet_say_the_same(make_study):
    summary = run_study(make_study(films=2), workers=0, draws=0)
    from_csv = pd.read_csv(summary.csv, keep_default_na=False, dtype=str)
    from_parquet = pd.read_parquet(summary.parquet)
    assert list(from_csv.columns) == list(from_parquet.columns)
    assert from_parquet["value"].dtype == float
    written = from_parquet["value"].map(lambda value: "" if pd.isna(value) else repr(value))
    assert list(written) == list(from_csv["value"])
    assert (summary.csv.parent / "columns.txt").read_text().startswith("measurements.csv")


def test_only_what_changed_is_measured_again(make_study):
    study = make_study(films=3)
    run_study(study, workers=0, draws=0)
    again = run_study(study, workers=0, draws=0)
    assert (again.measured, again.unchanged) == (0, 3)

    (entry, *_) = study_readings(study)
    moved = replace(
        entry.reading.with_points("teardrop_left", [(200.0, 190.0)]), read_at="2026-05-01T00:00:00Z"
    )
    add_reading(study, entry.film, 1, moved)
    reread = run_study(study, workers=0, draws=0)
    assert (reread.measured, reread.unchanged) == (1, 2)

    film = study.films[1].file
    film.write_bytes(film.read_bytes() + b"\0\0")
    assert run_study(study, workers=0, draws=0).measured == 1
    assert run_study(study, workers=0, draws=0, seed=99).measured == 3

    spread = Spread(45.0, 40.0, 50.0, 40, 20, sd_mm=9.0)
    write_placing(study, Placing("A", {"teardrop_left": spread}))
    wider = run_study(study, workers=0, draws=0)
    assert wider.measured == 3
    spread = {
        row["film"]: float(row["standard_uncertainty"])
        for row in rows_of(wider)
        if (row["measurement"], row["method"]) == ("pelvic_obliquity", "inter_teardrop")
    }
    plain = measure(read_film(study.films[2].file), study_readings(study)[2].reading, draws=0)
    assert spread["F2"] > 2 * plain.primary("pelvic_obliquity").standard_uncertainty


def test_what_is_broken_is_a_row_with_its_reason_and_never_an_end(make_study):
    study = make_study(films=5)
    whole = study.films[0].file.read_bytes()
    study.films[0].file.write_bytes(b"no film at all")
    study.films[1].file.unlink()
    broken = next(iter((study.folder / "readings").glob("F2__*")))
    broken.write_text("{")
    add_remark(study, Remark("F3", "A", 1, "2026-03-01T10:00:00Z", "exclude", "the shaft is cut"))
    summary = run_study(study, workers=0, draws=0)
    assert (summary.measured, summary.excluded, len(summary.failed)) == (1, 1, 3)
    assert "3 failed" in str(summary)
    rows = {row["film"]: row for row in rows_of(summary)}
    assert {film: row["status"] for film, row in rows.items() if film != "F4"} == {
        "F0": "failed",
        "F1": "failed",
        "F2": "failed",
        "F3": "excluded",
    }
    assert "neither DICOM nor" in rows["F0"]["reason"]
    assert "no such file" in rows["F1"]["reason"]
    assert "changed after it was saved" in rows["F2"]["reason"]
    assert rows["F3"]["reason"] == "the shaft is cut"
    # The name of an image may be the name of a person.
    assert "0.dcm" not in rows["F0"]["reason"] and str(study.folder) not in str(rows)
    # A film that was mended is measured in the next run.
    study.films[0].file.write_bytes(whole)
    again = run_study(study, workers=0, draws=0)
    assert (again.measured, again.unchanged, len(again.failed)) == (1, 1, 2)


def test_a_film_that_takes_too_long_is_named_and_the_others_are_measured(make_study, monkeypatch):
    study = make_study(films=2)
    slow = study.films[0].file.resolve()

    def read(path):
        if path == slow:
            time.sleep(5.0)
        return read_film(path)

    monkeypatch.setattr(film_reading, "read_film", read)
    started = time.monotonic()
    summary = run_study(study, workers=0, draws=0, film_seconds=1.0)
    assert time.monotonic() - started < 4.0
    (failure,) = summary.failed
    assert failure.film == "F0" and "film F0: took longer than 1 s" in failure.reason
    assert summary.measured == 1


def test_the_studys_word_on_an_opening_stands_until_the_reader_says_it(make_study):
    study = make_study(films=3)
    table = (study.folder / "films.csv").read_text().splitlines()
    further = [",cup_opens", ",", ",posterior", ",posterior"]
    rows = [row + more for row, more in zip(table, further, strict=True)]
    (study.folder / "films.csv").write_text("\n".join(rows))
    entries = study_readings(study)
    answered = replace(
        entries[2].reading, cup_opens={"left": "anterior"}, read_at="2026-05-01T00:00:00Z"
    )
    add_reading(study, "F2", 1, answered)
    run_study(study, workers=0, draws=0)
    summary = run_study(read_study(study.folder), workers=0, draws=0)
    for film, opens in zip(study.films, (None, "posterior", None), strict=True):
        reading = next(e.reading for e in summary.entries if e.film == film.label)
        measured = measure(read_film(film.file), reading, draws=0, cup_opens=opens)
        (row,) = (
            row
            for row in rows_of(summary)
            if (row["film"], row["measurement"]) == (film.label, "radiographic_anteversion")
            and (row["index_side"], row["primary"]) == ("true", "true")
        )
        assert float(row["value"]) == measured.primary("radiographic_anteversion").value
    assert summary.measured == 2
    kept = {place[0]: kept_measurements(path, answered) for place, path in summary.kept.items()}
    assert kept["F1"].cup_opening == {
        "left": "the reader's answer",
        "right": "the study's own statement",
    }


def test_progress_counts_what_this_run_has_to_do(make_study):
    study = make_study(films=3)
    seen = []
    run_study(study, workers=0, draws=0, progress=lambda *counts: seen.append(counts))
    assert seen == [(0, 3), (1, 3), (2, 3), (3, 3)]
    run_study(study, workers=0, draws=0, progress=lambda *counts: seen.append(counts))
    assert len(seen) == 4


_RUN = """
import sys
from xraymeasure.series.run.run import run_study
from xraymeasure.series.study.study import read_study
if __name__ == "__main__":
    run_study(read_study(sys.argv[1]), workers=1, draws=0)
"""


def start_run(script, study):
    return subprocess.Popen(
        [sys.executable, str(script), str(study.folder)], start_new_session=True
    )


def wait_until_gone(group):
    for _ in range(200):
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    os.killpg(group, signal.SIGKILL)
    raise AssertionError("workers outlived the run that was killed")


def test_a_damaged_record_is_made_anew(make_study):
    study = make_study(films=6)
    before = run_study(study, workers=0, draws=0)
    table = before.csv.read_bytes()
    damages = [b"", b"{}", b"\xff\0", b'{"rows": [1]}\n0', None]
    for path, damage in zip(before.kept.values(), damages, strict=False):
        if damage is None:
            damage = path.read_bytes().replace(b"1", b"7", 1)
        path.write_bytes(damage)
    again = run_study(study, workers=0, draws=0)
    assert (again.measured, again.unchanged) == (5, 1)
    assert again.csv.read_bytes() == table


def test_killed_and_rerun_the_table_is_that_of_an_undisturbed_run(make_study, tmp_path):
    study = make_study(films=4)
    script = tmp_path / "run.py"
    script.write_text(_RUN)
    results = study.folder / "results"

    def kept():
        return list((results / "cache").glob("[!.]*.json"))

    run_study(study, workers=0, draws=0)
    undisturbed = {p.name: p.read_bytes() for p in results.glob("[cmvw]*.*")}
    assert len(undisturbed) == 7 and len(kept()) == 4
    shutil.rmtree(results)

    process = start_run(script, study)
    while not kept() and process.poll() is None:
        time.sleep(0.002)
    process.kill()
    process.wait()
    wait_until_gone(process.pid)
    assert len(kept()) >= 1
    for path in results.glob("[cmvw]*.*"):
        assert path.read_bytes() == undisturbed[path.name]
    run_study(study, workers=0, draws=0)
    assert {p.name: p.read_bytes() for p in results.glob("[cmvw]*.*")} == undisturbed


def test_a_run_that_is_cut_off_at_any_write_is_resumed(make_study, monkeypatch):
    """A kill between two writes leaves what a failing write leaves: what was whole before it."""
    study = make_study(films=3)
    results = study.folder / "results"
    undisturbed = bytes_of(run_study(study, workers=0, draws=0))
    write = run_module.write_atomically

    def cut_off(*_):
        raise KeyboardInterrupt

    # Three readings, then the first and the last table of one set.
    for whole in range(5):
        shutil.rmtree(results)
        done = []

        def until(path, text, whole=whole, done=done):
            if len(done) == whole:
                cut_off()
            done.append(path)
            write(path, text)

        with monkeypatch.context() as patched:
            patched.setattr(run_module, "write_atomically", until)
            if whole >= 3:
                patched.setattr(run_module, ("write_tables", "wide_files")[whole - 3], cut_off)
            with pytest.raises(KeyboardInterrupt):
                run_study(study, workers=0, draws=0)
        assert [path.name for path in results.iterdir()] == ["cache"]
        summary = run_study(study, workers=0, draws=0)
        kept = min(whole, 3)
        assert (summary.measured, summary.unchanged) == (3 - kept, kept)
        assert bytes_of(summary) == undisturbed


def test_a_cluster_that_does_not_see_the_study_is_told_once(cluster, tmp_path):
    outcomes = map_tasks(
        eval, ["1"], scheduler=cluster.scheduler_address, folder=tmp_path / "not there"
    )
    with pytest.raises(StudyError, match="2 of the cluster's workers do not see this folder"):
        list(outcomes)


# `eval` is a function that every worker can import, whatever way the tests were started.
DIE = "__import__('os')._exit(1)"


def test_a_task_that_kills_its_worker_is_told_from_its_neighbours():
    tasks = [str(number) for number in range(12)]
    tasks[5], tasks[7] = "1 / 0", DIE
    outcomes = dict(map_tasks(eval, tasks, workers=2))
    assert set(outcomes) == set(tasks)
    assert isinstance(outcomes.pop(DIE), WorkerDied)
    assert isinstance(outcomes.pop("1 / 0"), ZeroDivisionError)
    assert all(outcome == int(task) for task, outcome in outcomes.items())


def test_a_script_that_forgets_to_guard_itself_is_told_so_once(tmp_path):
    script = tmp_path / "unguarded.py"
    script.write_text(
        "from xraymeasure.series.run.workers import map_tasks\n"
        "print(list(map_tasks(abs, range(30), workers=1)))\n"
    )
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert "must call this under `if __name__" in done.stderr.splitlines()[-1]


def test_tasks_are_taken_up_as_workers_become_free():
    taken = []

    def source():
        for number in range(60):
            taken.append(number)
            yield str(number)

    ahead = [
        len(taken) - done for done, _ in enumerate(map_tasks(eval, source(), workers=2), start=1)
    ]
    assert len(taken) == 60
    # Four for each of two workers, whatever the number of tasks.
    assert max(ahead) <= 8


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler and two workers, each a process of its own, on loopback."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        local_directory=str(tmp_path_factory.mktemp("dask")),
    ) as made:
        assert made.scheduler_address.startswith("tcp://127.0.0.1:")
        assert len(made.workers) == 2
        yield made


def test_the_same_study_over_a_dask_cluster_gives_the_same_table(make_study, cluster):
    study = make_study(films=4)
    study.films[2].file.write_bytes(b"no film at all")
    here = run_study(study, workers=0, draws=8)
    expected = bytes_of(here)
    for path in here.kept.values():
        path.unlink()
    there = run_study(study, scheduler=cluster.scheduler_address, draws=8)
    assert (there.measured, len(there.failed)) == (3, 1)
    assert bytes_of(there) == expected


# The last that uses it.
def test_a_cluster_that_is_lost_ends_the_run_in_words(cluster):
    outcomes = map_tasks(
        eval, ["__import__('time').sleep(0.1)"] * 200, scheduler=cluster.scheduler_address
    )
    next(outcomes)
    cluster.close()
    with pytest.raises(StudyError, match="scheduler was lost"):
        list(outcomes)


def test_a_scheduler_that_does_not_answer_is_said_in_words(make_study, monkeypatch):
    monkeypatch.setattr("xraymeasure.series.run.workers.ANSWERS_WITHIN", "0.3s")
    with pytest.raises(StudyError, match="no Dask scheduler answers"):
        run_study(make_study(films=1), scheduler="tcp://127.0.0.1:9", draws=0)


def test_a_study_is_the_same_after_it_was_moved(make_study, tmp_path):
    study = make_study(films=2)
    before = bytes_of(run_study(study, workers=0, draws=0))
    moved = tmp_path / "elsewhere"
    os.replace(study.folder, moved)
    summary = run_study(read_study(moved), workers=0, draws=0)
    assert (summary.measured, summary.unchanged) == (0, 2)
    assert bytes_of(summary) == before
