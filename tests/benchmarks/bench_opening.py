"""How long opening a film takes against bare pixel access; run as a script.

Prints the ratio of `read_film` to `pydicom.dcmread(path).pixel_array` for a 2500 x 3000 film of
16 bits, each the median of many turns taken alternately in this run.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import UID, DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian

from xraymeasure.film.read import read_film

SHAPE = (2500, 3000)
LIMIT = 1.3


def write_film(path: Path) -> None:
    """Write a synthetic film with the attributes that a detector usually fills in."""
    pixels = np.random.default_rng(0).integers(0, 2**16, SHAPE, dtype=np.uint16)
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = DigitalXRayImageStorageForPresentation
    meta.MediaStorageSOPInstanceUID = UID("2.25.1")
    film = FileDataset(path, {}, file_meta=meta, preamble=b"\0" * 128)
    film.SOPClassUID = meta.MediaStorageSOPClassUID
    film.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    film.Modality, film.PresentationIntentType = "DX", "FOR PRESENTATION"
    film.PatientName, film.PatientID, film.AccessionNumber = "Synthetic^Film", "SYN-1", "SYN-A1"
    film.StudyDate = film.AcquisitionDate = film.ContentDate = "20240101"
    film.ViewPosition, film.PatientOrientation = "AP", ["L", "F"]
    film.DistanceSourceToDetector, film.ImagerPixelSpacing = 1150, [0.139, 0.139]
    film.FieldOfViewOrigin, film.FieldOfViewRotation = [0, 0], 0
    film.FieldOfViewHorizontalFlip = "NO"
    film.DetectorElementSpacing, film.DetectorActiveDimensions = [0.139, 0.139], [347.5, 417]
    film.Rows, film.Columns = SHAPE
    film.SamplesPerPixel, film.PhotometricInterpretation = 1, "MONOCHROME2"
    film.BitsAllocated, film.BitsStored, film.HighBit, film.PixelRepresentation = 16, 16, 15, 0
    film.RescaleSlope, film.RescaleIntercept = 1, 0
    film.WindowCenter, film.WindowWidth = 32768, 65536
    film.PixelData = pixels.tobytes()
    film.save_as(path, enforce_file_format=True)


def seconds(action: Callable[[], object]) -> float:
    """Return how long one call takes."""
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def measure(turns: int) -> tuple[float, float]:
    """Return the median seconds of opening and of bare pixel access."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "film.dcm"
        write_film(path)
        ours, bare = [], []
        for turn in range(turns + 3):
            # The first turns load modules and fill the file cache.
            kept = turn >= 3
            for action, times in (
                (lambda: read_film(path), ours),
                (lambda: pydicom.dcmread(path).pixel_array, bare),
            ):
                taken = seconds(action)
                if kept:
                    times.append(taken)
    return statistics.median(ours), statistics.median(bare)


def main() -> None:
    """Print both medians and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=60)
    ours, bare = measure(parser.parse_args().turns)
    print(f"read_film     {1e3 * ours:7.2f} ms")
    print(f"pixel_array   {1e3 * bare:7.2f} ms")
    print(f"ratio         {ours / bare:7.3f}  (at most {LIMIT})")


if __name__ == "__main__":
    main()
