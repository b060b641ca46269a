"""Tables for spreadsheets, whose formulas must not come from a label or a reader's code."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from xraymeasure.files.tables import as_meant, csv_text


# The characters that OWASP's page on CSV injection names (from memory).
@pytest.mark.parametrize("text", ["=1+1", "+A1", "@SUM(A1)", "\tx", "\r=1", "-2+3", '=cmd|"x"!A'])
def test_text_that_starts_a_formula_is_defused(text):
    (row,) = csv.DictReader(io.StringIO(csv_text(("a",), [{"a": text}]), newline=""))
    assert row["a"] == "'" + text.replace("\r", "\n")


@pytest.mark.parametrize("number", [-1.5, -3, "-1.5", "+2", "-1e-05", "-.5"])
def test_a_number_stays_a_number(number):
    (row,) = csv.DictReader(io.StringIO(csv_text(("a",), [{"a": number}])))
    assert float(row["a"]) == float(number)


@given(
    st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\0\r"), min_size=1)
)
def test_what_was_written_is_read_back(text):
    (row,) = csv.DictReader(io.StringIO(csv_text(("a",), [{"a": text}]), newline=""))
    # An apostrophe of one's own before such a character cannot be told from ours.
    if not (text[0] == "'" and text[1:2] and text[1] in "=+@\t\n-"):
        assert as_meant(row["a"]) == text
