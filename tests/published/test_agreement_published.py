"""Agreement against printed tables."""

import math

import pytest

from xraymeasure.series.agreement.statistics import limits_of_agreement, reliability

# Shrout PE, Fleiss JL, Psychol Bull 1979;86:420-428, table 2: six targets, four judges.
SHROUT_FLEISS = [
    [9, 2, 5, 8],
    [6, 1, 3, 2],
    [8, 4, 6, 8],
    [7, 1, 2, 6],
    [10, 5, 6, 9],
    [6, 2, 4, 7],
]

# Bland JM, Altman DG, Lancet 1986;1:307-310: peak flow (l/min), two meters, two readings each.
LARGE_1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
LARGE_2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI_1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINI_2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("ICC(1,1)", 0.165742),
        ("ICC(2,1)", 0.289764),
        ("ICC(3,1)", 0.714841),
        ("ICC(1,4)", 0.442797),
        ("ICC(2,4)", 0.620051),
        ("ICC(3,4)", 0.909316),
    ],
)
def test_shrout_and_fleiss_table_4_coefficients(name, value):
    # Printed to two decimals; the further digits are recomputed from the printed ratings.
    assert reliability(SHROUT_FLEISS).icc(name).value == pytest.approx(value, abs=5e-7)


@pytest.mark.parametrize(
    ("name", "low", "high"), [("ICC(2,1)", 0.0188, 0.7611), ("ICC(3,1)", 0.3425, 0.9459)]
)
def test_shrout_and_fleiss_intervals(name, low, high):
    found = reliability(SHROUT_FLEISS).icc(name)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


def test_error_of_measurement_of_the_shrout_and_fleiss_ratings():
    # Recomputed from the printed mean squares (MSE 1.02, between judges 32.49).
    found = reliability(SHROUT_FLEISS)
    assert found.sem_consistency.value == pytest.approx(1.0097, abs=5e-5)
    assert found.sem_agreement.value == pytest.approx(2.5028, abs=5e-5)
    assert found.mdc95_consistency.value == pytest.approx(2.799, abs=5e-4)
    assert found.mdc95_agreement.value == pytest.approx(6.937, abs=5e-4)


def test_bland_and_altman_peak_flow_bias_and_limits():
    found = limits_of_agreement(LARGE_1, MINI_1)
    assert found.n == 17
    assert found.bias.value == pytest.approx(-2.118, abs=5e-4)
    assert found.sd == pytest.approx(38.765, abs=5e-4)
    assert found.lower.value == pytest.approx(-78.10, abs=5e-3)
    assert found.upper.value == pytest.approx(73.86, abs=5e-3)
    # The paper rounds 1.96 to 2.
    assert found.bias.value - 2 * found.sd == pytest.approx(-79.6, abs=0.05)
    assert found.bias.value + 2 * found.sd == pytest.approx(75.4, abs=0.05)


def test_bland_and_altman_interval_of_the_bias():
    # The paper prints -22.0 to 17.8 (from memory).
    found = limits_of_agreement(LARGE_1, MINI_1)
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0, 17.8), abs=0.06)


@pytest.mark.parametrize(
    ("first", "second", "printed"), [(LARGE_1, LARGE_2, 43.3), (MINI_1, MINI_2, 56.3)]
)
def test_bland_and_altman_repeatability_of_each_meter(first, second, printed):
    # The paper's coefficient is twice the root mean square of the differences, which are those of
    # two readings: 2 * sqrt(2) within-subject standard deviations, where we take 1.96 for 2. Its
    # mean square is about zero, ours about each subject's own mean: the same for two readings.
    found = reliability(list(zip(first, second, strict=True)))
    assert found.within_sd.value * 2 * math.sqrt(2) == pytest.approx(printed, abs=0.05)
    assert found.repeatability.value == pytest.approx(
        1.959964 * math.sqrt(2) * found.within_sd.value, rel=1e-6
    )


def test_interval_of_a_limit_is_the_one_sided_tolerance_factor():
    # NIST/SEMATECH e-Handbook 7.2.6.3 (from memory): for 43 values, the exact one-sided factor
    # that covers 90 % of a normal population with confidence 99 % is 1.8740, from the noncentral
    # t distribution. The limits of agreement use the same formula with 97.5 % and 97.5 %, so the
    # formula is checked there and the limits by simulation.
    from scipy.stats import nct, norm

    n = 43
    factor = nct.ppf(0.99, n - 1, norm.ppf(0.90) * math.sqrt(n)) / math.sqrt(n)
    assert factor == pytest.approx(1.8740, abs=5e-5)
    differences = [*range(-21, 22)]
    found = limits_of_agreement(differences, [0] * n)
    outer = nct.ppf(0.975, n - 1, norm.ppf(0.975) * math.sqrt(n)) / math.sqrt(n)
    assert (found.upper.high - found.bias.value) / found.sd == pytest.approx(outer, rel=1e-9)
