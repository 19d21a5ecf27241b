"""How many independent dates a record is worth, when days next to each other say the same."""

from __future__ import annotations

import numpy as np

from pipeline.arrays import Floats


def independent_dates(series: Floats) -> Floats:
    """Return how many independent dates the values of each series are worth.

    ``n / (1 + 2 sum of autocorrelations)``, each weighted by the share of values that have a
    partner so far apart, up to the first that is not positive. From a record shorter than its
    own memory the number comes out too large.

    Parameters
    ----------
    series : (day, tube), any unit
        Consecutive days; NaN where there is no value.

    Returns
    -------
    (tube,), [1]
        At least 1 and at most the number of values; NaN with fewer than two values.

    References
    ----------
    Thiébaux & Zwiers (1984), J. Clim. Appl. Meteorol. 23, 800-811 (from memory).
    """
    rows = np.ascontiguousarray(series.T)
    known = np.isfinite(rows)
    counts = known.sum(axis=1)
    mean = np.where(known, rows, 0.0).sum(axis=1) / np.maximum(counts, 1)
    away = np.where(known, rows - mean[:, np.newaxis], 0.0)
    product, pairs = _lagged(away), np.round(_lagged(known * 1.0))
    scale = product[:, :1]  # the number of values times their variance
    # The variance of a mean adds up the correlations of all its pairs, however far apart; lags
    # that no pair has, in a tube that is read now and then, add nothing and end nothing.
    paired = pairs[:, 1:] >= 1
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = product[:, 1:] / scale
    ended = np.logical_or.accumulate(paired & ~(weight > 0), axis=1)
    memory = np.where(ended | ~paired, 0.0, weight).sum(axis=1)
    worth = counts / (1.0 + 2.0 * memory)
    return np.where(counts >= 2, np.clip(worth, 1.0, counts), np.nan)


def _lagged(rows: Floats) -> Floats:
    """Return the sum of products of each row with itself, by lag: (row, lag)."""
    days = rows.shape[1]
    size = 2 ** int(np.ceil(np.log2(max(2 * days, 2))))
    found: Floats = np.fft.irfft(np.abs(np.fft.rfft(rows, size)) ** 2, size)[:, :days]
    return found
