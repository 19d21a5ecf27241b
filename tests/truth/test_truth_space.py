"""Site means of few tubes on unseen truth."""

import numpy as np
import pytest
from truth_field import LOOKED_AT_SEEDS
from truth_space import CASES, COUNTS, score_sites


@pytest.fixture(scope="module")
def scores():
    return score_sites(LOOKED_AT_SEEDS[1], "loam", days=60, tubes=48, sites=25)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("count", COUNTS)
def test_intervals_hold_the_mean_of_the_field(scores, case, count):
    # 25 sites of six depths: 0.95 less three standard deviations of sites alone is 0.82
    assert np.mean(scores[(*case, count)].share) > 0.88


@pytest.mark.slow
def test_more_tubes_tell_more(scores):
    widths = [np.mean(scores["each its own", True, count].width) for count in COUNTS]
    assert widths[0] > widths[1] > widths[2]
