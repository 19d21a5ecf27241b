"""The bound on spikes: against numbers worked out by hand and against drawn fields."""

import numpy as np
import pytest
from truth_bound import best_f1, missed_share
from truth_faults import LARGEST_SPIKE, LEAST_SPIKE


def test_share_missed():
    # by hand: nothing lies below 0, all below 200. At a threshold of the least size, 4, the
    # part missed is the integral of Phi(4 - s) / (s ln 25) from 4; with s = 4 in the divisor
    # 0.3989 / 12.876 = 0.0310, with s = 4.5, where the integrand has gone, 0.0275.
    assert missed_share([0.0, 200.0]) == pytest.approx([0.0, 1.0], abs=1e-4)
    assert 0.0265 < missed_share(4.0) < 0.0310


def test_more_cells_to_err_in_lower_the_bound():
    found = [best_f1(100, cells) for cells in (10, 10_000, 1_000_000)]
    assert found == sorted(found, reverse=True)
    assert found[0] > 0.995


def test_no_threshold_does_better_on_drawn_cells():
    random = np.random.default_rng(1)
    spikes, cells = 20_000, 4_000_000
    sizes = np.exp(random.uniform(np.log(LEAST_SPIKE), np.log(LARGEST_SPIKE), spikes))
    seen = np.abs(sizes + random.standard_normal(spikes))
    noise = np.abs(random.standard_normal(cells))
    best = 0.0
    for threshold in np.arange(3.4, 5.4, 0.1):
        found, false = (seen > threshold).sum(), (noise > threshold).sum()
        best = max(best, 2 * found / (found + spikes + false))
    assert best == pytest.approx(best_f1(spikes, cells), abs=0.001)
