"""Trends of a short series: Theil-Sen's slope and Mann and Kendall's test.

Both go by the order of values, so that single outliers count for little.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats

MOST_VALUES = 2000  # all pairs are taken: beyond, memory grows to hundreds of MB


@dataclass(frozen=True)
class Kendall:
    """Result of Mann and Kendall's test: S, its variance, the score, two-sided p, tau."""

    s: int
    variance: float
    z: float
    p: float
    tau: float


def theil_sen_slope(x: Floats, y: Floats) -> float:
    """Median of the slopes between all pairs of points.

    Parameters
    ----------
    x, y : array (n)
        NaN in either leaves the point out. Pairs of equal ``x`` have no slope.

    Returns
    -------
    float
        Of ``y`` per unit of ``x``; NaN where there is no pair.

    Raises
    ------
    ValueError
        If there are more than `MOST_VALUES` points.

    References
    ----------
    Theil (1950), Proc. K. Ned. Akad. Wet. 53; Sen (1968), J. Am. Stat. Assoc. 63, 1379-1389;
    Helsel & Hirsch (1995), Statistical Methods in Water Resources, chapter 10.
    """
    first, second = _pairs(x, y)
    run, rise = second[0] - first[0], second[1] - first[1]
    slopes = rise[run != 0] / run[run != 0]
    return float(np.median(slopes)) if slopes.size else math.nan


def mann_kendall(y: Floats) -> Kendall:
    """Test a series in order of time for a trend, up or down.

    Parameters
    ----------
    y : array (n)
        NaN is left out. Values should not hang together from one to the next but by the
        trend; where they do, p comes out too small.

    Returns
    -------
    Kendall
        With the correction for ties and for continuity; p is NaN for fewer than three values.

    Raises
    ------
    ValueError
        If there are more than `MOST_VALUES` values.

    References
    ----------
    Mann (1945), Econometrica 13, 245-259; Kendall (1975), Rank Correlation Methods; Helsel &
    Hirsch (1995), Statistical Methods in Water Resources, section 8.2 and 10.1.
    """
    known = np.asarray(y, dtype=np.float64)
    known = known[np.isfinite(known)]
    n = known.size
    if n < 3:
        return Kendall(0, math.nan, math.nan, math.nan, math.nan)
    first, second = _pairs(np.arange(n, dtype=np.float64), known)
    s = int(np.sign(second[1] - first[1]).sum())
    ties = np.unique(known, return_counts=True)[1].astype(np.float64)
    variance = n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())
    variance /= 18.0
    z = 0.0 if s == 0 or variance == 0 else (s - math.copysign(1, s)) / math.sqrt(variance)
    p = math.erfc(abs(z) / math.sqrt(2.0))
    return Kendall(s, variance, z, p, s / (n * (n - 1) / 2))


def _pairs(x: Floats, y: Floats) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Return the earlier and the later point of all pairs of known points."""
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    known = np.isfinite(x) & np.isfinite(y)
    if known.sum() > MOST_VALUES:
        raise ValueError(
            f"a trend: expected at most {MOST_VALUES} values, found {known.sum()}"
        )
    count = int(known.sum())
    first, second = _few_places(count) if count <= _FEW_VALUES else _places(count)
    x, y = x[known], y[known]
    return (x[first], y[first]), (x[second], y[second])


def _places(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the places of the earlier and the later value of all pairs."""
    first, second = np.triu_indices(count, k=1)
    return first, second


# A site's sensors have series of the same few lengths; kept is at most 20 MB.
_FEW_VALUES = 200
_few_places = lru_cache(maxsize=64)(_places)
