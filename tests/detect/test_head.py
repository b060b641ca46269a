"""The profile that the sectors of a head's edge have in common."""

import numpy as np

from xraymeasure.detect.head import _mean_profile


def test_sectors_of_which_half_rise_where_the_others_fall_have_a_profile():
    # Geometry: all are one edge, turned round in half of them. Circles of bone look like that; an
    # infinite quantile left no sector to average, and what came next broke down over it.
    edge = 1.0 / (1.0 + np.exp(np.linspace(-9.0, 8.0, 69)))
    heights = np.linspace(0.3, 1.0, 5)[:, None]
    common = _mean_profile(np.concatenate([heights * edge, heights * (1.0 - edge)]))
    assert abs(np.corrcoef(common, edge)[0, 1]) > 0.999
