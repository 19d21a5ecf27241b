"""Tubes beside each other: who are a tube's neighbours, what they show, and who stands apart.

Neighbours are tubes in the same soil and, where the site names groups, in the same group. They
are compared at the same real depth, by daily values, so that a front that comes some hours
sooner in one place is no difference.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.compiled import kernel
from pipeline.site.models import Site

LEAST_OTHERS = 2  # with a single neighbour nobody can tell which of the two is wrong
USUAL_DAYS, LEAST_USUAL = 60, 20  # days before from which the usual difference is learnt
NEAR_DAYS = 3  # what neighbours showed so many days before and after is no surprise
LEAST_DEPARTURE = 0.03  # m3 m-3
DEPARTURE_SPREADS = 4.0  # usual spreads of the difference
# Median absolute deviation of a normal distribution, as its standard deviation.
MAD_TO_SPREAD = 1.4826
BACK_DAYS, AHEAD_DAYS = USUAL_DAYS + NEAR_DAYS, NEAR_DAYS


def neighbour_groups(site: Site, tubes: list[str]) -> list[NDArray[np.intp]]:
    """Return the positions of tubes that are neighbours of each other, group by group."""
    by_name = site.tube_by_id
    places: dict[tuple[str, str], list[int]] = {}
    for position, name in enumerate(tubes):
        tube = by_name[name]
        places.setdefault((tube.soil, tube.group), []).append(position)
    return [np.array(positions) for positions in places.values()]


def at_nominal_depths(values: Floats, nominal_m: Floats, real_m: Floats) -> Floats:
    """Return profiles of tubes at the nominal depths, between sensors on a straight line.

    Parameters
    ----------
    values : array (day, tube, depth)
    nominal_m : array (depth,), [m], rising
    real_m : array (tube, depth), [m]
        Where the sensors are.

    Returns
    -------
    array (day, tube, depth)
        NaN above the first and below the last sensor, and between two where one is NaN.
    """
    result = values.copy()
    for tube in np.flatnonzero((real_m != nominal_m).any(axis=1)):
        there = np.flatnonzero(np.isfinite(values[:, tube]).any(axis=0))
        for depth, wanted in enumerate(nominal_m):
            result[:, tube, depth] = _between(
                values[:, tube, there], real_m[tube, there], wanted
            )
    return result


def _between(values: Floats, depths_m: Floats, wanted_m: float) -> Floats:
    """Return (day,) values at one depth, from those (day, depth) at others."""
    if not depths_m.size or not depths_m[0] <= wanted_m <= depths_m[-1]:
        return np.full(len(values), np.nan)
    upper = max(0, int(np.searchsorted(depths_m, wanted_m, side="right")) - 1)
    lower = min(upper + 1, depths_m.size - 1)
    if wanted_m == depths_m[upper]:
        return values[:, upper]
    part = (wanted_m - depths_m[upper]) / (depths_m[lower] - depths_m[upper])
    return (1.0 - part) * values[:, upper] + part * values[:, lower]


def median_of_others(values: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Return for each tube the median of all others, and how many others there were.

    Parameters
    ----------
    values : array (day, tube, depth)

    Returns
    -------
    median : array (day, tube, depth)
        NaN where fewer than `LEAST_OTHERS` others have a value.
    count : array (day, tube, depth)
    """
    median = np.full(values.shape, np.nan)
    count = np.zeros(values.shape, dtype=np.int64)
    _leave_one_out(np.ascontiguousarray(values, dtype=np.float64), median, count)
    return median, count


@kernel
def _leave_one_out(
    values: Floats, median: Floats, count: NDArray[np.int64]
) -> None:  # pragma: no cover
    days, tubes, depths = values.shape
    row = np.empty(tubes)
    for day in range(days):
        for depth in range(depths):
            n = 0
            for tube in range(tubes):
                n = _put(row, n, values[day, tube, depth])
            for tube in range(tubes):
                own = values[day, tube, depth]
                rank, others = n, n
                if own == own:
                    rank, others = np.searchsorted(row[:n], own), n - 1
                count[day, tube, depth] = others
                if others < LEAST_OTHERS:
                    continue
                low, high = (others - 1) // 2, others // 2
                low += low >= rank
                high += high >= rank
                median[day, tube, depth] = 0.5 * (row[low] + row[high])


def flag_neighbour_tubes(
    water: Floats, groups: list[NDArray[np.intp]]
) -> tuple[NDArray[np.bool_], Floats]:
    """Flag days on which a tube departs from what its neighbours show.

    From a tube's daily value its usual difference to the median of its neighbours is taken:
    the median of the sixty days before. What is left is suspect where it lies outside
    everything that any neighbour showed within three days before and after, by more than
    0.03 m3 m-3 and by more than four usual spreads of the difference.

    Parameters
    ----------
    water : array (day, tube, depth), [m3 m-3]
        Daily means at the nominal depths.
    groups : list of arrays
        From `neighbour_groups`.

    Returns
    -------
    suspect : array (day, tube, depth), bool
        False where there are too few neighbours or too few days before.
    departure : array (day, tube, depth), [m3 m-3]
        Distance from what neighbours showed, 0 inside, NaN where it cannot be told.

    References
    ----------
    After the neighbour test of QARTOD manuals; its form for daily soil water is ours.
    """
    suspect = np.zeros(water.shape, dtype=bool)
    departure = np.full(water.shape, np.nan)
    for group in groups:
        if len(group) <= LEAST_OTHERS:
            continue
        part = np.ascontiguousarray(water[:, group], dtype=np.float64)
        median, _ = median_of_others(part)
        away, limit = np.full(part.shape, np.nan), np.full(part.shape, np.inf)
        _depart(part, part - median, away, limit)
        departure[:, group] = away
        suspect[:, group] = np.abs(away) > limit
    return suspect, departure


@kernel
def _depart(
    water: Floats, difference: Floats, away: Floats, limit: Floats
) -> None:  # pragma: no cover
    """Fill how far each value is from all that neighbours showed, and what may be."""
    days, tubes, depths = water.shape
    room = np.empty(USUAL_DAYS + 1)
    ends = np.empty((4, days))
    owner = np.empty((2, days), dtype=np.int64)
    for depth in range(depths):
        for day in range(days):
            _ends_of_day(water[day, :, depth], ends[:, day], owner[:, day])
        for tube in range(tubes):
            n = 0
            for day in range(1, days):
                n = _put(room, n, difference[day - 1, tube, depth])
                if day > USUAL_DAYS:
                    n = _take(room, n, difference[day - 1 - USUAL_DAYS, tube, depth])
                if n < LEAST_USUAL or np.isnan(difference[day, tube, depth]):
                    continue
                usual = 0.5 * (room[(n - 1) // 2] + room[n // 2])
                low, high = _range_of_others(ends, owner, tube, day)
                value = water[day, tube, depth] - usual
                outside = max(0.0, value - high) + min(0.0, value - low)
                away[day, tube, depth] = outside
                if outside != 0.0:  # hardly ever: the spread costs as much as all the rest
                    spread = np.median(np.abs(room[:n] - usual)) * MAD_TO_SPREAD
                    limit[day, tube, depth] = max(LEAST_DEPARTURE, DEPARTURE_SPREADS * spread)


@kernel
def _put(room: Floats, n: int, value: float) -> int:  # pragma: no cover
    """Insert a value where it belongs in a sorted row of n; return how many there are now."""
    if np.isnan(value):
        return n
    at = n
    while at > 0 and room[at - 1] > value:
        room[at] = room[at - 1]
        at -= 1
    room[at] = value
    return n + 1


@kernel
def _take(room: Floats, n: int, value: float) -> int:  # pragma: no cover
    """Remove a value from a sorted row of n; return how many there are now."""
    if np.isnan(value):
        return n
    at = int(np.searchsorted(room[:n], value))
    room[at : n - 1] = room[at + 1 : n]
    return n - 1


@kernel
def _range_of_others(
    ends: Floats, owner: NDArray[np.int64], tube: int, day: int
) -> tuple[float, float]:  # pragma: no cover
    """Return the lowest and highest value of all but one tube on the days around one."""
    low, high = np.inf, -np.inf
    for near in range(max(0, day - NEAR_DAYS), min(owner.shape[1], day + NEAR_DAYS + 1)):
        low = min(low, ends[int(owner[0, near] == tube), near])
        high = max(high, ends[2 + int(owner[1, near] == tube), near])
    return low, high


@kernel
def _ends_of_day(
    values: Floats, ends: Floats, owner: NDArray[np.int64]
) -> None:  # pragma: no cover
    """Fill the two lowest and the two highest values of tubes, and whose the outermost are."""
    ends[:2], ends[2:], owner[:] = np.inf, -np.inf, -1
    for tube in range(values.size):
        value = values[tube]
        if value < ends[0]:
            ends[1], ends[0], owner[0] = ends[0], value, tube
        elif value < ends[1]:
            ends[1] = value
        if value > ends[2]:
            ends[3], ends[2], owner[1] = ends[2], value, tube
        elif value > ends[3]:
            ends[3] = value
