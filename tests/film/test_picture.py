"""Films from PNG, TIFF and JPEG pictures that the tests write with pillow and tifffile."""

import struct
import zlib

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from tests.film.refused import refused
from xraymeasure.errors import FilmError
from xraymeasure.film.read import read_film
from xraymeasure.film.spacing import SpacingKind

GREY8 = np.arange(6 * 9, dtype=np.uint8).reshape(6, 9) * 4
GREY16 = np.linspace(0, 65535, 54).astype(np.uint16).reshape(6, 9)
COLOUR = np.stack([GREY8, GREY8[::-1], GREY8[:, ::-1]], axis=2)


def luminance(colour):
    """Grey by ITU-R BT.601, in floating point."""
    return colour.astype(float) @ [0.299, 0.587, 0.114]


def png(path, samples, colour_type):
    """Write a 16-bit PNG by hand (ISO/IEC 15948): pillow writes no colour of that depth."""

    def chunk(name, data):
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in samples)
    size = struct.pack(">IIBBBBB", samples.shape[1], samples.shape[0], 16, colour_type, 0, 0, 0)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", size)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )
    return path


@pytest.mark.parametrize("pixels", [GREY8, GREY16])
@pytest.mark.parametrize("name", ["film.png", "film.tif"])
def test_grey_pictures_keep_their_values(tmp_path, pixels, name):
    path = tmp_path / name
    Image.fromarray(pixels).save(path)
    film = read_film(path)
    np.testing.assert_array_equal(film.pixels, pixels)
    assert film.pixels.dtype == pixels.dtype
    assert film.bits_stored == 8 * pixels.dtype.itemsize
    shown = (pixels - pixels.min()) / np.ptp(pixels)
    np.testing.assert_allclose(film.display(), shown, atol=1e-6)


@pytest.mark.parametrize("byteorder", ["<", ">"])
@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize("big", [False, True])
def test_tiff_of_every_byte_order_is_read(tmp_path, byteorder, compression, big):
    path = tmp_path / "film.tif"
    tifffile.imwrite(path, GREY16, byteorder=byteorder, compression=compression, bigtiff=big)
    np.testing.assert_array_equal(read_film(path).pixels, GREY16)


@pytest.mark.parametrize("compression", ["tiff_lzw", "packbits", "tiff_adobe_deflate"])
@pytest.mark.parametrize("pixels", [GREY8, GREY16])
def test_tiff_compressed_by_another_writer_is_read(tmp_path, compression, pixels):
    path = tmp_path / "film.tif"
    Image.fromarray(pixels).save(path, compression=compression)
    np.testing.assert_array_equal(read_film(path).pixels, pixels)


def test_signed_tiff_is_read(tmp_path):
    pixels = GREY16.astype(np.int32) - 32768
    tifffile.imwrite(tmp_path / "film.tif", pixels.astype(np.int16))
    film = read_film(tmp_path / "film.tif")
    np.testing.assert_array_equal(film.pixels, pixels)
    np.testing.assert_allclose(film.display(), GREY16 / 65535, atol=1e-6)


@pytest.mark.parametrize("pixels", [GREY8, GREY16])
@pytest.mark.parametrize("compression", [None, "zlib"])
def test_min_is_white_is_shown_inverted_and_stored_as_it_is(tmp_path, pixels, compression):
    path = tmp_path / "film.tif"
    tifffile.imwrite(path, pixels, photometric="miniswhite", compression=compression)
    film = read_film(path)
    np.testing.assert_array_equal(film.pixels, pixels)
    grey = (pixels - pixels.min()) / np.ptp(pixels)
    np.testing.assert_allclose(film.display(), 1 - grey, atol=1e-6)


@pytest.mark.parametrize("pixels", [GREY8, GREY16])
def test_min_is_white_means_the_same_in_compressed_tiff(tmp_path, pixels):
    tifffile.imwrite(tmp_path / "plain.tif", pixels, photometric="miniswhite")
    # Pillow writes 8 bits turned round and 16 bits as they are.
    given = ~pixels if pixels.dtype == np.uint8 else pixels
    Image.fromarray(given).save(tmp_path / "film.tif", compression="tiff_lzw", tiffinfo={262: 0})
    plain, film = read_film(tmp_path / "plain.tif"), read_film(tmp_path / "film.tif")
    assert film.pixel_sha256 == plain.pixel_sha256
    np.testing.assert_array_equal(film.display(), plain.display())


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_colour_tiff_becomes_grey(tmp_path, planar, depth):
    colour = COLOUR.astype(depth) * (257 if depth == np.uint16 else 1)
    data = colour if planar == "contig" else np.moveaxis(colour, 2, 0)
    tifffile.imwrite(
        tmp_path / "film.tif", data, photometric="rgb", planarconfig=planar, metadata=None
    )
    film = read_film(tmp_path / "film.tif")
    np.testing.assert_allclose(film.pixels, luminance(colour), atol=0.51)
    assert any("colour" in note for note in film.notes)


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "P", "LA", "CMYK"])
def test_colour_and_transparency_become_grey(tmp_path, mode):
    picture = Image.fromarray(COLOUR).convert(mode)
    path = tmp_path / ("film.tif" if mode == "CMYK" else "film.png")
    picture.save(path)
    film = read_film(path)
    expected = (
        np.asarray(picture)[..., 0]
        if mode == "LA"
        else luminance(np.asarray(picture.convert("RGB")))
    )
    np.testing.assert_allclose(film.pixels, expected, atol=0.51)
    assert any("transparency" in note for note in film.notes) == (mode in ("RGBA", "LA"))


def test_a_grey_film_saved_in_colour_is_unchanged(tmp_path):
    Image.fromarray(GREY8).convert("RGB").save(tmp_path / "film.png")
    np.testing.assert_array_equal(read_film(tmp_path / "film.png").pixels, GREY8)


def test_sixteen_bits_in_each_colour_are_read_at_eight_and_noted(tmp_path):
    colour = np.repeat(GREY16[..., None], 3, axis=2)
    film = read_film(png(tmp_path / "film.png", colour, 2))
    np.testing.assert_allclose(film.pixels, GREY16 / 257, atol=1)
    assert any("16 bits in each colour" in note for note in film.notes)


def test_a_two_tone_picture_is_read(tmp_path):
    Image.fromarray(GREY8 > 100).save(tmp_path / "film.png")
    np.testing.assert_array_equal(read_film(tmp_path / "film.png").pixels, (GREY8 > 100) * 255)


@pytest.mark.parametrize("mode", ["L", "RGB"])
def test_jpeg_is_read_and_its_loss_noted(tmp_path, mode):
    smooth = np.add.outer(np.arange(40), np.arange(60)).astype(np.uint8) * 2
    path = tmp_path / "film.jpg"
    Image.fromarray(smooth).convert(mode).save(path, quality=98)
    film = read_film(path)
    np.testing.assert_allclose(film.pixels, smooth, atol=4)
    assert any("with loss" in note for note in film.notes)


@pytest.mark.parametrize("name", ["film.png", "film.jpg", "film.tif"])
def test_a_print_resolution_is_not_a_detector_spacing(tmp_path, name):
    Image.fromarray(GREY8).save(tmp_path / name, dpi=(254, 254))
    film = read_film(tmp_path / name)
    assert film.spacing.kind is SpacingKind.UNKNOWN
    assert film.spacing.detector_mm is None
    assert "print resolution was ignored" in film.spacing.reason
    with pytest.raises(FilmError, match="print resolution"):
        film.to_patient_mm([0, 0])


BLOCKS = np.kron(GREY8[:3, :4], np.ones((16, 16), np.uint8))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("name", ["film.png", "film.jpg"])
def test_the_orientation_tag_is_followed_as_pillow_does(tmp_path, orientation, name):
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(BLOCKS).save(tmp_path / name, exif=exif)
    film = read_film(tmp_path / name)
    with Image.open(tmp_path / name) as other:
        np.testing.assert_array_equal(film.pixels, ImageOps.exif_transpose(other))
    assert any("orientation tag" in note for note in film.notes) == (orientation != 1)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("compression", ["raw", "tiff_lzw"])
def test_a_tiff_is_turned_once_whatever_its_compression(tmp_path, orientation, compression):
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(BLOCKS).save(tmp_path / "film.tif", exif=exif, compression=compression)
    film = read_film(tmp_path / "film.tif")
    # The same tag on a PNG: of a plain TIFF with tags 5 to 8 pillow 13.0 muddles the rows.
    Image.fromarray(BLOCKS).save(tmp_path / "film.png", exif=exif)
    with Image.open(tmp_path / "film.png") as other:
        np.testing.assert_array_equal(film.pixels, ImageOps.exif_transpose(other))
    assert any("orientation tag" in note for note in film.notes) == (orientation != 1)


def test_a_picture_says_nothing_of_patient_date_or_beam(tmp_path):
    Image.fromarray(GREY8).save(tmp_path / "film.png")
    film = read_film(tmp_path / "film.png")
    assert film.patient_axes == ((0, 1), (1, 0))
    assert "assumed" in film.orientation_note
    assert film.beam_centre == (2.5, 4.0)
    assert (film.acquired_on, film.sop_instance_uid, film.modality) == (None, None, None)


# --- refused ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [np.float32, np.float64, np.int32, np.uint32, np.float16])
def test_pixels_that_are_not_whole_numbers_of_sixteen_bits_are_refused(tmp_path, kind):
    tifffile.imwrite(tmp_path / "film.tif", GREY8.astype(kind))
    assert np.dtype(kind).name in refused(tmp_path / "film.tif")


def test_several_pages_are_refused(tmp_path):
    tifffile.imwrite(tmp_path / "film.tif", np.stack([GREY8, GREY8]), photometric="minisblack")
    assert "holds 2 images" in refused(tmp_path / "film.tif")


def test_a_preview_page_does_not_count(tmp_path):
    with tifffile.TiffWriter(tmp_path / "film.tif") as writer:
        writer.write(GREY8, metadata=None)
        writer.write(GREY8[::2, ::2], subfiletype=1, metadata=None)
    np.testing.assert_array_equal(read_film(tmp_path / "film.tif").pixels, GREY8)


def test_an_animated_picture_is_refused(tmp_path):
    first, second = Image.fromarray(GREY8), Image.fromarray(GREY8[::-1])
    first.save(tmp_path / "film.png", save_all=True, append_images=[second])
    assert "holds 2 images" in refused(tmp_path / "film.png")


@pytest.mark.parametrize("name", ["film.png", "film.jpg", "film.tif"])
def test_a_truncated_picture_is_refused_wherever_it_was_cut(tmp_path, name, capfd, recwarn):
    rng = np.random.default_rng(3)
    path = tmp_path / name
    Image.fromarray(rng.integers(0, 256, (60, 70), dtype=np.uint8)).save(path)
    content = path.read_bytes()
    for part in (0.01, 0.03, 0.1, 0.3, 0.6, 0.9, 0.98):
        path.write_bytes(content[: max(9, int(part * len(content)))])
        refused(path)
    assert capfd.readouterr() == ("", "")
    assert not recwarn.list


@pytest.mark.parametrize("name", ["film.png", "film.jpg", "film.tif"])
def test_a_damaged_picture_is_read_or_refused_with_words(tmp_path, name):
    rng = np.random.default_rng(4)
    path = tmp_path / name
    Image.fromarray(rng.integers(0, 256, (20, 30), dtype=np.uint8)).save(path)
    content = path.read_bytes()
    outcomes = set()
    for _ in range(150):
        damaged = bytearray(content)
        for place in rng.integers(8, len(content), 3):
            damaged[place] = rng.integers(0, 256)
        path.write_bytes(damaged)
        try:
            shown = read_film(path).display()
        except FilmError as error:
            outcomes.add("refused")
            assert path.name in str(error)
        else:
            outcomes.add("read")
            assert shown.dtype == np.float32
    assert "refused" in outcomes
