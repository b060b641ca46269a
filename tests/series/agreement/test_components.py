"""Components of variance against published analyses."""

import numpy as np
import pytest
from scipy.stats import chi2

from xraymeasure.errors import StudyError
from xraymeasure.series.agreement.components import mean_over_hips, variance_components

# Davies OL, Goldsmith PL, Statistical Methods in Research and Production, 1972, table 6.1 (read as
# the data set Dyestuff of R's lme4): yield of five preparations from each of six batches.
DYESTUFF = {
    "A": (1545, 1440, 1440, 1520, 1580),
    "B": (1540, 1555, 1490, 1560, 1495),
    "C": (1595, 1550, 1605, 1510, 1560),
    "D": (1445, 1440, 1595, 1465, 1545),
    "E": (1595, 1630, 1515, 1635, 1625),
    "F": (1520, 1455, 1450, 1480, 1445),
}
# Shrout PE, Fleiss JL, Psychol Bull 1979;86:420-428, table 2: six targets, four judges.
RATINGS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)


def test_batches_of_dyestuff_have_the_published_components():
    values = [value for batch in DYESTUFF.values() for value in batch]
    batches = [name for name, batch in DYESTUFF.items() for _ in batch]
    found = variance_components(values, {"patient": batches})
    # lme4's help and its book (Bates 2010, chapter 1), by restricted maximum likelihood: 1764 and
    # 2451, mean 1527.5 with standard error 19.38 (from memory).
    assert found.variances["patient"] == pytest.approx(1764.0, rel=2e-3)
    assert found.residual == pytest.approx(2451.25, rel=1e-3)
    assert found.mean.value == pytest.approx(1527.5)
    # Searle, Casella and McCulloch 1992 (from memory): the large-sample variances of components by
    # one-way analysis of variance, of 6 batches of 5; Satterthwaite's degrees of freedom are twice
    # the squared component over them.
    between, within = found.variances["patient"], found.residual
    spread = {
        "patient": 2 / 25 * ((within + 5 * between) ** 2 / 5 + within**2 / 24),
        "residual": 2 * within**2 / 24,
    }
    for name, value in (("patient", between), ("residual", within)):
        freedom = 2 * value**2 / spread[name]
        ends = freedom * value / chi2.ppf([0.975, 0.025], freedom)
        assert found.intervals[name] == pytest.approx(ends, rel=2e-3)
    # Student's t of five degrees of freedom: 2.571.
    assert (found.mean.high - found.mean.value) / 2.5706 == pytest.approx(19.383, rel=2e-3)


def test_a_balanced_table_has_the_components_of_the_analysis_of_variance():
    targets, judges = (
        [f"{letter}{index}" for index in indices.ravel()]
        for letter, indices in zip("TJ", np.indices(RATINGS.shape), strict=True)
    )
    found = variance_components(
        RATINGS.ravel(), {"patient": targets, "hip": targets, "reader": judges}
    )
    # Their table 3: mean squares 11.24 between targets, 32.49 between judges, residual 1.02.
    assert list(found.variances) == ["patient", "reader"]
    assert found.variances["patient"] == pytest.approx((11.24 - 1.02) / 4, abs=0.01)
    assert found.variances["reader"] == pytest.approx((32.49 - 1.02) / 6, abs=0.02)
    assert found.residual == pytest.approx(1.02, abs=0.01)
    # And so ICC(2,1), their table 4: 0.29.
    total = sum(found.variances.values()) + found.residual
    assert found.variances["patient"] / total == pytest.approx(0.29, abs=0.005)


def test_two_hips_of_a_patient_count_as_less_than_two_patients():
    rng = np.random.default_rng(2)
    patients = np.repeat(np.arange(20), 2)
    values = rng.normal(0.0, 2.0, 20)[patients] + rng.normal(0.0, 0.5, 40)
    told = mean_over_hips(values, [f"S{each}" for each in patients])
    # Balanced: the mean of the patients' means, with their t interval.
    means = values.reshape(20, 2).mean(axis=1)
    half = 2.0930 * means.std(ddof=1) / np.sqrt(20)
    assert told.value == pytest.approx(means.mean())
    assert told.high - told.value == pytest.approx(half, rel=1e-3)


def test_hips_of_a_patient_that_differ_more_than_patients_add_nothing():
    # Constructed: every patient's mean is nought, so the component of patients is nought too.
    values = [1.0, -1.0, 2.0, -2.0, 3.0, -3.0]
    found = variance_components(values, {"patient": list("aabbcc")})
    assert found.variances == {"patient": pytest.approx(0.0, abs=1e-6)}
    assert set(found.intervals) == {"residual"}
    # All that varies is within patients: the sum of squares over five degrees of freedom.
    assert found.residual == pytest.approx(28.0 / 5.0, rel=1e-3)
    assert found.mean.value == pytest.approx(0.0, abs=1e-9)


def test_what_does_not_vary_cannot_be_told():
    with pytest.raises(StudyError, match="need three readings"):
        variance_components([1.0, 2.0], {"patient": ["a", "b"]})
    with pytest.raises(StudyError, match="that differ"):
        variance_components([1.0, 2.0, 3.0], {"patient": ["a", "a", "a"], "reader": list("xyz")})
    with pytest.raises(StudyError, match="all readings are equal"):
        variance_components([1.0] * 4, {"patient": list("aabb")})


def test_a_crossed_table_with_gaps_has_the_components_of_statsmodels():
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    rng = np.random.default_rng(5)
    hips, readers = np.indices((25, 4)).reshape(2, -1)
    values = (rng.normal(0, 3, 25)[hips] + rng.normal(0, 1, 4)[readers]) + rng.normal(0, 1, 100)
    kept = rng.random(100) > 0.2
    hips, readers, values = hips[kept], readers[kept], values[kept]
    designs = [np.eye(25)[hips], np.eye(4)[readers]]
    spec = VCSpec(
        ["hip", "reader"], [[list("h" * 25)], [list("rrrr")]], [[each] for each in designs]
    )
    fit = MixedLM(values, np.ones((len(values), 1)), np.ones(len(values)), exog_vc=spec).fit()
    found = variance_components(
        values, {"hip": [f"H{each}" for each in hips], "reader": [f"R{each}" for each in readers]}
    )
    assert list(found.variances.values()) == pytest.approx(list(fit.vcomp), rel=2e-3)
    assert found.residual == pytest.approx(float(fit.scale), rel=1e-3)
    assert found.mean.value == pytest.approx(float(fit.fe_params[0]), rel=1e-3)


def test_the_intervals_of_components_hold_them():
    rng, held = np.random.default_rng(8), []
    for _ in range(60):
        values = rng.normal(0.0, 2.0, 12)[np.repeat(np.arange(12), 3)] + rng.normal(0.0, 1.0, 36)
        found = variance_components(values, {"patient": [f"S{k}" for k in np.repeat(range(12), 3)]})
        for name, true in (("patient", 4.0), ("residual", 1.0)):
            low, high = found.intervals.get(name, (0.0, np.inf))
            held.append(low <= true <= high)
    # Three standard errors of 120.
    assert np.mean(held) == pytest.approx(0.95, abs=0.06)
