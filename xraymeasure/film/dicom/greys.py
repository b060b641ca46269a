"""How a DICOM film is to be shown, from its look-up tables, window and photometric attributes."""

from __future__ import annotations

import numpy as np

from xraymeasure.film.dicom.attributes import Attributes
from xraymeasure.film.greys import Greys, LookUpTable, Window, usable_window


def greys_from_attributes(attributes: Attributes) -> Greys:
    """Return how the film is shown; what cannot be used is noted on `attributes`."""
    photometric = attributes.text("PhotometricInterpretation") or ""
    if not photometric.startswith("MONOCHROME"):
        attributes.note(f"The film is stored in colour ({photometric}) and was turned to grey.")
        return Greys()
    modality = _look_up_table(attributes, "ModalityLUTSequence")
    slope, intercept = attributes.number("RescaleSlope"), attributes.number("RescaleIntercept")
    if slope == 0:
        attributes.note("RescaleSlope is 0, which would leave no picture; it was ignored.")
        slope = None
    signed = attributes.number("PixelRepresentation") == 1 or (
        modality is None and (intercept or 0) < 0
    )
    voi = _look_up_table(attributes, "VOILUTSequence", signed) or _window(attributes)
    return Greys(
        modality=modality,
        slope=1.0 if slope is None else slope,
        intercept=intercept or 0.0,
        voi=voi,
        inverted=_inverted(attributes, photometric),
    )


def _inverted(attributes: Attributes, photometric: str) -> bool:
    sign = attributes.number("PixelIntensityRelationshipSign")
    processing = attributes.text("PresentationIntentType") == "FOR PROCESSING"
    if processing:
        attributes.note("The film is stored for processing, not for presentation.")
        if sign in (-1, 1):
            # PS3.3 C.8.11.3.1.2: 1 means that higher values are more beam, that is less tissue.
            return sign == 1
    shape = attributes.text("PresentationLUTShape")
    monochrome1 = photometric == "MONOCHROME1"
    expected = "INVERSE" if monochrome1 else "IDENTITY"
    if shape in ("INVERSE", "IDENTITY") and shape != expected:
        attributes.note(
            f"PresentationLUTShape is {shape} though the film is {photometric}; it is shown "
            "inverted."
        )
    return monochrome1 or shape == "INVERSE"


def _window(attributes: Attributes) -> Window | None:
    centres, widths = attributes.numbers("WindowCenter"), attributes.numbers("WindowWidth")
    if not centres or not widths:
        return None
    window = usable_window(centres[0], widths[0], attributes.text("VOILUTFunction") or "LINEAR")
    if window is None:
        attributes.note("The window is not one that DICOM allows; the whole range is shown.")
    return window


def _look_up_table(
    attributes: Attributes, keyword: str, signed: bool = False
) -> LookUpTable | None:
    """Return the first table of a sequence (PS3.3 C.11.1.1 and C.11.2.1.1), or none."""
    items = attributes.values(keyword)
    if not items:
        return None
    item = Attributes(items[0])
    descriptor = item.numbers("LUTDescriptor")
    stored = item.values("LUTData")
    data = np.array(stored)
    if len(stored) == 1 and isinstance(stored[0], bytes):
        little = attributes.dataset.original_encoding[1] is not False
        data = np.frombuffer(stored[0][: len(stored[0]) // 2 * 2], "<u2" if little else ">u2")
    if len(descriptor) != 3 or not 8 <= descriptor[2] <= 16:
        attributes.note(f"{keyword} has no usable descriptor and was ignored.")
        return None
    # 0 stands for 65536 entries; the first value is signed where the values that go in are.
    count, first, bits = int(descriptor[0]) or 65536, int(descriptor[1]), int(descriptor[2])
    if signed and first >= 32768:
        first -= 65536
    values = data.astype(np.int64) & 0xFFFF
    if bits == 8 and len(values) == (count + 1) // 2 and count > 1:
        # Eight-bit entries packed two to a word.
        values = values.astype("<u2").view(np.uint8)[:count].astype(np.int64)
    if len(values) < count:
        attributes.note(f"{keyword} is shorter than it says and was ignored.")
        return None
    return LookUpTable(first, values[:count], bits)
