"""Rendered films: readable by others, complete, synthetic by name, the same each time."""

import ast
import hashlib
import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest

from xraymeasure.phantom import make_film, samples, write_samples
from xraymeasure.phantom.scene import Geometry

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ROOT / "sample_images"
NAMES = [sample.scenario.name for sample in samples(7)]
LIMIT_BYTES = 20_000_000


@pytest.fixture(scope="module")
def small_set(tmp_path_factory):
    folder = tmp_path_factory.mktemp("films")
    return folder, write_samples(folder, 11, small=True)


def test_the_same_seed_makes_the_same_bytes(small_set, tmp_path):
    folder, names = small_set
    write_samples(tmp_path, 11, small=True)
    made = sorted(path.name for path in folder.iterdir())
    assert made == sorted(path.name for path in tmp_path.iterdir())
    assert len(made) == 4 * len(names)
    for name in made:
        assert (folder / name).read_bytes() == (tmp_path / name).read_bytes(), name


def test_another_seed_changes_the_picture_but_not_the_truth(small_set, tmp_path):
    folder, names = small_set
    told = []
    write_samples(tmp_path, 12, lambda *what: told.append(what), small=True)
    assert told == [(name, k, len(names)) for k, name in enumerate(names, start=1)]
    for name in names:
        first, second = (
            json.loads((where / f"{name}.truth.json").read_text()) for where in (folder, tmp_path)
        )
        assert first["landmarks"] == second["landmarks"]
        assert first["pixel_sha256"] != second["pixel_sha256"]


def test_geometry_options_reach_the_films(tmp_path):
    write_samples(tmp_path, 11, source_detector_mm=1000.0, pitch_mm=0.4, small=True)
    film = pydicom.dcmread(tmp_path / f"{NAMES[0]}.dcm")
    assert float(film.DistanceSourceToDetector) == 1000.0
    assert [float(value) for value in film.ImagerPixelSpacing] == [1.6, 1.6]
    assert film.Columns * 1.6 == pytest.approx(420.0, abs=3.0)


@pytest.mark.parametrize("method", ["jpeg2000", "jpegls", "jpeg"])
@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_compression_loses_nothing(method, photometric):
    scene = replace(samples(7)[0].scenario, compression=method, photometric=photometric)
    film = make_film(scene, small=True)
    np.testing.assert_array_equal(film.dataset.pixel_array, film.pixels)
    corner = film.pixels[:10, :10].mean()
    assert (corner > 3500) if photometric == "MONOCHROME1" else (corner < 600)


def test_metal_is_brighter_than_bone_and_bone_than_flesh():
    scene = samples(7)[0].scenario
    film = make_film(scene, small=True)
    marks = film.truth["landmarks"]

    def value(name: str) -> float:
        row, column = np.mean(marks[name], axis=0).round().astype(int)
        return float(film.pixels[row - 2 : row + 3, column - 2 : column + 3].mean())

    head, native = value("femoral_head_left"), value("femoral_head_right")
    flesh = value("obturator_foramen_right")
    assert head > native + 500 > flesh + 700


def test_the_field_of_view_stays_when_pixels_grow():
    fine = Geometry(beam_centre=(600.0, 700.0))
    coarse = fine.coarser(4)
    corner = np.array([[40.0, -35.0, 150.0]])
    place = (fine.project(corner) + 0.5) / 4.0 - 0.5
    np.testing.assert_allclose(coarse.project(corner), place, rtol=1e-12)


# --- the set that is shipped ----------------------------------------------------------------------


def test_the_shipped_set_is_complete_and_small():
    kinds = (".dcm", ".reading.json", ".plan.toml", ".truth.json")
    shipped = [SHIPPED / f"{name}{kind}" for name in NAMES for kind in kinds]
    missing = [path.name for path in shipped if not path.is_file()]
    assert not missing
    assert sum(path.stat().st_size for path in shipped) < LIMIT_BYTES
    assert max(path.stat().st_size for path in shipped) < 2_000_000
    assert {
        json.loads((SHIPPED / f"{n}.reading.json").read_text())["operated_side"] for n in NAMES
    } == {
        "left",
        "right",
    }


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_film_is_openly_synthetic_and_belongs_to_its_files(name):
    film = pydicom.dcmread(SHIPPED / f"{name}.dcm")
    assert "SYNTHETIC" in str(film.PatientName)
    assert "SYNTHETIC" in film.ImageComments
    assert film.PatientIdentityRemoved == "YES"
    assert film.SOPClassUID == "1.2.840.10008.5.1.4.1.1.1.1"
    assert film.SOPInstanceUID.startswith("2.25.")
    assert film.file_meta.TransferSyntaxUID.is_compressed
    pixels = film.pixel_array
    assert (film.BitsStored, pixels.dtype) == (12, np.dtype("uint16"))
    digest = hashlib.sha256(np.ascontiguousarray(pixels, dtype="<u2").tobytes()).hexdigest()
    reading = json.loads((SHIPPED / f"{name}.reading.json").read_text())
    known = json.loads((SHIPPED / f"{name}.truth.json").read_text())
    for record in (reading["film"], known):
        assert record["pixel_sha256"] == digest
        assert record["sop_instance_uid"] == film.SOPInstanceUID
    assert "simulated reader" in reading["comment"]
    for mark, points in reading["landmarks"].items():
        assert np.all(np.array(points) >= 0)
        assert np.all(np.array(points) <= [film.Rows - 1, film.Columns - 1])
        assert mark in known["landmarks"]
    plan = tomllib.loads((SHIPPED / f"{name}.plan.toml").read_text())
    assert plan["operated_side"] == reading["operated_side"]


def test_the_shipped_set_uses_several_ways_of_compressing():
    syntaxes = {
        pydicom.dcmread(
            SHIPPED / f"{name}.dcm", stop_before_pixels=True
        ).file_meta.TransferSyntaxUID
        for name in NAMES
    }
    assert len(syntaxes) == 3


def test_no_measuring_module_imports_the_phantom():
    allowed = {"phantom", "cli"}
    guilty = []
    for path in sorted((ROOT / "xraymeasure").rglob("*.py")):
        parts = path.relative_to(ROOT / "xraymeasure").parts
        if parts[0].removesuffix(".py") in allowed:
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            names = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or "", *(alias.name for alias in node.names)]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            if any("phantom" in name for name in names):
                guilty.append("/".join(parts))
    assert not guilty


def test_the_phantom_shares_no_formula_with_the_measuring_code():
    shared = {"xraymeasure.files.atomic", "xraymeasure.about", "xraymeasure.errors"}
    for path in sorted((ROOT / "xraymeasure" / "phantom").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("xraymeasure"):
                assert node.module in shared or node.module.startswith("xraymeasure.phantom")
