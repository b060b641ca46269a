"""A folder of films becomes a study: every file sorted, nobody named, nothing lost in silence."""

import copy
import csv
import io
import os
import shutil
import socket
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from scipy.ndimage import shift

from xraymeasure.errors import StudyError
from xraymeasure.film.read import read_film
from xraymeasure.series.study.new_study import add_films, new_study
from xraymeasure.series.study.sorting import KINDS, Seen, without_twins
from xraymeasure.series.study.study import read_study
from xraymeasure.series.study.traits import traits_of

DATES = ["20240110", "20250110", "20230601"]


def picture(seed, shape=(120, 100)):
    """A picture of few coarse patches: those of two seeds have nothing in common."""
    patches = np.random.default_rng(seed).integers(200, 4000, (shape[0] // 20, shape[1] // 20))
    return np.kron(patches, np.ones((20, 20))).astype(np.uint16)


@pytest.fixture
def write_film(blank_film):
    """Return a function that writes a small film with tags of its own."""
    header = pydicom.dcmread(blank_film[1], force=True)

    def write(path, seed, person="", taken="", pixels=None, **tags):
        film = copy.deepcopy(header)
        pixels = picture(seed) if pixels is None else pixels
        film.Rows, film.Columns = pixels.shape
        film.PixelData = pixels.tobytes()
        film.SOPInstanceUID = pydicom.uid.generate_uid(entropy_srcs=[str(path)])
        film.PatientID, film.PatientName = person, f"Synthetic^{person}"
        for keyword in ("AcquisitionDate", "AcquisitionDateTime", "ContentDate", "SeriesDate"):
            if keyword in film:
                del film[keyword]
        film.StudyDate = taken
        for keyword, value in tags.items():
            setattr(film, keyword, value)
        path.parent.mkdir(parents=True, exist_ok=True)
        film.save_as(path, enforce_file_format=True)
        return path

    return write


@pytest.fixture
def films(tmp_path):
    folder = tmp_path / "films"
    folder.mkdir()
    return folder


def left_out(made):
    with (made.study / "left_out.csv").open(newline="") as stream:
        return [(row["kind"], row["reason"]) for row in csv.DictReader(stream)]


def key_of(made):
    lines = [line for line in made.key.read_text().splitlines(True) if not line.startswith("#")]
    return {row["label"]: row for row in csv.DictReader(lines)}


def test_a_study_made_of_a_folder_tells_neither_who_nor_when(films, write_film):
    for number, person in enumerate(["ID-77", "ID-12"]):
        for i, taken in enumerate(DATES):
            name = films / f"Doe Jane {number}" / f"{taken} Doe.dcm"
            side = "L" if number else "B"
            write_film(name, 10 * number + i, person, taken, ImageLaterality=side)
    Image.fromarray((picture(50) >> 4).astype(np.uint8)).save(films / "Doe scan.png")
    (films / "Doe scan.plan.toml").write_text('operated_side = "left"\n')
    (films / "notes of Doe.txt").write_text("not a film")
    made = new_study(films, workers=0)
    study = read_study(made.study)
    assert (len(study.films), len(made.entered), made.persons) == (7, 7, 3)
    assert "undated: their day is empty: 1" in str(made)
    by_subject = {}
    for film in study.films:
        by_subject.setdefault(film.subject, []).append(film)
    assert sorted(map(len, by_subject.values())) == [1, 3, 3]
    for group in by_subject.values():
        if len(group) == 3:
            # From 1 June 2023: 223 days to 10 January 2024, 589 to 10 January 2025.
            assert [film.day for film in group] == [0, 223, 589]
            assert {film.side for film in group} in ({"left"}, {None})
    (planned,) = (film for film in study.films if film.plan)
    assert planned.side == "left" and planned.plan.parent == made.study / "plans"
    # Nothing in the study says who or when, and every film is there under its label.
    secrets = ("ID-77", "ID-12", "Synthetic", "Doe", "2023", *DATES)
    for path in made.study.rglob("*"):
        text = path.name + (path.read_text() if path.suffix in (".csv", ".toml") else "")
        assert not any(secret in text for secret in secrets), path
    key = key_of(made)
    for film in study.films:
        assert read_film(film.file).pixel_sha256 == key[film.label]["pixels"]
        assert os.path.samefile(key[film.label]["file"], film.file)
    assert made.key.parent == made.study.parent and str(made.key) in str(made)
    assert left_out(made) == [("no film", "is neither DICOM nor PNG, TIFF or JPEG; export the film "
                               "as DICOM")]  # fmt: skip


def test_two_films_of_one_day_are_two_films(films, write_film):
    # Smooth bodies like bones within one dark border: what differs is where they lie.
    def body(at):
        rows, columns = np.mgrid[:240, :200]
        bright = sum(
            np.exp(-((rows - at - row) ** 2 + (columns - column) ** 2) / 200.0)
            for row, column in ((60, 60), (60, 140), (90, 100), (120, 70), (130, 130), (95, 50))
        )
        whole = np.zeros((480, 400), np.uint16)
        # Every exposure has a noise of its own.
        noise = np.random.default_rng(int(abs(at))).normal(0.0, 60.0, bright.shape)
        whole[20:260, 20:220] = 500 + 2 * columns + 3 * (rows - at) + noise
        whole[20:260, 20:220] += (3000 * bright).astype(np.uint16)
        return whole

    write_film(films / "first.dcm", 0, "P1", DATES[0], body(0.0))
    write_film(films / "again.dcm", 0, "P1", DATES[0], body(4.0))
    write_film(films / "another.dcm", 0, "", "", body(-20.0))
    Image.fromarray((body(0.0) >> 4).astype(np.uint8)).save(films / "exported.png")
    made = new_study(films, workers=0)
    assert (len(made.entered), made.kinds["re-export"]) == (3, 1)


def test_every_file_has_a_kind_and_a_reason(films, write_film):
    good = write_film(films / "a.dcm", 1, "P1", DATES[0])
    write_film(films / "lateral.dcm", 2, "P1", DATES[0], ViewPosition="LL")
    write_film(films / "sideways.dcm", 3, "P1", DATES[0], PatientOrientation=["A", "F"])
    write_film(films / "chest.dcm", 4, "P1", DATES[0], BodyPartExamined="CHEST")
    write_film(films / "told.dcm", 5, "P1", DATES[0], StudyDescription="Thorax p.a.",
               BodyPartExamined="")  # fmt: skip
    write_film(films / "oblique.dcm", 6, "P1", DATES[0], ViewPosition="RLO")
    # Before the other in the alphabet, but the plan lies beside the other.
    shutil.copy(good, films / "a (copy).dcm")
    (films / "a.plan.toml").write_text('operated_side = "left"\n')
    derived = Dataset()
    derived.ReferencedSOPInstanceUID = pydicom.dcmread(good).SOPInstanceUID
    # Eight bits and another window; mirrored, it is told by what it says it was derived from.
    write_film(films / "again.dcm", 1, "P1", DATES[0], (picture(1) // 20 + 7).astype(np.uint16))
    made_from = {"ImageType": ["DERIVED"], "SourceImageSequence": Sequence([derived])}
    write_film(films / "derived.dcm", 1, "P1", DATES[0], np.fliplr(picture(1)).copy(), **made_from)
    (films / "truncated.dcm").write_bytes(good.read_bytes()[:-5000])
    (films / "empty.dcm").touch()
    for name in ("a.reading.json", "a.truth.json", "lonely.plan.toml"):
        (films / name).write_text("{}")
    made = new_study(films, workers=0)
    assert len(made.entered) == 1
    (entered,) = read_study(made.study).films
    assert entered.plan and entered.side == "left"
    assert {kind: count for kind, count in made.kinds.items() if count} == {
        "film": 1,
        "lateral": 3,
        "other part": 2,
        "copy": 1,
        "re-export": 2,
        "unreadable": 2,
        "no film": 3,
    }
    told = dict(zip([row["file"].rpartition("/")[2] for row in key_of(made).values()][1:],
                    left_out(made), strict=True))  # fmt: skip
    label = "S001-1"
    assert told["a (copy).dcm"] == ("copy", f"holds the same pixels as film {label}")
    assert told["derived.dcm"] == ("re-export", f"is derived from film {label}")
    assert told["again.dcm"][1] == f"shows the same picture as film {label}, exported otherwise"
    assert "is empty" in told["empty.dcm"][1] and "truncated" in told["truncated.dcm"][1]
    assert "it goes into readings/" in told["a.reading.json"][1]
    assert "truth" in told["a.truth.json"][1] and "no film" in told["lonely.plan.toml"][1]
    for kind, count in made.kinds.items():
        assert kind == "film" or not count or f"{KINDS[kind]}: {count}" in str(made)


WINDOWS = {
    "the whole range": lambda grey: grey,
    "most of it white": lambda grey: np.clip(grey * 5 - 1, 0, 1),
    "most of it black": lambda grey: np.clip(grey * 5 - 3, 0, 1),
    "another gamma": np.sqrt,
    "inverted": lambda grey: 1 - grey,
}


@pytest.mark.parametrize("window", WINDOWS.values(), ids=WINDOWS)
def test_an_export_through_a_window_is_no_second_film_whatever_it_says(films, write_film, window):
    rows, columns = np.mgrid[:240, :200]
    rng = np.random.default_rng(4)

    def exposed():
        # Each exposure has a noise of its own; the body is that of nobody.
        body = 1500 + 900 * np.sin(rows / 31) * np.cos(columns / 23) + 3 * rows
        return np.clip(body + rng.normal(0.0, 25.0, body.shape), 0, 4095).astype(np.uint16)

    first = exposed()
    write_film(films / "first.dcm", 0, "P1", DATES[0], first)
    # As an original of its own, of the same person and day, as a second exposure would be.
    write_film(films / "again.dcm", 0, "P1", DATES[0], exposed())
    written = (255 * window(first / first.max())).astype(np.uint16)
    write_film(films / "export.dcm", 0, "P1", DATES[0], written)
    made = new_study(films, workers=0)
    assert (len(made.entered), made.kinds["re-export"]) == (2, 1)
    named = {row["file"].rpartition("/")[2]: label for label, row in key_of(made).items()}
    # Of film and export the film stands: nothing says which, but its greys are finer.
    assert named["export.dcm"].startswith("X")


@pytest.mark.parametrize(("size", "gamma"), [(0.35, 0.5), (1.5, 1.0)])
def test_an_export_of_another_size_is_no_second_film_whatever_it_says(size, gamma, plain_films):
    films = {
        name: read_film(plain_films(name)).pixels.astype(np.float32)
        for name in ("well_placed", "well_placed_2y")
    }
    whole = films["well_placed"] / 4095
    export = Image.fromarray(255 * whole**gamma).resize(
        [int(size * length) for length in reversed(whole.shape)], Image.Resampling.LANCZOS
    )
    films["z_export"] = np.clip(np.asarray(export), 0, 255).round()
    # Taken anew, half a millimetre further down (its pixels are 0.3 mm), in pixels of another size.
    lower = shift(films["well_placed"], (0.5 / 0.3, 0.0), order=1, mode="nearest")
    again = Image.fromarray(lower).resize((700, 620), Image.Resampling.LANCZOS)
    films["again"] = np.clip(np.asarray(again), 0, 4095)
    # Of one person, each with a name for itself, and all claim to be original.
    seen = [
        Seen(Path(name), "film", image=name, pixels=name, depth=picture.size,
             traits=traits_of(picture.astype(np.uint16)))
        for name, picture in films.items()
    ]  # fmt: skip
    found = {entry.path.name: entry for entry in without_twins(seen)}
    twins = {name: entry.twin and entry.twin.name for name, entry in found.items()}
    # The film stands, whatever the export claims: its greys are finer.
    alone = dict.fromkeys(("well_placed", "well_placed_2y", "again"))
    assert twins == alone | {"z_export": "well_placed"}


def test_of_a_film_and_its_picture_the_film_stands(films, write_film):
    write_film(films / "b.dcm", 1, "P1", DATES[0], ImageType=["DERIVED", "SECONDARY"])
    Image.fromarray((picture(1) >> 4).astype(np.uint8)).save(films / "a.png")
    made = new_study(films, workers=0)
    (film,) = read_study(made.study).films
    assert film.file.suffix == ".dcm" and "undated" not in str(made)
    assert left_out(made)[0][0] == "re-export"


def test_whatever_lies_in_the_folder_is_survived_and_listed(films, write_film):
    good = write_film(films / "a.dcm", 1, "P1", DATES[0])
    os.mkfifo(films / "pipe.dcm")
    os.symlink("nowhere", films / "broken link.dcm")
    os.symlink(films, films / "link to a folder")
    os.symlink("/dev/zero", films / "device.dcm")
    (films / os.fsdecode(b"Mu\xfcller.dcm")).write_bytes(b"no film")
    (films / "deflated.dcm").write_bytes(deflated(good)[:-40])
    (films / "nested.dcm").write_bytes(nested(good.read_bytes()))
    with (films / "huge.dcm").open("wb") as stream:
        stream.truncate(2**40)
    server = socket.socket(socket.AF_UNIX)
    here = os.getcwd()
    os.chdir(films)
    server.bind("socket.dcm")
    os.chdir(here)
    made = new_study(films, workers=0)
    server.close()
    told = {row["file"].rpartition("/")[2]: row["label"] for row in key_of(made).values()}
    reasons = dict(zip(sorted(told.values())[1:], left_out(made), strict=True))
    assert len(made.entered) == 1 and len(reasons) == 9
    for name, words in {
        "pipe.dcm": "not an ordinary file",
        "socket.dcm": "not an ordinary file",
        "device.dcm": "not an ordinary file",
        "broken link.dcm": "no such file",
        "link to a folder": "a link to a folder",
        "Mu\\udcfcller.dcm": "neither DICOM nor",
        "deflated.dcm": "truncated or damaged (deflate)",
        "huge.dcm": "a film at most 500",
    }.items():
        assert words in reasons[told[name]][1], name
    assert reasons[told["nested.dcm"]][0] == "unreadable"
    assert read_study(made.study).films[0].subject == "S001"


def deflated(path):
    """The film with its data set deflated (PS3.5 A.5)."""
    film = pydicom.dcmread(path)
    film.file_meta.TransferSyntaxUID = pydicom.uid.DeflatedExplicitVRLittleEndian
    packed = io.BytesIO()
    film.save_as(packed, enforce_file_format=True)
    return packed.getvalue()


def nested(film):
    """A film in which sequences of undefined length open inside one another without an end."""
    start = 144 + int.from_bytes(film[140:144], "little")
    opening = b"\x08\x00\x40\x11SQ\0\0\xff\xff\xff\xff\xfe\xff\x00\xe0\xff\xff\xff\xff"
    return film[:start] + opening * 5000


def test_both_hips_are_two_rows_on_request(films, write_film):
    write_film(films / "a.dcm", 1, "P1", DATES[0])
    (films / "a.plan.toml").write_text('operated_side = "right"\n')
    made = new_study(films, both_hips=True, workers=0)
    left, right = sorted(read_study(made.study).films, key=lambda film: film.label)
    assert [left.label, right.label] == ["S001-1-left", "S001-1-right"]
    assert (left.side, right.side) == ("left", "right") and left.file == right.file
    assert left.plan is None and right.plan is not None
    assert len(made.entered) == 1


def test_a_side_that_plan_and_film_contradict_stays_empty(films, write_film):
    write_film(films / "a.dcm", 1, "P1", DATES[0], ImageLaterality="L")
    (films / "a.plan.toml").write_text('operated_side = "right"\n')
    made = new_study(films, workers=0)
    (film,) = read_study(made.study).films
    assert film.side is None and film.plan is not None
    assert made.contradictions == ("S001-1",) and "S001-1" in str(made)


def test_films_that_come_later_are_added_and_nothing_there_changes(films, write_film, tmp_path):
    write_film(films / "a.dcm", 1, "P1", "20240110")
    write_film(films / "b.dcm", 2, "P2", "20240301")
    made = new_study(films, workers=0)
    table = made.study / "films.csv"
    # The table was worked on meanwhile, in a spreadsheet of another country.
    edited = table.read_text().replace(",", ";").replace("cup_opens", "cup_opens;sex")
    table.write_text(edited, newline="")
    before = {film.subject: film.label for film in read_study(made.study).films}
    later = tmp_path / "later"
    write_film(later / "one.dcm", 3, "P1", "20250110")
    write_film(later / "earlier.dcm", 4, "P1", "20240109")
    write_film(later / "new person.dcm", 5, "P3", "20250110")
    write_film(later / "re-export.dcm", 2, "P2", "20240301", (picture(2) // 3).astype(np.uint16))
    shutil.copy(films / "a.dcm", later / "copy.dcm")
    (later / "notes.txt").write_text("-")
    made = add_films(read_study(made.study), later, workers=0)
    assert table.read_text().startswith(edited)
    added = {film.label: film for film in read_study(made.study).films}
    assert set(before.values()) < set(added) and len(added) == 5
    key = key_of(made)
    name = {row["file"].rpartition("/")[2]: label for label, row in key.items()}
    subject = key[name["a.dcm"]]["subject"]
    one, earlier, stranger = (
        added[name[each]] for each in ("one.dcm", "earlier.dcm", "new person.dcm")
    )
    # 2024 has 366 days.
    assert (one.subject, one.day) == (subject, 366) and (earlier.subject, earlier.day) == (
        subject,
        -1,
    )
    assert (stranger.subject, stranger.day) == ("S003", 0)
    assert sorted(kind for kind, _ in left_out(made)) == ["copy", "no film", "re-export"]
    assert f"holds the same pixels as film {name['a.dcm']}" in dict(left_out(made)).values()
    with pytest.raises(StudyError, match="no film that is new to the study"):
        add_films(read_study(made.study), later, workers=0)
    made.key.rename(tmp_path / "locked away.csv")
    with pytest.raises(StudyError, match="name it with --key"):
        add_films(read_study(made.study), later, workers=0)


def test_subjects_are_not_numbered_in_the_order_of_their_files(films, write_film):
    for i in range(40):
        write_film(films / f"{i:02d}.dcm", i, f"P{i:02d}", pixels=picture(i, (60, 60)))
    made = new_study(films, workers=0)
    key = key_of(made)
    entered = read_study(made.study).films
    assert sorted(film.subject for film in entered) == [f"S{i:03d}" for i in range(1, 41)]
    # A shuffle of 40 gives the order of the files once in 10^47.
    order = [key[film.label]["file"] for film in entered]
    assert order != sorted(order)


def test_a_study_is_not_made_over_another_nor_of_nothing(films, write_film):
    with pytest.raises(StudyError, match="holds no film"):
        new_study(films)
    write_film(films / "a.dcm", 1, "P")
    made = new_study(films, workers=0)
    with pytest.raises(StudyError, match="exists already"):
        new_study(films)
    shutil.rmtree(made.study)
    with pytest.raises(StudyError, match="the key of another study"):
        new_study(films)
    with pytest.raises(StudyError, match="is not a folder"):
        new_study(films / "a.dcm")
    (films / "study.toml").touch()
    with pytest.raises(StudyError, match="is a study already"):
        new_study(films)
