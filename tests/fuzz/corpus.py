"""Build hostile films by the thousand and read each as the command line does.

Usage: python -m tests.fuzz.corpus [--films N] [--seed N] [--odd] [--through WHAT]

Prints how many were refused and read, and each that aborted, raised something uncaught, took over
20 s or (its children with it) over 2 GB, or printed past the messages. The limits are those within
which a batch stays usable. `--through` the commands measure and propose or the window's reader.
"""

from __future__ import annotations

import argparse
import atexit
import io
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import redirect_stderr, redirect_stdout
from functools import cache, partial
from pathlib import Path

import numpy as np
import pydicom
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)

MOST_SECONDS, MOST_BYTES = 20.0, 2_000_000_000
SIZES = (0, 1, 7, 255, 4096, 30_000, 65_535)


def base(syntax: pydicom.uid.UID, pixel_data: bytes, rows: int = 32, columns: int = 32) -> Dataset:
    """Return a small sound film with these pixels."""
    film = Dataset()
    film.Modality, film.SOPClassUID = "DX", "1.2.840.10008.5.1.4.1.1.1.1"
    film.SOPInstanceUID = "1.2.3.4"
    film.Rows, film.Columns, film.SamplesPerPixel = rows, columns, 1
    film.BitsAllocated, film.BitsStored, film.HighBit = 16, 12, 11
    film.PixelRepresentation, film.PhotometricInterpretation = 0, "MONOCHROME2"
    film.ImagerPixelSpacing, film.PatientOrientation = [0.2, 0.2], ["L", "F"]
    film.PixelData = pixel_data
    film["PixelData"].VR = "OW"
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = syntax
    if syntax.is_encapsulated:
        film["PixelData"].VR = "OB"
        film["PixelData"].is_undefined_length = True
    return film


def written(film: Dataset) -> bytes:
    """Return the film as the bytes of a file."""
    stream = io.BytesIO()
    pydicom.dcmwrite(stream, film, enforce_file_format=True)
    return stream.getvalue()


def picture(name: str, pixels: np.ndarray, **how: object) -> bytes:
    """Return a picture file."""
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, name, **how)
    return stream.getvalue()


def sound_films() -> dict[str, bytes]:
    """Return one small sound film of each kind and compression."""
    from openjpeg.utils import encode_array

    pixels = np.random.default_rng(1).integers(0, 4096, (32, 32)).astype(np.uint16)
    small = (pixels >> 4).astype(np.uint8)
    plain = base(ExplicitVRLittleEndian, pixels.tobytes())
    found = {"plain": written(plain)}
    found["deflate"] = written(base(DeflatedExplicitVRLittleEndian, pixels.tobytes()))
    for name, syntax in (("rle", RLELossless), ("jpegls", JPEGLSLossless)):
        film = base(ExplicitVRLittleEndian, pixels.tobytes())
        film.compress(syntax, generate_instance_uid=False)
        found[name] = written(film)
    stream = encapsulate([encode_array(pixels, bits_stored=12)])
    found["jpeg2000"] = written(base(JPEG2000Lossless, stream))
    jpeg = base(JPEGBaseline8Bit, encapsulate([picture("JPEG", small)]))
    jpeg.BitsAllocated, jpeg.BitsStored, jpeg.HighBit = 8, 8, 7
    found["jpeg"] = written(jpeg)
    jpeg.file_meta.TransferSyntaxUID = JPEGExtended12Bit
    found["extended"] = written(jpeg)
    jpeg.file_meta.TransferSyntaxUID = JPEGLosslessSV1
    found["wrong syntax"] = written(jpeg)
    for kind in ("PNG", "JPEG"):
        found[kind] = picture(kind, small)
    for way in ("raw", "tiff_lzw", "tiff_adobe_deflate", "packbits", "zstd", "lzma", "jpeg"):
        found[f"TIFF {way}"] = picture("TIFF", small, compression=way)
    return found


def hostile(sound: dict[str, bytes], rng: random.Random) -> tuple[str, bytes]:
    """Return one file, and what was done to it."""
    name = rng.choice(list(sound))
    content = bytearray(sound[name])
    is_dicom = content[128:132] == b"DICM"
    way = rng.choice(("flip", "flip", "cut", "splice", "grow", "claim", "claim", "claim"))
    if way == "claim" and is_dicom:
        film = pydicom.dcmread(io.BytesIO(content))
        for _ in range(rng.randint(1, 3)):
            setattr(film, *_claim(rng))
        try:
            return f"{name}: claim", written(film)
        except Exception:
            way = "flip"
    start = rng.randrange(len(content) // 2) if rng.random() < 0.5 else 0
    if way == "cut":
        del content[rng.randrange(len(content)) :]
    elif way == "splice":
        at, other = rng.randrange(len(content)), sound[rng.choice(list(sound))]
        content[at:] = other[rng.randrange(len(other)) :]
    elif way == "grow":
        at, many = rng.randrange(len(content)), rng.choice((1, 100, 100_000))
        content[at:at] = content[at : at + 20] * many
    else:
        for _ in range(rng.choice((1, 2, 4, 16, 64))):
            at = rng.randrange(start, len(content))
            four = rng.choice((b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"\0\0\1\0"))
            if rng.random() < 0.3:
                content[at : at + 4] = four
            else:
                content[at] = rng.randrange(256)
    return f"{name}: {way}", bytes(content)


def _claim(rng: random.Random) -> tuple[str, object]:
    return rng.choice(
        [
            ("Rows", rng.choice(SIZES)),
            ("Columns", rng.choice(SIZES)),
            ("SamplesPerPixel", rng.choice((0, 1, 3, 4, 65_535))),
            ("BitsAllocated", rng.choice((0, 1, 8, 12, 16, 32, 64))),
            ("BitsStored", rng.choice((0, 1, 6, 7, 8, 15, 16, 17))),
            ("HighBit", rng.choice((0, 7, 15, 255))),
            ("PixelRepresentation", rng.choice((0, 1, 9))),
            ("PlanarConfiguration", rng.choice((0, 1, 9))),
            (
                "PhotometricInterpretation",
                rng.choice(
                    ("MONOCHROME1", "RGB", "YBR_FULL", "YBR_ICT", "PALETTE COLOR", "\x1b[2J")
                ),
            ),
            ("NumberOfFrames", rng.choice((0, 1, 2, 99_999))),
            ("WindowWidth", rng.choice(("1e300", "-1", "0"))),
            ("RescaleSlope", rng.choice(("1e300", "0", "-1"))),
            ("Modality", rng.choice(("DX", "CT", "\x1b[31m"))),
        ]
    )


def take(how: str, path: str) -> None:
    """Do with a file what a command does, or the window where it is opened there."""
    if how == "read":
        from xraymeasure.film.read import read_film

        read_film(path).display()
    elif how == "window":
        from napari_xraymeasure.contributions import get_reader

        (get_reader(path) or get_reader(path + ".dcm"))(path)
    else:
        from xraymeasure.cli import app

        told = {
            "measure": ["--reading", str(unbound_reading()), "--force", "--out", f"{path}.out"],
            "propose": ["--head-diameter", "36", "--force", "--out", f"{path}.reading.json"],
        }
        said = io.StringIO()
        with redirect_stdout(said), redirect_stderr(said):
            app([how, path, *told[how]], standalone_mode=False)
        assert said.getvalue().replace("\n", "").isprintable()


@cache
def unbound_reading() -> Path:
    """Write a sound reading that belongs to whatever film, and return its path."""
    from xraymeasure.samples import sample_folder

    reading = json.loads((sample_folder() / "well_placed.reading.json").read_text())
    reading["film"] = {"sop_instance_uid": None, "pixel_sha256": None}
    path = Path(tempfile.gettempdir()) / f"{os.getpid()}.reading.json"
    path.write_text(json.dumps(reading))
    atexit.register(path.unlink)
    return path


def take_listed(how: str, paths: list[str]) -> None:
    """Take films and print a line on each; called in a process that may break down."""
    from xraymeasure.errors import XrayMeasureError

    for path in paths:
        print("start", flush=True)
        try:
            take(how, path)
            print("read", flush=True)
        except XrayMeasureError as error:
            print("refused", error, flush=True)


Judged = tuple[str, str | None, float, int]


def judged(how: str, paths: list[Path]) -> list[Judged]:
    """Have films taken one after the other.

    Returns how each ended, what is wrong with that, and the seconds and bytes that it took.
    """
    found: list[Judged] = []
    while len(found) < len(paths):
        rest = paths[len(found) :]
        command = [sys.executable, "-m", "tests.fuzz.corpus", "--through", how, "--these"]
        process = subprocess.Popen(
            [*command, *map(str, rest)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            text=True, errors="replace",
        )  # fmt: skip
        watch = _Watch(process)
        for line in process.stdout:
            line = line.rstrip("\n")
            if line == "start":
                watch.begin()
                continue
            end = line.split(" ")[0]
            wrong = watch.fault()
            if end not in ("read", "refused") or not line.isprintable():
                end, wrong = "printed", f"printed {line!r}"
            found.append((end, wrong, watch.taken, watch.most))
        process.wait()
        watch.over = True
        if len(found) < len(paths):
            why = watch.fault() or f"exit code {process.returncode}"
            found.append(("died", why, watch.taken, watch.most))
    return found[: len(paths)]


class _Watch(threading.Thread):
    """Time and memory of the film that is being read; the process is ended where it hangs."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        super().__init__(daemon=True)
        self.process, self.over = process, False
        self.begin()
        self.start()

    def begin(self) -> None:
        self.started, self.most = time.monotonic(), 0

    def run(self) -> None:
        while not self.over:
            self.most = max(self.most, _memory(self.process.pid))
            if self.taken > 10 * MOST_SECONDS:
                self.process.kill()
            time.sleep(0.02)

    @property
    def taken(self) -> float:
        return time.monotonic() - self.started

    def fault(self) -> str | None:
        # What else the machine has to do takes its share.
        if self.taken > MOST_SECONDS * max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1)):
            return f"took {self.taken:.0f} s"
        return f"took {self.most / 1e9:.1f} GB" if self.most > MOST_BYTES else None


def _memory(pid: int) -> int:
    """Return the bytes that a process and its children hold now (Linux)."""
    total = 0
    try:
        status = Path(f"/proc/{pid}/status").read_text()
        total += (
            next(int(x.split()[1]) for x in status.splitlines() if x.startswith("VmRSS")) * 1024
        )
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            total += _memory(int(child))
    except (OSError, StopIteration):
        return total
    return total


def main() -> int:
    """Return how many films were not taken as they have to be."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--films", type=int, default=1153)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--processes", type=int, default=os.cpu_count())
    ask.add_argument("--odd", action="store_true", help="of odd.py, instead of changed sound ones")
    ask.add_argument("--through", choices=("read", "measure", "propose", "window"), default="read")
    ask.add_argument("--these", nargs="*", help=argparse.SUPPRESS)
    told = ask.parse_args()
    if told.these:
        take_listed(told.through, told.these)
        return 0
    # The writer remarks on what it is made to write.
    warnings.simplefilter("ignore")
    rng = random.Random(told.seed)
    sound = sound_films()
    with tempfile.TemporaryDirectory() as folder:
        made = []
        for number in range(told.films):
            if told.odd:
                from tests.fuzz.odd import odd

                what, suffix, content = odd(number, rng)
            else:
                (what, content), suffix = hostile(sound, rng), ""
            path = Path(folder) / f"{number:05d}{'.' * bool(suffix)}{suffix}"
            path.write_bytes(content)
            made.append((what, path))
        with ThreadPoolExecutor(told.processes) as pool:
            parts = [made[start :: told.processes] for start in range(told.processes)]
            lists = [[path for _, path in part] for part in parts]
            ends = pool.map(partial(judged, told.through), lists)
            found = [end for part in ends for end in part]
        made = [item for part in parts for item in part]
        faults = 0
        for (what, path), (_, fault, _, _) in zip(made, found, strict=True):
            if fault:
                faults += 1
                print(f"{path.name} ({what}): {fault}")
    most_seconds, most_bytes = (max(each) for each in list(zip(*found, strict=True))[2:])
    print(
        dict(Counter(how for how, *_ in found)), f"{faults} of {told.films} wrong;",
        f"at most {most_seconds:.1f} s and {most_bytes / 1e9:.2f} GB",
    )  # fmt: skip
    return faults


if __name__ == "__main__":
    sys.exit(bool(main()))
