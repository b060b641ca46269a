"""Known migration, subsidence and wear, found again; and what is found where nothing moved.

A small version of ``tests/benchmarks/bench_followup.py``; the patients are in ``patients.py``.
"""

import numpy as np
import pytest

from tests.series.followup.patients import MOVED, STILL, TRUTH, filmed
from xraymeasure.change.changes import changes_between

PAIRS = 24


@pytest.fixture(scope="module")
def still_and_moved():
    rng = np.random.default_rng(20240101)
    before = [filmed(rng, STILL, 0.0) for _ in range(PAIRS)]
    still = [changes_between(filmed(rng, STILL, 5.0), first) for first in before]
    moved = [changes_between(filmed(rng, MOVED, 5.0), first) for first in before]
    # Where the tip of a stem lies off the film, its axis is not placed and the pair is left out.
    whole = [pair for pair in zip(still, moved, strict=True) if not any(p.missing for p in pair)]
    assert len(whole) >= PAIRS - 3
    return [pair[0] for pair in whole], [pair[1] for pair in whole]


@pytest.mark.parametrize("name", TRUTH)
def test_what_moved_is_found_without_bias(still_and_moved, name):
    _, moved = still_and_moved
    values = np.array([changes.row(name).value for changes in moved])
    error = values.std(ddof=1) / np.sqrt(len(values))
    # Three standard errors, and 3 % for depth: a trochanter 20 mm behind the hip moves 2 % less.
    assert values.mean() == pytest.approx(TRUTH[name], abs=3 * error + 0.03 * abs(TRUTH[name]))


@pytest.mark.parametrize("name", TRUTH)
def test_the_interval_holds_the_truth(still_and_moved, name):
    still, moved = still_and_moved
    rows = [(each.row(name), 0.0) for each in still]
    rows += [(each.row(name), TRUTH[name]) for each in moved]
    covered = np.mean([row.low <= truth <= row.high for row, truth in rows])
    # Two standard errors below 0.95.
    assert covered >= 0.95 - 2.0 * np.sqrt(0.95 * 0.05 / len(rows))


def test_few_unmoved_hips_carry_any_flag(still_and_moved):
    from scipy.stats import binom

    still, _ = still_and_moved
    flagged = sum(any(row.verdict == "changed" for row in each.rows) for each in still)
    # As many as one hip in twenty makes likely.
    assert flagged <= binom.ppf(0.99, len(still), 0.05)


def test_what_a_pair_says_it_would_show_it_shows(still_and_moved):
    _, moved = still_and_moved
    asked = [
        row.verdict == "changed"
        for changes in moved
        for row in changes.rows
        if row.detectable is not None and row.detectable < abs(TRUTH[row.name])
    ]
    assert len(asked) > PAIRS
    # Nine of ten; three standard errors.
    assert np.mean(asked) >= 0.9 - 3.0 * np.sqrt(0.09 / len(asked))
