"""The best that any test for isolated spikes can do on the test field.

A test that knows the soil water and the noise exactly sees normal deviates, and one more of
known law where a spike was planted. Of all tests the one with a threshold on their size is
best (Neyman & Pearson 1933: the ratio of the two likelihoods rises with the size), so the best
threshold bounds F1. A test that is also told which sensors have spikes has fewer cells to err
in; none can be told more without being told the spikes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm
from truth_faults import LARGEST_SPIKE, LEAST_SPIKE

THRESHOLDS = np.linspace(3.0, 7.0, 401)


def missed_share(threshold: ArrayLike) -> NDArray[np.float64]:
    """Return the share of spikes below a threshold [noise]; sizes as the field draws them."""
    logs = np.linspace(np.log(LEAST_SPIKE), np.log(LARGEST_SPIKE), 2001)
    below = norm.cdf(np.asarray(threshold)[..., np.newaxis] - np.exp(logs))
    return np.trapezoid(below, logs, axis=-1) / (logs[-1] - logs[0])


def best_f1(spikes: int, cells: int) -> float:
    """Return the highest F1 to be expected of any test, for so many spikes and other cells."""
    missed = spikes * missed_share(THRESHOLDS)
    found = spikes - missed
    false = cells * 2.0 * norm.sf(THRESHOLDS)
    return float(np.max(2 * found / (2 * found + missed + false)))
