"""Levels of days and offsets of tubes: the two-way layout behind means over tubes.

A day is fitted as the site's level plus each tube's own offset from it, by least squares, so
that a tube that comes later, fails or is read once a week moves no level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats, Integers
from pipeline.compiled import kernel

LEAST_DATES = 10  # fewer do not tell a tube's offset; ours


@dataclass(frozen=True)
class TubeFit:
    """Levels and offsets of one quantity: ``value = level(day) + offset(tube) + rest``.

    ``members`` (tube,) bool: whose mean the level is. ``level`` (day,), NaN without a member.
    ``offset`` (tube,), zero on average over the members, NaN for others. ``rest_variance`` is
    the variance of what the two leave over, NaN with too few values; ``counts`` (day,) how
    many members were measured.
    """

    members: Bools
    level: Floats
    offset: Floats
    rest_variance: float
    counts: Integers


def fit_tubes(values: NDArray, least_dates: int = LEAST_DATES) -> TubeFit:
    """Fit a level to each day and an offset to each tube, by least squares.

    Parameters
    ----------
    values : (day, tube), any unit
        NaN, or infinite, where a tube was not measured.
    least_dates : int
        A tube with fewer values is no member. Nor are tubes that never were measured together
        with the others, directly or through a third: of such separate sets the one with the
        most values is taken, of equals the one with the first tube.

    Returns
    -------
    TubeFit

    References
    ----------
    Searle, Speed & Milliken (1980), The American Statistician 34(4), 216-221: population
    marginal means of unbalanced layouts (from memory).

    Examples
    --------
    The second tube comes a day later, 0.1 wetter; the level does not jump.

    >>> import numpy as np
    >>> fit = fit_tubes(np.array([[0.2, np.nan], [0.2, 0.3], [0.2, 0.3]]), least_dates=1)
    >>> fit.level.round(9).tolist(), fit.offset.round(9).tolist()
    ([0.25, 0.25, 0.25], [-0.05, 0.05])
    """
    table = np.array(values, dtype=np.float64, order="C")
    known = np.isfinite(table)
    table[~known] = np.nan
    members = _connected(known, np.sum(known, axis=0) >= max(least_dates, 1))
    used = np.flatnonzero(members)
    offset = np.full(table.shape[1], np.nan)
    inside = np.ascontiguousarray(table[:, used])
    offset[used] = _offsets(inside)
    rest = inside - offset[used]
    counts = np.asarray(np.isfinite(inside).sum(axis=1), dtype=np.int64)
    level = mean_over_tubes(rest, counts)
    free = int(counts.sum() - used.size - np.sum(counts > 0) + 1)
    squares = float(np.nansum((rest - level[:, np.newaxis]) ** 2))
    variance = squares / free if free > 0 and used.size > 1 else np.nan
    return TubeFit(members, level, offset, variance, counts)


def mean_over_tubes(table: Floats, counts: NDArray) -> Floats:
    """Return the mean of what is known of each day, tube after tube."""
    total = np.zeros(len(table))
    for column in np.where(np.isfinite(table), table, 0.0).T:  # a fixed order of summation
        total += column
    return np.divide(total, counts, out=np.full(len(table), np.nan), where=counts > 0)


def _connected(known: Bools, candidates: Bools) -> Bools:
    """Return the tubes of the largest set that is held together by common days."""
    if known[:, candidates].all(axis=1).any():
        return candidates
    links = np.zeros((known.shape[1],) * 2, dtype=bool)
    for tube in np.flatnonzero(candidates):
        links[tube] = known[known[:, tube]].any(axis=0) & candidates
    best, most = np.zeros(known.shape[1], dtype=bool), -1
    left = candidates.copy()
    values = known.sum(axis=0)
    while left.any():
        group = np.zeros_like(left)
        group[np.flatnonzero(left)[0]] = True
        while (wider := group | links[group].any(axis=0)).sum() > group.sum():
            group = wider
        if int(values[group].sum()) > most:
            best, most = group, int(values[group].sum())
        left &= ~group
    return best


def _offsets(table: Floats) -> Floats:
    """Return the offsets of tubes (day, tube) that are held together by common days."""
    count = table.shape[1]
    matrix, right = np.zeros((count, count)), np.zeros(count)
    _normal_equations(table, matrix, right)
    # The equations leave the common level open: offsets are zero on average.
    matrix += 1.0
    _eliminate(matrix, right)
    return right - right.sum() / max(count, 1)


@kernel
def _normal_equations(table: Floats, matrix: Floats, right: Floats) -> None:
    """Add up the equations of the offsets with the days' levels taken out, day after day."""
    days, tubes = table.shape
    for day in range(days):
        total, count = 0.0, 0
        for tube in range(tubes):
            if not np.isnan(table[day, tube]):
                total += table[day, tube]
                count += 1
        if count < 2:
            continue
        for tube in range(tubes):
            if np.isnan(table[day, tube]):
                continue
            right[tube] += table[day, tube] - total / count
            matrix[tube, tube] += 1.0
            for other in range(tubes):
                if not np.isnan(table[day, other]):
                    matrix[tube, other] -= 1.0 / count


@kernel
def _eliminate(matrix: Floats, right: Floats) -> None:
    """Solve a symmetric positive definite system in place, in a fixed order."""
    size = right.size
    for pivot in range(size):
        for row in range(pivot + 1, size):
            factor = matrix[row, pivot] / matrix[pivot, pivot]
            for column in range(pivot, size):
                matrix[row, column] -= factor * matrix[pivot, column]
            right[row] -= factor * right[pivot]
    for pivot in range(size - 1, -1, -1):
        for column in range(pivot + 1, size):
            right[pivot] -= matrix[pivot, column] * right[column]
        right[pivot] /= matrix[pivot, pivot]
