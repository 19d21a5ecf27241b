"""Ranks of tubes: whether wet places stay wet from one date to another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats
from pipeline.compiled import kernel

LEAST_IN_MONTH = 3  # values that tell a tube's place in a month; ours


def rank_correlation(first: NDArray, second: NDArray) -> float:
    """Spearman's rank correlation between two dates, over tubes that have both.

    ``1 - 6 sum(d**2) / (n (n**2 - 1))`` where no two are equal; equal values share their mean
    rank, and the correlation of the ranks is taken.

    Parameters
    ----------
    first, second : (tube,), any unit
        NaN where there is no value.

    Returns
    -------
    float, [1]
        NaN with fewer than three tubes, or where all values of a date are equal.

    References
    ----------
    Vachaud et al. (1985), see `pipeline.derive.stability.relative_differences`.

    Examples
    --------
    >>> rank_correlation([0.2, 0.25, 0.3, 0.4], [0.1, 0.2, 0.15, 0.3])
    0.8
    """
    pair = np.array([first, second], dtype=np.float64)
    found = np.full((2, 2), np.nan)
    _rank_correlations(np.ascontiguousarray(pair), found)
    return float(np.round(found[0, 1], 12))


def rank_correlations(values: Floats) -> Floats:
    """Return `rank_correlation` between all dates (date, tube), as (date, date)."""
    table = np.ascontiguousarray(values, dtype=np.float64)
    found = np.full((len(table), len(table)), np.nan)
    _rank_correlations(table, found)
    return found


def monthly_places(relative: Floats, month: NDArray) -> tuple[NDArray, Floats]:
    """Mean relative difference of each tube in each calendar month.

    Parameters
    ----------
    relative : (day, tube), [1]
        From `pipeline.derive.stability.relative_differences`.
    month : (day,), sorted
        Which month each day lies in.

    Returns
    -------
    months : (month,)
        Those there are.
    places : (month, tube), [1]
        NaN where a month has fewer than three values of a tube.
    """
    months, starts = np.unique(month, return_index=True)
    if not len(month):
        return months, np.empty((0, relative.shape[1]))
    known = np.isfinite(relative)
    count = np.add.reduceat(known * 1.0, starts, axis=0)
    total = np.add.reduceat(np.where(known, relative, 0.0), starts, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        places = np.where(count >= LEAST_IN_MONTH, total / count, np.nan)
    return months, places


@kernel
def _rank_correlations(table: Floats, found: Floats) -> None:
    """Fill (date, date) with the correlation of ranks over the tubes that both dates have."""
    dates, tubes = table.shape
    first_ranks, second_ranks = np.empty(tubes), np.empty(tubes)
    for first in range(dates):
        for second in range(first + 1, dates):
            both = ~np.isnan(table[first]) & ~np.isnan(table[second])
            count = both.sum()
            if count < 3:
                continue
            _rank(table[first], both, first_ranks)
            _rank(table[second], both, second_ranks)
            middle = 0.5 * (count + 1)
            product, left, right = 0.0, 0.0, 0.0
            for tube in range(tubes):
                if both[tube]:
                    a, b = first_ranks[tube] - middle, second_ranks[tube] - middle
                    product += a * b
                    left += a * a
                    right += b * b
            if left > 0 and right > 0:
                found[first, second] = found[second, first] = product / np.sqrt(left * right)


@kernel
def _rank(values: Floats, counted: Bools, ranks: Floats) -> None:
    """Fill the ranks of the values that count, from 1; equal values share their mean rank."""
    for tube in range(values.size):
        below, equal = 0, 0
        for other in range(values.size):
            if counted[other]:
                below += values[other] < values[tube]
                equal += values[other] == values[tube]
        ranks[tube] = below + 0.5 * (equal + 1)
