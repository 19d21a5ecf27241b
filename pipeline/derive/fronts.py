"""Wetting fronts at single sensors: when water arrived, how surely, and how much it brought.

A *foot* is the last lowest reading before a front: from it the record climbs by `RISE` before
it falls below, and before it, looking back, it stood higher by `FALL`, or stood still. Looks
are bounded (`fronts_look`), so a front is the same wherever a block begins and ends. The
*onset* is the first reading at which a smooth curve through foot and climb stands 0.005
above its lowest (`pipeline.derive.onsets`). All limits grow with the noise of the record. One
reading that stands alone is no front: feet and climbs are sought in medians of three.

Works with or without rain, since rain is not looked at.
"""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats, Integers
from pipeline.axis import DAY_S, utc_seconds
from pipeline.compiled import kernel
from pipeline.derive.onsets import time_onset
from pipeline.units import plain
from pipeline.variables import require_dims, require_once, require_some

# All of these are ours, found on test fields kept for tuning (docs/truth.md).
RISE = 0.008  # m3 m-3, least climb of a front
FALL = 0.003  # m3 m-3, least fall between two fronts at a sensor
RISE_NOISE, FALL_NOISE = 8.0, 4.0  # the same in multiples of the noise
CLIMB_DAYS, STILL_DAYS, PEAK_DAYS = 4, 10, 10  # longest climb, look back, time to the peak
PAUSE_S = 6 * 3600  # a climb that goes on after a shorter pause belongs to the same front
NOISE_BEFORE, NOISE_AFTER = 3, 1  # days around the foot's own whose noise counts
LEAST_NOISE = 1e-4  # m3 m-3
# Median of |z| of a standard normal z, times sqrt(1 + 4 + 1), the gain of a second difference.
TO_SIGMA = 1.0 / (0.6744898 * np.sqrt(6.0))
LEAST_BENDS = 8

# Columns the kernel fills, one row a front.
FOOT, ONSET, BEFORE, PEAK, AGAIN, COUNTS = range(6)
BASE, TOP, ERROR, SLOPE, NOISE = range(5)

_Number = TypeVar("_Number", bound=np.generic)


class Limits(NamedTuple):
    """Looks of the search in steps of the axis."""

    climb: int
    still: int
    peak: int
    pause: int
    day: int


def fronts_look() -> tuple[int, int]:
    """Return how far a front depends on readings before and after its foot, in seconds."""
    back = PEAK_DAYS + STILL_DAYS + NOISE_BEFORE + 2
    return back * DAY_S, (PEAK_DAYS + CLIMB_DAYS + NOISE_AFTER + 2) * DAY_S


def wetting_fronts(water_content: xr.DataArray) -> pd.DataFrame:
    """Find the wetting fronts of every sensor.

    Parameters
    ----------
    water_content : DataArray, (time, tube, depth), [m3 m-3]
        Cleaned; NaN where there is no reading; may be a Pint quantity. Times at one interval,
        days whole from the first time on. Sensors may log more slowly than the axis.

    Returns
    -------
    DataFrame, a row a front, ordered by tube, depth and foot
        ``tube``, ``depth_m``; instants in UTC seconds: ``foot_s``, ``onset_s``, ``before_s``
        (the last reading before the onset), ``peak_s``; ``base`` and ``peak`` [m3 m-3];
        ``onset_error_s`` and ``noise`` [m3 m-3], standard uncertainties; ``climb_per_h``
        [m3 m-3 h-1]; ``continues``, True where the climb goes on after a pause of less than
        six hours at this sensor.

    Raises
    ------
    UnitsError
        If ``water_content`` is not in m3 m-3.
    ValueError
        If dimensions are others, there is no depth, a tube or depth is there twice, or times
        are not at one interval, or it is above a day.

    Notes
    -----
    The uncertainty of an onset has two parts: the interval between the readings on its two
    sides, over the square root of twelve, and what noise and calibration leave open in the
    rise of the curve, over its slope.

    References
    ----------
    Prominence of a low as in topographic prominence; pause of six hours as the least time
    between two rain events, Dunkerley (2008), Hydrol. Process. 22, 5024-5036 (from memory).
    The rest is ours.

    Examples
    --------
    >>> import numpy as np, xarray as xr
    >>> from pipeline.derive.fronts import wetting_fronts
    >>> hours = np.arange(96)
    >>> time = np.datetime64("2025-05-01", "ns") + hours * np.timedelta64(1, "h")
    >>> places = {"time": time, "tube": ["T1"], "depth": [0.1]}
    >>> course = 0.20 + 0.08 * (hours >= 48)
    >>> water = xr.DataArray(course[:, None, None], places, ("time", "tube", "depth"))
    >>> water = water.assign_attrs(units="m3 m-3")
    >>> wetting_fronts(water)[["tube", "depth_m", "base", "peak"]].round(2).values.tolist()
    [['T1', 0.1, 0.2, 0.28]]
    """
    array = plain(water_content, "m3 m-3")
    require_dims(array, "time", "tube", "depth")
    require_some(array, "depth")
    require_once(array, "tube")
    require_once(array, "depth")
    array = array.transpose("time", "tube", "depth")
    times = utc_seconds(array["time"])
    interval = _interval(times)
    day = max(1, DAY_S // interval)
    limits = Limits(
        CLIMB_DAYS * day, STILL_DAYS * day, PEAK_DAYS * day, PAUSE_S // interval, day
    )
    parts = []
    for tube in range(array.sizes["tube"]):
        series = np.ascontiguousarray(array.values[:, tube].T, dtype=np.float64)
        places, levels = find_fronts(series, limits)
        part = _frame(places, levels, times, interval)
        part.insert(0, "depth_m", array["depth"].values.astype(np.float64)[places[:, -1]])
        part.insert(0, "tube", str(array["tube"].values[tube]))
        parts.append(part)
    return pd.concat(parts, ignore_index=True) if parts else frame_of_none()


def _interval(times: Integers) -> int:
    """Return the interval of some times [s], a day for a single one."""
    steps = np.diff(times)
    if not steps.size:
        return DAY_S
    shortest, longest = int(steps.min()), int(steps.max())
    if not 0 < shortest == longest:
        raise ValueError(
            f"'time': expected rising times at one interval, found steps of {shortest} to "
            f"{longest} s; reindex to a regular axis with NaN in the gaps"
        )
    if shortest > DAY_S:
        raise ValueError(
            f"'time': expected a reading a day or more, found one in {shortest} s"
        )
    return shortest


def _frame(places: Integers, levels: Floats, times: Integers, interval: int) -> pd.DataFrame:
    """Return the fronts of one tube with instants in place of steps."""
    return pd.DataFrame(
        {
            "foot_s": times[places[:, FOOT]],
            "onset_s": times[places[:, ONSET]],
            "before_s": times[places[:, BEFORE]],
            "peak_s": times[places[:, PEAK]],
            "base": levels[:, BASE],
            "peak": levels[:, TOP],
            "onset_error_s": levels[:, ERROR] * interval,
            "climb_per_h": levels[:, SLOPE] * (3600.0 / interval),
            "noise": levels[:, NOISE],
            "continues": places[:, AGAIN].astype(np.bool_),
        }
    )


def frame_of_none() -> pd.DataFrame:
    """Return the table of `wetting_fronts` without a row."""
    none = _frame(np.empty((0, COUNTS), np.int64), np.empty((0, 5)), np.empty(0, np.int64), 1)
    none.insert(0, "depth_m", np.empty(0))
    none.insert(0, "tube", pd.Series([], dtype=str))
    return none


def daily_noise(series: Floats, day: int) -> Floats:
    """Return the noise of a series around each of its days, (day,), in its own units.

    Parameters
    ----------
    series : (time,)
        From the beginning of a day on; NaN where there is no reading.
    day : int
        Steps in a day.
    """
    values, at = _present(series)
    return _noise_by_day(values, at, series.size, day)


def find_fronts(series: Floats, limits: Limits) -> tuple[Integers, Floats]:
    """Return the fronts of the sensors of one tube.

    Parameters
    ----------
    series : (depth, time), [m3 m-3]
    limits : Limits

    Returns
    -------
    places : (front, 7)
        Steps of foot, onset, last reading before it and peak, whether it continues the front
        before, an unused column, and the number of the sensor.
    levels : (front, 5)
        Base and top [m3 m-3], error of the onset [steps], climb [m3 m-3 a step], noise.
    """
    found = [_fronts_of_series(row, limits) for row in series]
    numbers = [np.full((len(p), 1), i, np.int64) for i, (p, _) in enumerate(found)]
    places = [np.hstack([p, n]) for (p, _), n in zip(found, numbers, strict=True)]
    return np.concatenate(places), np.concatenate([levels for _, levels in found])


@kernel
def _fronts_of_series(
    series: Floats, limits: Limits
) -> tuple[Integers, Floats]:  # pragma: no cover
    """Return places and levels of the fronts of one sensor, in order."""
    values, at = _present(series)
    smooth = _medians_of_three(values, at, limits.day)
    noise = _noise_by_day(values, at, series.size, limits.day)
    room = 16
    places = np.zeros((room, COUNTS), np.int64)
    levels = np.zeros((room, 5))
    count = 0
    for i in range(values.size):
        sigma = noise[at[i] // limits.day]
        rise, fall = max(RISE, RISE_NOISE * sigma), max(FALL, FALL_NOISE * sigma)
        if not _climbs(smooth, at, i, rise, fall, limits.climb):
            continue
        if not _stood_higher(smooth, at, i, fall, limits.still):
            continue
        if count == room:
            room *= 2
            places, levels = _longer(places, room), _longer(levels, room)
        places[count, FOOT] = i
        levels[count, NOISE] = sigma
        looks = (limits.day, limits.climb)
        time_onset(values, smooth, at, looks, places[count], levels[count])
        count += 1
    for n in range(count):
        stop = places[n + 1, FOOT] if n + 1 < count else values.size
        _find_peak(values, smooth, at, places[n], levels[n], stop, limits.peak)
    _to_steps(places, at, count, limits.pause)
    return places[:count], levels[:count]


@kernel
def _present(series: Floats) -> tuple[Floats, Integers]:  # pragma: no cover
    """Return the readings that are there and their steps."""
    values, at = np.empty(series.size), np.empty(series.size, np.int64)
    count = 0
    for i in range(series.size):
        if series[i] == series[i]:
            values[count], at[count] = series[i], i
            count += 1
    return values[:count], at[:count]


@kernel
def _medians_of_three(values: Floats, at: Integers, day: int) -> Floats:  # pragma: no cover
    """Return medians of neighbours; ends, also those at gaps of a day, stay as they are."""
    smooth = values.copy()
    for i in range(1, values.size - 1):
        if at[i] - at[i - 1] > day or at[i + 1] - at[i] > day:
            continue
        a, b, c = values[i - 1], values[i], values[i + 1]
        smooth[i] = max(min(a, b), min(max(a, b), c))
    return smooth


@kernel
def _longer(array: NDArray[_Number], rows: int) -> NDArray[_Number]:  # pragma: no cover
    more = np.zeros((rows, array.shape[1]), array.dtype)
    more[: array.shape[0]] = array
    return more


@kernel
def _noise_by_day(
    values: Floats, at: Integers, steps: int, day: int
) -> Floats:  # pragma: no cover
    """Return the noise around each day: the median of its own and its neighbours'."""
    days = (steps + day - 1) // day
    own = np.full(days, np.nan)
    bends = np.empty(day)
    count, today = 0, 0
    for i in range(1, values.size - 1):
        if at[i] // day != today:
            own[today] = (
                np.median(bends[:count]) * TO_SIGMA if count >= LEAST_BENDS else np.nan
            )
            count, today = 0, at[i] // day
        before, after = values[i] - values[i - 1], values[i + 1] - values[i]
        near = at[i + 1] - at[i - 1] <= day
        if near and (before != 0.0 or after != 0.0):  # three equal readings tell no noise
            bends[count] = abs(after - before)
            count += 1
    if count >= LEAST_BENDS:
        own[today] = np.median(bends[:count]) * TO_SIGMA
    around = np.empty(days)
    few = np.empty(NOISE_BEFORE + NOISE_AFTER + 1)
    for k in range(days):
        known = 0
        for j in range(max(0, k - NOISE_BEFORE), min(days, k + NOISE_AFTER + 1)):
            if own[j] == own[j]:
                few[known] = own[j]
                known += 1
        around[k] = max(np.median(few[:known]), LEAST_NOISE) if known else LEAST_NOISE
    return around


@kernel
def _climbs(
    smooth: Floats, at: Integers, i: int, rise: float, fall: float, longest: int
) -> bool:  # pragma: no cover
    """Tell whether the record climbs by ``rise`` from here before it falls back."""
    top = smooth[i]
    for j in range(i + 1, smooth.size):
        here = smooth[j]
        if at[j] - at[i] > longest or here <= smooth[i] or top - here >= fall:
            return False
        if here >= smooth[i] + rise:
            return True
        top = max(top, here)
    return False


@kernel
def _stood_higher(
    smooth: Floats, at: Integers, i: int, fall: float, longest: int
) -> bool:  # pragma: no cover
    """Tell whether the record stood higher by ``fall`` before, or did not move for long."""
    for j in range(i - 1, -1, -1):
        if at[i] - at[j] > longest or smooth[j] >= smooth[i] + fall:
            return True
        if smooth[j] < smooth[i]:
            return False
    return True


@kernel
def _find_peak(
    values: Floats,
    smooth: Floats,
    at: Integers,
    place: Integers,
    level: Floats,
    stop: int,
    longest: int,
) -> None:  # pragma: no cover
    """Fill the highest of the medians from the onset to the next foot, and its reading."""
    foot = place[FOOT]
    peak = min(place[ONSET], max(foot + 1, stop - 1))
    place[ONSET], place[BEFORE] = peak, peak - 1
    for j in range(peak + 1, stop):
        if at[j] - at[foot] > longest:
            break
        if smooth[j] > smooth[peak]:
            peak = j
    place[PEAK], level[TOP] = peak, smooth[peak]


@kernel
def _to_steps(
    places: Integers, at: Integers, count: int, pause: int
) -> None:  # pragma: no cover
    """Turn numbers of readings into steps; mark fronts that go on after a short pause."""
    for n in range(count):
        for column in range(PEAK + 1):
            places[n, column] = at[places[n, column]]
        if n > 0:
            places[n, AGAIN] = places[n, ONSET] - places[n - 1, PEAK] < pause
