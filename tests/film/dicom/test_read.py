"""Films from DICOM files that the tests write; pydicom's own pixel access is the yardstick."""

from datetime import date
from pathlib import Path

import numpy as np
import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels import apply_modality_lut, apply_voi_lut
from pydicom.uid import (
    JPEG2000,
    UID,
    ComputedRadiographyImageStorage,
    DigitalXRayImageStorageForPresentation,
    DigitalXRayImageStorageForProcessing,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
    SecondaryCaptureImageStorage,
    XRayRadiofluoroscopicImageStorage,
)

from tests.film.refused import refused
from xraymeasure.errors import FilmError
from xraymeasure.film.dicom.identity import IDENTITY
from xraymeasure.film.read import read_film
from xraymeasure.film.spacing import SpacingKind
from xraymeasure.samples import sample_folder

BIG = {"BitsAllocated": 16, "BitsStored": 12, "HighBit": 11}


def ramp(shape=(24, 31), bits=12, signed=False):
    """A film whose every value differs from its neighbours, from the lowest to the highest."""
    values = np.linspace(0, 2**bits - 1, shape[0] * shape[1]).round().astype(np.int64)
    values -= 2 ** (bits - 1) if signed else 0
    kind = ("i" if signed else "u") + ("1" if bits == 8 else "2")
    return values.reshape(shape).astype(kind)


def dataset(pixels=None, syntax=ExplicitVRLittleEndian, drop=(), **attributes):
    """A plain DX film with these pixels; `attributes` replace or add, `drop` removes."""
    pixels = ramp() if pixels is None else pixels
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = syntax
    film = Dataset()
    film.file_meta, film.preamble = meta, b"\0" * 128
    film.SOPClassUID, film.SOPInstanceUID = DigitalXRayImageStorageForPresentation, "1.2.3.4"
    film.Modality, film.ViewPosition, film.PatientOrientation = "DX", "AP", ["L", "F"]
    film.ImagerPixelSpacing, film.DistanceSourceToDetector = [0.2, 0.1], 1150
    film.Rows, film.Columns = pixels.shape[:2]
    film.SamplesPerPixel = 1 if pixels.ndim == 2 else 3
    film.PhotometricInterpretation = "MONOCHROME2" if pixels.ndim == 2 else "RGB"
    if pixels.ndim == 3:
        film.PlanarConfiguration = 0
    bits = 8 * pixels.dtype.itemsize
    film.BitsAllocated, film.BitsStored, film.HighBit = bits, bits, bits - 1
    film.PixelRepresentation = int(pixels.dtype.kind == "i")
    order = ">" if syntax == ExplicitVRBigEndian else "<"
    film.PixelData = pixels.astype(pixels.dtype.newbyteorder(order)).tobytes()
    film["PixelData"].VR = "OW" if bits > 8 else "OB"
    for keyword, value in attributes.items():
        setattr(film, keyword, value)
    for keyword in drop:
        delattr(film, keyword)
    meta.MediaStorageSOPClassUID = film.get("SOPClassUID", SecondaryCaptureImageStorage)
    meta.MediaStorageSOPInstanceUID = "1.2.3.4"
    return film


def save(film, folder, name="film.dcm"):
    path = Path(folder) / name
    film.save_as(path, enforce_file_format=True)
    return path


def opened(folder, *args, **kwargs):
    return read_film(save(dataset(*args, **kwargs), folder))


def gdcm_compressed(path, syntax):
    """Compress a file in place as gdcm does."""
    import gdcm

    reader = gdcm.ImageReader()
    reader.SetFileName(str(path))
    assert reader.Read()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(syntax))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer = gdcm.ImageWriter()
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    writer.SetFileName(str(path))
    assert writer.Write()


def compressed(folder, pixels, syntax, **attributes):
    """Write `pixels` compressed without loss, where possible not by the decoder's maker."""
    import gdcm
    from openjpeg.utils import encode_array

    film = dataset(pixels, **attributes)
    processes = {
        JPEGLossless: gdcm.TransferSyntax.JPEGLosslessProcess14,
        JPEGLosslessSV1: gdcm.TransferSyntax.JPEGLosslessProcess14_1,
    }
    if syntax == JPEG2000Lossless:
        film.PixelData = encapsulate([encode_array(pixels, bits_stored=film.BitsStored)])
        film["PixelData"].VR = "OB"
        film["PixelData"].is_undefined_length = True
        film.file_meta.TransferSyntaxUID = syntax
    elif syntax not in processes:
        film.compress(syntax, generate_instance_uid=False)
    path = save(film, folder)
    if syntax in processes:
        gdcm_compressed(path, processes[syntax])
    assert pydicom.dcmread(path, stop_before_pixels=True).file_meta.TransferSyntaxUID == syntax
    return path


# --- pixels -------------------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize(
    "syntax", [ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian]
)
def test_stored_values_come_back_untouched(tmp_path, syntax, bits, signed):
    pixels = ramp(bits=bits, signed=signed)
    path = save(dataset(pixels, syntax, BitsStored=bits, HighBit=bits - 1), tmp_path)
    film = read_film(path)
    np.testing.assert_array_equal(film.pixels, pixels)
    np.testing.assert_array_equal(film.pixels, pydicom.dcmread(path).pixel_array)
    assert film.pixels.dtype == pixels.dtype
    assert film.pixels.dtype.isnative
    assert film.bits_stored == bits


COMPRESSED = (RLELossless, JPEGLSLossless, JPEG2000Lossless, JPEGLossless, JPEGLosslessSV1)


@pytest.mark.parametrize(
    ("syntax", "bits", "signed"),
    [
        *((syntax, bits, False) for syntax in COMPRESSED for bits in (8, 12, 16)),
        *((syntax, 12, True) for syntax in COMPRESSED[:3]),
    ],
)
def test_lossless_compression_changes_neither_pixels_nor_hash(tmp_path, syntax, bits, signed):
    pixels = ramp((70, 81), bits, signed)
    stored = {"BitsStored": bits, "HighBit": bits - 1}
    plain = opened(tmp_path, pixels, **stored)
    film = read_film(compressed(tmp_path, pixels, syntax, **stored))
    np.testing.assert_array_equal(film.pixels, pixels)
    assert film.pixel_sha256 == plain.pixel_sha256


@pytest.mark.parametrize(
    "name",
    [
        "SC_rgb_small_odd.dcm",
        "SC_rgb_small_odd_big_endian.dcm",
        "SC_rgb_rle_16bit.dcm",
        "SC_rgb_jpeg_gdcm.dcm",
        "SC_ybr_full_422_uncompressed.dcm",
    ],
)
def test_a_secondary_capture_in_colour_becomes_grey(name):
    # Files that come with pydicom; its own conversion to RGB, then ITU-R BT.601 luminance.
    path = get_testdata_file(name, download=False)
    colour = pydicom.pixels.pixel_array(path).astype(float)
    film = read_film(path)
    assert film.pixels.ndim == 2
    np.testing.assert_allclose(film.pixels, colour @ [0.299, 0.587, 0.114], atol=0.51)
    assert any("colour" in note for note in film.notes)


def test_a_palette_film_becomes_grey(tmp_path):
    index = np.arange(12, dtype=np.uint8).reshape(3, 4)
    reds, greens, blues = (np.arange(12) * step for step in (1, 10, 20))
    palette = {}
    for name, table in (("Red", reds), ("Green", greens), ("Blue", blues)):
        palette[f"{name}PaletteColorLookupTableDescriptor"] = [12, 0, 8]
        palette[f"{name}PaletteColorLookupTableData"] = table.astype(np.uint8).tobytes()
    film = opened(tmp_path, index, PhotometricInterpretation="PALETTE COLOR", **palette)
    expected = (0.299 * reds + 0.587 * greens + 0.114 * blues)[index]
    np.testing.assert_allclose(film.pixels, expected, atol=0.51)


def test_a_grey_picture_stored_in_colour_is_unchanged(tmp_path):
    grey = ramp(bits=8)
    film = opened(tmp_path, np.repeat(grey[..., None], 3, axis=2), Modality="OT")
    np.testing.assert_array_equal(film.pixels, grey)


def test_a_file_without_preamble_is_read(tmp_path):
    path = save(dataset(), tmp_path)
    bare = tmp_path / "bare.dcm"
    bare.write_bytes(path.read_bytes()[132:])
    np.testing.assert_array_equal(read_film(bare).pixels, ramp())


@pytest.mark.parametrize("implicit, little", [(True, True), (False, True), (False, False)])
def test_a_data_set_without_any_header_is_read(tmp_path, implicit, little):
    syntax = ExplicitVRLittleEndian if little else ExplicitVRBigEndian
    film = dataset(syntax=syntax)
    path = tmp_path / "naked"
    pydicom.dcmwrite(
        path, Dataset(film), implicit_vr=implicit, little_endian=little, force_encoding=True
    )
    np.testing.assert_array_equal(read_film(path).pixels, ramp())


@pytest.mark.parametrize(
    "modality, storage",
    [
        ("CR", ComputedRadiographyImageStorage),
        ("DX", DigitalXRayImageStorageForPresentation),
        ("DX", DigitalXRayImageStorageForProcessing),
        ("RF", XRayRadiofluoroscopicImageStorage),
        ("OT", SecondaryCaptureImageStorage),
        ("CR", SecondaryCaptureImageStorage),
    ],
)
def test_radiographs_of_every_storage_class_are_read(tmp_path, modality, storage):
    film = opened(tmp_path, Modality=modality, SOPClassUID=storage)
    assert film.modality == modality
    assert film.sop_instance_uid == "1.2.3.4"


def test_a_film_that_does_not_say_its_modality_is_read_and_noted(tmp_path):
    film = opened(tmp_path, drop=["Modality"])
    assert film.modality is None
    assert "The film does not say its modality." in film.notes


# --- what is shown ------------------------------------------------------------------------------


def lut_item(values, first, bits):
    item = Dataset()
    item.LUTDescriptor = [len(values) % 65536, first, bits]
    item["LUTDescriptor"].VR = "US"
    item.LUTData = [int(value) for value in values]
    item["LUTData"].VR = "US"
    return item


@pytest.mark.parametrize("function", ["LINEAR", "LINEAR_EXACT", "SIGMOID"])
@pytest.mark.parametrize("signed", [False, True])
def test_the_window_is_that_of_pydicom(tmp_path, function, signed):
    pixels = ramp(bits=12, signed=signed)
    path = save(
        dataset(
            pixels,
            **BIG,
            RescaleSlope=2,
            RescaleIntercept=-100,
            WindowCenter=[900, 1],
            WindowWidth=[1500, 2],
            VOILUTFunction=function,
        ),
        tmp_path,
    )
    other = pydicom.dcmread(path)
    expected = apply_voi_lut(apply_modality_lut(other.pixel_array, other), other)
    low = -100 + 2 * (-2048 if signed else 0)
    expected = (expected - low) / (2 * 4095)
    np.testing.assert_allclose(read_film(path).display(), expected, atol=2e-6)


def test_look_up_tables_are_those_of_pydicom(tmp_path):
    rng = np.random.default_rng(1)
    modality = np.sort(rng.integers(0, 1024, 3000))
    voi = np.sort(rng.integers(0, 4096, 900))[::-1]
    path = save(
        dataset(
            ramp(),
            **BIG,
            ModalityLUTSequence=[lut_item(modality, 500, 16)],
            VOILUTSequence=[lut_item(voi, 60, 12)],
            WindowCenter=10,
            WindowWidth=10,
        ),
        tmp_path,
    )
    other = pydicom.dcmread(path)
    expected = apply_voi_lut(apply_modality_lut(other.pixel_array, other), other)
    np.testing.assert_allclose(read_film(path).display(), expected / 4095, atol=1e-6)


@pytest.mark.parametrize("big_endian", [False, True])
def test_a_look_up_table_stored_as_bytes_is_read(tmp_path, big_endian):
    item = lut_item(range(4096), 0, 12)
    item["LUTData"].VR = "OW"
    item.LUTData = np.arange(4096)[::-1].astype(">u2" if big_endian else "<u2").tobytes()
    syntax = ExplicitVRBigEndian if big_endian else ExplicitVRLittleEndian
    film = opened(tmp_path, ramp(), syntax, **BIG, VOILUTSequence=[item])
    np.testing.assert_allclose(film.display(), 1 - ramp() / 4095, atol=1e-6)


def words(values, described, bits=8):
    """A look-up table whose entries are stored as words, and which says how many it has."""
    item = lut_item([0] * described, 0, bits)
    item["LUTData"].VR = "OW"
    item.LUTData = np.asarray(values).tobytes()
    return [item]


marked = ramp().copy()
marked[3:6, 4:9] |= 0x8000
plain, small, signed = ramp() / 4095, ramp(bits=8), ramp(bits=12, signed=True)


@pytest.mark.parametrize(
    ("pixels", "attributes", "shown", "note"),
    [
        # PS3.3 C.11.1.1.1: entries of 8 bits may lie in words of 16, the first in the low byte.
        pytest.param(small, {"VOILUTSequence": words(np.arange(256, dtype=np.uint8)[::-1], 256)},
                     1 - small / 255, "", id="entries packed two to a word"),
        pytest.param(signed, BIG | {"VOILUTSequence": [lut_item(range(4096), 65536 - 2048, 12)]},
                     (signed + 2048) / 4095, "", id="a signed table starts below zero"),
        pytest.param(ramp(), BIG | {"VOILUTSequence": words(np.arange(10, dtype="<u2"), 4096, 12)},
                     plain, "VOILUTSequence is shorter", id="a table shorter than it says"),
        pytest.param(ramp(), BIG | {"WindowCenter": 5, "WindowWidth": 0}, plain, "window",
                     id="an impossible window"),
        pytest.param(marked, BIG, plain, "", id="an overlay in the unused bits"),
        pytest.param(ramp() << 4, {"BitsStored": 12, "HighBit": 15, "WindowCenter": 2048,
                     "WindowWidth": 4096}, plain, "", id="values in the upper bits"),
    ],
)  # fmt: skip
def test_what_is_odd_about_tables_windows_and_bits_is_shown_right(
    tmp_path, pixels, attributes, shown, note
):
    film = opened(tmp_path, pixels, **attributes)
    np.testing.assert_allclose(film.display(), shown, atol=1e-6)
    assert not note or any(note in each for each in film.notes)


@pytest.mark.parametrize(
    "photometric, shape, inverted",
    [
        ("MONOCHROME2", None, False),
        ("MONOCHROME2", "IDENTITY", False),
        ("MONOCHROME2", "INVERSE", True),
        ("MONOCHROME1", None, True),
        ("MONOCHROME1", "INVERSE", True),
        ("MONOCHROME1", "IDENTITY", True),
    ],
)
def test_brighter_is_denser_whatever_the_photometric_interpretation(
    tmp_path, photometric, shape, inverted
):
    # PS3.3 C.7.6.3.1.2: the lowest value of MONOCHROME1 is shown white, after the VOI step.
    extra = {} if shape is None else {"PresentationLUTShape": shape}
    film = opened(
        tmp_path,
        ramp(),
        **BIG,
        PhotometricInterpretation=photometric,
        WindowCenter=1024,
        WindowWidth=1024,
        **extra,
    )
    linear = np.clip((ramp() - 1023.5) / 1023 + 0.5, 0, 1)
    np.testing.assert_allclose(film.display(), 1 - linear if inverted else linear, atol=1e-6)
    contradicts = shape is not None and (shape == "INVERSE") != (photometric == "MONOCHROME1")
    assert any("PresentationLUTShape" in note for note in film.notes) == contradicts


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_a_film_for_processing_is_shown_by_its_intensity_sign(tmp_path, sign, photometric):
    # PS3.3 C.8.11.3.1.2: sign 1 means that higher values are more beam, that is less tissue.
    film = opened(
        tmp_path,
        ramp(),
        **BIG,
        PresentationIntentType="FOR PROCESSING",
        PixelIntensityRelationshipSign=sign,
        PhotometricInterpretation=photometric,
    )
    grey = ramp() / 4095
    np.testing.assert_allclose(film.display(), 1 - grey if sign == 1 else grey, atol=1e-6)
    assert any("for processing" in note for note in film.notes)


def test_a_blank_film_is_shown_blank(tmp_path):
    assert not opened(tmp_path, np.full((5, 6), 7, np.uint16)).display().any()


# --- geometry -----------------------------------------------------------------------------------


def test_rows_and_columns_keep_their_own_pitch(tmp_path):
    film = opened(tmp_path, np.zeros((101, 201), np.uint16), ImagerPixelSpacing=[0.3, 0.25])
    # PS3.3 10.7.1.3, figure 10.7.1.3-1: 0.30\0.25 is 0.30 between rows, 0.25 between columns.
    assert film.spacing.kind is SpacingKind.DETECTOR
    np.testing.assert_allclose(film.to_patient_mm([[60, 100], [50, 110]]), [[0, 3], [2.5, 0]])
    assert film.spacing.aspect == pytest.approx(1.2)
    assert any("not square" in note for note in film.notes)


@pytest.mark.parametrize(
    "text", [b"NaN\\NaN ", b"inf\\inf ", b"abc\\def ", b"0\\0 ", b"-0.1\\0.1", b"0.1 ", b"143\\143"]
)
def test_an_impossible_spacing_is_taken_as_missing(tmp_path, text):
    path = save(dataset(ImagerPixelSpacing=["0.11", "0.11"]), tmp_path)
    content = path.read_bytes()
    path.write_bytes(content.replace(b"0.11\\0.11 ", text.ljust(10)[:10]))
    film = read_film(path)
    assert film.spacing.kind is SpacingKind.UNKNOWN
    assert any(note.startswith("ImagerPixelSpacing") for note in film.notes)


def test_a_pixel_aspect_ratio_is_kept_where_no_spacing_tells_it(tmp_path):
    film = opened(tmp_path, drop=["ImagerPixelSpacing"], PixelAspectRatio=[3, 2])
    assert film.spacing.kind is SpacingKind.UNKNOWN
    assert film.spacing.aspect == pytest.approx(1.5)


@pytest.mark.parametrize("distance", [0, 115, 499, 3001, 1e6])
def test_an_implausible_source_to_detector_distance_is_ignored(tmp_path, distance):
    film = opened(tmp_path, DistanceSourceToDetector=distance)
    assert film.source_detector_mm is None
    assert any("DistanceSourceToDetector" in note for note in film.notes)


def test_the_source_to_detector_distance_is_read(tmp_path):
    assert opened(tmp_path).source_detector_mm == 1150
    missing = opened(tmp_path, drop=["DistanceSourceToDetector"])
    assert missing.source_detector_mm is None
    assert any("distance from source" in note for note in missing.notes)


def test_a_mirrored_film_is_placed_like_the_original(tmp_path):
    film = opened(tmp_path)
    mirrored = opened(tmp_path, ramp()[:, ::-1], PatientOrientation=["R", "F"])
    there = film.to_patient_mm([5, 7])
    np.testing.assert_allclose(mirrored.to_patient_mm([5, 30 - 7]), there)
    assert "mirrored" in mirrored.orientation_note


def test_the_collimator_tells_the_beam_centre(tmp_path):
    film = opened(
        tmp_path,
        CollimatorShape="RECTANGULAR",
        CollimatorLeftVerticalEdge=4,
        CollimatorRightVerticalEdge=20,
        CollimatorUpperHorizontalEdge=3,
        CollimatorLowerHorizontalEdge=11,
    )
    # PS3.3 C.8.7.3: the upper left pixel is 1,1.
    assert film.beam_centre == (6.0, 11.0)
    assert "collimated" in film.beam_centre_note


def test_the_detector_tells_the_beam_centre_of_a_cropped_film(tmp_path):
    film = opened(
        tmp_path,
        ImagerPixelSpacing=[0.2, 0.2],
        DetectorElementSpacing=[0.2, 0.2],
        DetectorActiveDimensions=[20, 30],
        FieldOfViewOrigin=[40, 50],
        FieldOfViewRotation=0,
        FieldOfViewHorizontalFlip="NO",
    )
    assert film.beam_centre == pytest.approx((50 - 40 - 0.5, 75 - 50 - 0.5))


def test_a_pa_film_is_noted(tmp_path):
    film = opened(tmp_path, ViewPosition="PA")
    assert film.view == "PA"
    assert any("mirrored" in note for note in film.notes)


def test_the_view_may_be_coded(tmp_path):
    code = Dataset()
    code.CodeValue, code.CodingSchemeDesignator = "R-10214", "SRT"
    code.CodeMeaning = "postero-anterior"
    assert opened(tmp_path, drop=["ViewPosition"], ViewCodeSequence=[code]).view == "PA"


# --- whose and when -----------------------------------------------------------------------------


def test_the_date_of_acquisition_goes_before_that_of_the_study(tmp_path):
    film = opened(tmp_path, AcquisitionDate="20240305", StudyDate="20240301")
    assert film.acquired_on == date(2024, 3, 5)


def test_a_broken_date_is_passed_over(tmp_path):
    path = save(dataset(AcquisitionDate="20240305", StudyDate="20240301"), tmp_path)
    path.write_bytes(path.read_bytes().replace(b"20240305", b"20241355"))
    film = read_film(path)
    assert film.acquired_on == date(2024, 3, 1)
    assert "AcquisitionDate is not a date and was ignored." in film.notes


def test_identity_is_named_but_never_quoted(tmp_path):
    film = opened(
        tmp_path, PatientName="Invented^Person", PatientID="INV-17", InstitutionName="", StudyID="9"
    )
    assert film.identity == ("PatientName", "PatientID", "StudyID")
    said = repr(film) + film.spacing.reason
    assert "Invented" not in said
    assert "INV-17" not in said
    removed = opened(tmp_path, PatientName="Pseudonym", PatientIdentityRemoved="YES")
    assert removed.identity == ()
    assert any("identity was removed" in note for note in removed.notes)


def test_identity_is_looked_for_under_names_that_dicom_has():
    unknown = [name for name in IDENTITY if pydicom.datadict.tag_for_keyword(name) is None]
    assert unknown == []


@pytest.mark.parametrize("said, known", [("YES", True), ("NO", False), (None, None)])
def test_text_burned_into_the_pixels_is_known_where_said(tmp_path, said, known):
    extra = {} if said is None else {"BurnedInAnnotation": said}
    assert opened(tmp_path, **extra).burned_in is known


def test_remarks_of_the_parser_become_a_note(tmp_path, recwarn, capfd):
    path = save(dataset(StudyDate="20240301"), tmp_path)
    path.write_bytes(path.read_bytes().replace(b"20240301", b"Secret17"))
    film = read_film(path)
    assert not recwarn.list
    assert capfd.readouterr() == ("", "")
    assert not any("Secret" in note for note in film.notes)


# --- refused ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name, words",
    [
        ("CT_small.dcm", "modality is CT"),
        ("MR_small.dcm", "modality is MR"),
        ("DICOMDIR", "DICOMDIR"),
    ],
)
def test_a_file_of_another_kind_is_refused(name, words):
    assert words in refused(Path(get_testdata_file(name, download=False)))


@pytest.mark.parametrize(
    "changes, words",
    [
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.77.1.4"}, "VL Photographic Image Storage"),
        ({"drop": ["PixelData"], "FloatPixelData": bytes(24 * 31 * 4)}, "fractions"),
        ({"NumberOfFrames": 2}, "holds 2 frames"),
        ({"Rows": 0}, "no rows or no columns"),
        ({"Columns": 0}, "no rows or no columns"),
        ({"drop": ["Rows"]}, "no rows or no columns"),
        ({"drop": ["PixelData"]}, "holds no picture"),
        ({"PixelData": b""}, "holds no picture"),
        ({"BitsAllocated": 32, "BitsStored": 32, "HighBit": 31}, "32 bits stored in 32"),
        ({"BitsStored": 17}, "17 bits stored in 16"),
        ({"BitsAllocated": 1, "BitsStored": 1, "HighBit": 0}, "1 bits stored in 1"),
        ({"drop": ["BitsAllocated"]}, "16 bits stored in no"),
        ({"Rows": 2000}, "truncated or damaged"),
        ({"drop": ["PhotometricInterpretation"]}, "truncated or damaged"),
    ],
)
def test_what_is_no_film_is_refused(tmp_path, changes, words):
    assert words in refused(save(dataset(**changes), tmp_path))


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, *COMPRESSED])
def test_a_truncated_film_is_refused_wherever_it_was_cut(tmp_path, syntax, capfd):
    rng = np.random.default_rng(2)
    pixels = rng.integers(0, 4096, (80, 90), dtype=np.uint16)
    if syntax == ExplicitVRLittleEndian:
        path = save(dataset(pixels, **BIG), tmp_path)
    else:
        path = compressed(tmp_path, pixels, syntax, BitsStored=12, HighBit=11)
    content = path.read_bytes()
    for part in (0.02, 0.1, 0.2, 0.35, 0.5, 0.8, 0.95, 0.99):
        path.write_bytes(content[: int(part * len(content))])
        refused(path)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kept", [20_000, 600_000])
def test_a_copy_that_broke_off_inside_the_pixels_is_said_to_be_truncated(tmp_path, kept):
    path = tmp_path / "film.dcm"
    path.write_bytes((sample_folder() / "before.dcm").read_bytes()[:kept])
    assert "truncated" in refused(path)


@pytest.mark.parametrize("syntax", [JPEGLossless, JPEGLSLossless, JPEG2000Lossless, RLELossless])
def test_a_stream_that_was_cut_inside_a_whole_file_is_refused(tmp_path, syntax, capfd):
    rng = np.random.default_rng(2)
    pixels = rng.integers(0, 4096, (80, 90), dtype=np.uint16)
    path = compressed(tmp_path, pixels, syntax, BitsStored=12, HighBit=11)
    film = pydicom.dcmread(path)
    frame = next(pydicom.encaps.generate_frames(film.PixelData, number_of_frames=1))
    film.PixelData = encapsulate([frame[: len(frame) // 4 * 2]])
    film.save_as(path)
    assert "truncated" in refused(path)
    assert capfd.readouterr() == ("", "")


def test_a_corrupt_stream_is_refused_quietly(tmp_path, capfd):
    path = compressed(tmp_path, ramp((70, 81)), JPEG2000Lossless, BitsStored=12, HighBit=11)
    film = pydicom.dcmread(path)
    film.PixelData = encapsulate([b"\xff\x4f\xff\x51" + bytes(200) + b"\xff\xd9"])
    film.file_meta.TransferSyntaxUID = JPEG2000
    film.save_as(path)
    assert "damaged" in refused(path)
    assert capfd.readouterr() == ("", "")


def test_a_compression_that_cannot_be_decoded_is_named(tmp_path):
    film = dataset()
    film.PixelData = encapsulate([bytes(100)])
    film["PixelData"].is_undefined_length = True
    film.file_meta.TransferSyntaxUID = UID("1.2.840.10008.1.2.4.102")
    assert "MPEG-4" in refused(save(film, tmp_path))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_damage_anywhere_is_read_or_refused_with_words(tmp_path, data):
    content = bytearray(save(dataset(ramp((6, 7)), PatientName="Invented"), tmp_path).read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(content) - 1))
        content[place] = data.draw(st.integers(0, 255))
    path = tmp_path / "damaged.dcm"
    path.write_bytes(content)
    try:
        film = read_film(path)
    except FilmError as error:
        assert "damaged.dcm" in str(error)
    else:
        shown = film.display()
        assert shown.shape == film.shape
        assert 0 <= shown.min() <= shown.max() <= 1
