"""Fits of laws exponential in water content to the nights of a sensor, by trials.

A record of years is fitted anew each night, since each night tells something of the laws; so
these are the loops in which that time goes.
"""

from __future__ import annotations

import numpy as np

from pipeline.arrays import Floats
from pipeline.compiled import kernel

NEAR = 0.05  # of a guess of the median: from one slope to the next it moves little
MOST_SQUARE = 4.0  # standard deviations up to which a night counts by its square
# Rate, weight, its root, and the shape of a law of one sensor, each (night,).
_Nights = tuple[Floats, Floats, Floats, Floats]


@kernel
def laws_by_offset(
    water: Floats, rate: Floats, weight: Floats, offsets: Floats, slopes: Floats
) -> tuple[Floats, Floats]:  # pragma: no cover
    """Return for each offset the least misfit, (offset,), and its law, (offset, 2).

    Parameters
    ----------
    water, rate, weight : (night,)
        Of one sensor: [m3 m-3], [mm d-1], and one over the variance of the rate.
    offsets, slopes : (offset,), (slope,)
        To try, [mm d-1] and of the logarithm in water content.

    Returns
    -------
    misfit : (offset,)
        Sum of squares in standard deviations, beyond four of them along a line: were a night
        to count no more from there on, wet ones, which are far off, would tell no slope.
    laws : (offset, 2)
        Intercept and slope of the logarithm of the rate beyond the offset.

    Notes
    -----
    The factor of a law's shape is by least squares in three turns, not below nothing; far
    nights weigh less in the second and third. Offsets are tried side by side: each sum is over
    the nights in their order, and a processor adds up several such sums at once.
    """
    misfit = np.full(offsets.size, np.inf)
    laws = np.full((offsets.size, 2), np.nan)
    top, root = water.max(), np.sqrt(weight)
    away, room = np.empty((offsets.size, water.size)), np.empty(water.size)
    usual = np.zeros(offsets.size)
    for slope in slopes:
        shape = np.exp(slope * (water - top))
        nights = rate, weight, root, shape
        factor = _first_factor(nights, offsets, away)
        for n in range(offsets.size):
            usual[n] = median_near(away[n], usual[n], room)
        width = 2.0 * (1.4826 * usual + 1e-9)
        for _ in range(2):
            factor = _next_factor(nights, offsets, factor, width)
        squares = _squares(nights, offsets, factor)
        for n in range(offsets.size):
            if squares[n] < misfit[n]:
                misfit[n] = squares[n]
                laws[n, 0], laws[n, 1] = np.log(factor[n]) - slope * top, slope
    return misfit, laws


@kernel
def _first_factor(
    nights: _Nights, offsets: Floats, away: Floats
) -> Floats:  # pragma: no cover
    """Return factors by plain least squares, (offset,); fill how far off nights are."""
    rate, weight, root, shape = nights
    along, across = np.zeros(offsets.size), 0.0
    for i in range(rate.size):
        pull = weight[i] * shape[i]
        across += pull * shape[i]
        for n in range(offsets.size):
            along[n] += pull * (rate[i] - offsets[n])
    factor = np.maximum(along / across, 1e-6)
    for n in range(offsets.size):
        for i in range(rate.size):
            away[n, i] = np.abs(rate[i] - offsets[n] - factor[n] * shape[i]) * root[i]
    return factor


@kernel
def _next_factor(
    nights: _Nights, offsets: Floats, factor: Floats, width: Floats
) -> Floats:  # pragma: no cover
    """Return factors that count nights less that are off by more than ``width``."""
    rate, weight, root, shape = nights
    along, across = np.zeros(offsets.size), np.zeros(offsets.size)
    for i in range(rate.size):
        for n in range(offsets.size):
            over = rate[i] - offsets[n]
            away = np.abs(over - factor[n] * shape[i]) * root[i]
            pull = weight[i]
            if away > width[n]:  # few are: nearly all nights do without a division
                pull = pull / (away / width[n])
            pull = pull * shape[i]
            along[n] += pull * over
            across[n] += pull * shape[i]
    return np.maximum(along / across, 1e-6)


@kernel
def _squares(nights: _Nights, offsets: Floats, factor: Floats) -> Floats:  # pragma: no cover
    """Return the misfit of each offset, squares up to four deviations and lines beyond."""
    rate, _, root, shape = nights
    total = np.zeros(offsets.size)
    for i in range(rate.size):
        for n in range(offsets.size):
            away = np.abs(rate[i] - offsets[n] - factor[n] * shape[i]) * root[i]
            square = np.minimum(away, MOST_SQUARE)
            total[n] += square * (2.0 * away - square)
    return total


@kernel
def median_near(values: Floats, guess: float, room: Floats) -> float:  # pragma: no cover
    """Return the median, sought first among the values near a guess.

    Those are few and picked without a branch, which makes it several times as fast. ``room``
    is for them, as long as the values.
    """
    low, high = (1.0 - NEAR) * guess, (1.0 + NEAR) * guess
    below, near = 0, 0
    for value in values:
        room[near] = value
        near += (value >= low) & (value <= high)
        below += value < low
    first, last = (values.size - 1) // 2 - below, values.size // 2 - below
    if first < 0 or last >= near:
        return np.median(values)
    for i in range(1, near):  # into order; they are a few dozen
        value, at = room[i], i
        while at > 0 and room[at - 1] > value:
            room[at] = room[at - 1]
            at -= 1
        room[at] = value
    return 0.5 * (room[first] + room[last])
