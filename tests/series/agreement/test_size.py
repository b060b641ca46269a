"""How many films a study needs, against simulated studies of that size."""

import numpy as np
import pytest

from xraymeasure.errors import StudyError
from xraymeasure.series.agreement.size import films_for_icc, films_for_limits
from xraymeasure.series.agreement.statistics import limits_of_agreement, reliability


@pytest.mark.parametrize(("icc", "width", "k"), [(0.8, 0.2, 3), (0.9, 0.1, 2), (0.6, 0.3, 2)])
def test_studies_of_that_size_have_an_icc_as_narrow_as_wanted(icc, width, k):
    rng = np.random.default_rng(5)
    films = films_for_icc(icc, width, k)
    widths = []
    for _ in range(60):
        table = rng.normal(0.0, np.sqrt(icc), (films, 1)) + rng.normal(
            0.0, np.sqrt(1.0 - icc), (films, k)
        )
        found = reliability(table).icc("ICC(3,1)")
        widths.append(found.high - found.low)
    assert np.mean(widths) == pytest.approx(width, rel=0.12)


def test_studies_of_that_size_have_limits_as_narrow_as_wanted():
    rng = np.random.default_rng(6)
    films = films_for_limits(2.0, 0.5)
    reach = []
    for _ in range(40):
        found = limits_of_agreement(rng.normal(0.0, 2.0, films), np.zeros(films))
        reach.append((found.upper.high - found.upper.low) / 2.0)
    assert np.mean(reach) == pytest.approx(0.5, rel=0.05)


@pytest.mark.parametrize("call", [(1.2, 0.1), (0.8, 0.0), (0.8, 0.1, 1)])
def test_what_cannot_be_meant_is_refused(call):
    with pytest.raises(StudyError):
        films_for_icc(*call)
