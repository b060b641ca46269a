"""Agreement against another library, in simulation, and where nothing can be said."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from xraymeasure.errors import StudyError
from xraymeasure.series.agreement.statistics import limits_of_agreement, reliability

NAN = float("nan")


def repeated_readings(seed, films, readings, between=3.0, bias=1.0, noise=1.0):
    """Films by readings with known spread: between films, between readings, and the rest."""
    rng = np.random.default_rng(seed)
    return (
        rng.normal(0, between, (films, 1))
        + rng.normal(0, bias, (1, readings))
        + rng.normal(0, noise, (films, readings))
    )


@pytest.mark.parametrize(("films", "readings", "seed"), [(6, 2, 1), (20, 3, 2), (50, 4, 3)])
def test_coefficients_and_intervals_follow_from_the_mean_squares_of_statsmodels(
    films, readings, seed
):
    import pandas as pd
    from scipy.stats import f
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    table = repeated_readings(seed, films, readings)
    long = pd.DataFrame(
        [(i, j, table[i, j]) for i in range(films) for j in range(readings)],
        columns=["film", "reader", "value"],
    )
    one_way = anova_lm(ols("value ~ C(film)", long).fit())
    two_way = anova_lm(ols("value ~ C(film) + C(reader)", long).fit())
    within = one_way.loc["Residual", "mean_sq"]
    between, reader, rest = two_way["mean_sq"]
    # Shrout and Fleiss 1979, p. 423 f., and their intervals from F (from memory); those of
    # ICC(2,1) are held against the paper's own numbers in tests/published.
    single = {
        "ICC(1,1)": (between - within) / (between + (readings - 1) * within),
        "ICC(2,1)": (between - rest)
        / (between + (readings - 1) * rest + readings * (reader - rest) / films),
        "ICC(3,1)": (between - rest) / (between + (readings - 1) * rest),
    }
    found = reliability(table)
    for name, value in single.items():
        assert found.icc(name).value == pytest.approx(value, rel=1e-9)
        # Spearman and Brown: the mean of k readings.
        averaged = readings * value / (1 + (readings - 1) * value)
        assert found.icc(name.replace(",1)", f",{readings})")).value == pytest.approx(averaged)
    for name, error, df in (
        ("ICC(1,1)", within, one_way.loc["Residual", "df"]),
        ("ICC(3,1)", rest, two_way.loc["Residual", "df"]),
    ):
        ratio = between / error
        low = ratio / f.ppf(0.975, films - 1, df)
        high = ratio * f.ppf(0.975, df, films - 1)
        expected = [(limit - 1) / (limit + readings - 1) for limit in (low, high)]
        assert [found.icc(name).low, found.icc(name).high] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("apart", [0.0, 1e-14, 1e-13])
def test_readings_that_differ_in_their_last_digits_agree_wholly(apart):
    once = repeated_readings(4, 12, 1)[:, 0]
    found = reliability(np.column_stack([once, once + apart]))
    for name in ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)"):
        ends = found.icc(name).value, found.icc(name).low, found.icc(name).high
        assert ends == pytest.approx((1.0, 1.0, 1.0))
    assert found.sem_agreement.value == pytest.approx(0.0, abs=1e-12)


STUDIES = 1000
# The standard error of a share of 95 % in as many.
SE = float(np.sqrt(0.95 * 0.05 / STUDIES))


def test_the_intervals_of_coefficients_and_errors_cover_in_simulation():
    # The readers are drawn anew each time, as the two-way random model says.
    truths = {
        "ICC(2,1)": 9.0 / (9.0 + 0.25 + 1.0),
        "ICC(3,1)": 9.0 / 10.0,
        "sem_consistency": 1.0,
        "sem_agreement": np.sqrt(0.25 + 1.0),
    }
    hits = dict.fromkeys(truths, 0)
    for seed in range(STUDIES):
        found = reliability(repeated_readings(seed, 30, 3, bias=0.5))
        for name, truth in truths.items():
            told = found.icc(name) if name.startswith("ICC") else getattr(found, name)
            hits[name] += told.low <= truth <= told.high
    for name, hit in hits.items():
        # Those of agreement are approximations: another per cent.
        slack = 0.01 if name in ("ICC(2,1)", "sem_agreement") else 0.0
        assert hit / STUDIES == pytest.approx(0.95, abs=3 * SE + slack), name


def test_the_interval_of_agreement_is_short_where_two_readers_differ_much_as_is_said():
    # The module and the page say about 89 %.
    truth = 9.0 / (9.0 + 1.0 + 1.0)
    found = [reliability(repeated_readings(seed, 30, 2)).icc("ICC(2,1)") for seed in range(STUDIES)]
    share = sum(c.low <= truth <= c.high for c in found) / STUDIES
    assert share == pytest.approx(0.89, abs=3 * np.sqrt(0.89 * 0.11 / STUDIES))


def test_the_intervals_of_limits_and_spread_cover_in_simulation():
    # Eight films, where an approximation would show.
    films, bias, sd = 8, 0.7, 2.0
    rng = np.random.default_rng(7)
    hits = np.zeros(4)
    for _ in range(STUDIES):
        films_true = rng.normal(40, 6, films)
        first = films_true + bias + rng.normal(0, sd / np.sqrt(2), films)
        second = films_true + rng.normal(0, sd / np.sqrt(2), films)
        found = limits_of_agreement(first, second)
        within = reliability(np.column_stack([first - bias, second])).within_sd
        truths = (bias, bias - 1.959964 * sd, bias + 1.959964 * sd, sd / np.sqrt(2))
        estimates = (found.bias, found.lower, found.upper, within)
        hits += [e.low <= truth <= e.high for e, truth in zip(estimates, truths, strict=True)]
    assert hits / STUDIES == pytest.approx(np.full(4, 0.95), abs=3 * SE)


def test_films_that_not_everybody_read_are_left_out_and_counted():
    table = repeated_readings(4, 12, 3)
    holes = table.copy()
    holes[2, 1] = holes[5, 0] = holes[5, 2] = NAN
    found = reliability(holes)
    kept = np.delete(table, [2, 5], axis=0)
    assert (found.n, found.left_out) == (10, 2)
    assert found.icc("ICC(2,1)") == reliability(kept).icc("ICC(2,1)")
    assert limits_of_agreement(holes[:, 0], holes[:, 1]).n == 10


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ([[1.0, 2.0], [NAN, 1.0]], "at least two films"),
        ([[1.0], [2.0]], "at least two readings"),
        ([[3.3, 3.3], [3.3, 3.3], [3.3, 3.3]], "all readings are equal"),
    ],
)
def test_where_agreement_cannot_be_told_it_says_why(table, words):
    with pytest.raises(StudyError, match=words):
        reliability(table)


def test_a_reader_who_always_reads_more_is_consistent_but_does_not_agree():
    found = reliability([[1.0, 3.0], [2.0, 4.0], [4.0, 6.0]])
    assert found.icc("ICC(3,1)").value == 1.0
    assert found.icc("ICC(2,1)").value < 0.6
    assert found.sem_consistency.value == 0.0
    # Variance between two readers with means two apart: 2.
    assert found.sem_agreement.value == pytest.approx(np.sqrt(2.0))


@settings(max_examples=50, deadline=None)
@given(
    st.integers(0, 10_000),
    st.integers(3, 15),
    st.integers(2, 4),
    st.floats(-100, 100),
    st.floats(0.1, 10),
)
def test_agreement_does_not_depend_on_unit_or_order(seed, films, readings, shift, scale):
    table = repeated_readings(seed, films, readings)
    rng = np.random.default_rng(seed)
    changed = rng.permutation(table)[:, rng.permutation(readings)] * scale + shift
    before, after = reliability(table), reliability(changed)
    for one, other in zip(before.coefficients, after.coefficients, strict=True):
        assert (other.low, other.value, other.high) == pytest.approx(
            (one.low, one.value, one.high), rel=1e-6, abs=1e-6
        )
        assert one.low <= one.value <= one.high
    assert after.sem_agreement.value == pytest.approx(scale * before.sem_agreement.value, rel=1e-6)
