import pytest
from hypothesis import given
from hypothesis import strategies as st

from xraymeasure.measuring.calibration import (
    STANDARD_HEADS_MM,
    Scale,
    choose_scale,
    height_findings,
    magnification_findings,
    scale_disagreements,
)


def scale(method="head", side="left", mm_per_px=0.12, relative_u=0.002):
    return Scale(method, side, mm_per_px, relative_u, f"the {side or 'film'} {method}")


EVERY = [
    scale("head", "left"),
    scale("cup", "left"),
    scale("native_head", "left"),
    scale("head", "right"),
    scale("cup", "right"),
    scale("native_head", "right"),
    scale("marker", None),
    scale("film", None),
]


@pytest.mark.parametrize("gone", range(len(EVERY)))
def test_the_index_hip_then_the_other_then_a_marker_then_the_film(gone):
    assert choose_scale(list(reversed(EVERY[gone:])), "left") is EVERY[gone]


def test_without_any_scale_there_is_none():
    assert choose_scale([], "left") is None


def test_the_index_hip_decides_which_head_comes_first():
    assert choose_scale(EVERY, "right").side == "right"


@given(st.floats(0.9, 1.1), st.floats(0.001, 0.03), st.floats(0.001, 0.03))
def test_scales_disagree_beyond_what_both_uncertainties_explain(ratio, one, other):
    """Two independent values differ by more than 1.96 of their joint u in 5 % of cases (GUM)."""
    chosen = scale(mm_per_px=0.12, relative_u=one)
    marker = scale("marker", None, 0.12 * ratio, other)
    found = scale_disagreements(chosen, [chosen, marker])
    limit = 1.96 * (one**2 + other**2) ** 0.5
    assert bool(found) == (abs(marker.mm_per_px / 0.12 - 1.0) > limit)


def test_a_disagreement_names_both_values():
    chosen = scale(mm_per_px=0.1200)
    (finding,) = scale_disagreements(chosen, [chosen, scale("cup", "left", 0.1290)])
    assert finding.code == "scale_disagreement"
    for words in ("0.1200", "0.1290", "+7.5 %", "the left head", "the left cup"):
        assert words.lower() in finding.text.lower()


# True head, entered head, magnification that comes out at a true 1.18: derived in the references.
@pytest.mark.parametrize(
    ("true", "entered", "read", "noticed"),
    [
        (32, 28, 1.349, True),
        (32, 36, 1.049, True),
        (36, 32, 1.327, True),
        (28, 30, 1.101, False),
        (32, 30, 1.259, False),
        (28, 28, 1.18, False),
    ],
)
def test_a_head_entered_four_millimetres_wrong_is_noticed(true, entered, read, noticed):
    magnification = 1.18 * true / entered
    assert magnification == pytest.approx(read, abs=6e-4)
    found = magnification_findings(magnification, float(entered))
    assert [finding.code for finding in found] == ["magnification_implausible"] * noticed
    if noticed:
        assert f"really {entered} mm" in found[0].text
        suggested = found[0].text.split("would fit: ")[1]
        assert str(true) in suggested and f"{read:.3f}" in found[0].text


@given(st.floats(0.5, 2.0), st.sampled_from(STANDARD_HEADS_MM))
def test_every_suggested_head_would_be_plausible_and_no_fitting_one_is_left_out(m, head):
    found = magnification_findings(m, head)
    assert bool(found) == (not 1.08 <= m <= 1.30)
    for finding in found:
        parts = finding.text.split("would fit: ")
        suggested = parts[1].removesuffix(" mm.").split(", ") if len(parts) > 1 else []
        fits = [f"{each:g}" for each in STANDARD_HEADS_MM if 1.08 <= m * head / each <= 1.30]
        assert suggested == fits


@pytest.mark.parametrize(("m", "code"), [(0.97, "impossible"), (1.04, "implausible")])
def test_a_magnification_below_one_is_said_loudly(m, code):
    (finding,) = magnification_findings(m, None)
    assert finding.code == f"magnification_{code}"
    assert finding.severity == ("strong" if code == "impossible" else "warning")
    assert "Is the head really" not in finding.text


def test_the_nominal_heads_are_the_usual_ones():
    """22.225 is 7/8 inch; the rest are common practice, from memory."""
    assert STANDARD_HEADS_MM[0] == pytest.approx(7 / 8 * 25.4)
    assert set(STANDARD_HEADS_MM) >= {28.0, 32.0, 36.0}


@pytest.mark.parametrize("true", [28.0, 32.0, 36.0, 40.0])
@pytest.mark.parametrize("height", [130.0, 150.0, 180.0])
@pytest.mark.parametrize("wrong", [-4.0, 4.0])
def test_four_millimetres_of_wrong_head_put_the_hip_where_no_hip_is(true, height, wrong):
    """The head is seen under one angle, so its distance from the tube goes with its diameter."""
    read = 1150.0 - (1150.0 - height) * (true + wrong) / true
    (finding,) = height_findings(read, true + wrong, 1150.0)
    assert f"really {true + wrong:g} mm" in finding.text
    assert f"{true:g}" in finding.text.split("would fit: ")[1]
    assert height_findings(height, true, 1150.0) == []
