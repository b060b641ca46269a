import os
import stat
import threading

import pytest

from xraymeasure.errors import (
    FilmError,
    MeasureError,
    PlanError,
    ReadingError,
    StudyError,
    XrayMeasureError,
)
from xraymeasure.files.atomic import read_text, write_atomically, write_files


def test_what_is_written_is_what_stands_there(tmp_path):
    target = tmp_path / "a.json"
    write_atomically(target, "knee, hip, Hüfte\n")
    assert target.read_text(encoding="utf-8") == "knee, hip, Hüfte\n"
    write_atomically(target, b"\x00\xff")
    assert target.read_bytes() == b"\x00\xff"
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


def test_a_written_file_has_the_permissions_of_any_new_file(tmp_path):
    plain, atomic = tmp_path / "plain", tmp_path / "atomic"
    plain.touch()
    write_atomically(atomic, "x")
    assert stat.S_IMODE(atomic.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_a_reader_sees_the_old_file_or_the_new_one_and_never_a_part(tmp_path):
    target = tmp_path / "a.txt"
    old, new = "o" * 200_000, "n" * 300_000
    write_atomically(target, old)
    seen, stop = set(), threading.Event()

    def look():
        while not stop.is_set():
            seen.add(target.read_text())

    reader = threading.Thread(target=look)
    reader.start()
    for _ in range(20):
        write_atomically(target, new)
        write_atomically(target, old)
    stop.set()
    reader.join()
    assert seen <= {old, new}


def test_a_write_that_breaks_off_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    target = tmp_path / "a.txt"
    target.write_text("old")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(XrayMeasureError, match=r"a\.txt: cannot be written \(No space left"):
        write_atomically(target, "new")
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


def test_a_folder_that_cannot_be_made_is_an_error_with_words(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(XrayMeasureError, match="cannot be made"):
        write_files(tmp_path / "taken" / "out", {"page.html": "x"})


def test_writing_over_a_folder_is_refused_and_leaves_nothing_behind(tmp_path):
    (tmp_path / "a").mkdir()
    with pytest.raises(XrayMeasureError, match="cannot be written"):
        write_atomically(tmp_path / "a", "x")
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, "no such file"),
        (lambda path: path.mkdir(), "is a directory; name a file"),
        (lambda path: path.write_bytes(b""), "is empty"),
        (lambda path: path.write_bytes(b" \n\t \r\n"), "is empty"),
        (lambda path: path.write_bytes(b"{\xff\xfe}"), "is not a text file in UTF-8"),
    ],
)
@pytest.mark.parametrize("error", [ReadingError, PlanError, StudyError])
def test_a_text_that_cannot_be_read_is_named_with_the_reason(tmp_path, make, words, error):
    path = tmp_path / "r.json"
    make(path)
    with pytest.raises(error, match=words) as raised:
        read_text(path, error)
    assert str(raised.value) == f"{path}: {words}"


def test_a_file_that_may_not_be_read_is_named_with_the_reason(tmp_path, monkeypatch):
    from pathlib import Path

    path = tmp_path / "r.json"
    path.write_text("x")

    # Whoever runs the tests may be allowed to read everything, so the refusal is put on.
    def refuse(_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(ReadingError, match=r"r\.json: cannot be read \(Permission denied\)"):
        read_text(path, ReadingError)


def test_a_byte_order_mark_is_not_part_of_the_text(tmp_path):
    path = tmp_path / "r.json"
    path.write_bytes(b"\xef\xbb\xbf{}")
    assert read_text(path, ReadingError) == "{}"


@pytest.mark.parametrize("error", [FilmError, ReadingError, PlanError, MeasureError, StudyError])
def test_every_error_a_user_can_cause_is_one_line(error):
    assert issubclass(error, XrayMeasureError)
    assert str(error("first line\n  second\tline ")) == "first line second line"
