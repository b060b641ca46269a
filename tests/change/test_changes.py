"""Changes between two films: their intervals, their signs, and what forbids a verdict."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from xraymeasure.change import changes as changes_module
from xraymeasure.change.changes import before_after, changes_between
from xraymeasure.change.head_in_cup import vector_length
from xraymeasure.change.position import Position, Turn
from xraymeasure.change.positioning import Visit
from xraymeasure.measuring.results import Measurement, Measurements
from xraymeasure.reading.reading import FilmBinding
from xraymeasure.report.text import changes_text
from xraymeasure.vocabulary.quantities import QUANTITIES

# An invented hip.
HIP = {
    "radiographic_inclination": 40.0,
    "radiographic_anteversion": 20.0,
    "leg_length_difference": 1.0,
    "femoral_offset": 42.0,
    "acetabular_offset": 90.0,
    "global_offset": 132.0,
    "hip_centre_height": 15.0,
    "hip_centre_lateral": 30.0,
    "head_to_cup_lateral": 0.1,
    "head_to_cup_cranial": -0.2,
    "stem_to_trochanter": 25.0,
}
POSITION = {"pelvic_tilt_indicator": 40.0, "pelvic_rotation_indicator": 0.0, "obturator_ratio": 1.0}


def film(u=0.3, side="left", without=(), method="landmarks", reference="inter_teardrop", **values):
    rows = [
        Measurement(
            name, side if name in HIP else None, value, QUANTITIES[name].unit, value - 1.959964 * u,
            value + 1.959964 * u, method, True, reference, standard_uncertainty=u,
        )
        for name, value in {**HIP, **POSITION, **values}.items()
        if name not in without
    ]  # fmt: skip
    return Measurements(
        FilmBinding(), "A", "2024-01-01T00:00:00Z", side, tuple(rows), {}, (), (), 0.2, ()
    )


@pytest.fixture
def lying_alike(monkeypatch):
    """Take the pelvis to lie exactly alike on all films."""
    alike = Position(Turn(0.0, 0.0, True), Turn(0.0, 0.0, True))
    monkeypatch.setattr(changes_module, "position_between", lambda *_, **__: alike)


def visit(years=0.0, centre="shell", **values):
    return Visit(years, film(**values), cup_centre_from=centre)


# --- the interval of a change ------------------------------------------------------------------


def test_a_change_has_the_interval_of_the_minimal_detectable_change(lying_alike):
    # Shrout PE, Fleiss JL, Psychol Bull 1979;86:420-428, six by four: SEM 1.0097 (consistency),
    # MDC95 = 1.96 sqrt(2) SEM = 2.799 (references, recomputed).
    row = changes_between(visit(1.0, u=1.0097), visit(u=1.0097)).row("anteversion_change")
    assert (row.high - row.low) / 2 == pytest.approx(2.799, abs=0.002)


def test_a_change_is_shown_among_all_that_are_asked_of_a_hip(lying_alike):
    # Six are asked: two of migration, two angles, subsidence, the head. The largest is held
    # against 0.05 / 6, two-sided 2.638 standard deviations (normal tables).
    for moved, verdict in ((2.62, "not shown"), (2.66, "changed")):
        after = visit(1.0, u=np.sqrt(0.5), radiographic_anteversion=20.0 + moved)
        changes = changes_between(after, visit(u=np.sqrt(0.5)))
        row = changes.row("anteversion_change")
        assert row.verdict == verdict
        # Found in nine of ten cases: 1.2816 standard deviations further.
        assert row.detectable == pytest.approx(2.638 + 1.2816, abs=0.001)


# Tilt of 40/20 backward by 5 degrees: 41.31/23.79, forward: 38.96/16.14 (references).
@pytest.mark.parametrize(("tilt", "expected"), [(5.0, (41.31, 23.79)), (-5.0, (38.96, 16.14))])
def test_a_tilt_that_the_films_tell_is_taken_off_the_cup(monkeypatch, tilt, expected):
    known = Position(Turn(tilt, 0.0, True), Turn(0.0, 0.0, True))
    monkeypatch.setattr(changes_module, "position_between", lambda *_, **__: known)
    inclination, anteversion = expected
    after = visit(1.0, radiographic_inclination=inclination, radiographic_anteversion=anteversion)
    changes = changes_between(after, visit())
    # First order; the slopes are taken at the later film.
    assert changes.row("inclination_change").value == pytest.approx(0.0, abs=0.3)
    assert changes.row("anteversion_change").value == pytest.approx(0.0, abs=0.15)


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_rotation_that_the_films_tell_is_taken_off_the_cup(monkeypatch, side):
    # An axis in space (frame of the design), turned by 3 degrees about the body's long axis.
    ri, ra, turn = np.radians([40.0, 20.0, 3.0])
    out = 1.0 if side == "right" else -1.0
    axis = np.array([-out * np.sin(ri) * np.cos(ra), np.cos(ri) * np.cos(ra), np.sin(ra)])
    axis[0], axis[2] = (
        axis[0] * np.cos(turn) + axis[2] * np.sin(turn),
        axis[2] * np.cos(turn) - axis[0] * np.sin(turn),
    )
    known = Position(Turn(0.0, 0.0, True), Turn(3.0, 0.0, True))
    monkeypatch.setattr(changes_module, "position_between", lambda *_, **__: known)
    after = film(
        side=side,
        radiographic_inclination=np.degrees(np.arctan2(-out * axis[0], axis[1])),
        radiographic_anteversion=np.degrees(np.arcsin(axis[2])),
    )
    changes = changes_between(Visit(1.0, after), Visit(0.0, film(side=side)))
    assert changes.row("inclination_change").value == pytest.approx(0.0, abs=0.1)
    assert changes.row("anteversion_change").value == pytest.approx(0.0, abs=0.1)


def test_a_worse_pair_has_a_wider_interval_and_keeps_its_verdict():
    widths = []
    for tilted in (40.0, 50.0, 60.0):
        changes = changes_between(visit(1.0, pelvic_tilt_indicator=tilted), visit())
        row = changes.row("anteversion_change")
        widths.append(row.high - row.low)
        # Subsidence has nothing to do with the pelvis.
        assert changes.row("stem_subsidence").high == pytest.approx(
            changes_between(visit(1.0), visit()).row("stem_subsidence").high
        )
    assert widths == sorted(widths) and widths[2] > 1.2 * widths[0]


# --- what moved ---------------------------------------------------------------------------------


def test_a_head_that_sinks_into_the_liner_is_no_migration_of_the_cup():
    after = visit(5.0, hip_centre_height=17.0, head_to_cup_cranial=1.8)
    changes = changes_between(after, visit())
    assert changes.row("cup_migration_cranial").value == pytest.approx(0.0)
    assert changes.row("head_penetration_cranial").value == pytest.approx(2.0)
    assert changes.row("head_penetration").verdict == "changed"
    assert changes.row("head_penetration").per_year[0] == pytest.approx(0.4, abs=0.02)


def test_a_cup_that_moves_takes_the_head_along():
    after = visit(1.0, hip_centre_height=21.0, hip_centre_lateral=27.0)
    changes = changes_between(after, visit())
    up, out = changes.row("cup_migration_cranial"), changes.row("cup_migration_lateral")
    assert (up.value, out.value) == (pytest.approx(6.0), pytest.approx(-3.0))
    # Cup centre: hip centre less the head's place in the cup.
    assert (up.before, up.after) == (pytest.approx(15.2), pytest.approx(21.2))
    assert changes.row("head_penetration").verdict == "not shown"


def test_wear_that_plain_films_do_not_resolve_is_said_to_be_that():
    # Wan Z et al., Clin Orthop Relat Res 2006;449:267-274: below 1.1 mm.
    def wear(mm):
        after = visit(2.0, u=0.05, head_to_cup_cranial=-0.2 + mm)
        return changes_between(after, visit(u=0.05)).row("head_penetration")

    assert wear(0.9).verdict == "not resolved" and "1.1 mm" in wear(0.9).reason
    assert wear(1.3).verdict == "changed"


def test_a_head_that_leaves_the_dome_is_not_called_worn_without_doubt():
    # Negative wear on plain films: Wan Z et al. 2006, in 40 to 50 % of hips (references).
    row = changes_between(visit(2.0, head_to_cup_cranial=-2.2), visit()).row("head_penetration")
    assert row.verdict == "changed"
    assert "which wear does not do" in row.reason
    worn = changes_between(visit(2.0, head_to_cup_cranial=1.8), visit()).row("head_penetration")
    assert worn.reason == ""


def test_films_from_different_sides_get_no_verdict_of_change():
    after = replace(visit(1.0, stem_to_trochanter=40.0), view="PA")
    for row in changes_between(after, replace(visit(), view="AP")).rows:
        assert row.verdict in (None, "not comparable")


def test_where_the_position_is_not_known_what_may_be_expected_stands_for_it():
    bare = film(without=tuple(POSITION), radiographic_inclination=55.0, stem_to_trochanter=35.0)
    changes = changes_between(Visit(1.0, bare), visit())
    assert not changes.position.tilt.seen
    known = changes_between(visit(1.0, radiographic_inclination=55.0), visit())
    narrow, wide = (found.row("anteversion_change") for found in (known, changes))
    assert wide.high - wide.low > 2.0 * (narrow.high - narrow.low)
    assert changes.row("stem_subsidence").verdict == "changed"


def test_shell_and_rim_do_not_give_the_same_centre():
    changes = changes_between(visit(1.0), visit(centre="rim"))
    assert "rim" in changes.missing["head_penetration"]
    assert "rim" in changes.missing["cup_migration_cranial"]
    assert changes.row("cup_migration_cranial") is None
    assert changes.row("stem_subsidence") is not None


# --- a vector's length --------------------------------------------------------------------------


def intervals(values, u):
    return [(v, v - 1.959964 * s, v + 1.959964 * s) for v, s in zip(values, u, strict=True)]


@pytest.mark.parametrize("correlation", [-0.9, -0.5, 0.0, 0.9])
@pytest.mark.parametrize("length", [0.0, 0.5, 1.0, 2.0, 5.0])
def test_a_length_is_covered_whatever_the_correlation(length, correlation):
    rng = np.random.default_rng(7)
    u = np.array([0.5, 0.35])
    covariance = np.outer(u, u) * np.array([[1, correlation], [correlation, 1]])
    found = [
        vector_length(intervals(drawn, u))
        for drawn in rng.multivariate_normal([0.8 * length, 0.6 * length], covariance, 2000)
    ]
    covered = np.mean([low <= length <= high for _, low, high in found])
    # Three standard errors of a share of 0.95 in 2000.
    assert covered >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 2000)


def test_a_length_is_freed_of_the_bias_of_noise():
    # Rice SO, Bell Syst Tech J 1945;24:46-156: the mean length of (2, 0) with spread 0.5 in both
    # directions is 2.064 (evaluated with scipy.stats.rice).
    from scipy.stats import rice

    assert rice.mean(4.0, scale=0.5) == pytest.approx(2.064, abs=0.001)
    rng = np.random.default_rng(3)
    drawn = rng.normal([2.0, 0.0], 0.5, (20_000, 2))
    raw = np.hypot(*drawn.T).mean()
    corrected = np.mean([vector_length(intervals(one, (0.5, 0.5)))[0] for one in drawn])
    assert raw == pytest.approx(2.064, abs=0.012)
    assert corrected == pytest.approx(2.0, abs=0.015)


@given(
    st.tuples(st.floats(-5, 5), st.floats(-5, 5)), st.tuples(st.floats(0.05, 2), st.floats(0.05, 2))
)
def test_a_length_lies_in_its_interval_and_is_never_negative(values, u):
    value, low, high = vector_length(intervals(values, u))
    assert 0.0 <= low <= value <= high


@given(st.floats(0, 5), st.floats(0, 2 * np.pi), st.floats(0.05, 2))
def test_the_interval_of_a_length_begins_at_zero_where_the_box_holds_the_origin(length, way, u):
    vector = length * np.cos(way), length * np.sin(way)
    inside = max(abs(vector[0]), abs(vector[1])) <= 2.241403 * u
    assert (vector_length(intervals(vector, (u, u)))[1] == 0.0) == inside


def test_two_intervals_at_once():
    # Bonferroni: each at 97.5 %, two-sided, so the quantile of the normal at 0.9875.
    from scipy.stats import norm

    from xraymeasure.change.head_in_cup import TWO_AT_ONCE

    assert pytest.approx(norm.ppf(0.9875), abs=1e-6) == TWO_AT_ONCE


# --- before and after an operation ---------------------------------------------------------------


def test_an_operation_changes_leg_length_offsets_and_hip_centre():
    after = film(
        leg_length_difference=2.0, femoral_offset=46.0, acetabular_offset=86.0,
        global_offset=132.0, hip_centre_height=18.0, hip_centre_lateral=26.0,
    )  # fmt: skip
    before = film(leg_length_difference=-5.0)
    changes = before_after(after, before)
    assert {row.name: round(row.value, 6) for row in changes.rows} == {
        "leg_length_change": 7.0,
        "femoral_offset_change": 4.0,
        "acetabular_offset_change": -4.0,
        "global_offset_change": 0.0,
        "hip_centre_height_change": 3.0,
        "hip_centre_lateral_change": -4.0,
    }
    assert all(row.verdict is None and row.low < row.value < row.high for row in changes.rows)
    assert not changes.missing


def test_the_interval_before_and_after_holds_both_films(lying_alike):
    wide = before_after(film(u=0.4), film(u=0.3)).row("acetabular_offset_change")
    assert (wide.high - wide.low) / 2 == pytest.approx(1.959964 * np.hypot(0.5, 0.3), rel=1e-6)


def test_the_index_side_is_that_of_the_film_after():
    changes = before_after(film(side="left"), film(side="right"))
    assert not changes.rows
    assert set(changes.missing) == {
        "leg_length_change",
        "femoral_offset_change",
        "acetabular_offset_change",
        "global_offset_change",
        "hip_centre_height_change",
        "hip_centre_lateral_change",
    }


def test_two_reference_lines_are_not_held_against_one_another():
    changes = before_after(film(), film(reference="bi_ischial"))
    assert "different reference lines" in changes.missing["hip_centre_height_change"]


def test_changes_are_told_on_a_terminal_with_what_speaks_against_them():
    after = film(leg_length_difference=2.0, pelvic_tilt_indicator=50.0)
    text = changes_text(
        before_after(after, film(leg_length_difference=-5.0, without=("femoral_offset",)))
    )
    assert "Leg length" in text and "+7.0 mm" in text and "−5.0 to 2.0" in text
    assert "Femoral offset: film before" in text
    assert "The patient lay differently, which the intervals hold: tilt of the pelvis" in text
