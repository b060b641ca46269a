import numpy as np
import pytest

from xraymeasure.measuring.draws import draw
from xraymeasure.measuring.uncertainty import COVERAGE, Term, linearise, placing_sd_px
from xraymeasure.reading.reading import Reading
from xraymeasure.vocabulary.quantities import SOURCES

KEY = ("length", None, "landmarks")


def term(key, source, mean, u):
    return Term(
        key, source, np.atleast_1d(np.array(mean, float)), np.atleast_1d(np.array(u, float))
    )


def interval(model, terms):
    return linearise(lambda inputs: {KEY: model(inputs)}, terms).intervals()[KEY]


def test_a_straight_sum_has_the_root_of_the_squares():
    """GUM (JCGM 100:2008) 5.1.2: u(y)^2 = sum of (c u)^2."""
    terms = [term("a", "placing", 10.0, 0.3), term("b", "depth", 4.0, 0.4)]
    found = interval(lambda x: 2.0 * x["a"][0] - x["b"][0], terms)
    assert found.standard_uncertainty == pytest.approx(np.hypot(0.6, 0.4))
    assert (found.low + found.high) / 2.0 == pytest.approx(16.0)
    assert found.high - found.low == pytest.approx(2 * 1.96 * np.hypot(0.6, 0.4), rel=1e-4)


def test_each_source_has_the_share_of_its_squares():
    terms = [
        term("a", "placing", 10.0, 0.3),
        term("b", "depth", 4.0, 0.4),
        term("c", "depth", 1.0, 1.2),
    ]
    found = interval(lambda x: x["a"][0] + x["b"][0] + x["c"][0], terms)
    total = 0.3**2 + 0.4**2 + 1.2**2
    assert found.sources == pytest.approx(
        {
            **dict.fromkeys(SOURCES, 0.0),
            "placing": 0.3**2 / total,
            "depth": (0.4**2 + 1.2**2) / total,
        }
    )


def test_what_does_not_depend_on_anything_is_certain():
    found = interval(lambda x: 5.0 + 0.0 * x["a"][0], [term("a", "placing", 1.0, 1.0)])
    assert (found.low, found.high, found.standard_uncertainty) == (5.0, 5.0, 0.0)
    assert set(found.sources.values()) == {0.0}


def test_where_a_model_bends_draws_see_it_and_first_order_does_not():
    """JCGM 101 makes the point with a mass comparison; the square of N(0, 1) is the plain case.

    Chi-squared with one degree of freedom: 2.5 and 97.5 % at 0.000982 and 5.0239.
    """
    terms = [term("x", "placing", 0.0, 1.0)]
    model = lambda x: {KEY: x["x"][0] ** 2}  # noqa: E731
    assert linearise(model, terms).intervals()[KEY].standard_uncertainty < 0.01
    low, high = draw(model, terms, 200_000, 2).ends()[KEY]
    assert low == pytest.approx(0.000982, rel=0.1)
    assert high == pytest.approx(5.0239, rel=0.02)


def test_the_same_seed_draws_the_same():
    terms = [term("x", "placing", [1.0, 2.0], [0.1, 0.3])]
    model = lambda x: {KEY: x["x"][0] * x["x"][1]}  # noqa: E731
    assert draw(model, terms, 500, 7).ends() == draw(model, terms, 500, 7).ends()
    assert draw(model, terms, 500, 7).ends() != draw(model, terms, 500, 8).ends()


def test_draws_without_an_answer_are_left_out():
    terms = [term("x", "placing", 0.0, 1.0)]

    def model(inputs):
        x = inputs["x"][0]
        return {KEY: np.where(x > 2.0, np.nan, x)}

    low, high = draw(model, terms, 50_000, 3).ends()[KEY]
    assert np.isfinite([low, high]).all()
    # Normal cut at 2: quantiles of 0.025 and 0.975 of what is left (0.9772).
    assert (low, high) == pytest.approx((-1.970, 1.666), abs=0.05)


def test_the_half_width_is_the_normal_one():
    """97.5 % point of the normal distribution."""
    from scipy.stats import norm

    assert norm.cdf(COVERAGE) == pytest.approx(0.975, abs=1e-7)


@pytest.mark.parametrize(
    ("own", "wanted"),
    [
        (None, 0.3 / 0.12),
        (2.0, 2.0),
        ({"cup_rim_left": 1.5}, 1.5),
        ({"teardrop_left": 1.5}, 0.3 / 0.12),
    ],
)
def test_a_readers_own_spread_replaces_the_default(own, wanted):
    """The default of a rim point is 0.3 mm, here on pixels of 0.12 mm."""
    reading = Reading("A", "2026-01-31T10:15:00Z", "left", placing_sd_px=own)
    assert placing_sd_px(reading, "cup_rim_left", 0.12) == pytest.approx(wanted)
