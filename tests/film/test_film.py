"""The film itself: its frame, its hash, and files that are no film at all."""

import errno
import hashlib
import os
import pickle
from dataclasses import FrozenInstanceError
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from tests.film.refused import refused
from xraymeasure.errors import FilmError
from xraymeasure.film.film import film_from_array
from xraymeasure.film.read import read_film

# Every way to lay the patient's two directions along rows and columns.
AXES = [
    axes
    for first in (-1, 1)
    for second in (-1, 1)
    for axes in (((0, first), (second, 0)), ((first, 0), (0, second)))
]
PIXELS = np.arange(35, dtype=np.uint16).reshape(5, 7)


@given(
    axes=st.sampled_from(AXES),
    points=st.lists(st.tuples(st.floats(-5e3, 5e3), st.floats(-5e3, 5e3)), min_size=1, max_size=5),
    centre=st.tuples(st.floats(-4e3, 4e3), st.floats(-4e3, 4e3)),
    pitch=st.tuples(st.floats(0.05, 1), st.floats(0.05, 1)),
)
def test_pixels_and_millimetres_map_back_and_forth(axes, points, centre, pitch):
    film = film_from_array(PIXELS, pitch_mm=pitch, beam_centre=centre, patient_axes=axes)
    there = film.to_patient_mm(points)
    np.testing.assert_allclose(film.to_pixels(there), points, atol=1e-6)
    steps = (np.array(points) - centre) * pitch
    np.testing.assert_allclose(np.linalg.norm(there, axis=1), np.linalg.norm(steps, axis=1))


def test_the_usual_film_has_left_to_the_right_and_caudal_down():
    film = film_from_array(PIXELS, pitch_mm=(0.3, 0.2))
    assert film.beam_centre == (2.0, 3.0)
    np.testing.assert_allclose(film.to_patient_mm([2, 4]), [0.2, 0])
    np.testing.assert_allclose(film.to_patient_mm([3, 3]), [0, 0.3])


def test_a_call_may_override_pitch_and_beam_centre():
    film = film_from_array(PIXELS, pitch_mm=1.0)
    there = film.to_patient_mm([[1, 1]], beam_centre=(0, 0), pitch_mm=np.float32(0.5))
    np.testing.assert_allclose(there, [[0.5, 0.5]])
    np.testing.assert_allclose(film.to_pixels(there, (0, 0), (0.5, 0.5)), [[1, 1]])


def test_without_a_pitch_there_are_no_millimetres():
    film = film_from_array(PIXELS, source="old.png")
    with pytest.raises(
        FilmError, match=r"old\.png: the pixel spacing at the detector is not known"
    ):
        film.to_patient_mm([0, 0])


def test_pixels_that_are_not_square_are_noted_of_an_array_as_of_a_file():
    assert not film_from_array(PIXELS, pitch_mm=0.2, notes=("Scanned.",)).notes[1:]
    first, second = film_from_array(PIXELS, pitch_mm=(0.22, 0.2), notes=("Scanned.",)).notes
    assert first == "Scanned."
    assert "not square: rows lie 1.1 times" in second


@pytest.mark.parametrize("pitch", [0, -1.0, float("nan"), (0.1, float("inf")), (0.1, 0.1, 0.1)])
def test_an_impossible_pitch_is_refused(pitch):
    with pytest.raises(FilmError, match="above zero"):
        film_from_array(PIXELS).to_patient_mm([0, 0], pitch_mm=pitch)


def test_the_hash_is_of_the_values_row_by_row_and_little_endian():
    expected = hashlib.sha256(PIXELS.astype("<u2").tobytes()).hexdigest()
    assert film_from_array(PIXELS).pixel_sha256 == expected
    assert film_from_array(PIXELS.astype(">u2")).pixel_sha256 == expected
    assert film_from_array(np.asfortranarray(PIXELS)).pixel_sha256 == expected
    assert film_from_array(PIXELS + 1).pixel_sha256 != expected


def test_a_film_cannot_be_changed():
    film = film_from_array(PIXELS)
    with pytest.raises(FrozenInstanceError):
        film.source = "other"
    with pytest.raises(ValueError, match="read-only"):
        film.pixels[0, 0] = 1


def test_a_film_travels_to_another_process():
    film = film_from_array(PIXELS, pitch_mm=0.2)
    copy = pickle.loads(pickle.dumps(film))
    np.testing.assert_array_equal(copy.display(), film.display())
    assert copy.spacing == film.spacing


@pytest.mark.parametrize(
    "pixels, words",
    [
        (np.zeros((0, 4), np.uint8), "no rows or no columns"),
        (np.zeros((2, 3, 3), np.uint8), "3 dimensions"),
        (np.zeros((2, 3)), "float64"),
        (np.zeros((2, 3), np.int32), "int32"),
    ],
)
def test_an_array_that_is_no_film_is_refused(pixels, words):
    with pytest.raises(FilmError, match=words):
        film_from_array(pixels)


# --- files --------------------------------------------------------------------------------------


def test_where_no_film_is_to_be_had_it_says_why_and_does_not_wait(tmp_path):
    assert "no such file" in refused(tmp_path / "none.dcm")
    assert "is a directory" in refused(tmp_path)
    (tmp_path / "empty.dcm").touch()
    assert "is empty" in refused(tmp_path / "empty.dcm")
    os.mkfifo(tmp_path / "film.dcm")
    assert "not an ordinary file" in refused(tmp_path / "film.dcm")


@pytest.mark.parametrize(
    "number, words", [(errno.EACCES, "no permission"), (errno.EIO, "cannot be read")]
)
def test_a_file_that_the_system_does_not_give_is_refused(tmp_path, monkeypatch, number, words):
    # The tests may run as an administrator, whom no file mode stops: the system's answer is given
    # in its place, with the exception that Python makes of it.
    path = tmp_path / "film.dcm"
    path.write_bytes(b"something")

    def answer(self, *args, **kwargs):
        raise OSError(number, os.strerror(number), str(self))

    monkeypatch.setattr(Path, "open", answer)
    assert words in refused(path)


@pytest.mark.parametrize(
    "content",
    [
        b"a note about a film",
        b"\0" * 4000,
        b"%PDF-1.7 and more",
        b"GIF89a" + bytes(200),
        b"{}",
        b"\x08",
        bytes(range(256)) * 8,
    ],
)
def test_what_is_no_film_is_refused(tmp_path, content):
    path = tmp_path / "film.dcm"
    path.write_bytes(content)
    assert "neither DICOM nor PNG, TIFF or JPEG" in refused(path)


@pytest.mark.parametrize("start", [b"\x08\0\x05\0", b"\0\x08\0\x05", b"\x02\0\0\0"])
def test_what_only_starts_like_dicom_is_refused(tmp_path, start):
    path = tmp_path / "film.dcm"
    path.write_bytes(start + bytes(range(200)) * 9)
    refused(path)


def test_the_content_decides_not_the_name(tmp_path):
    path = tmp_path / "picture.dcm"
    Image.fromarray(PIXELS.astype(np.uint8)).save(path, "PNG")
    film = read_film(str(path))
    np.testing.assert_array_equal(film.pixels, PIXELS)
    # The folder stays out of the film.
    assert film.source == "picture.dcm"
