"""Texts that are made to take long, to overflow, or to steer a terminal."""

import json
import time

import pytest

from xraymeasure.errors import PlanError, ReadingError, XrayMeasureError, printable
from xraymeasure.plan.plan import parse_plan
from xraymeasure.reading.file import format_reading, parse_reading
from xraymeasure.reading.reading import Reading


def reading(**changes):
    text = format_reading(Reading("A", "2026-01-31T10:15:00Z", "left"))
    return json.dumps({**json.loads(text), **changes})


@pytest.mark.parametrize(
    "text",
    [
        "a." * 60_000 + "a = 1",
        "[" + "a." * 60_000 + "a]",
        "x = {" + "a . " * 30_000 + "a = 1}",
        '"a".' * 30_000 + "a = 1",
        "# " + "x" * 600_000,
    ],
)
def test_toml_of_endless_keys_is_refused_at_once(text):
    # Python 3.11 takes half a minute to five minutes for these (measured).
    start = time.perf_counter()
    with pytest.raises(PlanError, match="too long"):
        parse_plan(text)
    assert time.perf_counter() - start < 5


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"head_diameter_mm": 1e300}, "head_diameter_mm"),
        ({"source_detector_mm": 1e300}, "source_detector_mm"),
        ({"landmarks": {"cup_rim_left": [[0.1, 0.2]] * 3000}}, r"too many points \(3000\)"),
        ({"landmarks": {"symphysis": [[1e300, 0.0]]}}, "beyond any film"),
    ],
)
def test_numbers_beyond_any_film_are_refused(changes, words):
    with pytest.raises(ReadingError, match=words):
        parse_reading(reading(**changes))


@pytest.mark.parametrize("key", ["\x1b[2J\x1b]0;title\x07", "\x9b31m", "\u202egnp", "\x08" * 9])
def test_a_key_cannot_steer_the_terminal(key):
    with pytest.raises(ReadingError) as caught:
        parse_reading(reading(**{key: 1}))
    assert str(caught.value).isprintable()
    assert str(XrayMeasureError(f"{key}.dcm: no such file")).isprintable()
    assert printable(f"a\n{key}").replace("\n", "").isprintable()


def test_a_name_that_is_not_utf_8_can_be_printed():
    said = str(XrayMeasureError(b"caf\xe9.dcm: is empty".decode("utf-8", "surrogateescape")))
    assert said.encode("utf-8") == b"caf\\udce9.dcm: is empty"
