"""A film from a PNG, JPEG or TIFF picture: pixels alone, with no scale, orientation or date."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from xraymeasure.errors import FilmError
from xraymeasure.film.apart import DecodingFailed, decode_apart
from xraymeasure.film.film import CENTRE_ASSUMED, Film, image_centre
from xraymeasure.film.greys import Greys, luminance
from xraymeasure.film.limits import refuse_impossible_size
from xraymeasure.film.spacing import no_spacing

# What the EXIF and TIFF orientation numbers ask for, as transposition, then flips of rows and
# columns (TIFF 6.0, tag 274).
_TURNS = {
    2: (False, False, True),
    3: (False, True, True),
    4: (False, True, False),
    5: (True, False, False),
    6: (True, False, True),
    7: (True, True, True),
    8: (True, True, False),
}

_MOST_PAGES = 8


@dataclass
class _Picture:
    """Decoded samples, shape (rows, columns) or (rows, columns, bands), and what came with them."""

    samples: np.ndarray
    notes: list[str] = field(default_factory=list)
    orientation: int = 1
    low_is_bright: bool = False
    has_resolution: bool = False


def read_picture(content: bytes, path: Path, name: str, seconds: float | None = None) -> Film:
    """Return the film in the bytes of a picture file; `name` is PNG, JPEG or TIFF.

    It is decoded in another process, for at most `seconds` of its time.

    Raises
    ------
    FilmError
        If the picture is damaged, has several images, or values that are not whole numbers of 8
        or 16 bits.
    """
    try:
        record, samples, _ = decode_apart(
            "xraymeasure.film.picture",
            "decode_picture",
            content,
            seconds=seconds,
            where=str(path),
            name=name,
        )
    except DecodingFailed as error:
        raise FilmError(
            f"{path}: is {name} that is truncated or damaged ({error}); export the film again"
        ) from None
    picture = _Picture(samples, **record)
    pixels = _turned(_grey(picture, path), picture)
    reason = "A picture carries no pixel spacing"
    reason += "; its print resolution was ignored." if picture.has_resolution else "."
    if name == "JPEG":
        picture.notes.append("The picture was compressed with loss.")
    return Film(
        source=path.name,
        pixels=pixels,
        spacing=no_spacing(reason),
        beam_centre=image_centre(pixels.shape),
        beam_centre_note=CENTRE_ASSUMED,
        orientation_note="A picture carries no patient orientation; the usual display, L\\F, is "
        "assumed: check the side marker.",
        bits_stored=8 * pixels.dtype.itemsize,
        notes=tuple(picture.notes),
        greys=Greys(inverted=picture.low_is_bright),
    )


def decode_picture(payload: bytes, *, where: str, name: str) -> tuple[dict[str, Any], np.ndarray]:
    """Return what came with a picture, and its samples; called in the other process."""
    decode = _read_tiff if name == "TIFF" else _read_with_pillow
    record = vars(decode(BytesIO(payload), where))
    return record, record.pop("samples")


def _read_with_pillow(stream: BytesIO, path: str) -> _Picture:
    from PIL import Image

    # Its limit is below that of a film, and it only warns.
    Image.MAX_IMAGE_PIXELS = None
    with Image.open(stream) as image:
        images = int(getattr(image, "n_frames", 1))
        if images > 1:
            raise FilmError(f"{path}: holds {images} images; save the one that is to be measured")
        bands = len(image.getbands())
        refuse_impossible_size(path, image.height, image.width, bands, _length(stream))
        deep = image.mode in ("RGB", "RGBA") and _png_depth(stream) == 16
        if image.mode in ("1", "L", "LA", "I;16", "I;16B", "I;16L"):
            samples = np.asarray(image.convert("L") if image.mode == "1" else image)
        elif image.mode in ("P", "PA", "RGB", "RGBA", "CMYK", "YCbCr"):
            clear = image.mode in ("RGBA", "PA") or "transparency" in image.info
            samples = np.asarray(image.convert("RGBA" if clear else "RGB"))
        else:
            raise FilmError(
                f"{path}: its pixels are of kind {image.mode}, not whole numbers of 8 to 16 bits; "
                "export the film as it was taken"
            )
        picture = _Picture(
            samples,
            orientation=int(image.getexif().get(274, 1)),
            has_resolution="dpi" in image.info,
        )
    if deep:
        picture.notes.append("The picture has 16 bits in each colour, of which 8 were read.")
    return picture


def _length(stream: BytesIO) -> int:
    return stream.getbuffer().nbytes


def _png_depth(stream: BytesIO) -> int | None:
    """Return the bit depth that a PNG's header states (ISO/IEC 15948, 11.2.2), None of others."""
    place = stream.tell()
    stream.seek(0)
    head = stream.read(26)
    stream.seek(place)
    return head[24] if head[12:16] == b"IHDR" else None


def _read_tiff(stream: BytesIO, path: str) -> _Picture:
    import tifffile

    with tifffile.TiffFile(stream) as tiff:
        # Previews are pages too; bit 0 of NewSubfileType marks them. Directories may lead in a
        # circle, so no more are looked at than a film has.
        pages: list[Any] = [tiff.pages[0]]
        with suppress(IndexError):
            pages.extend(tiff.pages[number] for number in range(1, _MOST_PAGES))
        pages = [page for page in pages if not page.is_reduced]
        if len(pages) != 1:
            count = f"{_MOST_PAGES} or more" if len(pages) == _MOST_PAGES else len(pages)
            raise FilmError(f"{path}: holds {count} images; save the one to be measured")
        page = pages[0]
        if page.dtype is None or page.dtype.kind not in "iub" or page.dtype.itemsize > 2:
            kind = "an unknown kind" if page.dtype is None else page.dtype.name
            raise FilmError(
                f"{path}: its pixels are of {kind}, not whole numbers of 8 to 16 bits; "
                "export the film as it was taken"
            )
        refuse_impossible_size(
            path, page.imagelength, page.imagewidth, page.samplesperpixel, _length(stream)
        )
        if page.imagedepth != 1:
            raise FilmError(f"{path}: holds {page.imagedepth} images; save the one to be measured")
        if _cut_short(page, tiff.filehandle.size):
            raise FilmError(f"{path}: is TIFF that is truncated; export the film again")
        low_is_bright = page.photometric == tifffile.PHOTOMETRIC.MINISWHITE
        orientation = int(page.tags.valueof(274, 1))
        has_resolution = 282 in page.tags
        plain = low_is_bright or page.photometric in (
            tifffile.PHOTOMETRIC.MINISBLACK,
            tifffile.PHOTOMETRIC.RGB,
        )
        try:
            if not plain or page.bitspersample not in (8, 16):
                raise ValueError("left to the other decoder")
            samples = page.asarray()
        except (ValueError, ImportError):
            # Compressed in a way that needs a further package, or a colour model that this
            # decoder leaves alone: the other decoder knows the common ones.
            stream.seek(0)
            return _read_tiff_with_pillow(stream, path, low_is_bright, orientation)
        if samples.ndim == 3 and page.planarconfig == tifffile.PLANARCONFIG.SEPARATE:
            samples = np.moveaxis(samples, 0, -1)
    return _Picture(samples, [], orientation, low_is_bright, has_resolution)


def _read_tiff_with_pillow(
    stream: BytesIO, path: str, low_is_bright: bool, orientation: int
) -> _Picture:
    picture = _read_with_pillow(stream, path)
    # That decoder turns a TIFF as its tag asks, and turns MinIsWhite round at 8 bits, not at 16.
    if orientation in _TURNS:
        picture.notes.append(_turn_note(orientation))
    if low_is_bright and picture.samples.dtype == np.uint8:
        picture.samples = ~picture.samples
    picture.low_is_bright = low_is_bright
    return picture


def _cut_short(page: Any, size: int) -> bool:
    """Whether a strip or tile of pixels lies beyond the end of the file."""
    return any(
        offset + count > size
        for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True)
    )


def _grey(picture: _Picture, path: Path) -> np.ndarray:
    samples = picture.samples
    if samples.ndim == 2:
        return samples
    bands = samples.shape[-1] if samples.ndim == 3 else 0
    if bands in (1, 2):
        grey = samples[..., 0]
    elif bands in (3, 4):
        grey = luminance(samples)
        picture.notes.append("The picture is in colour and was turned to grey.")
    else:
        raise FilmError(f"{path}: has an unknown arrangement of pixels; save it as a plain picture")
    if bands in (2, 4):
        picture.notes.append("The picture has a transparency channel, which was ignored.")
    return grey


def _turned(pixels: np.ndarray, picture: _Picture) -> np.ndarray:
    turn = _TURNS.get(picture.orientation)
    if turn is not None:
        transpose, flip_rows, flip_columns = turn
        pixels = pixels.T if transpose else pixels
        pixels = pixels[::-1] if flip_rows else pixels
        pixels = pixels[:, ::-1] if flip_columns else pixels
        picture.notes.append(_turn_note(picture.orientation))
    # A copy of its own, in native byte order, that nothing else can change.
    return np.array(pixels, dtype=pixels.dtype.newbyteorder("="), order="C")


def _turn_note(orientation: int) -> str:
    return f"The picture was turned as its orientation tag ({orientation}) asks."
