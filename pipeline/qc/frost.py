"""Frozen soil where no soil temperature is logged, told by what frost does to the reading.

To a sensor ice hardly counts as water. As soil freezes, the reading falls within hours far
below nearly all it showed in the week before, goes to and fro with the cold, and is back near
its level when the soil has thawed. Drainage falls fast only from a peak, and not below where
it began; roots take days; where an instrument jumps, it stands still before and after. So such
a fall is frost if frost is possible: where air temperature
is logged, if there was frost in the air in the week before, else in the cold half of the year
of places more than 30 degrees from the equator. It is a suspicion and no more.

Hours are judged by their medians, week by week of the site's axis. Each week is told from the
`WARM_UP` weeks before it, from nothing, so that no verdict depends on where a block begins;
frost that lasts longer than that is lost sight of. All of it is ours.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats, Integers
from pipeline.compiled import kernel
from pipeline.qc.constants import HOUR_S

WEEK_H = 168
WARM_UP = 5  # weeks
FALL_H = 12  # hours within which the reading falls
LEVEL_LEAST_H = 48  # hours of the week before that must be there
STAYS_H = 2  # hours after it that must lie low too, as far as they are there
FALL_LEAST = 0.012  # m3 m-3; frost in soil so dry that it shows less is not told
STAYS_PART = 0.5  # of that fall the readings after it stay below
# Within an hour, from a level and to a level: frost goes on, an instrument does not.
JUMP_SIDE_H, JUMP_LEAST_H = 6, 3
JUMP_LEVEL, JUMP_LEVEL_PART = 0.0025, 0.03  # m3 m-3, and part of the jump
# Thawed: less than this part of the fall below the level, or of the deepest fall so far. The
# water that is there has changed meanwhile, so the level is not asked for exactly.
BACK_PART, REGAINED_PART = 0.7, 0.35
FROST_DEGC = 0.0
FROST_BACK_S = 7 * 24 * HOUR_S
COLD_MONTHS = (11, 12, 1, 2, 3, 4)  # of the north; of the south six months later
LEAST_LATITUDE = 30.0
# What a verdict depends on: its week, the weeks before, and the hours that show the fall.
BACK_S = (WARM_UP + 1) * WEEK_H * HOUR_S
AHEAD_H = FALL_H + max(STAYS_H, JUMP_SIDE_H) + 1
AHEAD_S = AHEAD_H * HOUR_S
_HOURS_AT_ONCE = 512  # a few tubes of them fit in a processor's cache


def cold_season(times: NDArray[np.datetime64], latitude: float) -> NDArray[np.bool_]:
    """Return whether each time lies in the cold half of the year at a latitude [degrees]."""
    if abs(latitude) < LEAST_LATITUDE:
        return np.zeros(times.shape, dtype=np.bool_)
    months = times.astype("datetime64[M]").astype(np.int64) % 12 + 1
    cold = np.isin(months, COLD_MONTHS)
    return cold if latitude > 0 else ~cold


def frost_in_air(air: NDArray[np.float64], interval_s: int) -> NDArray[np.uint8]:
    """Return for each time whether there was frost in the week before: 1, 0, 2 for unknown.

    Parameters
    ----------
    air : array (time, station), [degC]
    """
    steps = max(1, FROST_BACK_S // interval_s)
    with np.errstate(invalid="ignore"):
        coldest = np.fmin.reduce(air, axis=1, initial=np.nan)
    froze = _in_window(coldest <= FROST_DEGC, steps) > 0
    logged = _in_window(np.isfinite(coldest), steps) > 0
    return np.where(froze, 1, np.where(logged, 0, 2)).astype(np.uint8)


def _in_window(marked: NDArray[np.bool_], steps: int) -> NDArray[np.int64]:
    """Return how many of the last ``steps`` are marked; whole numbers, so exact."""
    total = np.cumsum(marked, dtype=np.int64)
    before = np.zeros_like(total)
    before[steps:] = total[:-steps]
    return total - before


def hours_asked(cold: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the hours that the verdicts on frost in ``cold`` ones can depend on."""
    reach = (WARM_UP + 1) * WEEK_H + AHEAD_H
    asked: NDArray[np.bool_] = _in_window(cold, reach) > 0
    return asked | (_in_window(cold[::-1], reach) > 0)[::-1]


def hourly_medians(
    theta: NDArray[np.float32],
    columns: Integers,
    first: int,
    per_hour: int,
    asked: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return the median of each hour, (column, hour); hours as the axis counts them.

    Parameters
    ----------
    theta : array (time, column), [m3 m-3]
    columns : array
        Of which medians are asked.
    first : int
        Number of the first step on the axis.
    per_hour : int
        Steps in an hour.
    asked : array (hour,)
        NaN is returned of hours that are not asked for, or have no reading.

    Notes
    -----
    Readings lie by time, so all columns of some hours are sorted together, by exchanging
    neighbours: an hour has few readings.
    """
    out = np.full((columns.size, asked.size), np.nan)
    for start in range(0, asked.size, _HOURS_AT_ONCE):
        stop = min(start + _HOURS_AT_ONCE, asked.size)
        if not asked[start:stop].any():
            continue
        begin = start * per_hour - first % per_hour
        end = min(theta.shape[0], stop * per_hour - first % per_hour)
        rows = np.full(((stop - start) * per_hour, columns.size), np.nan, dtype=np.float32)
        rows[max(0, -begin) : end - begin] = theta[max(0, begin) : end, columns]
        few = np.ascontiguousarray(rows.reshape(stop - start, per_hour, -1).swapaxes(0, 1))
        missing = np.isnan(few)
        few[missing] = np.inf
        there = per_hour - missing.sum(axis=0, dtype=np.int16)
        for n in range(per_hour):
            low, high = few[n % 2 : -1 : 2], few[n % 2 + 1 :: 2]
            low[...], high[...] = np.minimum(low, high), np.maximum(low, high)
        out[:, start:stop] = _middle(few, there).T
    out[:, ~asked] = np.nan
    return out


def _middle(few: NDArray[np.float32], there: NDArray[np.int16]) -> NDArray[np.float64]:
    """Return the median of sorted values along the first axis, of which so many are there."""
    most = len(few)
    median = 0.5 * (few[(most - 1) // 2].astype(np.float64) + few[most // 2])
    for count in range(most):  # few hours are not whole
        at = there == count
        if at.any():
            low, high = few[(count - 1) // 2][at], few[count // 2][at]
            median[at] = 0.5 * (low.astype(np.float64) + high) if count else np.nan
    return median


@kernel
def low_level(thawed: Floats, start: int, stop: int, few: Floats) -> float:  # pragma: no cover
    """Return what a tenth of some hours lies below; NaN of too few.

    Not the lowest: an hour or two of frost went unseen now and then.
    """
    count = 0
    for j in range(start, stop):
        count += thawed[j] == thawed[j]
    if count < LEVEL_LEAST_H:
        return np.nan
    keep = count // 10 + 1
    found = 0
    for j in range(start, stop):
        value = thawed[j]
        if value != value or (found == keep and value >= few[found - 1]):
            continue
        k = found if found < keep else keep - 1
        while k > 0 and few[k - 1] > value:
            few[k] = few[k - 1]
            k -= 1
        few[k] = value
        found = min(found + 1, keep)
    return few[keep - 1]


@kernel
def fallen_from(
    y: Floats, thawed: Floats, h: int, start: int, known: tuple[float, float], few: Floats
) -> float:  # pragma: no cover
    """Return the level a reading fell from as if it froze; NaN if it did not.

    ``thawed`` holds the hours since ``start`` at which the soil was not frozen; ``known`` are
    the part of the level that makes a fall, and the level of the frost before, which counts
    where the soil was hardly thawed in the week.
    """
    part, level_before = known
    high = np.nan
    for j in range(max(start, h - FALL_H), h):
        if thawed[j] == thawed[j] and not high >= thawed[j]:
            high = thawed[j]
    if not high - y[h] > FALL_LEAST:
        return np.nan
    level = low_level(thawed, max(start, h - FALL_H - WEEK_H), max(start, h - FALL_H), few)
    if level != level:
        level = level_before
    level = min(level, high)
    fall = max(FALL_LEAST, part * level)
    if not y[h] < level - fall:
        return np.nan
    for j in range(h + 1, min(h + STAYS_H + 1, y.size)):
        if y[j] > level - STAYS_PART * fall:
            return np.nan
    return np.nan if jumped(y, h, start) else level


@kernel
def mean_and_reach(
    y: Floats, start: int, stop: int
) -> tuple[float, float]:  # pragma: no cover
    """Return the mean of some hours and how far the farthest is off; NaN of too few."""
    total, count, reach = 0.0, 0, 0.0
    for j in range(start, stop):
        if y[j] == y[j]:
            total += y[j]
            count += 1
    if count < JUMP_LEAST_H:
        return np.nan, np.nan
    mean = total / count
    for j in range(start, stop):
        if y[j] == y[j]:
            reach = max(reach, abs(y[j] - mean))
    return mean, reach


@kernel
def jumped(y: Floats, h: int, start: int) -> bool:  # pragma: no cover
    """Tell whether the reading did not fall, but jumped from one level to another.

    So it does where a step or a stuck value of the instrument ends.
    """
    at, drop = -1, 0.0
    for j in range(max(start + 1, h - FALL_H + 1), h + 1):
        if y[j - 1] - y[j] > drop:
            at, drop = j, y[j - 1] - y[j]
    if at < 0:
        return False
    before, off_before = mean_and_reach(y, max(start, at - JUMP_SIDE_H), at)
    after, off_after = mean_and_reach(y, at, min(y.size, at + JUMP_SIDE_H))
    most = JUMP_LEVEL + JUMP_LEVEL_PART * (before - after)
    return off_before <= most and off_after <= most


@kernel
def frozen_hours(
    y: Floats,
    cold: NDArray[np.bool_],
    first_hour: int,
    part: float,
    out: NDArray[np.bool_],
) -> None:  # pragma: no cover
    """Fill whether soil is frozen at each hour; ``part`` is the fall as part of the level."""
    out[:] = False
    fell = np.zeros(y.size, dtype=np.bool_)
    for h in range(1, y.size):
        if cold[h]:
            for j in range(max(0, h - FALL_H), h):
                if y[j] - y[h] >= 0.75 * FALL_LEAST:
                    fell[h] = True
                    break
    work = (np.empty(y.size), np.empty(WEEK_H // 10 + 2))
    first_week = first_hour // WEEK_H
    for week in range(first_week, (first_hour + y.size - 1) // WEEK_H + 1):
        begin = week * WEEK_H - first_hour
        start = max(0, begin - WARM_UP * WEEK_H)
        stop = min(y.size, begin + WEEK_H + FALL_H)
        if fell[start:stop].any():
            ends = (start, max(0, begin), min(y.size, begin + WEEK_H), stop)
            _frozen_week(y, fell, ends, part, work, out)


@kernel
def _frozen_week(
    y: Floats,
    fell: NDArray[np.bool_],
    ends: tuple[int, int, int, int],
    part: float,
    work: tuple[Floats, Floats],
    out: NDArray[np.bool_],
) -> None:  # pragma: no cover
    """Fill one week from nothing; ``ends`` are start of the warm-up, the week, and the end."""
    start, begin, end, stop = ends
    thawed, few = work
    level, lowest, level_before = np.nan, np.nan, np.nan
    fall = 0.0
    for h in range(start, stop):
        thawed[h] = y[h]
        if y[h] != y[h]:
            continue
        if level == level:
            lowest = min(lowest, y[h])
            if y[h] < level - max(BACK_PART * fall, REGAINED_PART * (level - lowest)):
                thawed[h] = np.nan
                out[h] |= begin <= h < end
                continue
            level, level_before = np.nan, level
        if not fell[h]:
            continue
        level = fallen_from(y, thawed, h, start, (part, level_before), few)
        if level != level:
            continue
        fall = max(FALL_LEAST, part * level)
        lowest = y[h]
        for j in range(h, max(start, h - FALL_H) - 1, -1):
            if not y[j] < level - BACK_PART * fall:
                if y[j] == y[j]:
                    break
                continue
            thawed[j] = np.nan
            out[j] |= begin <= j < end
