import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xraymeasure.errors import ReadingError, XrayMeasureError
from xraymeasure.reading.file import format_reading, parse_reading, read_reading, save_reading
from xraymeasure.reading.reading import FilmBinding, Reading
from xraymeasure.vocabulary.landmarks import LANDMARKS, SIDES

# The example of the file format, with every optional key.
WHOLE = {
    "format": "xraymeasure-reading",
    "version": 1,
    "film": {"sop_instance_uid": "1.2.3", "pixel_sha256": "ab" * 32},
    "reader": "A",
    "read_at": "2026-01-31T10:15:00Z",
    "operated_side": "left",
    "head_diameter_mm": 36.0,
    "beam_centre": [1400.5, 1500],
    "source_detector_mm": 1150,
    "landmarks": {
        "teardrop_left": [[1012.4, 1407.9]],
        "femoral_head_left": [[900.1, 1500.2], [950.0, 1450.0], [950.0, 1550.0]],
        "ischium_left": [],
    },
    "cup_opens": "posterior",
    "cup_diameter_mm": {"left": 54.0, "right": 52.0},
    "marker_diameter_mm": 25.4,
    "neck_shaft_angle_deg": 132.0,
    "native_head_right_mm": 47.5,
    "posture": "standing",
    "placing_sd_px": {"teardrop_left": 3.5},
    "comment": "invented",
}


def text_of(**changes):
    record = {**WHOLE, **changes}
    return json.dumps({key: value for key, value in record.items() if value is not ...})


def message_of(text):
    with pytest.raises(ReadingError) as raised:
        parse_reading(text, "r.json")
    message = str(raised.value)
    assert "\n" not in message
    assert message.startswith("r.json: ")
    return message


def test_every_key_of_the_format_arrives():
    reading = parse_reading(json.dumps(WHOLE))
    assert reading.film == FilmBinding("1.2.3", "ab" * 32)
    assert (reading.reader, reading.read_at) == ("A", "2026-01-31T10:15:00Z")
    assert reading.operated_side == "left"
    assert reading.head_diameter_mm == {"left": 36.0}
    assert reading.beam_centre == (1400.5, 1500.0)
    assert reading.source_detector_mm == 1150.0
    assert reading.landmarks["teardrop_left"] == ((1012.4, 1407.9),)
    assert len(reading.landmarks["femoral_head_left"]) == 3
    assert reading.not_visible("ischium_left")
    assert reading.cup_opens == {"left": "posterior"}
    assert reading.cup_diameter_mm == {"left": 54.0, "right": 52.0}
    assert reading.marker_diameter_mm == 25.4
    assert reading.neck_shaft_angle_deg == {"left": 132.0}
    assert reading.native_head_mm == {"right": 47.5}
    assert reading.posture == "standing"
    assert reading.placing_sd_px == {"teardrop_left": 3.5}
    assert reading.comment == "invented"


def test_the_shortest_reading_is_taken():
    reading = parse_reading(
        '{"format": "xraymeasure-reading", "version": 1, "film": {"sop_instance_uid": null, '
        '"pixel_sha256": null}, "reader": "A", "read_at": "2026-01-31T10:15:00Z", '
        '"operated_side": "right", "landmarks": {}}'
    )
    assert reading.landmarks == {} and reading.head_diameter_mm == {}
    assert reading.beam_centre is None and reading.placing_sd_px is None


def test_a_bare_size_belongs_to_the_operated_hip():
    reading = parse_reading(text_of(operated_side="right"))
    assert reading.head_diameter_mm == {"right": 36.0}
    assert '"head_diameter_mm": 36.0' in format_reading(reading)


def test_sizes_of_both_hips_are_given_by_side():
    reading = parse_reading(text_of(head_diameter_mm={"left": 32, "right": 28}))
    assert reading.head_diameter_mm == {"left": 32.0, "right": 28.0}
    only_other = parse_reading(text_of(head_diameter_mm={"right": 28}))
    assert only_other.head_diameter_mm == {"right": 28.0}
    assert parse_reading(format_reading(only_other)) == only_other


def test_what_is_not_as_planned_is_kept_and_left_out_where_all_is():
    assert "not_as_planned" not in format_reading(parse_reading(text_of()))
    reading = parse_reading(text_of(not_as_planned=["head_diameter_mm"]))
    assert reading.not_as_planned == ("head_diameter_mm",)
    assert parse_reading(format_reading(reading)) == reading
    with pytest.raises(ReadingError, match="not_as_planned"):
        parse_reading(text_of(not_as_planned=["side"]))


def test_a_landmark_still_being_placed_can_be_saved(tmp_path):
    reading = parse_reading(text_of(landmarks={"cup_rim_left": [[1, 2], [3, 4]]}))
    save_reading(reading, tmp_path / "r.json")
    assert read_reading(tmp_path / "r.json") == reading


# --- round trip -----------------------------------------------------------------------------------

numbers = st.floats(-1e5, 1e5)
lengths = st.floats(1e-3, 1e5)
words = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)


def by_side(values):
    return st.dictionaries(st.sampled_from(SIDES), values, max_size=2)


@st.composite
def landmark_sets(draw):
    names = draw(st.sets(st.sampled_from(sorted(LANDMARKS))))
    return {
        name: tuple(
            draw(
                st.lists(
                    st.tuples(numbers, numbers), max_size=min(LANDMARKS[name].kind.maximum or 7, 7)
                )
            )
        )
        for name in sorted(names)
    }


readings = st.builds(
    Reading,
    reader=words,
    read_at=st.datetimes().map(lambda moment: moment.isoformat()),
    operated_side=st.sampled_from(SIDES),
    film=st.builds(
        FilmBinding,
        st.none() | st.from_regex(r"[0-9]{1,4}(\.[0-9]{1,4}){0,9}", fullmatch=True),
        st.none() | st.text("0123456789abcdef", min_size=64, max_size=64),
    ),
    landmarks=landmark_sets(),
    head_diameter_mm=by_side(lengths),
    cup_diameter_mm=by_side(lengths),
    neck_shaft_angle_deg=by_side(st.floats(90.5, 179.5)),
    cup_opens=by_side(st.sampled_from(["anterior", "posterior"])),
    native_head_mm=by_side(lengths),
    marker_diameter_mm=st.none() | lengths,
    beam_centre=st.none() | st.tuples(numbers, numbers),
    source_detector_mm=st.none() | lengths,
    posture=st.none() | st.sampled_from(["supine", "standing"]),
    placing_sd_px=st.none()
    | lengths
    | st.dictionaries(st.sampled_from(sorted(LANDMARKS)), lengths, max_size=3),
    comment=st.none() | st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
)


@settings(max_examples=50)
@given(readings)
def test_any_reading_comes_back_as_it_was_written(reading):
    assert parse_reading(format_reading(reading)) == reading


def test_a_saved_reading_comes_back_from_the_file(tmp_path):
    reading = parse_reading(json.dumps(WHOLE))
    save_reading(reading, tmp_path / "r.json")
    assert read_reading(tmp_path / "r.json") == reading
    assert [path.name for path in tmp_path.iterdir()] == ["r.json"]


def test_a_reading_that_could_not_be_read_again_does_not_replace_the_old_one(tmp_path):
    path = tmp_path / "r.json"
    reading = parse_reading(json.dumps(WHOLE))
    save_reading(reading, path)
    before = path.read_bytes()
    for broken in (
        replace(reading, reader=""),
        replace(reading, head_diameter_mm={"left": -1.0}),
        replace(reading, read_at="yesterday"),
    ):
        with pytest.raises(ReadingError, match=r"r\.json"):
            save_reading(broken, path)
        assert path.read_bytes() == before


# --- what is refused, each in its own words -------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "broken JSON at line 1, column 2"),
        ('{"format": "xraymeasure-reading",\n "version" 1}', "broken JSON at line 2, column 12"),
        ("", "broken JSON"),
        ("teardrop", "broken JSON"),
        ("[]", 'is not a reading (its "format" should be "xraymeasure-reading")'),
        ("null", "is not a reading"),
        ("17", "is not a reading"),
        ('"xraymeasure-reading"', "is not a reading"),
        ('{"format": "another"}', "is not a reading"),
        ('{"a": 1, "a": 2}', "a: stands twice in the file; keep one"),
        ("[" * 100_000, "is nested too deeply"),
        ('{"format": ' * 50_000, "is nested too deeply"),
    ],
)
def test_a_text_that_is_no_reading_is_told_why(text, words):
    assert words in message_of(text)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"version": 2}, "version 2 of the format and this program knows 1; update xraymeasure"),
        ({"version": 99}, "version 99 of the format"),
        ({"version": 0}, "version"),
        ({"version": "1"}, "version"),
        ({"version": ...}, "version: is missing"),
        ({"colour": "red"}, "colour: unknown key; it would be lost, remove it"),
        ({"float": 1}, "float: unknown key"),
        ({"list[x]": 1}, "list[x]: unknown key"),
        ({"film": ...}, "film: is missing"),
        ({"film": {"sop_instance_uid": None}}, "film.pixel_sha256: is missing"),
        ({"film": {**WHOLE["film"], "pixel_sha256": "abc"}}, "film.pixel_sha256"),
        ({"film": {**WHOLE["film"], "name": "x"}}, "film.name: unknown key"),
        ({"reader": ""}, "reader"),
        ({"reader": 3}, "reader"),
        ({"read_at": "yesterday"}, "read_at: is not a date and time in ISO 8601"),
        ({"operated_side": "both"}, "operated_side"),
        ({"operated_side": ...}, "operated_side: is missing"),
        ({"head_diameter_mm": 0}, "head_diameter_mm"),
        ({"head_diameter_mm": -36}, "head_diameter_mm"),
        ({"head_diameter_mm": "36"}, "head_diameter_mm"),
        ({"head_diameter_mm": True}, "head_diameter_mm"),
        ({"head_diameter_mm": {"lfet": 36}}, "head_diameter_mm.lfet: unknown key"),
        ({"head_diameter_mm": {"left": -36}}, "head_diameter_mm.left"),
        ({"neck_shaft_angle_deg": 80}, "neck_shaft_angle_deg"),
        ({"neck_shaft_angle_deg": {"left": 200}}, "neck_shaft_angle_deg.left"),
        ({"beam_centre": [1]}, "beam_centre"),
        ({"beam_centre": [1, 2, 3]}, "beam_centre"),
        ({"beam_centre": 12}, "beam_centre"),
        ({"source_detector_mm": -1}, "source_detector_mm"),
        ({"cup_opens": "sideways"}, "cup_opens"),
        ({"posture": "sitting"}, "posture"),
        ({"placing_sd_px": 0}, "placing_sd_px"),
        ({"placing_sd_px": {"teardrop": 2}}, "placing_sd_px.teardrop: unknown landmark"),
        ({"placing_sd_px": {"teardrop_left": -2}}, "placing_sd_px.teardrop_left"),
        ({"comment": 7}, "comment"),
        ({"landmarks": ...}, "landmarks: is missing"),
        ({"landmarks": []}, "landmarks"),
        ({"landmarks": {"tear_drop_left": [[1, 2]]}}, "landmarks.tear_drop_left: unknown landmark"),
        ({"landmarks": {"teardrop_left": [1, 2]}}, "landmarks.teardrop_left.0"),
        ({"landmarks": {"teardrop_left": [[1]]}}, "landmarks.teardrop_left.0"),
        ({"landmarks": {"teardrop_left": [[1, 2, 3]]}}, "landmarks.teardrop_left.0"),
        ({"landmarks": {"teardrop_left": [["1", 2]]}}, "landmarks.teardrop_left.0.0"),
        ({"landmarks": {"teardrop_left": [[None, 2]]}}, "landmarks.teardrop_left.0.0"),
        ({"landmarks": {"teardrop_left": [[1, 2]] * 4}}, "teardrop_left: too many points (4)"),
    ],
)
def test_a_value_that_cannot_be_meant_is_named_by_its_key(changes, words):
    assert words in message_of(text_of(**changes))


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e999"])
@pytest.mark.parametrize("key", ["beam_centre", "landmarks"])
def test_a_coordinate_that_is_not_a_number_is_named_by_its_key(key, value):
    where = {"beam_centre": "beam_centre.1", "landmarks": "landmarks.teardrop_left.0.1"}[key]
    changes = {"beam_centre": [1, "X"]} if key == "beam_centre" else {}
    changes |= {"landmarks": {"teardrop_left": [[1, "X"]]}} if key == "landmarks" else {}
    assert where in message_of(text_of(**changes).replace('"X"', value))


@pytest.mark.parametrize("digits", [400, 5000])
def test_a_number_too_large_for_any_film_is_refused_with_words(digits):
    text = text_of(landmarks={"teardrop_left": [[1, "X"]]}).replace('"X"', "1" * digits)
    message_of(text)


def test_two_slips_are_told_at_once():
    message = message_of(text_of(reader="", posture="sitting"))
    assert "reader" in message and "posture" in message


def test_a_key_that_stands_twice_inside_is_named():
    text = text_of().replace('"ischium_left"', '"teardrop_left"')
    assert "teardrop_left: stands twice in the file; keep one" in message_of(text)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, "no such file"),
        (lambda path: path.mkdir(), "is a directory; name a file"),
        (lambda path: path.write_bytes(b""), "is empty"),
        (lambda path: path.write_bytes(b"\x93NUMPY\xff"), "is not a text file in UTF-8"),
        (
            lambda path: path.write_text("{"),
            "is not a reading, or is damaged: broken JSON at line 1, column 2",
        ),
    ],
)
def test_a_file_that_is_no_reading_is_named(tmp_path, make, words):
    path = tmp_path / "r.json"
    make(path)
    with pytest.raises(ReadingError) as raised:
        read_reading(path)
    assert str(raised.value).startswith(f"{path}: {words}")


# --- junk -----------------------------------------------------------------------------------------

junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from([*WHOLE, "left", "right", "teardrop_left"]) | st.text(max_size=6),
            inner,
            max_size=5,
        )
    ),
    max_leaves=12,
)


@given(st.dictionaries(st.sampled_from(sorted(WHOLE)) | st.text(max_size=6), junk, max_size=6))
def test_junk_under_any_key_is_refused_with_one_line_or_is_a_reading(changes):
    text = json.dumps({**WHOLE, **changes})
    try:
        reading = parse_reading(text, "r.json")
    except ReadingError as error:
        message = str(error)
        assert message.startswith("r.json: ") and len(message) > len("r.json: ")
        assert "\n" not in message
    else:
        assert parse_reading(format_reading(reading)) == reading


@given(st.text(max_size=200) | junk.map(json.dumps))
def test_junk_is_refused_with_one_line(text):
    assert len(message_of(text)) > len("r.json: ")


@given(st.binary(max_size=300))
def test_bytes_are_refused_with_one_line(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("junk") / "r.json"
    path.write_bytes(content)
    with pytest.raises(XrayMeasureError) as raised:
        read_reading(path)
    assert str(raised.value).startswith(str(path))


@given(st.integers(0, 600), st.integers(1, 40))
def test_a_torn_file_is_refused_or_read_whole(start, length):
    text = json.dumps(WHOLE)
    torn = text[:start] + text[start + length :]
    try:
        assert isinstance(parse_reading(torn, "r.json"), Reading)
    except ReadingError as error:
        assert str(error).startswith("r.json: ")


def test_what_became_of_proposals_is_kept_and_follows_the_readers_edits():
    landmarks = {"symphysis": [[1, 2]], "teardrop_left": [[3, 4]], "teardrop_right": [[5, 6]]}
    table = {
        "format": "xraymeasure-reading", "version": 1,
        "film": {"sop_instance_uid": None, "pixel_sha256": None},
        "reader": "A", "read_at": "2026-01-31T10:15:00Z", "operated_side": "left",
        "landmarks": landmarks,
        "proposed": {"method": "m-1", "landmarks": dict.fromkeys(landmarks, "proposed")},
    }  # fmt: skip
    carried = {"method": "c-1", "days_before": 400, "landmarks": ["teardrop_left"]}
    assert "carried" not in format_reading(parse_reading(json.dumps(table)))
    table["proposed"]["carried"] = carried
    reading = parse_reading(json.dumps(table))
    assert json.loads(format_reading(reading))["proposed"]["carried"] == carried
    assert reading.proposed.is_carried("teardrop_left")
    assert not reading.with_points("teardrop_left", [(3, 5)]).proposed.is_carried("teardrop_left")
    assert set(reading.unconfirmed) == set(landmarks)
    edited = reading.confirmed("symphysis").with_points("teardrop_left", [(3, 5)])
    assert edited.unconfirmed == ("teardrop_right",)
    assert edited.without("teardrop_right").unconfirmed == ()
    assert parse_reading(format_reading(edited)) == edited
    assert edited.proposed.landmarks == {
        "symphysis": "confirmed",
        "teardrop_left": "placed",
        "teardrop_right": "proposed",
    }


@pytest.mark.parametrize(
    ("proposed", "said"),
    [
        ({"method": "m-1", "landmarks": {"symphysis": "guessed"}}, "proposed.landmarks.symphysis"),
        ({"method": "m-1", "landmarks": {"nose": "proposed"}}, "proposed.landmarks.nose"),
        ({"method": "m-1", "landmarks": {"symphysis": "placed"}}, "has no points"),
        ({"method": "", "landmarks": {}}, "proposed.method"),
        ({"method": "m-1", "landmarks": {}, "score": 1}, "proposed.score"),
        ({"method": "m-1", "landmarks": {}, "carried": {"method": "c-1"}}, "proposed.carried"),
    ],
)
def test_a_provenance_that_cannot_be_meant_is_refused(proposed, said):
    table = {
        "format": "xraymeasure-reading", "version": 1,
        "film": {"sop_instance_uid": None, "pixel_sha256": None},
        "reader": "A", "read_at": "2026-01-31T10:15:00Z", "operated_side": "left",
        "landmarks": {}, "proposed": proposed,
    }  # fmt: skip
    with pytest.raises(ReadingError, match=said):
        parse_reading(json.dumps(table))
