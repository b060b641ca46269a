"""A film from a DICOM file, or one line saying why it is none."""

from __future__ import annotations

import warnings
import zlib
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from xraymeasure.errors import FilmError
from xraymeasure.film.beam import (
    Collimator,
    FieldOfView,
    NotFrontal,
    axes_from_patient_orientation,
    beam_centre,
)
from xraymeasure.film.dicom.attributes import Attributes, code_or_other
from xraymeasure.film.dicom.greys import greys_from_attributes
from xraymeasure.film.dicom.identity import identity_of, person_of
from xraymeasure.film.dicom.pixels import decoded_pixels
from xraymeasure.film.film import PLAUSIBLE_SOURCE_DETECTOR_MM, Film
from xraymeasure.film.limits import MOST_BYTES, SECONDS, WatchedBytes
from xraymeasure.film.spacing import Spacing, decide_spacing, not_square, plausible_pair

if TYPE_CHECKING:
    from pydicom import Dataset

_DEFLATED, _EXPLICIT = b"1.2.840.10008.1.2.1.99", b"1.2.840.10008.1.2.1\0\0\0"
DICOMDIR = "1.2.840.10008.1.3.10"
# Storage classes of single projection radiographs, and of pictures made of them.
FILM_CLASSES = {
    "1.2.840.10008.5.1.4.1.1.1": "Computed Radiography",
    "1.2.840.10008.5.1.4.1.1.1.1": "Digital X-Ray, for presentation",
    "1.2.840.10008.5.1.4.1.1.1.1.1": "Digital X-Ray, for processing",
    "1.2.840.10008.5.1.4.1.1.12.1": "X-Ray Angiographic",
    "1.2.840.10008.5.1.4.1.1.12.2": "X-Ray Radiofluoroscopic",
    "1.2.840.10008.5.1.4.1.1.7": "Secondary Capture",
    "1.2.840.10008.5.1.4.1.1.7.2": "Multi-frame Grayscale Byte Secondary Capture",
    "1.2.840.10008.5.1.4.1.1.7.3": "Multi-frame Grayscale Word Secondary Capture",
    "1.2.840.10008.5.1.4.1.1.7.4": "Multi-frame True Color Secondary Capture",
}
# CR, DX, fluoroscopy, film-screen, C-arm; OT is what secondary captures are often labelled.
FILM_MODALITIES = ("CR", "DX", "RF", "RG", "XA", "OT")


def read_dicom(content: bytes, path: Path, seconds: float | None = None) -> Film:
    """Return the film in the bytes of a DICOM file; `path` is only for messages.

    Parameters
    ----------
    content : bytes
    path : Path
    seconds : float, optional
        For how long attributes may be read, and pixels decoded.

    Raises
    ------
    FilmError
        If the file holds no single radiograph, or one that cannot be decoded.
    """
    import pydicom

    with warnings.catch_warnings(record=True) as remarks:
        # The parser's remarks must not reach the user's terminal: they quote values.
        warnings.simplefilter("always")
        try:
            content = _inflated(content, path)
            stream = WatchedBytes(content, str(path), SECONDS if seconds is None else seconds)
            dataset = pydicom.dcmread(stream, force=True)
            _refuse_other_than_one_radiograph(dataset, path)
            film = _film(Attributes(dataset), decoded_pixels(dataset, path, seconds), path)
        except (FilmError, OSError):
            raise
        except Exception as error:
            # Damaged bytes make the parser fail in as many ways as it has statements.
            raise FilmError(
                f"{path}: is not DICOM that can be read, or is damaged ({type(error).__name__}); "
                "export the film again"
            ) from error
    if not remarks:
        return film
    said = f"The file departs from the DICOM standard ({len(remarks)} remarks on decoding it)."
    return replace(film, notes=(*film.notes, said))


def _inflated(content: bytes, path: Path) -> bytes:
    """Return a deflated data set (PS3.5 A.5) inflated, up to what a film can have."""
    # File meta information says its own length first (PS3.10, 7.1), and its encoding.
    if content[128:138] != b"DICM\2\0\0\0UL":
        return content
    start = 144 + int.from_bytes(content[140:144], "little")
    if _DEFLATED not in content[:start]:
        return content
    inflating = zlib.decompressobj(-zlib.MAX_WBITS)
    data = inflating.decompress(content[start:], MOST_BYTES)
    if inflating.unconsumed_tail:
        raise FilmError(
            f"{path}: inflates to more than {MOST_BYTES // 1_000_000} MB, which no film has; "
            "export the film again"
        )
    if not inflating.eof:
        raise FilmError(f"{path}: is truncated or damaged (deflate); export the film again")
    return content[:start].replace(_DEFLATED, _EXPLICIT) + data


def _refuse_other_than_one_radiograph(dataset: Dataset, path: Path) -> None:
    from pydicom.uid import UID

    meta_class = dataset.file_meta.get("MediaStorageSOPClassUID")
    if meta_class == DICOMDIR or "DirectoryRecordSequence" in dataset:
        raise FilmError(f"{path}: is a DICOMDIR, a list of films; name one of the files it lists")
    if len(dataset) == 0:
        # What is read of a compressed film that was cut off inside its pixels, too.
        raise FilmError(
            f"{path}: holds no DICOM attributes that can be read: it is truncated or damaged; "
            "export the film again"
        )
    attributes = Attributes(dataset)
    modality = attributes.text("Modality")
    sop_class = attributes.text("SOPClassUID") or str(meta_class or "")
    if modality and modality not in FILM_MODALITIES:
        raise FilmError(
            f"{path}: its modality is {code_or_other(modality)}, not a plain radiograph; choose a "
            "film of modality CR, DX or RF, or a secondary capture of one"
        )
    if sop_class and sop_class not in FILM_CLASSES:
        # A name that DICOM does not know may be anybody's.
        name = UID(sop_class).name if UID(sop_class).name != sop_class else "something else"
        raise FilmError(
            f"{path}: holds {name}, not a plain radiograph; choose a film of "
            "modality CR, DX or RF, or a secondary capture of one"
        )
    if "FloatPixelData" in dataset or "DoubleFloatPixelData" in dataset:
        raise FilmError(f"{path}: has pixels with fractions; export the film as it was taken")
    frames = attributes.number("NumberOfFrames")
    if frames is not None and frames > 1:
        raise FilmError(f"{path}: holds {frames:.0f} frames; export the one that is to be measured")
    if not any(attributes.values("PixelData")):
        raise FilmError(f"{path}: holds no picture; export the film with its pixels")
    rows, columns = attributes.number("Rows"), attributes.number("Columns")
    if not rows or not columns:
        raise FilmError(f"{path}: has no rows or no columns; export the film again")
    allocated, stored = attributes.number("BitsAllocated"), attributes.number("BitsStored")
    if allocated not in (8, 16) or (stored is not None and not 1 <= stored <= allocated):
        raise FilmError(
            f"{path}: has {_or_no(stored)} bits stored in {_or_no(allocated)}; a film has 8 to 16, "
            "export it as it was taken"
        )


def _laterality(attributes: Attributes) -> Literal["left", "right"] | None:
    said = attributes.text("ImageLaterality") or attributes.text("Laterality")
    return "left" if said == "L" else "right" if said == "R" else None


def _or_no(number: float | None) -> str:
    return "no" if number is None else f"{number:g}"


def _film(attributes: Attributes, pixels: np.ndarray, path: Path) -> Film:
    spacing = _spacing(attributes)
    try:
        axes, orientation_note = axes_from_patient_orientation(
            attributes.texts("PatientOrientation"),
            biped=attributes.text("AnatomicalOrientationType") != "QUADRUPED",
        )
    except NotFrontal as said:
        raise FilmError(
            f"{path}: Patient Orientation {said} is that of a lateral film; choose a frontal one, "
            "or correct the attribute"
        ) from None
    collimator, field = _collimator(attributes), _field_of_view(attributes)
    centre, centre_note = beam_centre(pixels.shape, collimator, field, spacing.detector_mm)
    greys = greys_from_attributes(attributes)
    view = _view(attributes)
    acquired_on = _acquired_on(attributes)
    source_detector_mm = _source_detector(attributes)
    _note_the_rest(attributes)
    return Film(
        source=path.name,
        pixels=pixels,
        spacing=spacing,
        beam_centre=centre,
        beam_centre_note=centre_note,
        patient_axes=axes,
        orientation_note=orientation_note,
        source_detector_mm=source_detector_mm,
        view=view,
        laterality=_laterality(attributes),
        person=person_of(attributes),
        modality=attributes.text("Modality"),
        bits_stored=int(attributes.number("BitsStored") or 8 * pixels.dtype.itemsize),
        acquired_on=acquired_on,
        sop_instance_uid=attributes.text("SOPInstanceUID"),
        identity=identity_of(attributes),
        burned_in={"YES": True, "NO": False}.get(attributes.text("BurnedInAnnotation") or ""),
        notes=tuple(attributes.notes),
        greys=greys,
    )


def _spacing(attributes: Attributes) -> Spacing:
    pairs = {}
    for keyword in ("ImagerPixelSpacing", "PixelSpacing", "NominalScannedPixelSpacing"):
        numbers = attributes.numbers(keyword)
        pairs[keyword] = plausible_pair(numbers)
        if numbers and pairs[keyword] is None:
            said = "\\".join(f"{number:g}" for number in numbers)
            attributes.note(
                f"{keyword} is {said}, not two plausible lengths in mm; it was taken as missing."
            )
    aspect = attributes.pair("PixelAspectRatio")
    told = aspect[0] / aspect[1] if aspect and min(aspect) > 0 else 1.0
    spacing = decide_spacing(
        imager=pairs["ImagerPixelSpacing"],
        pixel=pairs["PixelSpacing"],
        scanned=pairs["NominalScannedPixelSpacing"],
        calibration_type=attributes.text("PixelSpacingCalibrationType"),
        aspect=told,
    )
    for said in not_square(spacing):
        attributes.note(said)
    return spacing


def _source_detector(attributes: Attributes) -> float | None:
    numbers = attributes.numbers("DistanceSourceToDetector")
    if not numbers:
        attributes.note("The film does not say the distance from source to detector.")
        return None
    low, high = PLAUSIBLE_SOURCE_DETECTOR_MM
    if len(numbers) == 1 and low <= numbers[0] <= high:
        return numbers[0]
    said = "\\".join(f"{number:g}" for number in numbers)
    attributes.note(
        f"DistanceSourceToDetector is {said} mm, outside {low:g} to {high:g}; it was ignored."
    )
    return None


def _collimator(attributes: Attributes) -> Collimator | None:
    left, right, upper, lower = (
        attributes.number(f"Collimator{edge}")
        for edge in (
            "LeftVerticalEdge",
            "RightVerticalEdge",
            "UpperHorizontalEdge",
            "LowerHorizontalEdge",
        )
    )
    if not (left is None or right is None or upper is None or lower is None):
        return Collimator(edges=(left, right, upper, lower))
    centre = attributes.pair("CenterOfCircularCollimator")
    if centre is not None:
        return Collimator(centre=centre)
    return Collimator() if attributes.has("CollimatorShape") else None


def _field_of_view(attributes: Attributes) -> FieldOfView | None:
    origin = attributes.pair("FieldOfViewOrigin")
    element = plausible_pair(attributes.numbers("DetectorElementSpacing"))
    active = attributes.pair("DetectorActiveDimensions")
    rotation = attributes.number("FieldOfViewRotation") or 0
    if origin is None or element is None or active is None or rotation not in (0, 90, 180, 270):
        return None
    return FieldOfView(
        origin=origin,
        rotation_deg=int(rotation),
        flipped=attributes.text("FieldOfViewHorizontalFlip") == "YES",
        element_mm=element,
        active_mm=active,
        active_origin=attributes.pair("DetectorActiveOrigin") or (0.0, 0.0),
    )


def _view(attributes: Attributes) -> str | None:
    view = attributes.text("ViewPosition")
    if view is None:
        codes = attributes.values("ViewCodeSequence")
        meaning = str(codes[0].get("CodeMeaning", "")).lower().replace("-", "") if codes else ""
        view = {"anteroposterior": "AP", "posteroanterior": "PA"}.get(meaning)
    if view is None:
        attributes.note("The film does not say its view; anteroposterior is assumed.")
    elif view == "PA":
        attributes.note(
            "The view is PA: the tube stands behind the patient, so the effect of the beam's "
            "offset is mirrored against an AP film."
        )
    elif view != "AP":
        view = code_or_other(view)
        attributes.note(f"The view is {view}; the measurements are made for AP films.")
    return view


def _acquired_on(attributes: Attributes) -> date | None:
    for keyword in (
        "AcquisitionDate",
        "AcquisitionDateTime",
        "ContentDate",
        "SeriesDate",
        "StudyDate",
    ):
        text = (attributes.text(keyword) or "").replace(".", "")[:8]
        if not text:
            continue
        try:
            return datetime.strptime(text, "%Y%m%d").date()
        except ValueError:
            attributes.note(f"{keyword} is not a date and was ignored.")
    attributes.note("The film does not say when it was taken.")
    return None


def _note_the_rest(attributes: Attributes) -> None:
    if attributes.text("Modality") is None:
        attributes.note("The film does not say its modality.")
    if attributes.text("PatientIdentityRemoved") == "YES":
        attributes.note("The film says that identity was removed from it.")
    if attributes.text("BurnedInAnnotation") == "YES":
        attributes.note("The film says that text is burned into its pixels.")
    if attributes.text("LossyImageCompression") == "01":
        attributes.note("The film was compressed with loss.")
    angulation = attributes.number("ColumnAngulation")
    if angulation:
        attributes.note(
            f"The tube was tilted by {angulation:g} degrees (Column Angulation); the beam is "
            "treated as perpendicular to the detector."
        )
