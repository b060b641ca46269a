"""Strings planted wherever a film can hold text, and in which outputs they come out.

Run as ``python -m tests.benchmarks.bench_planted``. A sample film is written as DICOM (elements of
every value representation that can hold text, private ones, overlays, file meta information, what
lies before and after), PNG, TIFF and JPEG, each named after the patient, and goes through measure,
propose, series new, run, propose, agreement and followup, and the window's session. A study's own
films are the films themselves and its key is for names; neither counts.
"""

from __future__ import annotations

import io
import json
import os
import sys
import tempfile
import warnings
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from pydicom.datadict import DicomDictionary, keyword_for_tag
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from tests.test_planted import inflated, texts_drawn
from xraymeasure.cli import app
from xraymeasure.errors import XrayMeasureError
from xraymeasure.film.read import read_film
from xraymeasure.reading.file import parse_reading
from xraymeasure.samples import sample_folder
from xraymeasure.series.study.readings import add_reading
from xraymeasure.series.study.study import read_study

WORDS = ("AE", "AS", "CS", "LO", "LT", "PN", "SH", "ST", "UC", "UR", "UT")
NUMBERS = ("DA", "DS", "DT", "IS", "TM")
NAMES = """PatientName PatientID PatientComments StudyDescription SeriesDescription InstitutionName
OperatorsName ReferringPhysicianName AccessionNumber ImageComments StationName StudyID"""
OF_EACH = 8
PICTURES = ("png", "tiff", "jpg")


class Plants:
    """The strings, each with where it was planted."""

    def __init__(self) -> None:
        self.where: dict[str, str] = {}

    def new(self, where: str) -> str:
        text = f"QZX{len(self.where):03d}PLANT"
        self.where[text] = where
        return text


def planted_dicom(path: Path, plants: Plants, **known: object) -> None:
    """Write the sample film full of strings; what is `known` of it stays as it is."""
    film = pydicom.dcmread(sample_folder() / "well_placed.dcm")
    film.decompress(generate_instance_uid=False)
    pixels = film.pixel_array.copy()
    pixels[0, 0] = len(plants.where) % 4000
    film.PixelData = pixels.tobytes()
    needed = {element.tag for element in film}
    for vr in WORDS + NUMBERS:
        tags = [
            tag for tag, (what, *_, retired, keyword) in DicomDictionary.items()
            if what == vr and keyword and not retired and tag not in needed and tag >> 16 >= 8
        ]  # fmt: skip
        rng = np.random.default_rng(len(vr))
        for tag in rng.choice(tags, min(OF_EACH, len(tags)), replace=False).tolist():
            text = plants.new(f"DICOM {vr} {keyword_for_tag(tag)}")
            if vr in WORDS:
                film.add_new(tag, vr, text)
            else:
                film.add_new(tag, vr, "")
                film[tag]._value = text
    for keyword in NAMES.split():
        setattr(film, keyword, plants.new(f"DICOM {keyword}"))
    outer, inner = Dataset(), Dataset()
    inner.CodeMeaning = plants.new("DICOM nested sequence")
    outer.ContentSequence = Sequence([inner])
    film.AnatomicRegionSequence = Sequence([outer])
    for group in (0x0011, 0x0013, 0x0029):
        block = film.private_block(group, plants.new("private creator"), create=True)
        for number, vr in enumerate(("LO", "UT", "PN", "UN", "OB")):
            text = plants.new(f"private {vr}")
            block.add_new(number, vr, text.encode() + b"\0" if vr in ("UN", "OB") else text)
    film.add_new(0x60000022, "LO", plants.new("overlay description"))
    film.add_new(0x60001500, "LO", plants.new("overlay label"))
    film.add_new(0x60003000, "OW", plants.new("overlay data").encode() + b"\0")
    film.add_new(0xFFFCFFFC, "OB", plants.new("trailing padding").encode() + b"\0")
    film.file_meta.SourceApplicationEntityTitle = plants.new("file meta")
    film.file_meta.PrivateInformationCreatorUID = "1.2.3"
    film.file_meta.PrivateInformation = plants.new("file meta, private").encode() + b"\0"
    film.preamble = plants.new("preamble").encode().ljust(128, b"\0")
    for keyword, value in known.items():
        setattr(film, keyword, value)
    film.save_as(path)


def planted_picture(path: Path, plants: Plants) -> None:
    """Write the sample film as a picture whose tags, chunks and comments are full of strings."""
    shown = Image.fromarray(
        (255 * read_film(sample_folder() / "well_placed.dcm").display()).astype(np.uint8)
    )
    kind = path.suffix[1:]
    exif = Image.Exif()
    for tag in (0x010E, 0x010F, 0x0110, 0x0131, 0x013B, 0x8298):
        exif[tag] = plants.new(f"{kind} EXIF {tag:#x}")
    if kind == "png":
        chunks = PngInfo()
        for number, key in enumerate(("Title", "Author", "Comment", plants.new("PNG key"))):
            chunks.add_text(key, plants.new(f"PNG {key}"), zip=number == 2)
        chunks.add_itxt("Description", plants.new("PNG iTXt"), "en", plants.new("PNG iTXt keyword"))
        shown.save(path, pnginfo=chunks, exif=exif)
    elif kind == "tiff":
        tags = {
            tag: plants.new(f"TIFF {tag}")
            for tag in (269, 270, 271, 272, 285, 305, 306, 315, 316, 337, 33432, 65000)
        }
        shown.save(path, tiffinfo=tags)
    else:
        shown.save(path, exif=exif, comment=plants.new("JPEG comment"), quality=95)


class Outputs:
    """What came out: printed, drawn, written, and how files are called."""

    def __init__(self, plants: Plants) -> None:
        self.plants, self.count, self.bytes = plants, 0, 0
        self.codes: Counter[str] = Counter()
        self.leaks: set[tuple[str, str]] = set()

    def look(self, where: str, data: bytes) -> None:
        self.count, self.bytes = self.count + 1, self.bytes + len(data)
        if b"QZX" in data:
            self.leaks |= {(where, each) for each in self.plants.where if each.encode() in data}

    def files(self, what: str, folder: Path) -> None:
        for path in folder.rglob("*"):
            name = str(path.relative_to(folder))
            self.look(f"{what}: name of {path.suffix} file", name.encode())
            if path.is_file() and path.suffix not in (".dcm",):
                data = path.read_bytes()
                self.look(f"{what}: {path.name}", data)
                if path.suffix == ".pdf":
                    self.look(f"{what}: {path.name}", inflated(data))

    def call(self, *arguments: object) -> None:
        said = io.StringIO()
        with redirect_stdout(said), redirect_stderr(said), texts_drawn() as drawn:
            try:
                code = app([str(each) for each in arguments], standalone_mode=False)
            except XrayMeasureError as error:
                code = 2
                print(error)
        command = " ".join(arguments[: 2 if arguments[0] == "series" else 1])
        self.codes.update([f"{command}: {code or 0}"])
        self.look(f"{command} printed", said.getvalue().encode())
        self.look(f"{command} drawn", "\n".join(map(str, drawn)).encode())


def main() -> int:
    """Return how many planted strings came out."""
    # The writer remarks on what it is made to write.
    warnings.simplefilter("ignore")
    plants = Plants()
    out = Outputs(plants)
    record = json.loads((sample_folder() / "well_placed.reading.json").read_text())
    unbound = {**record, "film": {"sop_instance_uid": None, "pixel_sha256": None}}
    with tempfile.TemporaryDirectory() as place:
        at = Path(place)
        films = at / "films"
        films.mkdir()
        dicom = films / f"{plants.new('name of the DICOM file')}.dcm"
        planted_dicom(dicom, plants)
        pictures = [films / f"{plants.new(f'name of the {kind} file')}.{kind}" for kind in PICTURES]
        for picture in pictures:
            planted_picture(picture, plants)
        (at / "a.reading.json").write_text(json.dumps(unbound))
        plan = sample_folder() / "well_placed.plan.toml"
        for film in (dicom, *pictures):
            told = ("measure", film, "--reading", at / "a.reading.json", "--force")
            out.call(
                *told,
                "--plan",
                plan,
                "--out",
                at / "measured",
                "--before",
                film,
                at / "a.reading.json",
            )
            out.call(*told, "--json")
            out.call(
                "propose",
                film,
                "--head-diameter",
                36,
                "--force",
                "-o",
                at / "measured" / "p.reading.json",
            )
            out.files("measure or propose", at / "measured")
        _study(at, films, plants, out, record)
        _window(at, dicom, *pictures, out=out)
    print(f"{len(plants.where)} strings planted; {out.count} outputs of {out.bytes / 1e6:.1f} MB "
          f"looked through; {len({leak for _, leak in out.leaks})} came out")  # fmt: skip
    print("exit codes: " + ", ".join(f"{call} ({n})" for call, n in out.codes.items()))
    for where, leak in sorted(out.leaks):
        print(f"  {plants.where[leak]}: {where}")
    return len(out.leaks)


def _study(at: Path, films: Path, plants: Plants, out: Outputs, record: dict[str, object]) -> None:
    """Make a study of the films, read each twice by two readers, and have all its outputs."""
    person = plants.new("DICOM PatientID")
    for day, uid in (("20250101", "1.2.3.1"), ("20260101", "1.2.3.2")):
        known = {
            **{"AcquisitionDate": day, "StudyDate": day, "SOPInstanceUID": uid},
            **{"PatientID": person, "PatientOrientation": ["L", "F"], "ViewPosition": "AP"},
        }
        planted_dicom(films / f"{plants.new('name of a file in the folder')}.dcm", plants, **known)
    study = at / "study"
    out.call("series", "new", films, "--out", study, "--workers", 0)
    settings = study / "study.toml"
    settings.write_text(settings.read_text().replace('readers = ["A"]', 'readers = ["A", "B"]'))
    opened = read_study(study)
    for film in opened.films:
        shown = read_film(film.file)
        for reader in opened.readers:
            binding = {"sop_instance_uid": None, "pixel_sha256": shown.pixel_sha256}
            placed = parse_reading(json.dumps({**record, "film": binding, "reader": reader}))
            add_reading(opened, film.label, 1, replace(placed, operated_side=film.side or "left"))
    for command in ("run", "propose", "agreement", "followup"):
        out.call("series", command, study, "--workers", 0)
    out.files("study", study)


def _window(at: Path, *films: Path, out: Outputs) -> None:
    """Open each film as the window does, which keeps what is placed in the user's own folder."""
    from napari_xraymeasure.session.resume import open_session

    os.environ["XRAYMEASURE_HOME"] = str(at / "home")
    for film in films:
        session = open_session(read_film(film), at / "a.reading.json" / film.name, "A")
        session.set_operated("left")
        session.skip()
    out.files("window", at / "home")


if __name__ == "__main__":
    sys.exit(bool(main()))
