"""Files that belong together, writers that are stopped, links, and what they leave behind."""

import os
import signal
import subprocess
import sys
import time

import pytest

from xraymeasure.errors import XrayMeasureError
from xraymeasure.files import atomic
from xraymeasure.files.atomic import read_text, settle, write_atomically, write_files

posix = pytest.mark.skipif(sys.platform == "win32", reason="links, locks and signals of POSIX")
NAMES = ("page.pdf", "page.html", "measurements.csv", "measurements.json")


def contents(folder):
    return {path.name: path.read_text()[:3] for path in folder.iterdir()}


def of(version):
    return {name: f"{version}{name}" * 100 for name in NAMES}


def test_a_set_is_written_whole_beside_what_is_there(tmp_path):
    (tmp_path / "other.txt").write_text("own")
    paths = write_files(tmp_path, of("old"))
    assert [path.name for path in paths] == list(NAMES)
    write_files(tmp_path, of("new"))
    assert contents(tmp_path) == {**dict.fromkeys(NAMES, "new"), "other.txt": "own"}
    assert os.stat(paths[0]).st_mode == os.stat(tmp_path / "other.txt").st_mode


def read_first(folder):
    read_text(folder / "measurements.json", XrayMeasureError)


@pytest.mark.parametrize("next_user", [settle, read_first], ids=["writer", "reader"])
@pytest.mark.parametrize("number", range(1, 6))
def test_a_writer_stopped_at_any_rename_leaves_one_set_after_the_next(
    tmp_path, monkeypatch, number, next_user
):
    write_files(tmp_path, of("old"))
    renames = []
    really = os.replace

    def replace(source, target):
        renames.append(target)
        if len(renames) == number:
            raise KeyboardInterrupt
        really(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(KeyboardInterrupt):
        write_files(tmp_path, of("new"))
    monkeypatch.setattr(os, "replace", really)
    next_user(tmp_path)
    assert contents(tmp_path) == dict.fromkeys(NAMES, "old" if number == 1 else "new")


def test_a_full_disk_leaves_the_old_set_and_nothing_else(tmp_path, monkeypatch):
    write_files(tmp_path, of("old"))

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(XrayMeasureError, match="cannot be written \\(No space left"):
        write_files(tmp_path, of("new"))
    assert contents(tmp_path) == dict.fromkeys(NAMES, "old")


def test_a_folder_in_the_place_of_one_file_leaves_the_others_as_they_were(tmp_path):
    write_files(tmp_path, of("old"))
    (tmp_path / "page.pdf").unlink()
    (tmp_path / "page.pdf").mkdir()
    with pytest.raises(XrayMeasureError, match=r"page\.pdf: cannot be written"):
        write_files(tmp_path, of("new"))
    assert (tmp_path / "measurements.json").read_text()[:3] == "old"


KILLED = """
import itertools, sys
from xraymeasure.files.atomic import write_files
print("ready", flush=True)
for number in itertools.count():
    version = ("odd", "eve")[number % 2]
    write_files(sys.argv[1], {name: version * 30_000 for name in sys.argv[2:]})
"""


@posix
def test_killed_writers_leave_one_whole_set(tmp_path):
    # Twenty kills, at moments spread over some writings of a set.
    write_files(tmp_path, of("old"))
    for number in range(20):
        writer = subprocess.Popen(
            [sys.executable, "-c", KILLED, tmp_path, *NAMES], stdout=subprocess.PIPE
        )
        assert writer.stdout.readline() == b"ready\n"
        time.sleep(0.0037 * number)
        os.kill(writer.pid, signal.SIGKILL)
        writer.communicate()
        settle(tmp_path)
        found = contents(tmp_path)
        assert set(found) == set(NAMES)
        assert len(set(found.values())) == 1


@posix
def test_a_writer_at_work_is_not_taken_for_a_stopped_one(tmp_path):
    with atomic.replaced_together(tmp_path) as stage:
        (stage / "a.txt").write_text("whole")
        settle(tmp_path)
        assert (stage / "a.txt").exists()
    assert (tmp_path / "a.txt").read_text() == "whole"


@posix
def test_what_a_stopped_writer_of_one_file_left_is_removed(tmp_path):
    (tmp_path / ".a.json.k3x.xm-part").write_text("half")
    (tmp_path / ".own").write_text("kept")
    settle(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [".own"]
    settle(tmp_path / "nowhere")


@posix
def test_a_symbolic_link_is_written_through(tmp_path):
    (tmp_path / "far").mkdir()
    (tmp_path / "near").mkdir()
    real, link = tmp_path / "far" / "a.json", tmp_path / "near" / "a.json"
    real.write_text("old")
    link.symlink_to(real)
    write_atomically(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    write_files(link.parent, {"a.json": "newer"})
    assert link.is_symlink()
    assert real.read_text() == "newer"
    assert [path.name for path in real.parent.iterdir()] == ["a.json"]


@posix
def test_what_is_no_file_or_has_no_end_is_not_read_as_text(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", "/dev/zero"):
        with pytest.raises(XrayMeasureError, match="not an ordinary file"):
            read_text(path, XrayMeasureError)
    with (tmp_path / "sparse").open("wb") as stream:
        stream.truncate(4_000_000_000)
    with pytest.raises(XrayMeasureError, match="far too large"):
        read_text(tmp_path / "sparse", XrayMeasureError)
