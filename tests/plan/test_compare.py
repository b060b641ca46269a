from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import expon, norm

from tests.posed import WIDE, posed_film
from xraymeasure.change.difference import difference, same_measurement
from xraymeasure.errors import PlanError
from xraymeasure.examination import examine
from xraymeasure.measuring.draws import Distribution
from xraymeasure.measuring.helps import what_helps
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.results import KnownSizes, Measurement, Measurements, Missing
from xraymeasure.plan.compare import (
    PELVIC_TILT_SD_DEG,
    CupPlan,
    FemurPlan,
    LegLengthPlan,
    Plan,
    Recorded,
    Tolerance,
    compare,
    format_plan,
    parse_plan,
    read_plan,
)
from xraymeasure.plan.likely import probability_drawn, probability_within
from xraymeasure.plan.narrowing import with_helps
from xraymeasure.plan.targets import POSTURE_TILT_SD_DEG
from xraymeasure.reading.reading import FilmBinding

WHOLE = """
operated_side = "left"
[cup]
inclination_deg = 42
anteversion_deg = 18
definition = "radiographic"      # radiographic | operative | anatomical
plane = "coronal"
pelvic_tilt_deg = 0
outer_diameter_mm = 54
[femur]
head_diameter_mm = 36
neck_shaft_angle_deg = 132
offset_mm = 44
offset_change_mm = 3
[leg_length]
difference_mm = 0
change_mm = 6
[tolerance]
inclination_deg = 5
anteversion_deg = 5
leg_length_mm = 5
offset_mm = 5
[recorded]
inclination_deg = 41
anteversion_deg = 20
definition = "radiographic"
plane = "anterior_pelvic"
leg_length_change_mm = 5
offset_change_mm = 2
"""


def measured(name, value, below=1.0, above=1.0, **rest):
    defaults = {"side": "left", "unit": "deg", "method": "perspective", "primary": True}
    return Measurement(
        name=name,
        value=value,
        low=value - below,
        high=value + above,
        reference="inter_teardrop",
        **(defaults | rest),
    )


def film(*rows, missing=None, side="left"):
    return Measurements(
        film=FilmBinding(),
        reader="A",
        read_at="2026-01-31T10:15:00Z",
        operated_side=side,
        rows=rows,
        missing=missing or {},
        findings=(),
        drawings=(),
        mm_per_px=None,
        notes=(),
    )


def cup(inclination=41.0, anteversion=17.0, spread=1.0):
    return film(
        measured("radiographic_inclination", inclination, spread, spread),
        measured("radiographic_anteversion", anteversion, spread, spread),
    )


class TestFile:
    def test_the_plan_of_the_handbook_is_read_whole(self):
        plan = parse_plan(WHOLE)
        assert plan == Plan(
            operated_side="left",
            cup=CupPlan(42, 18, "radiographic", "coronal", 0, 54),
            femur=FemurPlan(36, 132, 44, 3),
            leg_length=LegLengthPlan(0, 6),
            tolerance=Tolerance(5, 5, 5, 5),
            recorded=Recorded(41, 20, "radiographic", "anterior_pelvic", 5, 2),
        )

    def test_a_plan_says_its_posture_and_comes_back_as_it_was_written(self):
        plan = Plan("left", recorded=Recorded(40, 20, angle_sd_deg=2.0), posture="standing")
        assert parse_plan(format_plan(plan)) == plan

    def test_only_the_side_is_required(self):
        assert parse_plan('operated_side = "right"') == Plan("right")

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("[cup]\ninclination_deg = 40", "operated_side: is missing"),
            ('operated_side = "both"', "operated_side: Input should be 'left' or 'right'"),
            ('operated_side = "left"\n[cup]\ninclinaton_deg = 40', "cup.inclinaton_deg: unknown"),
            ('operated_side = "left"\nversion = 2', "version: unknown key"),
            ('operated_side = "left"\n[cup.rim]\nx = 1', "cup.rim: unknown key"),
            ('operated_side = "left"\ncup = 40', "cup: is a section"),
            ('operated_side = "left"\n[cup]\ninclination_deg = "40"', "valid number"),
            ('operated_side = "left"\n[cup]\ninclination_deg = true', "valid number"),
            ('operated_side = "left"\n[cup]\ninclination_deg = 1979-05-27', "valid number"),
            ('operated_side = "left"\n[cup]\ninclination_deg = nan', "finite number"),
            ('operated_side = "left"\n[cup]\ninclination_deg = inf', "cup.inclination_deg"),
            ('operated_side = "left"\n[cup]\ninclination_deg = 140', "less than or equal to 90"),
            ('operated_side = "left"\n[femur]\noffset_mm = -3', "femur.offset_mm"),
            ('operated_side = "left"\n[tolerance]\noffset_mm = 0', "tolerance.offset_mm"),
            ('operated_side = "left"\n[cup]\nplane = "axial"', "cup.plane"),
            ('operated_side = "left"\n[cup]\nplane = "anterior_pelvic"', "needs pelvic_tilt_deg"),
            ('operated_side = "left"\n[recorded]\nplane = "anterior_pelvic"', "in [cup]"),
            (
                'operated_side = "left"\n[cup]\ndefinition = "operative"\ninclination_deg = 40',
                "give both",
            ),
            ('operated_side = "left\n', "broken TOML: Illegal character '\\n' (at line 1"),
            ('operated_side = "left"\noperated_side = "left"', "broken TOML"),
            ("a = " + "[" * 5000, "nested too deeply"),
        ],
    )
    def test_what_is_wrong_is_named_with_its_file_and_key(self, text, words):
        with pytest.raises(PlanError) as caught:
            parse_plan(text, "hip.plan.toml")
        assert str(caught.value).startswith("hip.plan.toml: ")
        assert words in str(caught.value)
        assert "\n" not in str(caught.value)

    def test_a_file_that_cannot_be_read_says_why(self, tmp_path):
        with pytest.raises(PlanError, match="no such file"):
            read_plan(tmp_path / "none.plan.toml")
        with pytest.raises(PlanError, match="is a directory"):
            read_plan(tmp_path)
        empty = tmp_path / "empty.plan.toml"
        empty.write_text(" \n")
        with pytest.raises(PlanError, match="is empty"):
            read_plan(empty)

    def test_a_plan_in_hand_is_as_strict_as_one_in_a_file(self):
        with pytest.raises(ValueError, match="finite"):
            CupPlan(inclination_deg=float("nan"))

    @given(
        st.builds(
            Plan,
            st.sampled_from(["left", "right"]),
            st.builds(
                CupPlan,
                st.floats(0, 90),
                st.floats(-89, 89),
                st.sampled_from(["radiographic", "operative", "anatomical"]),
                st.sampled_from(["coronal", "anterior_pelvic"]),
                st.floats(-60, 60),
            ),
            st.builds(FemurPlan, st.none() | st.floats(15, 70), st.none()),
            st.builds(LegLengthPlan, st.none() | st.floats(-150, 150)),
            st.builds(Tolerance, st.none() | st.floats(1e-9, 90)),
        )
    )
    @settings(max_examples=60)
    def test_a_plan_survives_being_written_and_read(self, plan):
        assert parse_plan(format_plan(plan)) == plan


class TestContradictions:
    measured = replace(cup(), known=KnownSizes(36.0, 54.0, 132.0))

    def test_agreeing_files_are_compared(self):
        plan = parse_plan(WHOLE)
        assert compare(self.measured, plan).rows
        assert compare(replace(self.measured, known=KnownSizes(None, 54.0)), plan).rows

    @pytest.mark.parametrize(
        ("plan", "words"),
        [
            (Plan("right"), "operated_side: the plan says right and the reading says left"),
            (Plan("left", femur=FemurPlan(head_diameter_mm=32)), "head_diameter_mm: .* 32 .* 36"),
            (Plan("left", cup=CupPlan(outer_diameter_mm=52)), "outer_diameter_mm: .* 52 .* 54"),
            (Plan("left", femur=FemurPlan(None, 125)), "neck_shaft_angle_deg: .* 125 .* 132"),
        ],
    )
    def test_a_plan_of_another_operation_is_an_error_not_a_number(self, plan, words):
        with pytest.raises(PlanError, match=words):
            compare(self.measured, plan)

    def test_what_was_used_instead_is_said_once_the_reader_confirmed_it(self):
        plan = Plan("left", CupPlan(40, 15, outer_diameter_mm=52), FemurPlan(head_diameter_mm=32))
        with pytest.raises(PlanError, match=r"outer_diameter_mm.*not_as_planned: cup_diameter_mm"):
            compare(self.measured, plan, not_as_planned=("head_diameter_mm",))
        both = ("head_diameter_mm", "cup_diameter_mm")
        found = compare(self.measured, plan, not_as_planned=both)
        said = "Planned head 32 mm, used 36 mm.", "Planned cup 52 mm, used 54 mm."
        assert found.notes[:2] == said
        assert found.row("radiographic_inclination").planned == 40


class TestVerdict:
    plan = Plan("left", CupPlan(40, 15), tolerance=Tolerance(5, 5))

    @pytest.mark.parametrize(
        ("value", "half", "verdict"),
        [
            (41, 1, "within"),
            (44, 1, "within"),  # the end of the interval lies on the limit
            (44, 1.5, "undecided"),
            (46, 1.5, "undecided"),
            (47, 1.5, "outside"),
            (33, 1.5, "outside"),
            (40, 12, "undecided"),  # an interval wider than the tolerance on both sides
        ],
    )
    def test_the_whole_interval_decides(self, value, half, verdict):
        row = compare(cup(value, 15, half), self.plan).row("radiographic_inclination")
        assert (row.difference, row.verdict) == (value - 40, verdict)
        assert (row.low, row.high) == (value - 40 - half, value - 40 + half)

    def test_an_interval_longer_on_one_side_stays_so(self):
        near_flat = film(measured("radiographic_anteversion", 2.3, 2.2, 3.6))
        row = compare(near_flat, self.plan).row("radiographic_anteversion")
        assert (row.difference, row.low, row.high) == pytest.approx((-12.7, -14.9, -9.1))
        assert row.verdict == "outside"

    def test_without_a_tolerance_there_is_no_verdict_and_it_says_so(self):
        row = compare(cup(), Plan("left", CupPlan(40, 15))).row("radiographic_inclination")
        assert row.difference == 1.0
        assert (row.verdict, row.reason) == (None, "no tolerance in the plan")

    def test_what_is_not_planned_is_shown_and_not_compared(self):
        row = compare(cup(), Plan("left")).row("radiographic_inclination")
        assert (row.planned, row.achieved, row.difference) == (None, 41.0, None)
        assert (row.verdict, row.reason) == (None, "not planned")

    def test_what_the_film_cannot_give_is_absent_with_its_reason(self):
        blind = film(
            missing=(
                Missing("leg_length_difference", "left", None, "no lesser trochanter on the right"),
            )
        )
        plan = Plan("left", leg_length=LegLengthPlan(0), tolerance=Tolerance(None, None, 5))
        row = compare(blind, plan).row("leg_length_difference")
        assert (row.planned, row.achieved, row.difference, row.verdict) == (0.0, None, None, None)
        assert row.reason == "no lesser trochanter on the right"

    def test_the_projected_neck_shaft_angle_is_shown_without_a_verdict(self):
        turned = film(measured("neck_shaft_angle", 136.8, method="projected"))
        row = compare(turned, Plan("left", femur=FemurPlan(None, 135))).row("neck_shaft_angle")
        assert row.difference == pytest.approx(1.8)
        assert row.verdict is None
        assert "turned femur" in row.reason


class TestConversion:
    def test_a_cup_planned_operatively_is_converted_before_comparison(self):
        # Murray DW, J Bone Joint Surg Br 1993;75-B:228-232: radiographic 40/20 is operative
        # 37.16/25.41.
        plan = Plan("left", CupPlan(37.16, 25.41, "operative"))
        result = compare(cup(40, 20), plan)
        for name, planned in (("inclination", 40), ("anteversion", 20)):
            row = result.row(f"radiographic_{name}")
            assert row.planned == pytest.approx(planned, abs=0.02)
            assert row.difference == pytest.approx(0, abs=0.02)
        assert result.notes == (
            "Planned operative 37.16/25.41 is radiographic 40.0/20.0 to the coronal plane of the "
            "film.",
        )

    def test_a_ct_plan_in_the_anatomical_definition_is_converted(self):
        # The same source: radiographic 40/15 is anatomical 42.27/22.63.
        row = compare(cup(40, 15), Plan("left", CupPlan(42.27, 22.63, "anatomical"))).row(
            "radiographic_anteversion"
        )
        assert row.planned == pytest.approx(15, abs=0.02)

    def test_a_plan_to_the_anterior_pelvic_plane_passes_through_the_tilt(self):
        # 40/20 tilted backward by 10 degrees is 42.92/27.50, computed from the rotation.
        plan = Plan("left", CupPlan(40, 20, "radiographic", "anterior_pelvic", 10))
        result = compare(cup(43, 27), plan)
        assert result.row("radiographic_inclination").planned == pytest.approx(42.92, abs=0.005)
        assert result.row("radiographic_anteversion").planned == pytest.approx(27.50, abs=0.005)
        assert "10 degrees of posterior pelvic tilt" in result.notes[0]

    def test_the_tilt_is_uncertain_and_widens_the_interval(self):
        # dRA/dt = cos RI: 3 degrees of tilt at RI 40 are 2.30 degrees of anteversion.
        plan = Plan("left", CupPlan(40, 20, "radiographic", "anterior_pelvic", 0))
        row = compare(cup(40, 20, 1.0), plan).row("radiographic_anteversion")
        expected = np.hypot(1.0, 1.96 * PELVIC_TILT_SD_DEG * np.cos(np.radians(40)))
        assert (row.high - row.low) / 2 == pytest.approx(expected, rel=0.02)

    def test_recorded_angles_pass_through_the_same_tilt(self):
        plan = Plan(
            "left",
            CupPlan(42, 18, pelvic_tilt_deg=10),
            recorded=Recorded(40, 20, "radiographic", "anterior_pelvic"),
        )
        result = compare(cup(), plan)
        assert result.row("radiographic_inclination").planned == 42
        assert result.row("radiographic_anteversion").recorded == pytest.approx(27.5, abs=0.005)
        assert result.notes[0].startswith("Recorded radiographic 40/20 to the anterior pelvic")

    def test_what_was_recorded_has_an_interval_of_its_own_where_its_spread_is_stated(self):
        plan = Plan("left", recorded=Recorded(40, 20, angle_sd_deg=3.0))
        result = compare(cup(41.0, 26.0, 1.0), plan)
        row = result.row("radiographic_anteversion")
        assert (row.recorded_low, row.recorded_high) == pytest.approx((14.12, 25.88), abs=0.01)
        half = np.hypot(1.0, 1.96 * 3.0)  # independent errors: the root of the sum of squares
        said = next(note for note in result.notes if note.startswith("Cup anteversion, measured"))
        assert "+6.0°" in said and f"+{6.0 + half:.1f}" in said
        plain = compare(cup(), Plan("left", recorded=Recorded(40, 20)))
        assert plain.row("radiographic_anteversion").recorded_low is None

    def test_a_plan_of_another_posture_is_said_and_widens_the_planned_cup(self):
        """A degree of tilt changes anteversion by cos RI degrees (derived)."""
        plan = Plan("left", CupPlan(40, 20), tolerance=Tolerance(5, 5), posture="standing")
        lying, standing = (replace(cup(40, 20), posture=each) for each in ("supine", "standing"))
        row = compare(lying, plan).row("radiographic_anteversion")
        expected = np.hypot(1.0, 1.96 * POSTURE_TILT_SD_DEG * np.cos(np.radians(40)))
        assert row.planned == 20
        assert (row.high - row.low) / 2 == pytest.approx(expected, rel=0.03)
        assert row.verdict == "undecided"
        assert "made standing and the film was taken supine" in compare(lying, plan).notes[0]
        for same in (standing, cup(40, 20)):
            assert compare(same, plan).row("radiographic_anteversion").verdict == "within"
            assert not any("standing" in note for note in compare(same, plan).notes)

    def test_an_axis_that_points_straight_forward_is_refused_with_words(self):
        plan = Plan("left", CupPlan(0, 50, "radiographic", "anterior_pelvic", 40))
        with pytest.raises(PlanError, match="straight forward"):
            compare(cup(), plan)


class TestChange:
    def after_and_before(self):
        after = film(
            measured("leg_length_difference", 2.0, 3.0, 3.0, unit="mm", method="femur_neutral"),
            measured(
                "leg_length_difference", 3.0, 1.0, 1.0, unit="mm", method="raw", primary=False
            ),
            measured("femoral_offset", 44.0, 3.0, 4.0, unit="mm", method="projected"),
        )
        before = film(
            measured("leg_length_difference", -4.0, 4.0, 4.0, unit="mm", method="raw"),
            measured("femoral_offset", 40.0, 4.0, 3.0, unit="mm", method="projected"),
        )
        return after, before

    def test_changes_need_the_film_before_and_say_so(self):
        after, _ = self.after_and_before()
        row = compare(after, parse_plan(WHOLE)).row("leg_length_change")
        assert (row.planned, row.recorded, row.achieved) == (6.0, 5.0, None)
        assert row.reason == "needs the film before the operation"

    def test_a_change_is_after_minus_before_with_the_interval_of_both(self):
        after, before = self.after_and_before()
        row = compare(after, parse_plan(WHOLE), before).row("femoral_offset_change")
        assert (row.achieved, row.recorded, row.difference) == (4.0, 2.0, 1.0)
        # 3 and 3 mm downward, 4 and 4 mm upward
        assert (row.low, row.high) == pytest.approx((1 - 18**0.5, 1 + 32**0.5))

    def test_a_change_is_taken_by_one_method_on_both_films(self):
        after, before = self.after_and_before()
        result = compare(after, parse_plan(WHOLE), before)
        row = result.row("leg_length_change")
        assert (row.achieved, row.method) == (7.0, "raw")
        assert any("other leg is taken as unchanged" in note for note in result.notes)
        assert result.row("leg_length_difference").method == "femur_neutral"

    def test_films_without_a_common_method_or_line_have_no_change(self):
        after = film(measured("femoral_offset", 44.0, method="rotation_corrected"))
        before = film(measured("femoral_offset", 40.0, method="projected"))
        assert same_measurement(after, before, "femoral_offset").startswith("no method")
        line = replace(measured("femoral_offset", 40.0, method="rotation_corrected"), reference="x")
        assert "reference lines" in same_measurement(after, film(line), "femoral_offset")
        assert same_measurement(after, film(), "femoral_offset").startswith("film before: ")

    def test_a_certain_value_leaves_the_interval_as_it_is(self):
        assert difference((5.0, 4.0, 8.0), (1.0, 1.0, 1.0)) == (4.0, 3.0, 7.0)


LESSER = ("lesser_trochanter_left", "lesser_trochanter_right")

# --- how likely, and what would help --------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "half", "tolerance"), [(0.0, 4.0, 5.0), (3.0, 4.0, 5.0), (9.0, 3.0, 5.0)]
)
def test_the_probability_is_that_of_a_normal_with_that_interval(value, half, tolerance):
    """Counted over a million draws of a normal distribution."""
    drawn = np.random.default_rng(1).normal(value, half / 1.959964, 1_000_000)
    inside = float((np.abs(drawn) <= tolerance).mean())
    found = probability_within((value, value - half, value + half), tolerance)
    assert found == pytest.approx(inside, abs=2e-3)


@pytest.mark.parametrize("planned", [(1.0, 1.0, 1.0), (1.0, 0.2, 2.4)])
def test_the_probability_of_a_skewed_number_is_that_of_its_draws(planned):
    """Counted over a million draws of an exponential distribution and of the plan's halves."""
    rng = np.random.default_rng(1)
    achieved = Distribution(expon.ppf(norm.cdf(np.linspace(-3.0, 3.0, 61)), scale=2.0))
    off = rng.standard_normal(1_000_000) / 1.959964
    value, low, high = planned
    targets = value + np.where(off < 0.0, value - low, high - value) * off
    inside = np.abs(rng.exponential(2.0, 1_000_000) - targets) <= 1.5
    assert probability_drawn(achieved, planned, 1.5) == pytest.approx(inside.mean(), abs=4e-3)


def test_the_probability_comes_from_the_draws_of_the_film():
    rng = np.random.default_rng(2)
    _, film, reading, _ = posed_film(rng, WIDE, stated=False)
    measured = measure(film, reading, draws=512)
    row = measured.primary("leg_length_difference")
    plan = Plan(
        reading.operated_side,
        leg_length=LegLengthPlan(round(row.low)),
        tolerance=Tolerance(leg_length_mm=row.value - round(row.low)),
    )
    found = compare(measured, plan).row("leg_length_difference")
    # From far below the value up to the value itself lies half of it.
    assert found.probability == pytest.approx(0.5, abs=0.05)


def test_an_interval_wider_than_the_tolerance_cannot_decide_and_says_so():
    found = film(measured("leg_length_difference", 1.0, 6.0, 6.0, unit="mm", method="posture"))
    plan = Plan("left", leg_length=LegLengthPlan(0.0), tolerance=Tolerance(leg_length_mm=5.0))
    row = compare(found, plan).row("leg_length_difference")
    assert row.verdict == "undecided"
    assert "this film cannot decide ± 5 mm" in row.reason and "likely within" in row.reason
    assert 0.85 < row.probability < 0.92


def test_an_undecided_row_says_what_one_more_thing_would_narrow_it_most():
    rng = np.random.default_rng(2)
    _, film, reading, _ = posed_film(rng, WIDE, stated=False)
    for name in LESSER:
        reading = reading.without(name)
    plan = Plan(
        reading.operated_side, leg_length=LegLengthPlan(0.0), tolerance=Tolerance(leg_length_mm=5.0)
    )
    row = with_helps(compare(measure(film, reading, draws=0), plan), film, reading).row(
        "leg_length_difference"
    )
    assert row.verdict == "undecided"
    half = (row.high - row.low) / 2.0
    assert [each.half_width for each in row.helps] == sorted(each.half_width for each in row.helps)
    named = {each.thing: each.half_width for each in row.helps}
    assert named["the lesser trochanters"] < 0.95 * half
    assert row.helps[0].thing in row.reason


def test_what_would_help_is_told_of_the_line_that_was_stated():
    _, film, reading, _ = posed_film(np.random.default_rng(2), WIDE, stated=False)
    plan = Plan(
        reading.operated_side, leg_length=LegLengthPlan(0.0), tolerance=Tolerance(leg_length_mm=2.0)
    )
    found = examine(film, reading, plan, draws=0, reference="bi_ischial").comparison
    things = {each.thing: each.half_width for each in found.row("leg_length_difference").helps}
    again = reading
    for name in ("ischium_left", "ischium_right"):
        again = again.with_points(name, [reading.place(name)] * 2)
    done = measure(film, again, draws=0, reference="bi_ischial").primary("leg_length_difference")
    assert not any("teardrop" in thing for thing in things)
    promised = things["a second click on each ischial tuberosity"]
    assert promised == pytest.approx(1.96 * done.standard_uncertainty, rel=1e-3)


def test_what_would_help_helps_by_as_much_when_it_is_done():
    """The promise is made before the thing is placed; placing it keeps the promise."""
    rng = np.random.default_rng(2)
    _, film, whole, _ = posed_film(rng, WIDE, stated=False)
    bare = whole
    for name in LESSER:
        bare = bare.without(name)
    promised = {
        each.thing: each.half_width for each in what_helps(film, bare, "leg_length_difference")
    }
    done = measure(film, whole, draws=0).primary("leg_length_difference")
    assert promised["the lesser trochanters"] == pytest.approx(
        1.96 * done.standard_uncertainty, rel=0.03
    )


def test_a_cup_of_another_size_says_what_it_would_make_of_a_length():
    """The true head over the one entered is the planned cup over the measured one."""
    found = film(
        measured("femoral_offset", 40.0, unit="mm", method="in_space"),
        measured("cup_diameter", 50.0, unit="mm", method="landmarks"),
    )
    plan = Plan("left", cup=CupPlan(outer_diameter_mm=54.0), femur=FemurPlan(offset_mm=40.0))
    compared = compare(found, plan)
    assert "43.2 mm if the cup is as planned" in compared.row("femoral_offset").reason
    row = compared.row("cup_diameter")
    assert (row.planned, row.difference, row.verdict) == (54.0, -4.0, None)
    assert compare(film(), plan).row("cup_diameter") is None
