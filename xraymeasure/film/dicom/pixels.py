"""The pixels of a DICOM file, decoded, or one line saying why they cannot be."""

from __future__ import annotations

import os
import tempfile
import threading
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.errors import FilmError
from xraymeasure.film.dicom.codestream import jpeg2000_fault, jpeg_fault
from xraymeasure.film.greys import luminance

if TYPE_CHECKING:
    from pydicom import Dataset


def decoded_pixels(dataset: Dataset, path: Path) -> np.ndarray:
    """Return stored values, shape (rows, columns), colour turned to grey, in native byte order.

    Raises
    ------
    FilmError
        If the pixels are truncated or damaged, or compressed in a way that no decoder knows.
    """
    from pydicom.pixels import apply_color_lut, pixel_array

    syntax = _transfer_syntax(dataset)
    if not syntax.is_transfer_syntax:
        raise FilmError(
            f"{path}: names no encoding that DICOM knows ({syntax}); export the film again"
        )
    try:
        if syntax.is_encapsulated:
            _refuse_damaged_stream(dataset, syntax, path)
        lowest_bit = 0 if syntax.is_encapsulated else _lowest_bit(dataset)
        if lowest_bit > 0:
            # Values of an old kind, in the upper bits of each word; the decoder looks for them in
            # the lower ones.
            pixels = pixel_array(dataset, correct_unused_bits=False)
            pixels = pixels << (dataset.BitsAllocated - 1 - dataset.HighBit)
            pixels = pixels >> (dataset.BitsAllocated - dataset.BitsStored)
        else:
            with _decoders_heard() if syntax.is_encapsulated else nullcontext("") as complaints:
                pixels = pixel_array(dataset)
            if "Corrupt JPEG" in "".join(complaints):
                raise ValueError("the decoder went on past damaged data")
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


_ONE_AT_A_TIME = threading.Lock()


@contextmanager
def _decoders_heard():
    """Collect what compiled decoders print, past Python, instead of showing it to the user."""
    complaints: list[str] = []
    with _ONE_AT_A_TIME, tempfile.TemporaryFile() as printed:
        try:
            kept = os.dup(2)
        except OSError:
            # A program without standard error has nothing to keep quiet.
            yield complaints
            return
        try:
            os.dup2(printed.fileno(), 2)
            yield complaints
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            printed.seek(0)
            complaints.append(printed.read().decode("utf-8", "replace"))


def _transfer_syntax(dataset: Dataset):
    from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian

    syntax = dataset.file_meta.get("TransferSyntaxUID")
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


def _refuse_damaged_stream(dataset: Dataset, syntax, path: Path) -> None:
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
