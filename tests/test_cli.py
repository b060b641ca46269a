"""The command line as a person calls it: results on standard output, one line for an error."""

import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pydicom
import pytest

from xraymeasure.about import CAUTION
from xraymeasure.samples import sample_folder, sample_names

SAMPLES = sample_folder()
READING = SAMPLES / "well_placed.reading.json"
PLAN = SAMPLES / "well_placed.plan.toml"


@pytest.fixture
def film(plain_films):
    return plain_films("well_placed")


def test_a_film_is_measured_and_compared_on_standard_output(run, film):
    code, out, err = run("measure", film, "--reading", READING, "--plan", PLAN)
    assert (code, err) == (0, "")
    assert "Cup inclination" in out and "within" in out
    assert CAUTION in out


def test_json_is_the_only_thing_on_standard_output(run, film, tmp_path):
    code, out, err = run(
        "measure", film, "--reading", READING, "--plan", PLAN, "--json", "--out", tmp_path
    )
    record = json.loads(out)
    assert code == 0
    assert record["format"] == "xraymeasure-measurements" and record["version"] == 1
    assert record == json.loads((tmp_path / "measurements.json").read_text("utf-8"))
    assert err.count("written:") == 4
    # The page is named by the film's pixels: a film's own name may be that of the patient.
    stem = f"film_{record['film']['pixel_sha256'][:12]}"
    assert {path.name for path in tmp_path.iterdir()} == {
        f"{stem}.pdf",
        f"{stem}.html",
        "measurements.json",
        "measurements.csv",
    }


def test_the_same_film_may_be_measured_again_into_its_folder_another_may_not(
    run, film, plain_films, tmp_path
):
    assert run("measure", film, "--reading", READING, "--out", tmp_path)[0] == 0
    assert run("measure", film, "--reading", READING, "--out", tmp_path)[0] == 0
    other = plain_films("long_leg"), "--reading", SAMPLES / "long_leg.reading.json"
    code, _, err = run("measure", *other, "--out", tmp_path)
    assert code == 2 and "--force" in err
    assert run("measure", *other, "--out", tmp_path, "--force")[0] == 0


@pytest.mark.parametrize(
    ("name", "strict", "code"),
    [("off_plan_cup", False, 0), ("off_plan_cup", True, 3), ("well_placed", False, 0)],
)
def test_strict_exits_3_where_something_is_not_within(run, plain_films, name, strict, code):
    arguments = [
        "measure", plain_films(name), "--reading", SAMPLES / f"{name}.reading.json",
        "--plan", SAMPLES / f"{name}.plan.toml", *(["--strict"] if strict else []),
    ]  # fmt: skip
    assert run(*arguments)[0] == code


def test_strict_exits_0_where_everything_compared_is_within(run, film, tmp_path):
    plan = tmp_path / "wide.plan.toml"
    plan.write_text(
        'operated_side = "left"\n[cup]\ninclination_deg = 41\nanteversion_deg = 17\n'
        "[tolerance]\ninclination_deg = 10\nanteversion_deg = 10\n"
    )
    strictly = ("measure", film, "--reading", READING, "--plan", plan, "--strict")
    assert run(*strictly)[0] == 3, "nobody said yet whether the cup opens anteriorly"
    plan.write_text(plan.read_text() + "[recorded]\ninclination_deg = 40\nanteversion_deg = 19\n")
    assert run(*strictly)[0] == 0


def test_an_earlier_film_gives_the_changes(run, plain_films):
    code, out, _ = run(
        "measure", plain_films("long_leg"), "--reading", SAMPLES / "long_leg.reading.json",
        "--plan", SAMPLES / "long_leg.plan.toml",
        "--before", plain_films("before"), SAMPLES / "before.reading.json",
    )  # fmt: skip
    assert code == 0
    assert "Leg-length change" in out


def test_a_reading_of_which_nothing_can_be_measured_exits_with_4(run, film, tmp_path):
    record = json.loads(READING.read_text("utf-8"))
    record["landmarks"] = {"symphysis": record["landmarks"]["symphysis"]}
    one = tmp_path / "one.reading.json"
    one.write_text(json.dumps(record), "utf-8")
    code, out, err = run("measure", film, "--reading", one)
    assert code == 4 and "one.reading.json: nothing was measured" in err
    assert "Nothing was measured.\n\n  Not measured:" in out
    assert run("measure", film, "--reading", one, "--plan", PLAN, "--strict")[0] == 3


def _wrong_calls(folder: Path, film: Path, other: Path):
    text = READING.read_text("utf-8")
    plan = PLAN.read_text("utf-8")
    record = json.loads(text)
    rim = next(name for name in record["landmarks"] if name.startswith("cup_rim"))

    def reading(name, content):
        path = folder / f"{name}.reading.json"
        path.write_text(content if isinstance(content, str) else json.dumps(content), "utf-8")
        return ["measure", film, "--reading", path]

    def landmarks(**changed):
        return {**record, "landmarks": {**record["landmarks"], **changed}}

    def toml(name, content):
        path = folder / f"{name}.plan.toml"
        path.write_text(content, "utf-8")
        return ["measure", film, "--reading", READING, "--plan", path]

    yield (
        "another film",
        ["measure", other, "--reading", READING],
        "belongs to the film",
    )
    yield "unknown landmark", reading("a", landmarks(elbow_left=[[1, 2]])), "elbow_left"
    yield "too few points", reading("b", landmarks(**{rim: [[1, 2], [3, 4]]})), "too few points"
    line = [[100.0, 100.0 + i] for i in range(6)]
    yield "points on a line", reading("c", landmarks(**{rim: line})), "lie on a line"
    yield (
        "not a number",
        reading("d", text.replace('"head_diameter_mm": 36.0', '"head_diameter_mm": NaN')),
        "head_diameter_mm",
    )
    yield "newer version", reading("e", {**record, "version": 2}), "version 2"
    yield "unknown key", reading("f", {**record, "colour": "red"}), "colour"
    yield "broken JSON", reading("g", text[: len(text) // 2]), "broken JSON"
    yield "broken TOML", toml("h", plan + "\n[cup"), "h.plan.toml"
    yield "unknown plan key", toml("i", plan + "\n[stem]\nsize = 3\n"), "stem"
    yield "other side", toml("j", 'operated_side = "right"\n'), "operated_side"
    yield "other head", toml("k", 'operated_side = "left"\n[femur]\nhead_diameter_mm = 28\n'), "28"
    yield "a directory", ["measure", folder, "--reading", READING], "directory"
    empty = folder / "empty.dcm"
    empty.touch()
    yield "an empty file", ["measure", empty, "--reading", READING], "empty"
    yield "no such file", ["measure", folder / "none.dcm", "--reading", READING], "none.dcm"
    yield "no reading", ["measure", film, "--reading", folder / "none.json"], "none.json"
    yield "not a film", ["measure", PLAN, "--reading", READING], "well_placed.plan.toml"
    yield "no option", ["measure", film], "--reading"
    yield "no command", ["guess"], "guess"
    yield "strict about nothing", ["measure", film, "--reading", READING, "--strict"], "--plan"
    misspelt = reading("l", landmarks(femoral_haed_left=[[1, 2]]))
    yield "a misspelt name", misspelt, "did you mean femoral_head_left?"
    looked_for = {**record, "landmarks": {"symphysis": []}}
    yield "nothing placed", reading("m", looked_for), "no landmark is placed in it"
    yield "nothing to view", ["view", folder / "nothing.dcm"], "nothing.dcm"


@pytest.mark.parametrize("call", [(), ("series",)])
def test_without_a_command_the_page_of_the_commands_is_printed(run, call):
    code, _, err = run(*call)
    lines = err.splitlines()
    assert code == 2 and lines[0].startswith("Usage:") and "Commands:" in lines


def test_each_wrong_input_has_a_line_of_its_own_and_exit_code_2(run, film, plain_films, tmp_path):
    seen, calls = {}, list(_wrong_calls(tmp_path, film, plain_films("long_leg")))
    for what, call, word in calls:
        code, out, err = run(*call)
        assert (code, out) == (2, ""), what
        assert err.count("\n") == 1 and err.startswith("xraymeasure: "), f"{what}: {err}"
        assert word in err, f"{what}: {err}"
        seen[err] = what
    assert len(seen) == len(calls)


def test_a_folder_that_cannot_be_written_to_is_one_line(run, film, tmp_path):
    blocked = tmp_path / "file"
    blocked.touch()
    code, _, err = run("measure", film, "--reading", READING, "--out", blocked / "below")
    assert code == 2 and err.count("\n") == 1


def test_the_demo_measures_every_sample_and_says_where_the_pages_are(run, tmp_path):
    code, out, err = run("demo", "--out", tmp_path / "demo")
    assert (code, err) == (0, "")
    for name in sample_names():
        assert name in out
        assert (tmp_path / "demo" / name / f"{name}.pdf").read_bytes().startswith(b"%PDF")
        assert (tmp_path / "demo" / name / f"{name}.html").exists()
    assert CAUTION in out and str(tmp_path / "demo") in out


def test_info_names_versions_and_a_decoder_for_every_compression(run):
    code, out, _ = run("info")
    assert code == 0
    assert "pydicom" in out and "JPEG 2000" in out
    assert "no decoder" not in out


def test_phantom_makes_every_film_with_progress_and_the_geometry_that_was_asked_for(run, tmp_path):
    asked = ("--source-detector-mm", 1000, "--pitch-mm", 0.4)
    code, out, err = run("phantom", "--out", tmp_path, "--seed", 11, "--small", *asked)
    names = [Path(line).stem for line in out.splitlines()]
    assert code == 0 and sorted(names) == sorted(sample_names())
    told = [f"{k} of {len(names)}: {name}" for k, name in enumerate(names, start=1)]
    assert err.splitlines() == told
    assert len(list(tmp_path.iterdir())) == 4 * len(names)
    film = pydicom.dcmread(tmp_path / f"{names[0]}.dcm")
    assert float(film.DistanceSourceToDetector) == 1000.0
    assert [float(value) for value in film.ImagerPixelSpacing] == [1.6, 1.6]
    assert film.Columns * 1.6 == pytest.approx(420.0, abs=3.0)


def test_help_loads_nothing_heavy():
    script = (
        "import sys; from xraymeasure import cli\n"
        "heavy = {'numpy', 'scipy', 'pydicom', 'matplotlib', 'skimage', 'pandas', 'napari'}\n"
        "print(heavy & set(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "set()"


def test_the_installed_command_is_there():
    command = shutil.which("xraymeasure", path=str(Path(sys.executable).parent))
    done = subprocess.run([command, "--help"], capture_output=True, text=True, check=True)
    assert all(name in done.stdout for name in ("measure", "demo", "view", "series", "phantom"))


def test_propose_writes_a_reading_that_measure_takes_and_exits_with_4_where_nothing_is_found(
    tmp_path, run
):
    from xraymeasure.samples import sample_folder

    film, out = sample_folder() / "well_placed.dcm", tmp_path / "r.reading.json"
    found = ["propose", film, "--head-diameter", "36", "-o", out]
    code, said, _ = run(*found)
    assert code == 0
    assert "Left hip" in said
    code, _, complaint = run(*found)
    assert code == 2
    assert "exists" in complaint
    code, said, _ = run("measure", film, "--reading", out)
    assert code == 0
    assert "confirmed by nobody" in " ".join(said.split())
    none = tmp_path / "n.reading.json"
    code, _, complaint = run(
        "propose", sample_folder() / "before.dcm", "--head-diameter", "36", "-o", none
    )
    assert code == 4
    assert complaint.count("\n") == 1
    assert not none.exists()
    # The head of this film is 36 mm (its recipe says so): with another typed, that is said.
    code, _, complaint = run("propose", film, "--head-diameter", "22", "-o", none)
    assert code == 4 and not none.exists() and complaint.count("\n") == 1
    assert "36" in complaint and "check the diameter" in complaint


def test_without_its_optional_part_the_window_says_how_to_install_it(run, monkeypatch):
    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.setitem(sys.modules, "napari", None)
    monkeypatch.delitem(sys.modules, "napari_xraymeasure.window", raising=False)
    code, _, complaint = run("view")
    assert code == 2
    assert "(napari is not installed)" in complaint
    # A part that is there and broken is not taken for one that is missing.
    monkeypatch.setitem(sys.modules, "napari_xraymeasure.window", ModuleType("window"))
    with pytest.raises(ImportError, match="open_window"):
        run("view")
