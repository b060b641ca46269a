"""Strings planted wherever a film, a reading, a plan or a name can carry them; none comes out.

What was typed to be shown (a reader's code, the operated side, a film's own UID) is not planted.
That outputs name nobody is asked for by common practice of de-identification, no source.
"""

from __future__ import annotations

import json
import re
import zlib
from contextlib import contextmanager, suppress
from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pytest
from matplotlib.text import Text
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian

from xraymeasure.film.read import read_film
from xraymeasure.phantom.dicom import film_dataset
from xraymeasure.phantom.reader import simulate_reading
from xraymeasure.phantom.scenarios import samples
from xraymeasure.report.layout.type import Line

TEXTS = """
PatientName PatientID IssuerOfPatientID PatientBirthName PatientMotherBirthName PatientAddress
PatientTelephoneNumbers OtherPatientNames MedicalRecordLocator MilitaryRank BranchOfService
CountryOfResidence RegionOfResidence EthnicGroup Occupation PatientComments
AdditionalPatientHistory ResponsiblePerson ResponsibleOrganization AdmissionID
CurrentPatientLocation PatientInstitutionResidence StudyID AccessionNumber
ReferringPhysicianName ReferringPhysicianAddress ReferringPhysicianTelephoneNumbers
PerformingPhysicianName NameOfPhysiciansReadingStudy OperatorsName RequestingPhysician
RequestingService InstitutionName InstitutionAddress InstitutionalDepartmentName StationName
StudyDescription SeriesDescription ProtocolName DeviceSerialNumber
Manufacturer ManufacturerModelName SoftwareVersions DetectorID PlateID CassetteID
AcquisitionDeviceProcessingDescription ImageComments DerivationDescription
PerformedProcedureStepDescription PerformedProcedureStepID RequestedProcedureDescription
RequestedProcedureID FillerOrderNumberImagingServiceRequest PlacerOrderNumberImagingServiceRequest
ReasonForTheRequestedProcedure MedicalAlerts Allergies SpecialNeeds VisitComments TextComments
"""
MALFORMED = """
EstimatedRadiographicMagnificationFactor ViewPosition PixelSpacingCalibrationType
PatientOrientation BurnedInAnnotation"""
UIDS = ("StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID", "DeviceUID")


def planted(number: int) -> str:
    return f"QZX{number:02d}PLANT"


def film_with_plants(path, scenario, **known):
    """Write a blank film full of them, but for what is known; return all, the UIDs too."""
    shape = scenario.geometry.rows, scenario.geometry.columns
    film = film_dataset(scenario, np.full(shape, 100, np.uint16))
    strings = []

    def plant():
        strings.append(planted(len(strings)))
        return strings[-1]

    for keyword in TEXTS.split():
        setattr(film, keyword, plant())
    for number, keyword in enumerate(UIDS):
        strings.append(f"1.2.826.77007{number}.4711")
        setattr(film, keyword, strings[-1])
    nested, inner = Dataset(), Dataset()
    nested.CodeMeaning, inner.TextValue = plant(), plant()
    nested.ContentSequence = Sequence([inner])
    film.ProcedureCodeSequence = Sequence([nested])
    private = film.private_block(0x0011, plant(), create=True)
    private.add_new(0x01, "LO", plant())
    private.add_new(0x02, "OB", plant().encode() + b"\0")
    # Malformed: words where numbers belong, and in what is asked of every film.
    for keyword in MALFORMED.split():
        setattr(film, keyword, "1")
        film[keyword]._value = plant()
    for keyword, value in known.items():
        setattr(film, keyword, value)
    film.file_meta.SourceApplicationEntityTitle = plant()
    film.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    film.preamble = plant().encode().ljust(128, b"\0")
    film.save_as(path, enforce_file_format=True)
    return strings


def inflated(pdf: bytes) -> bytes:
    """Return a PDF and its streams, unpacked; letters of its texts are numbers of glyphs there."""
    parts = [pdf]
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.S):
        with suppress(zlib.error):
            parts.append(zlib.decompress(stream))
    return b"\n".join(parts)


@contextmanager
def texts_drawn():
    """Collect what is drawn on pages; in a PDF the letters are numbers of glyphs."""
    drawn, set_text, draw = [], Text.set_text, Line.draw
    with (
        patch.object(
            Text, "set_text", lambda self, said: drawn.append(said) or set_text(self, said)
        ),
        patch.object(Line, "draw", lambda self, by: drawn.append(self.text) or draw(self, by)),
    ):
        yield drawn


@pytest.fixture
def call(run):
    def call(*arguments):
        code, out, err = run(*arguments)
        return code, (out + err).encode()

    return call


@pytest.fixture(scope="module")
def scenario():
    sample = samples(1)[0].scenario
    return replace(sample, geometry=sample.geometry.coarser(4))


def test_no_planted_string_comes_out_of_a_measurement(tmp_path, call, scenario):
    name = "QZXNAMEPLANT"
    film = tmp_path / f"{name}.dcm"
    strings = [name, *film_with_plants(film, scenario)]
    record = simulate_reading(scenario, np.random.default_rng(0), reader="A")
    record["comment"] = planted(98)
    (tmp_path / "a.reading.json").write_text(json.dumps(record))
    (tmp_path / "a.plan.toml").write_text(
        f'# {planted(99)}\noperated_side = "left"\n[cup]\ninclination_deg = 40\n'
        "anteversion_deg = 18\n[tolerance]\ninclination_deg = 5\nanteversion_deg = 5\n"
    )
    strings += [planted(98), planted(99)]
    assert len(strings) >= 74
    out = tmp_path / "out"
    common = ("measure", film, "--reading", tmp_path / "a.reading.json")
    with texts_drawn() as drawn:
        code, said = call(*common, "--plan", tmp_path / "a.plan.toml", "--out", out)
    assert code == 0, said
    written = {path.name: path.read_bytes() for path in out.iterdir()}
    written |= {f"{key} unpacked": inflated(data) for key, data in written.items() if ".pdf" in key}
    _, in_json = call(*common, "--json")
    written |= {"terminal": said, "json": in_json, "names": " ".join(written).encode(),
                "drawn": "\n".join(map(str, drawn)).encode()}  # fmt: skip
    assert {key.rpartition(".")[2] for key in written} >= {"pdf", "html", "json", "csv"}
    found = {(key, each) for each in strings for key in written if each.encode() in written[key]}
    assert found == set()
    # The net would catch one: what is typed to be shown is in it.
    pages = [written["drawn"], *(data for key, data in written.items() if key.endswith(".html"))]
    assert all(b"reader A" in data for data in pages)


def test_no_planted_string_of_a_picture_comes_out_of_measurement_or_window(
    tmp_path, call, scenario, monkeypatch
):
    """Text chunks (PNG, ISO/IEC 15948, 11.3.4) and EXIF of a picture named after the patient."""
    from napari_xraymeasure.session.resume import open_session

    strings = ["QZXNAMEPLANT", *(planted(number) for number in range(9))]
    chunks, exif = PngInfo(), Image.Exif()
    for number, key in enumerate(("Title", "Author", "Comment", "QZXKEYPLANT")):
        chunks.add_text(key, strings[1 + number], zip=number == 2)
    chunks.add_itxt("Description", strings[5], "en", strings[6])
    exif[0x010E], exif[0x013B] = strings[7:9]  # description and artist
    shape = scenario.geometry.rows, scenario.geometry.columns
    film = tmp_path / "films" / "QZXNAMEPLANT.png"
    film.parent.mkdir()
    Image.fromarray(np.full(shape, 100, np.uint8)).save(film, pnginfo=chunks, exif=exif)
    assert all(each.encode() in film.read_bytes() for each in (strings[1], strings[5], strings[8]))
    record = simulate_reading(scenario, np.random.default_rng(0), reader="A")
    record["film"] = {"sop_instance_uid": None, "pixel_sha256": None}
    (tmp_path / "a.reading.json").write_text(json.dumps(record))
    out = tmp_path / "out"
    code, said = call("measure", film, "--reading", tmp_path / "a.reading.json", "--out", out)
    assert code == 0, said
    # The window, which may not write beside the film, and then writes in the user's own folder.
    monkeypatch.setenv("XRAYMEASURE_HOME", str(tmp_path / "home"))
    session = open_session(read_film(film), tmp_path / "a.reading.json" / film.name, "A")
    session.set_operated("left")
    session.skip()
    files = [
        path for at in ("out", "home") for path in (tmp_path / at).rglob("*") if path.is_file()
    ]
    written = {"terminal": said} | {str(path): path.read_bytes() for path in files}
    assert session.saved.path in files
    written |= {f"{key} unpacked": inflated(data) for key, data in written.items() if ".pdf" in key}
    strings.append("QZXKEYPLANT")
    assert not [(key, each) for key, data in written.items() for each in strings
                if each.encode() in data or (each in key)]  # fmt: skip


def test_no_planted_string_comes_out_of_a_study(tmp_path, call, scenario):
    folder = tmp_path / "films"
    folder.mkdir()
    sound = {"ViewPosition": "AP", "PatientOrientation": ["L", "F"]}
    strings = film_with_plants(folder / "1.dcm", scenario, **sound)
    # Left out, and why is told.
    film_with_plants(folder / "2.dcm", scenario)
    strings.append(planted(97))
    film_with_plants(folder / "3.dcm", scenario, **sound, BodyPartExamined=strings[-1])
    study = tmp_path / "study"
    code, said = call("series", "new", folder, "--out", study)
    assert code == 0, said
    code, more = call("series", "run", study)
    said += more
    kept = {
        path: path.read_bytes()
        for path in study.rglob("*")
        if path.is_file() and path.suffix != ".dcm"
    }
    assert kept
    found = {(str(path), each) for each in strings for path, data in kept.items()
             if each.encode() in data or each in path.name}  # fmt: skip
    assert found == set()
    assert not [each for each in strings if each.encode() in said]
