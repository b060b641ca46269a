"""The film as a DX image for presentation, openly synthetic, its identifiers from its name."""

from __future__ import annotations

import hashlib
import tempfile
import uuid
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from xraymeasure.about import CAUTION
from xraymeasure.phantom.scene import Scenario

if TYPE_CHECKING:
    from pydicom import Dataset

_ROOT = uuid.uuid5(uuid.NAMESPACE_URL, "urn:xraymeasure:phantom")
_SUBJECT = {"before": "long_leg", "well_placed_2y": "well_placed"}
"""Films of one invented person, who is called after one of them."""

DX_FOR_PRESENTATION = "1.2.840.10008.5.1.4.1.1.1.1"


def uid(*words: object) -> str:
    """Return a DICOM identifier that always belongs to the same words (PS3.5 B.2)."""
    return f"2.25.{uuid.uuid5(_ROOT, '/'.join(map(str, words))).int}"


def pixel_sha256(pixels: np.ndarray) -> str:
    """Return the digest of stored values, little-endian, row by row."""
    values = np.ascontiguousarray(pixels)
    return hashlib.sha256(values.astype(values.dtype.newbyteorder("<")).tobytes()).hexdigest()


def film_dataset(scenario: Scenario, pixels: np.ndarray) -> Dataset:
    """Return the DICOM data set of a rendered film, uncompressed.

    Parameters
    ----------
    scenario : Scenario
        The film.
    pixels : numpy.ndarray of uint16, shape (rows, columns)
        Stored values, dark low; turned round here for MONOCHROME1.
    """
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import UID, ExplicitVRLittleEndian

    inverted = scenario.photometric == "MONOCHROME1"
    stored = (4095 - pixels if inverted else pixels).astype("<u2")
    low, high = np.percentile(stored, [0.7, 92.0] if inverted else [8.0, 99.3])
    made = Dataset()
    made.file_meta = FileMetaDataset()
    made.file_meta.MediaStorageSOPClassUID = UID(DX_FOR_PRESENTATION)
    made.file_meta.MediaStorageSOPInstanceUID = UID(uid("film", scenario.name, scenario.seed))
    made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made.file_meta.ImplementationClassUID = UID(uid("implementation"))
    made.SpecificCharacterSet = "ISO_IR 192"
    made.ImageType = ["DERIVED", "PRIMARY"]
    made.SOPClassUID = DX_FOR_PRESENTATION
    made.SOPInstanceUID = uid("film", scenario.name, scenario.seed)
    made.StudyDate = made.StudyTime = made.AccessionNumber = ""
    made.AcquisitionDate = made.ContentDate = made.ContentTime = ""
    made.Modality = "DX"
    made.PresentationIntentType = "FOR PRESENTATION"
    made.Manufacturer = "xraymeasure phantom"
    made.StudyDescription = "SYNTHETIC AP PELVIS"
    made.SeriesDescription = f"SYNTHETIC {scenario.name}"
    made.ReferringPhysicianName = ""
    made.PatientName = "SYNTHETIC^PHANTOM"
    made.PatientID = f"SYNTHETIC-{_SUBJECT.get(scenario.name, scenario.name)}"[:64]
    made.PatientBirthDate = made.PatientSex = ""
    made.PatientIdentityRemoved = "YES"
    made.DeidentificationMethod = "Synthetic: no patient"
    made.BodyPartExamined = "PELVIS"
    made.DistanceSourceToDetector = f"{scenario.geometry.source_detector_mm:g}"
    made.ImagerPixelSpacing = [f"{scenario.geometry.pitch_mm:g}"] * 2
    made.DetectorType = "DIRECT"
    made.FocalSpots = "0.6"
    made.ViewPosition = "AP"
    made.PatientOrientation = ["L", "F"]
    made.ImageLaterality = "B"
    made.StudyInstanceUID = uid("study", scenario.name, scenario.seed)
    made.SeriesInstanceUID = uid("series", scenario.name, scenario.seed)
    made.StudyID = ""
    made.SeriesNumber = made.InstanceNumber = 1
    made.BurnedInAnnotation = "NO"
    made.ImageComments = f"SYNTHETIC film of a phantom, no patient. {CAUTION}"
    made.SamplesPerPixel = 1
    made.PhotometricInterpretation = scenario.photometric
    made.Rows, made.Columns = stored.shape
    made.BitsAllocated, made.BitsStored, made.HighBit = 16, 12, 11
    made.PixelRepresentation = 0
    made.PixelIntensityRelationship = "LOG"
    made.PixelIntensityRelationshipSign = -1 if not inverted else 1
    made.RescaleIntercept, made.RescaleSlope, made.RescaleType = "0", "1", "US"
    made.LossyImageCompression = "00"
    made.PresentationLUTShape = "INVERSE" if inverted else "IDENTITY"
    made.WindowCenter = f"{0.5 * (low + high):.0f}"
    made.WindowWidth = f"{max(high - low, 1.0):.0f}"
    made.PixelData = stored.tobytes()
    return made


def compressed(dataset: Dataset, method: str) -> Dataset:
    """Compress a film without loss, in place, and return it.

    Parameters
    ----------
    method : {"jpeg2000", "jpegls", "jpeg"}
        JPEG 2000, JPEG-LS, or JPEG lossless (process 14, first-order prediction).
    """
    from pydicom.uid import JPEGLSLossless

    if method == "jpeg2000":
        return _jpeg2000_lossless(dataset)
    if method == "jpeg":
        return _jpeg_lossless(dataset)
    dataset.compress(JPEGLSLossless, generate_instance_uid=False)
    return dataset


def _jpeg2000_lossless(dataset: Dataset) -> Dataset:
    """JPEG 2000 straight from OpenJPEG: pydicom's own call wants one more package."""
    from openjpeg.utils import encode_pixel_data
    from pydicom.encaps import encapsulate
    from pydicom.uid import JPEG2000Lossless

    frame = encode_pixel_data(
        dataset.PixelData,
        rows=dataset.Rows,
        columns=dataset.Columns,
        samples_per_pixel=1,
        bits_allocated=16,
        bits_stored=12,
        pixel_representation=0,
        photometric_interpretation=dataset.PhotometricInterpretation,
        number_of_frames=1,
        planar_configuration=0,
    )
    dataset.file_meta.TransferSyntaxUID = JPEG2000Lossless
    dataset.PixelData = encapsulate([frame])
    dataset["PixelData"].is_undefined_length = True
    dataset["PixelData"].VR = "OB"
    return dataset


def _jpeg_lossless(dataset: Dataset) -> Dataset:
    """JPEG lossless, for which pydicom has no encoder of its own; GDCM works on files."""
    import gdcm
    from pydicom import dcmread
    from pydicom.uid import JPEGLosslessSV1

    with tempfile.TemporaryDirectory() as folder:
        plain, packed = Path(folder) / "plain.dcm", Path(folder) / "packed.dcm"
        dataset.save_as(plain, enforce_file_format=True)
        reader = gdcm.ImageReader()
        reader.SetFileName(str(plain))
        if not reader.Read():
            raise RuntimeError("GDCM could not read the film it was to compress")
        change = gdcm.ImageChangeTransferSyntax()
        change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.JPEGLosslessProcess14_1))
        change.SetInput(reader.GetImage())
        if not change.Change():
            raise RuntimeError("GDCM could not compress the film")
        writer = gdcm.ImageWriter()
        writer.SetFileName(str(packed))
        writer.SetFile(reader.GetFile())
        writer.SetImage(change.GetOutput())
        if not writer.Write():
            raise RuntimeError("GDCM could not write the compressed film")
        pixels = dcmread(packed)["PixelData"]
    dataset.file_meta.TransferSyntaxUID = JPEGLosslessSV1
    dataset[pixels.tag] = pixels
    return dataset
