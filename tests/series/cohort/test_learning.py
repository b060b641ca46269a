"""The cumulative sum of one surgeon's cups against Wald's test of two rates."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import bernoulli

from xraymeasure.errors import StudyError
from xraymeasure.plan.compare import Comparison, ComparisonRow
from xraymeasure.series.cohort.cases import Case
from xraymeasure.series.cohort.learning import Target, cumulative, learning_curves


def case(film, off, reason="", **groups):
    rows = [
        ComparisonRow(
            f"radiographic_{name}", "left", "deg", 40.0, None, 40.0 + by, by, by, by, 5.0,
            "within", reason, "perspective",
        )
        for name, by in (("inclination", 0.0), ("anteversion", off))
    ]  # fmt: skip
    return Case("S", film, "left", Comparison(tuple(rows), ()), "", groups)


def test_the_sum_is_walds_likelihood_ratio_of_the_two_rates():
    # Wald A, Ann Math Stat 1945;16:117-186: the sequential test of two rates is the sum of the
    # logarithms of their likelihoods' ratios; here by another library.
    target = Target(0.08, 0.24, 0.05, 0.1)
    outside = np.random.default_rng(3).random(60) < 0.15
    curve = cumulative("A", [(f"F{n}", bool(each)) for n, each in enumerate(outside)], target)
    ratio = np.cumsum(bernoulli.logpmf(outside, 0.24) - bernoulli.logpmf(outside, 0.08))
    scale = ratio[-1] / curve.sums[-1]
    assert np.array(curve.sums) * scale == pytest.approx(ratio)
    assert target.upper * scale == pytest.approx(np.log((1 - 0.1) / 0.05))
    assert target.lower * scale == pytest.approx(np.log(0.1 / (1 - 0.05)))


def test_the_lines_are_those_of_another_program():
    # The plan SeqDesignBinomial(AQL=0.01, alpha=0.05, LQL=0.05, beta=0.05) of the R package Dodge
    # (Govindaraju R, Godfrey J), as the tests of the programs to Kenett RS, Zacks S, Gedeck P,
    # Industrial Statistics: A Computer-Based Approach with Python, 2022, hold it (read).
    target = Target(0.01, 0.05, 0.05, 0.05)
    assert target.upper == -target.lower == pytest.approx(1.783772, abs=5e-7)
    assert target.step == pytest.approx(0.02498542, abs=5e-9)


def test_the_lines_are_those_of_a_published_sequential_plan():
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.2.6, sequential sampling of items
    # by Wald's test (from memory): for rates of 0.01 and 0.10 with errors of 0.05 and 0.10 the
    # lines are -0.939 + 0.0397 n and 1.205 + 0.0397 n, so that nothing is accepted before item 24
    # and two bad ones among the first 19 reject.
    target = Target(0.01, 0.10, 0.05, 0.10)
    assert target.lower == pytest.approx(-0.939, abs=5e-4)
    assert target.upper == pytest.approx(1.205, abs=5e-4)
    assert target.step == pytest.approx(0.0397, abs=5e-5)
    good = cumulative("A", [(f"F{n}", False) for n in range(30)], target)
    assert (good.reached, good.at) == ("acceptable", 24)
    for last, reached in ((19, "unacceptable"), (20, None)):
        cups = [(f"F{n}", n in (1, last)) for n in range(1, last + 1)]
        assert cumulative("A", cups, target).reached == reached


def test_few_acceptable_surgeons_are_called_unacceptable():
    target, rng = Target(0.1, 0.3, 0.1, 0.1), np.random.default_rng(4)
    for rate, wrong in ((0.1, "unacceptable"), (0.3, "acceptable")):
        curves = [
            cumulative("A", [("F", bool(each)) for each in rng.random(200) < rate], target)
            for _ in range(400)
        ]
        # Wald's bound on the error, with three standard errors of 400.
        assert np.mean([curve.reached == wrong for curve in curves]) < 0.1 + 0.045


def test_cups_go_by_the_surgeons_own_numbers():
    cases = [
        case("F1", 9.0, surgeon="A", number="10"),
        case("F2", 0.0, surgeon="A", number="9"),
        case("F3", 0.0, surgeon="B", number="1"),
        case("F4", 9.0, "the verdict is withheld: scale", surgeon="B", number="2"),
        case("F5", 0.0, surgeon="B"),
    ]
    cohort = SimpleNamespace(cases=cases)
    first, second = learning_curves(cohort, "surgeon", "number", Target(0.1, 0.2))
    assert (first.who, first.films, first.outside) == ("A", ("F2", "F1"), (False, True))
    assert (second.who, second.films) == ("B", ("F3",))
    with pytest.raises(StudyError, match="add the columns"):
        learning_curves(cohort, "operator", "number", Target(0.1, 0.2))
    cases.append(case("F6", 0.0, surgeon="A", number="9.0"))
    with pytest.raises(StudyError, match="F2 and F6: both are number"):
        learning_curves(cohort, "surgeon", "number", Target(0.1, 0.2))
    cases[-1] = case("F7", 0.0, surgeon="A", number="first")
    with pytest.raises(StudyError, match="'first' is no number"):
        learning_curves(cohort, "surgeon", "number", Target(0.1, 0.2))


@pytest.mark.parametrize("rates", [(0.2, 0.1), (0.0, 0.1), (0.1, 1.0)])
def test_a_target_that_cannot_be_meant_is_refused(rates):
    with pytest.raises(StudyError, match="must lie above 0"):
        Target(*rates)
