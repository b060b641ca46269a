"""Streams of other makers pass, damaged ones do not."""

import pydicom
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom.data import get_testdata_file
from pydicom.encaps import generate_frames

from xraymeasure.film.dicom.codestream import jpeg2000_fault, jpeg_fault

# Files that come with pydicom, by several encoders.
JPEG = [
    "JPEG-lossy.dcm",
    "JPGExtended.dcm",
    "SC_rgb_jpeg_dcmtk.dcm",
    "SC_rgb_jpeg_lossy_gdcm.dcm",
    "SC_rgb_small_odd_jpeg.dcm",
    "MR_small_jpeg_ls_lossless.dcm",
    "JPEGLSNearLossless_08.dcm",
    "JPEGLSNearLossless_16.dcm",
    "SC_rgb_jls_lossy_line.dcm",
    "SC_rgb_jls_lossy_sample.dcm",
]
JPEG2000 = [
    "JPEG2000.dcm",
    "MR_small_jp2klossless.dcm",
    "693_J2KI.dcm",
    "J2K_pixelrep_mismatch.dcm",
    "GDCMJ2K_TextGBR.dcm",
    "examples_jpeg2k.dcm",
]
CHECKS = [(name, jpeg_fault) for name in JPEG] + [(name, jpeg2000_fault) for name in JPEG2000]


def stream_of(name):
    film = pydicom.dcmread(get_testdata_file(name, download=False))
    stream = next(generate_frames(film.PixelData, number_of_frames=1))
    return stream, (film.Rows, film.Columns, film.SamplesPerPixel)


@pytest.mark.parametrize("name, fault_in", CHECKS)
def test_a_sound_stream_passes(name, fault_in):
    stream, size = stream_of(name)
    assert fault_in(stream, *size) is None


@pytest.mark.parametrize("name, fault_in", CHECKS)
def test_a_stream_of_another_size_does_not(name, fault_in):
    stream, (rows, columns, samples) = stream_of(name)
    assert "contradicts" in fault_in(stream, rows + 1, columns, samples)
    assert "contradicts" in fault_in(stream, rows, columns - 1, samples)
    assert fault_in(stream, rows, columns, 4 - samples) is not None


@pytest.mark.parametrize("name, fault_in", CHECKS)
@pytest.mark.parametrize("part", [0, 0.001, 0.1, 0.5, 0.9])
def test_a_stream_that_ends_early_does_not(name, fault_in, part):
    stream, size = stream_of(name)
    assert fault_in(stream[: int(part * len(stream))], *size) is not None


@given(junk=st.binary(max_size=300))
def test_junk_is_a_fault_and_never_an_exception(junk):
    for start in (b"", b"\xff\xd8", b"\xff\x4f\xff\x51"):
        assert jpeg_fault(start + junk, 64, 64, 1) is not None
        assert jpeg2000_fault(start + junk, 64, 64, 1) is not None


def test_a_huffman_table_that_is_no_code_is_a_fault():
    stream, size = stream_of("JPEG-lossy.dcm")
    place = stream.index(b"\xff\xc4") + 5
    # Three codes of one bit cannot be told apart.
    damaged = stream[:place] + b"\x03" + stream[place + 1 :]
    assert jpeg_fault(damaged, *size) is not None
