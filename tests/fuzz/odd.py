"""Odd files, each made another way than by changing bytes of a sound one."""

from __future__ import annotations

import io
import random
import struct
import zipfile
import zlib
from collections.abc import Callable

import numpy as np
import pydicom
import tifffile
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import (
    MPEG4HP41,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)

from tests.fuzz.corpus import base, written

WORDS = ("", "nan", "1e9999", "-1e308", "9" * 40, "1\\2\\3", "\x1b[2J", "\0", "½", "=1+1", "../..")
Made = tuple[str, bytes]


def _number(rng: random.Random) -> int:
    return rng.choice((0, 1, 2, 3, 255, 256, 4095, 65_535, 65_536, 2**31 - 1, 2**32 - 1))


def raw_element(tag: tuple[int, int], kind: bytes, value: bytes) -> bytes:
    """Return an element as bytes, whatever it holds."""
    head = struct.pack("<HH", *tag) + kind
    if kind in (b"OB", b"OW", b"SQ", b"UN", b"UT", b"OF"):
        return head + struct.pack("<HI", 0, len(value)) + value
    return head + struct.pack("<H", len(value) % 65_536) + value


def attributes(rng: random.Random) -> Made:
    """Words, bytes or numbers where a film has something else."""
    film = base(ExplicitVRLittleEndian, bytes(2048))
    tags = [
        "ImagerPixelSpacing",
        "PixelSpacing",
        "PatientOrientation",
        "WindowCenter",
        "WindowWidth",
        "RescaleSlope",
        "RescaleIntercept",
        "DistanceSourceToDetector",
        "NumberOfFrames",
        "AcquisitionDate",
        "ImageLaterality",
        "SOPInstanceUID",
        "PatientID",
        "SpecificCharacterSet",
        "EstimatedRadiographicMagnificationFactor",
        "VOILUTFunction",
        "PixelAspectRatio",
    ]
    content = written(film)
    for keyword in rng.sample(tags, 4):
        tag = pydicom.datadict.tag_for_keyword(keyword)
        kind = rng.choice((pydicom.datadict.dictionary_VR(keyword), "UN", "SQ", "OB", "LO", "XX"))
        word = rng.choice(WORDS).encode("utf-8") * rng.choice((1, 1, 1, 3000))
        content += raw_element(
            (tag >> 16, tag & 0xFFFF), kind.encode(), word + b" " * (len(word) % 2)
        )
    return "dcm", content


def nested(rng: random.Random) -> Made:
    """Sequences within sequences, more than any film has."""
    depth = rng.choice((10, 400, 3000))
    item = b""
    for _ in range(depth):
        item = (
            struct.pack("<HH2sHI", 0x0040, 0xA730, b"SQ", 0, 0xFFFFFFFF)
            + struct.pack("<HHI", 0xFFFE, 0xE000, 0xFFFFFFFF)
            + item
        )
    return "dcm", written(base(ExplicitVRLittleEndian, bytes(2048))) + item


def tables(rng: random.Random) -> Made:
    """Look-up tables, overlays and palettes of another size than they say."""
    film = base(ExplicitVRLittleEndian, bytes(2048))
    table = Dataset()
    table.LUTDescriptor = [_number(rng) % 65_536, _number(rng) % 65_536, rng.choice((0, 8, 16, 99))]
    table.LUTData = bytes(rng.choice((0, 2, 512, 131_072)))
    table["LUTData"].VR = "OW"
    setattr(film, rng.choice(("ModalityLUTSequence", "VOILUTSequence")), Sequence([table]))
    film.add_new(0x60000010, "US", rng.choice((1, 65_535)))
    film.add_new(0x60000011, "US", rng.choice((1, 65_535)))
    film.add_new(0x60003000, "OW", bytes(4))
    if rng.random() < 0.3:
        film.PhotometricInterpretation = "PALETTE COLOR"
        film.RedPaletteColorLookupTableDescriptor = [_number(rng) % 65_536, 0, 16]
        film.RedPaletteColorLookupTableData = bytes(4)
    return "dcm", written(film)


def bomb(rng: random.Random) -> Made:
    """A deflated film, most of which is nothing; up to 400 MB unpacked."""
    film = base(ExplicitVRLittleEndian, bytes(2048))
    film.is_little_endian, size = True, rng.choice((1, 60, 200, 400)) * 1_000_000
    if rng.random() < 0.5:
        film.Rows = film.Columns = int((size / 2) ** 0.5)
    film.PixelData = bytes(size)
    film.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    return "dcm", written(film)


def streams(rng: random.Random) -> Made:
    """A compressed stream that claims much, says nonsense, or stops."""
    side, kind = rng.choice((1, 255, 12_000, 30_000, 65_535)), rng.choice(("j2k", "jls", "rle"))
    if kind == "j2k":
        tile, parts = rng.choice((1, side)), rng.choice((1, 3, 16_384))
        size = struct.pack(">HIIIIIIIIH", 0, side, side, 0, 0, tile, tile, 0, 0, parts)
        size += struct.pack("BBB", 15, 1, 1) * min(parts, 20_000)
        coding = struct.pack(
            ">BBHBBBBBB",
            0,
            rng.choice((0, 4)),
            rng.choice((1, 65_535)),
            0,
            rng.choice((0, 5, 32)),
            4,
            4,
            0,
            1,
        )
        stream = (
            b"\xff\x4f\xff\x51"
            + struct.pack(">H", (len(size) + 2) % 65_536)
            + size
            + b"\xff\x52"
            + struct.pack(">H", len(coding) + 2)
            + coding
            + b"\xff\x90"
            + struct.pack(">HHIBB", 10, 0, 0, 0, 1)
            + b"\xff\x93"
            + rng.randbytes(200)
            + b"\xff\xd9"
        )
        syntax = JPEG2000Lossless
    elif kind == "jls":
        frame = struct.pack(">HBHHBBBB", 11, rng.choice((2, 8, 16)), side, side, 1, 1, 0x11, 0)
        extra = struct.pack(">HBHHHHH", 13, 1, *(rng.choice((0, 1, 255, 65_535)) for _ in range(5)))
        stream = (
            b"\xff\xd8\xff\xf7"
            + frame
            + b"\xff\xf8"
            + extra
            + b"\xff\xda"
            + struct.pack(">HBBBBBB", 8, 1, 1, 0, rng.choice((0, 1, 255)), rng.choice((0, 2)), 0)
            + rng.randbytes(rng.choice((0, 50, 5000)))
            + b"\xff\xd9"
        )
        syntax = JPEGLSLossless
    else:
        offsets = [rng.choice((64, 65, 2**32 - 1, 10)) for _ in range(15)]
        stream = struct.pack("<16I", rng.choice((0, 1, 2, 15, 2**31)), *offsets)
        stream += b"\x81\0" * rng.choice((1, 1000, 500_000))
        syntax = RLELossless
    film = base(syntax, encapsulate([stream]), rows=min(side, 65_535), columns=min(side, 65_535))
    if rng.random() < 0.3:
        film.Rows = film.Columns = rng.choice((1, 32, 10_000))
    if rng.random() < 0.3:
        film.PixelData = film.PixelData[: rng.randrange(20, len(film.PixelData)) // 2 * 2]
    return "dcm", written(film)


def transfer(rng: random.Random) -> Made:
    """Another syntax than the bytes follow, or none."""
    film = base(ExplicitVRLittleEndian, bytes(2048))
    content = written(film)
    other = rng.choice(
        (ImplicitVRLittleEndian, ExplicitVRBigEndian, MPEG4HP41, RLELossless, "1.2.3", "")
    )
    content = content.replace(
        ExplicitVRLittleEndian.encode().ljust(20, b"\0"), str(other).encode().ljust(20, b"\0")[:20]
    )
    return "dcm", content[rng.choice((0, 0, 128, 132)) :]


def png(rng: random.Random) -> Made:
    """Chunks that a picture need not have, in sizes that none has."""

    def chunk(name: bytes, data: bytes, wrong: bool = False) -> bytes:
        check = 0 if wrong else zlib.crc32(name + data)
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", check)

    rows, columns = rng.choice(((8, 8), (1, 100_000_000), (60_000, 60_000), (5000, 5000)))
    head = struct.pack(
        ">IIBBBBB",
        columns,
        rows,
        rng.choice((1, 8, 16)),
        rng.choice((0, 2, 3, 4, 6)),
        0,
        0,
        rng.choice((0, 1)),
    )
    much = zlib.compress(bytes(rng.choice((10, 50_000_000))))
    more = [
        chunk(b"zTXt", b"a\0\0" + much),
        chunk(b"iCCP", b"a\0\0" + much),
        chunk(b"tEXt", b"\x1b[2J\0" * 9),
        chunk(b"iTXt", b"a\0\1\0\0\0" + much),
        chunk(b"PLTE", bytes(7)),
        chunk(b"pHYs", b"\xff" * 9),
        chunk(b"acTL", struct.pack(">II", 2**31 - 1, 0)),
        chunk(b"tRNS", bytes(700)),
        chunk(b"gAMA", bytes(4)),
        chunk(b"IDAT", b"") * 3000,
        chunk(b"eXIf", b"II*\0" + b"\xff" * 60),
    ]
    inside = b"".join(rng.sample(more, rng.randint(1, 4)))
    packed = zlib.compress(bytes(rng.choice((72, 25_005_000))))
    return "png", (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + inside
        + chunk(b"IDAT", packed, rng.random() < 0.2)
        + chunk(b"IEND", b"")
    )


def tiff(rng: random.Random) -> Made:
    """Directories of odd entries, tiles, pages and kinds of numbers."""
    way = rng.choice(("entries", "entries", "entries", "kinds", "pages"))
    if way == "entries":
        known = {
            256: _number(rng),
            257: _number(rng),
            258: 16,
            259: rng.choice((1, 5, 7, 8, 50_000)),
            262: rng.choice((0, 1, 2, 3, 6)),
            273: 8,
            277: rng.choice((1, 3, 0, 65_535)),
            278: _number(rng),
            279: _number(rng),
        }
        for tag in rng.sample(
            (
                258,
                266,
                274,
                282,
                284,
                317,
                320,
                322,
                323,
                324,
                325,
                330,
                338,
                339,
                347,
                34_665,
                34_675,
                50_706,
            ),
            5,
        ):
            known[tag] = _number(rng)
        rows = b"".join(
            struct.pack(
                "<HHII",
                tag,
                rng.choice((1, 2, 3, 4, 5, 12, 16, 99)),
                rng.choice((1, 1, 1, 2, 2**31)),
                known[tag],
            )
            for tag in sorted(known)
        )
        after = rng.choice((0, 8, 2**32 - 1))
        return "tif", (
            b"II*\0"
            + struct.pack("<IH", 8, len(known))
            + rows
            + struct.pack("<I", after)
            + bytes(rng.choice((0, 9, 4000)))
        )
    stream = io.BytesIO()
    if way == "pages":
        with tifffile.TiffWriter(stream, bigtiff=rng.random() < 0.5) as writer:
            for _ in range(rng.choice((2, 300))):
                writer.write(np.zeros((4, 4), np.uint8), contiguous=False)
    else:
        kind = rng.choice(("bool", "i1", "i2", "u4", "u8", "f2", "f4", "f8", "c8", "c16"))
        shape = rng.choice(((9, 9), (3, 9, 9), (9, 9, 3), (9, 9, 7), (2, 3, 4, 5), (1, 99_999)))
        tifffile.imwrite(stream, np.zeros(shape, kind), bigtiff=rng.random() < 0.5)
    return "tif", stream.getvalue()


def jpeg(rng: random.Random) -> Made:
    """Many scans, odd samplings, marks and frames."""
    stream = io.BytesIO()
    side = rng.choice((8, 64, 2000))
    mode = rng.choice(("L", "RGB", "CMYK"))
    Image.new(mode, (side, side), 9).save(stream, "JPEG", progressive=rng.random() < 0.5)
    content = bytearray(stream.getvalue())
    frame = max(content.find(b"\xff\xc0"), content.find(b"\xff\xc2"))
    for at in rng.sample((1, 4, 5, 6, 7, 8, 9, 11, 12), 2):
        content[frame + at] = rng.choice((0, 1, 3, 9, 12, 16, 0x11, 0x44, 0xC3, 0xC9, 0xFF))
    scan = content.find(b"\xff\xda")
    inside = rng.choice(
        (
            b"",
            b"\xff\xdd\0\4\0\1",
            b"\xff\xe1\xff\xff" + b"Exif\0\0II*\0" + b"\xff" * 65_523,
            b"\xff\xfe\0\2" * 50_000,
        )
    )
    again = bytes(content[scan:-2]) * rng.choice((0, 0, 300))
    return "jpg", bytes(content[:scan]) + inside + bytes(content[scan:-2]) + again + b"\xff\xd9"


def others(rng: random.Random) -> Made:
    """Files of another kind under a film's name, and next to nothing."""
    suffix = rng.choice(("dcm", "png", "tif", "jpg", "jpeg", "tiff", "dicom"))
    stream = io.BytesIO()
    kind = rng.choice(
        ("GIF", "BMP", "WEBP", "ICO", "PPM", "TGA", "zip", "bytes", "text", "meta", "long")
    )
    if kind == "zip":
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as packed:
            packed.writestr("a.dcm", bytes(20_000_000))
    elif kind == "bytes":
        stream.write(rng.randbytes(rng.choice((0, 1, 3, 131, 132, 140, 5000))))
    elif kind == "text":
        stream.write(
            rng.choice(
                (b"<html>", b"%PDF-1.7\n", b"DICM", b"{}", b"\xef\xbb\xbfa;b", b"\x1f\x8b\x08")
            )
        )
        stream.write(rng.choice(WORDS).encode() * 1000)
    elif kind == "meta":
        stream.write(
            bytes(128)
            + b"DICM"
            + raw_element((2, 0), b"UL", struct.pack("<I", _number(rng)))
            + rng.randbytes(rng.choice((0, 8, 400)))
        )
    elif kind == "long":
        stream.write(
            bytes(128) + b"DICM" + struct.pack("<HH2sHI", 0x7FE0, 0x10, b"OW", 0, _number(rng))
        )
    else:
        Image.new("RGB", (16, 16)).save(stream, kind)
    return suffix, stream.getvalue()


WAYS: tuple[Callable[[random.Random], Made], ...] = (
    attributes,
    nested,
    tables,
    bomb,
    streams,
    streams,
    transfer,
    png,
    tiff,
    tiff,
    jpeg,
    others,
)


def odd(number: int, rng: random.Random) -> tuple[str, str, bytes]:
    """Return what was made, the ending of its name, and its bytes."""
    way = WAYS[number % len(WAYS)]
    suffix, content = way(rng)
    return way.__name__, suffix, content
