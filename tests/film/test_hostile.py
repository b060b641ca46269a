"""Files that are made to break a decoder: refused with words, within seconds and little memory."""

import io
import struct
import sys
import zlib

import numpy as np
import pydicom
import pytest
import tifffile
from PIL import Image
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLSLossless,
    RLELossless,
)

from tests.film.refused import refused
from xraymeasure.errors import FilmError
from xraymeasure.film.apart import DecodingFailed, decode_apart
from xraymeasure.film.limits import WatchedBytes
from xraymeasure.film.read import read_film

posix = pytest.mark.skipif(sys.platform == "win32", reason="calls a shell of POSIX")


def refused_content(folder, content):
    """The one line with which a file of this content is refused."""
    path = folder / "film"
    path.write_bytes(content)
    return refused(path)


def dicom(pixel_data, syntax=ExplicitVRLittleEndian, **changes):
    film = Dataset()
    film.Modality, film.SOPClassUID = "DX", "1.2.840.10008.5.1.4.1.1.1.1"
    film.SOPInstanceUID = "1.2.3.4"
    film.Rows, film.Columns, film.SamplesPerPixel = 65000, 65000, 1
    film.BitsAllocated, film.BitsStored, film.HighBit = 16, 16, 15
    film.PixelRepresentation, film.PhotometricInterpretation = 0, "MONOCHROME2"
    film.PixelData = pixel_data
    film["PixelData"].VR = "OW"
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = syntax
    for name, value in changes.items():
        setattr(film, name, value)
    if syntax.is_encapsulated:
        film["PixelData"].VR = "OB"
        film["PixelData"].is_undefined_length = True
    stream = io.BytesIO()
    pydicom.dcmwrite(stream, film, enforce_file_format=True, overwrite=True)
    return stream.getvalue()


def png(rows, columns):
    """A PNG (ISO/IEC 15948) that claims a size and holds next to nothing."""

    def chunk(name, data):
        crc = struct.pack(">I", zlib.crc32(name + data))
        return struct.pack(">I", len(data)) + name + data + crc

    head = struct.pack(">IIBBBBB", columns, rows, 16, 0, 0, 0, 0)
    packed = zlib.compress(bytes(50))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
    )


def tiff(rows, columns, following=0, compression=8):
    """A TIFF 6.0 of one strip that claims a size; `following` is the place of the next image."""
    packed = zlib.compress(bytes(50))
    entries = [
        (256, 4, columns), (257, 4, rows), (258, 3, 16), (259, 3, compression), (262, 3, 1),
        (273, 4, 200), (277, 3, 1), (278, 4, rows), (279, 4, len(packed)),
    ]  # fmt: skip
    table = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    head = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(entries)) + table
    return (head + struct.pack("<I", following)).ljust(200, b"\0") + packed


def j2k(rows, columns):
    size = struct.pack(">HIIIIIIIIHBBB", 0, columns, rows, 0, 0, columns, rows, 0, 0, 1, 15, 1, 1)
    return b"\xff\x4f\xff\x51" + struct.pack(">H", len(size) + 2) + size + b"\xff\xd9"


def jls(rows, columns):
    frame = struct.pack(">HBHHBBBB", 11, 16, rows, columns, 1, 1, 0x11, 0)
    scan = struct.pack(">HBBBBBB", 8, 1, 1, 0, 0, 0, 0)
    return b"\xff\xd8\xff\xf7" + frame + b"\xff\xda" + scan + bytes(8) + b"\xff\xd9"


@pytest.mark.parametrize(
    "content",
    [
        png(60000, 60000),
        png(9000, 9000),
        tiff(60000, 60000),
        tiff(9000, 9000),
        dicom(bytes(100)),
        dicom(bytes(100), DeflatedExplicitVRLittleEndian),
        dicom(encapsulate([bytes(64)]), RLELossless),
        dicom(encapsulate([j2k(65000, 65000)]), JPEG2000Lossless),
        dicom(encapsulate([j2k(9000, 9000)]), JPEG2000Lossless, Rows=9000, Columns=9000),
        dicom(encapsulate([jls(65000, 65000)]), JPEGLSLossless),
        dicom(encapsulate([jls(9000, 9000)]), JPEGLSLossless, Rows=9000, Columns=9000),
    ],
    ids=[
        "png", "png within the cap", "tiff", "tiff within the cap", "dicom", "deflated dicom",
        "rle", "jpeg 2000", "jpeg 2000 within the cap", "jpeg-ls", "jpeg-ls within the cap",
    ],
)  # fmt: skip
def test_a_few_bytes_that_claim_to_be_a_huge_film_are_refused(tmp_path, content):
    assert "says that it has" in refused_content(tmp_path, content)


def test_a_data_set_that_inflates_without_end_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("xraymeasure.film.dicom.read.MOST_BYTES", 1_000_000)
    head = dicom(bytes(2), DeflatedExplicitVRLittleEndian)
    start = 144 + int.from_bytes(head[140:144], "little")
    deflating = zlib.compressobj(9, wbits=-zlib.MAX_WBITS)
    bomb = deflating.compress(bytes(1_100_000)) + deflating.flush()
    assert len(bomb) < 2_000
    assert "inflates to more than 1 MB" in refused_content(tmp_path, head[:start] + bomb)


def test_a_sparse_file_of_gigabytes_is_refused(tmp_path):
    path = tmp_path / "film"
    with path.open("wb") as stream:
        stream.write(dicom(bytes(2))[:300])
        stream.truncate(4_000_000_000)
    with pytest.raises(FilmError, match="has 4000 MB"):
        read_film(path)


def test_a_tiff_whose_directories_lead_in_a_circle_is_refused(tmp_path):
    assert "images" in refused_content(tmp_path, tiff(10, 10, following=8))


def test_a_jpeg_stream_of_an_impossible_depth_is_refused(tmp_path):
    stream = io.BytesIO()
    Image.fromarray(np.zeros((16, 16), np.uint8)).save(stream, "JPEG")
    small = {"Rows": 16, "Columns": 16, "BitsAllocated": 8, "BitsStored": 7, "HighBit": 6}
    path = tmp_path / "film"
    path.write_bytes(dicom(encapsulate([stream.getvalue()]), JPEGBaseline8Bit, **small))
    # GDCM ends the whole program on it, or decodes it, by its version.
    try:
        assert read_film(path).shape == (16, 16)
    except FilmError as error:
        assert "damaged" in str(error)


def test_attributes_are_read_for_a_limited_time():
    stream = WatchedBytes(bytes(10), "film.dcm", seconds=-1)
    with pytest.raises(FilmError, match=r"film\.dcm: takes too long"):
        stream.read(1)


@posix
def test_a_decoder_that_dies_is_told_and_the_next_one_works():
    with pytest.raises(DecodingFailed, match="broke down"):
        decode_apart("subprocess", "call", b"kill -SEGV $PPID", shell=True)
    with pytest.raises(DecodingFailed, match="TypeError"):
        decode_apart("time", "sleep", b"")


@posix
def test_a_decoder_that_never_ends_is_stopped():
    with pytest.raises(DecodingFailed, match="took too long"):
        decode_apart("subprocess", "call", b"sleep 3", seconds=0.1, shell=True)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not limit memory")
def test_a_decoder_that_outgrows_its_memory_is_told():
    with pytest.raises(DecodingFailed, match="MemoryError"):
        decode_apart("numpy", "tile", bytes(1000), reps=3_000_000)


# --- whole, though unusual ----------------------------------------------------------------------


def test_jpeg_extended_of_12_bits_is_read(tmp_path):
    # A scan that pydicom carries with itself, of another modality; imagecodecs 2026.3.6, which
    # decodes by libjpeg-turbo, gives these values (read).
    film = pydicom.dcmread(get_testdata_file("JPEG-lossy.dcm", download=False))
    assert film.file_meta.TransferSyntaxUID == JPEGExtended12Bit
    film.Modality, film.SOPClassUID = "DX", "1.2.840.10008.5.1.4.1.1.1.1"
    film.file_meta.MediaStorageSOPClassUID = film.SOPClassUID
    film.NumberOfFrames = 1
    film.save_as(tmp_path / "film")
    pixels = read_film(tmp_path / "film").pixels
    assert (pixels.shape, pixels.dtype) == ((1024, 256), np.uint16)
    assert (pixels.min(), pixels.max()) == (0, 264)
    assert pixels.mean() == pytest.approx(14.36999, abs=1e-5)


@pytest.mark.parametrize("compression", ["zstd", "lzma"])
def test_tiff_of_newer_compressions_is_read(tmp_path, compression):
    pixels = np.random.default_rng(1).integers(0, 4096, (50, 60)).astype(np.uint16)
    Image.fromarray(pixels).save(tmp_path / "film", "TIFF", compression=compression)
    with tifffile.TiffFile(tmp_path / "film") as written:
        assert written.pages[0].compression.name.lower().startswith(compression)
    np.testing.assert_array_equal(read_film(tmp_path / "film").pixels, pixels)


def test_a_large_film_that_compresses_well_is_read(tmp_path):
    dark = np.zeros((4500, 4000), np.uint8)
    dark[1000:3000, 1000:3000] = np.random.default_rng(1).integers(0, 255, (2000, 1))
    Image.fromarray(dark).save(tmp_path / "film", "PNG")
    np.testing.assert_array_equal(read_film(tmp_path / "film").pixels, dark)
