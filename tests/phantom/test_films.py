"""Rendered films: readable by others, complete, synthetic by name, the same each time."""

import ast
import copy
import hashlib
import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest

from xraymeasure.phantom import make_film, samples, write_sample
from xraymeasure.phantom.dicom import compressed
from xraymeasure.phantom.scene import Geometry

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ROOT / "sample_images"
NAMES = [sample.scenario.name for sample in samples(7)]
LIMIT_BYTES = 20_000_000


def written(seed, folder):
    """The files of one film."""
    folder.mkdir()
    write_sample(samples(seed)[0], folder, small=True)
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_the_same_seed_makes_the_same_bytes_and_another_another_picture(tmp_path):
    first, again, other = (written(seed, tmp_path / f"{k}") for k, seed in enumerate((11, 11, 12)))
    assert len(first) == 4
    assert first == again
    one, two = (json.loads(each[f"{NAMES[0]}.truth.json"]) for each in (first, other))
    assert one["landmarks"] == two["landmarks"]
    assert one["pixel_sha256"] != two["pixel_sha256"]


@pytest.fixture(scope="module")
def small_film():
    return make_film(samples(7)[0].scenario, small=True)


@pytest.mark.parametrize("method", ["jpeg2000", "jpegls", "jpeg"])
def test_compression_loses_nothing(method, small_film):
    plain = copy.deepcopy(small_film.dataset)
    plain.decompress()
    again = compressed(plain, method)
    assert again.file_meta.TransferSyntaxUID.is_compressed
    np.testing.assert_array_equal(again.pixel_array, small_film.pixels)


def test_the_corner_is_dark_or_stored_white_as_the_photometry_says(small_film):
    scene = replace(samples(7)[0].scenario, photometric="MONOCHROME1")
    assert small_film.pixels[:10, :10].mean() < 600
    assert make_film(scene, small=True).pixels[:10, :10].mean() > 3500


def test_metal_is_brighter_than_bone_and_bone_than_flesh(small_film):
    film = small_film
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


def test_the_phantom_shares_no_formula_with_the_measuring_code():
    shared = {"xraymeasure.files.atomic", "xraymeasure.about", "xraymeasure.errors"}
    for path in sorted((ROOT / "xraymeasure" / "phantom").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("xraymeasure"):
                assert node.module in shared or node.module.startswith("xraymeasure.phantom")
