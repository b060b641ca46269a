"""The pixels of a DICOM file, decoded, or one line saying why they cannot be."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.errors import FilmError
from xraymeasure.film.apart import DecodingFailed, decode_apart
from xraymeasure.film.dicom.codestream import jpeg2000_fault, jpeg_fault
from xraymeasure.film.greys import luminance
from xraymeasure.film.limits import refuse_impossible_size

if TYPE_CHECKING:
    from pydicom import Dataset
    from pydicom.uid import UID


def decoded_pixels(dataset: Dataset, path: Path, seconds: float | None = None) -> np.ndarray:
    """Return stored values, shape (rows, columns), colour turned to grey, in native byte order.

    Compressed pixels are decoded in another process, for at most `seconds` of its time.

    Raises
    ------
    FilmError
        If the pixels are truncated or damaged, or compressed in a way that no decoder knows.
    """
    from pydicom.pixels.processing import apply_color_lut
    from pydicom.pixels.utils import pixel_array

    syntax = _transfer_syntax(dataset)
    if not syntax.is_transfer_syntax:
        raise FilmError(
            f"{path}: names no encoding that DICOM knows ({syntax}); export the film again"
        )
    try:
        refuse_impossible_size(
            str(path),
            dataset.Rows,
            dataset.Columns,
            dataset.get("SamplesPerPixel", 1),
            len(dataset.PixelData),
        )
        if syntax.is_encapsulated:
            _refuse_damaged_stream(dataset, syntax, path)
        lowest_bit = 0 if syntax.is_encapsulated else _lowest_bit(dataset)
        if lowest_bit > 0:
            # Values of an old kind, in the upper bits of each word; the decoder looks for them in
            # the lower ones.
            pixels = pixel_array(dataset, correct_unused_bits=False)
            pixels = pixels << (dataset.BitsAllocated - 1 - dataset.HighBit)
            pixels = pixels >> (dataset.BitsAllocated - dataset.BitsStored)
        elif syntax.is_encapsulated:
            pixels = _decompressed(dataset, syntax, seconds)
        else:
            pixels = pixel_array(dataset)
        photometric = str(dataset.PhotometricInterpretation)
        if photometric == "PALETTE COLOR":
            pixels = apply_color_lut(pixels, dataset)
    except FilmError:
        raise
    except NotImplementedError as error:
        raise FilmError(
            f"{path}: is compressed as {syntax.name}, which cannot be decoded here; "
            "export the film uncompressed"
        ) from error
    except DecodingFailed as error:
        raise FilmError(
            f"{path}: its pixels are truncated or damaged ({syntax.name}: {error}); "
            "export the film again"
        ) from None
    except Exception as error:
        # As in `read_dicom`, and with several decoders beneath.
        raise FilmError(
            f"{path}: its pixels are truncated or damaged ({syntax.name} with "
            f"{type(error).__name__}); export the film again"
        ) from error
    if pixels.ndim == 3 and pixels.shape[-1] in (3, 4):
        pixels = luminance(pixels)
    return pixels.astype(pixels.dtype.newbyteorder("="), copy=False)


def _lowest_bit(dataset: Dataset) -> int:
    high_bit = dataset.get("HighBit")
    return 0 if high_bit is None else high_bit + 1 - dataset.BitsStored


def _decompressed(dataset: Dataset, syntax: UID, seconds: float | None) -> np.ndarray:
    from pydicom.pixels.utils import as_pixel_options

    told = as_pixel_options(dataset, number_of_frames=1)
    _, pixels, said = decode_apart(
        "xraymeasure.film.dicom.frame",
        "decode_frame",
        dataset.PixelData,
        seconds=seconds,
        syntax=str(syntax),
        pixel_keyword="PixelData",
        **{name: value for name, value in told.items() if isinstance(value, int | str)},
    )
    if "Corrupt JPEG" in said:
        raise DecodingFailed("the decoder went on past damaged data")
    return pixels


def _transfer_syntax(dataset: Dataset) -> UID:
    from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian

    syntax: UID | None = dataset.file_meta.get("TransferSyntaxUID")
    if not syntax:
        # Without file meta information the pixels follow the encoding that was found by reading.
        implicit, little = dataset.original_encoding
        syntax = (
            ImplicitVRLittleEndian
            if implicit
            else ExplicitVRLittleEndian
            if little
            else ExplicitVRBigEndian
        )
        dataset.file_meta.TransferSyntaxUID = syntax
    return syntax


def _refuse_damaged_stream(dataset: Dataset, syntax: UID, path: Path) -> None:
    from pydicom.encaps import generate_frames
    from pydicom.uid import JPEG2000TransferSyntaxes, JPEGLSTransferSyntaxes, JPEGTransferSyntaxes

    if syntax in JPEG2000TransferSyntaxes:
        fault_in = jpeg2000_fault
    elif syntax in (*JPEGTransferSyntaxes, *JPEGLSTransferSyntaxes):
        fault_in = jpeg_fault
    else:
        return
    stream = next(generate_frames(dataset.PixelData, number_of_frames=1))
    fault = fault_in(stream, dataset.Rows, dataset.Columns, dataset.SamplesPerPixel)
    if fault:
        raise FilmError(
            f"{path}: its pixels are truncated or damaged ({syntax.name}: {fault}); "
            "export the film again"
        )
