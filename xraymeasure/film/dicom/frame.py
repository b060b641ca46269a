"""One compressed frame to its stored values; called in the process that may break down."""

from __future__ import annotations

from typing import Any

import numpy as np

_EXTENDED = "1.2.840.10008.1.2.4.51"


def decode_frame(
    payload: bytes, *, syntax: str, **pixel_module: Any
) -> tuple[dict[str, Any], np.ndarray]:
    """Return nothing more to say, and the values, shape (rows, columns) or with colours last.

    Parameters
    ----------
    payload : bytes
        Encapsulated pixel data.
    syntax : str
        Transfer syntax UID.
    **pixel_module
        Rows, bits and so on, under pydicom's names for them.

    Raises
    ------
    NotImplementedError
        If no decoder knows the compression.
    """
    from pydicom.encaps import generate_frames
    from pydicom.pixels.decoders.base import get_decoder

    if syntax == _EXTENDED and pixel_module["bits_stored"] > 8:
        stream = next(generate_frames(payload, number_of_frames=1))
        return {}, _extended(stream, **pixel_module)
    pixels, _ = get_decoder(syntax).as_array(payload, **pixel_module)
    return {}, pixels


def _extended(stream: bytes, **pixel_module: Any) -> np.ndarray:
    """Return JPEG Extended of 12 bits, which GDCM decodes and pydicom does not ask it to."""
    import gdcm

    rows, columns, samples = (
        pixel_module[name] for name in ("rows", "columns", "samples_per_pixel")
    )
    if samples != 1 or pixel_module["bits_allocated"] != 16:
        raise NotImplementedError("12-bit JPEG in colour")
    fragment = gdcm.Fragment()
    fragment.SetByteStringValue(stream)
    fragments = gdcm.SequenceOfFragments.New()
    fragments.AddFragment(fragment)
    element = gdcm.DataElement(gdcm.Tag(0x7FE0, 0x0010))
    element.SetValue(fragments.__ref__())
    image = gdcm.Image()
    image.SetNumberOfDimensions(2)
    image.SetDimensions((columns, rows, 1))
    image.SetDataElement(element)
    grey = gdcm.PhotometricInterpretation.GetPIType(pixel_module["photometric_interpretation"])
    image.SetPhotometricInterpretation(gdcm.PhotometricInterpretation(grey))
    image.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.GetTSType(_EXTENDED)))
    bits, signed = pixel_module["bits_stored"], pixel_module["pixel_representation"]
    image.SetPixelFormat(gdcm.PixelFormat(samples, 16, bits, bits - 1, signed))
    # The wrapper hands bytes out as text.
    values = image.GetBuffer().encode("utf-8", "surrogateescape")
    return np.frombuffer(values, "<i2" if signed else "<u2").reshape(rows, columns)
