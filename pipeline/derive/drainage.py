"""Drainage after wetting: amounts past each sensor, recession, and the drained state.

From the peak of the water above a sensor to the end of an event, drainage past it is the
integral of the rates of its nights (`pipeline.derive.uptake`), or of conductivity at the water
content of the nights (`pipeline.derive.conductivity`). The recession of a sensor is an
exponential fall to a drained state, fitted where the record carries it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.arrays import Floats, Integers
from pipeline.axis import DAY_S
from pipeline.compiled import kernel

RECESSION_DAYS = 20  # longest part of a record that is fitted
LEAST_READINGS, LEAST_HOURS = 12, 12.0
SHORTEST_H, LONGEST_H, TRIALS = 1.0, 960.0, 25  # of the constant sought
DRAINED_LEFT = 0.05  # of the fall, at which a sensor counts as drained
STEEPEST = 5.0  # times the first night's rate, up to which its fall is followed back
LEAST_FALLING = 0.05  # mm d-1; smaller rates go over along a line
# So long no rate goes over from one night to the next, nor on after the last: a record that
# stops for a week tells nothing of what drained in it.
LONGEST_UNTOLD_S = 5 * DAY_S
LEAST_FALL = 0.004  # m3 m-3; less tells no constant


def recession(hours: Floats, water: Floats) -> tuple[float, float, float, float, float]:
    """Fit water content after a peak by an exponential fall.

    Parameters
    ----------
    hours : (n,), [h]
        Since the peak, rising.
    water : (n,), [m3 m-3]
        NaN where there is no reading.

    Returns
    -------
    constant [h], drained [m3 m-3], fall [m3 m-3], residual [m3 m-3], determination [1]
        ``water = drained + fall * exp(-hours / constant)``; the root mean square residual; and
        the coefficient of determination. All NaN where there are too few readings, where the
        record does not fall, or where the constant would lie outside the range sought: the
        record then does not tell it.

    References
    ----------
    Exponential recession, as in hydrograph analysis: Tallaksen (1995), J. Hydrol. 165,
    349-370 (from memory). For a constant, the other two by least squares; the constant by
    trials evenly spaced in its logarithm and a golden section between them.
    """
    found = _fit(np.asarray(hours, np.float64), np.asarray(water, np.float64))
    constant, drained, fall, residual, share = found
    return constant, drained, fall, residual, share


def time_to_drained(constant_h: Floats, left: float = DRAINED_LEFT) -> Floats:
    """Return the time from the peak until a share ``left`` of the fall is left [h]."""
    hours: Floats = -np.log(left) * np.asarray(constant_h, np.float64)
    return hours


@kernel
def _line(
    hours: Floats, water: Floats, constant: float
) -> tuple[float, float, float]:  # pragma: no cover
    """Return drained state, fall, and sum of squares by least squares for one constant."""
    count, sum_e, sum_y = 0, 0.0, 0.0
    for i in range(hours.size):
        if water[i] == water[i]:
            count += 1
            sum_e += np.exp(-hours[i] / constant)
            sum_y += water[i]
    mean_e, mean_y = sum_e / count, sum_y / count
    along, across = 0.0, 0.0
    for i in range(hours.size):
        if water[i] == water[i]:
            away = np.exp(-hours[i] / constant) - mean_e
            along += away * away
            across += away * (water[i] - mean_y)
    if along <= 0.0:
        return np.nan, np.nan, np.inf
    fall = across / along
    drained = mean_y - fall * mean_e
    squares = 0.0
    for i in range(hours.size):
        if water[i] == water[i]:
            squares += (water[i] - drained - fall * np.exp(-hours[i] / constant)) ** 2
    return drained, fall, squares


@kernel
def _spread(hours: Floats, water: Floats) -> tuple[int, float, float]:  # pragma: no cover
    """Return how many readings there are, their squares about the mean, and the last hour."""
    count, total, longest = 0, 0.0, 0.0
    for i in range(hours.size):
        if water[i] == water[i]:
            count += 1
            total += water[i]
            longest = hours[i]
    spread = 0.0
    for i in range(hours.size):
        if water[i] == water[i]:
            spread += (water[i] - total / count) ** 2
    return count, spread, longest


@kernel
def _fit(
    hours: Floats, water: Floats
) -> tuple[float, float, float, float, float]:  # pragma: no cover
    none = (np.nan, np.nan, np.nan, np.nan, np.nan)
    count, spread, longest = _spread(hours, water)
    if count < LEAST_READINGS or longest < LEAST_HOURS:
        return none
    ratio = (LONGEST_H / SHORTEST_H) ** (1.0 / (TRIALS - 1))
    best, least = -1, np.inf
    for n in range(TRIALS):
        _, _, squares = _line(hours, water, SHORTEST_H * ratio**n)
        if squares < least:
            best, least = n, squares
    if best <= 0 or best >= TRIALS - 1:
        return none
    low, high = (
        np.log(SHORTEST_H * ratio ** (best - 1)),
        np.log(SHORTEST_H * ratio ** (best + 1)),
    )
    for _ in range(40):
        a, b = high - 0.618033988749895 * (high - low), low + 0.618033988749895 * (high - low)
        _, _, at_a = _line(hours, water, np.exp(a))
        _, _, at_b = _line(hours, water, np.exp(b))
        if at_a <= at_b:
            high = b
        else:
            low = a
    constant = np.exp(0.5 * (low + high))
    drained, fall, squares = _line(hours, water, constant)
    if not fall >= LEAST_FALL or constant > 2.0 * longest:
        return none
    residual = np.sqrt(squares / count)
    return (
        constant,
        drained,
        fall,
        residual,
        1.0 - squares / spread if spread > 0.0 else np.nan,
    )


def recessions(water: Floats, start: Integers, end: Integers, interval_s: int) -> Floats:
    """Fit the recession of each event and sensor, (5, event, depth), as `recession`.

    Parameters
    ----------
    water : (depth, time), [m3 m-3]
    start, end : (event, depth)
        Steps of the peak (-1 for none) and of the end.
    interval_s : int
    """
    out = np.full((5, *start.shape), np.nan)
    hours = interval_s / 3600.0
    stride = max(1, round(1.0 / hours))  # hourly readings tell as much
    longest = RECESSION_DAYS * DAY_S // interval_s
    _fit_all(water, start, end, (hours, stride, longest), out)
    return out


@kernel
def _fit_all(
    water: Floats, start: Integers, end: Integers, pace: tuple[float, int, int], out: Floats
) -> None:  # pragma: no cover
    hours, stride, longest = pace
    for e in range(start.shape[0]):
        for k in range(start.shape[1]):
            first = start[e, k]
            stop = min(end[e, k], first + longest)
            if first < 0 or stop <= first:
                continue
            count = (stop - first + stride - 1) // stride
            at, values = np.empty(count), np.empty(count)
            for n in range(count):
                at[n] = n * stride * hours
                values[n] = water[k, first + n * stride]
            found = _fit(at, values)
            for n in range(5):
                out[n, e, k] = found[n]


def event_drainage(
    peak_s: Integers,
    end_s: Integers,
    pattern: pd.DataFrame,
    column: str,
    held: tuple[Floats | float, float] = (0.0, 0.0),
) -> tuple[Floats, Floats, Floats]:
    """Return what passed a sensor from peaks to ends of events, by the rates of nights.

    Between nights the rate goes over as an exponential fall does, or along a line where that
    cannot be. Before the first night of an event the fall of its first two is followed back
    (see `_before`), where they fall; after its last night the rate is as in that night.

    Parameters
    ----------
    peak_s, end_s : (event,)
        UTC seconds; a peak before 0 is none.
    pattern : DataFrame
        Rows of one sensor in order of time, as from `pipeline.derive.uptake.daily_pattern`.
    column : str
        The rate [mm d-1]; a column of its standard uncertainty ``..._error`` stands beside.
    held : ((event,) or float, float)
        What every amount is more by [mm], and its standard uncertainty (see
        `night_rates.held_above`).

    Returns
    -------
    amount, error : (event,), [mm]
        NaN where no night of the event has a rate, or for five days in a row none has. Nights
        are as wrong as they say, all to the same side.
    known : (event,)
        Share of the time from peak to end, 0 to 1, that lies within half a day of a night
        with a rate.
    """
    names = column, column.removesuffix("_mm_d") + "_error"
    rate, error = (pattern[name].to_numpy(np.float64) for name in names)
    known = ~np.isnan(rate)
    night = pattern["night_s"].to_numpy(np.int64)[known]
    rate, error = rate[known], error[known]
    out = np.full((3, len(peak_s)), np.nan)
    first = np.searchsorted(night, peak_s)
    stop = np.searchsorted(night, end_s)
    _integrate(night, rate, error, (peak_s, end_s, first, stop), out)
    return out[0] + held[0], np.hypot(out[1], held[1]), out[2]


@kernel
def mean_between(a: float, b: float) -> float:  # pragma: no cover
    """Return the mean of a rate that goes from a to b as an exponential fall, else a line."""
    if a > LEAST_FALLING and b > LEAST_FALLING and abs(a / b - 1.0) > 0.02:
        return (a - b) / np.log(a / b)
    return 0.5 * (a + b)


@kernel
def _before(
    rate: Floats, night: Integers, a: int, b: int, lag: int
) -> float:  # pragma: no cover
    """Return the mean rate from a peak to the first night, ``lag`` seconds later.

    Under gravity alone with a conductivity exponential in water content, one over the rate
    rises along a line (see `redistribution_exponential`); the line through the first two
    nights is followed back until the rate is `STEEPEST` times that of the first night.
    """
    first = rate[a]
    if b <= a or lag <= 0:
        return first
    second = rate[a + 1]
    if not (second > LEAST_FALLING and first > 1.02 * second):
        return first
    rise = (1.0 / second - 1.0 / first) / (night[a + 1] - night[a])
    peak = 1.0 / max(1.0 / first - rise * lag, 1.0 / (STEEPEST * first))
    return np.log(peak / first) / (1.0 / first - 1.0 / peak)


@kernel
def _integrate(
    night: Integers,
    rate: Floats,
    error: Floats,
    spans: tuple[Integers, Integers, Integers, Integers],
    out: Floats,
) -> None:  # pragma: no cover
    peak, end, first, stop = spans
    for e in range(peak.size):
        if peak[e] < 0 or stop[e] <= first[e] or end[e] <= peak[e]:
            continue
        a, b = first[e], stop[e] - 1
        ahead = _before(rate, night, a, b, night[a] - peak[e]) * (night[a] - peak[e])
        total = ahead + rate[b] * (end[e] - night[b])
        unsure = error[a] * (night[a] - peak[e]) + error[b] * (end[e] - night[b])
        for n in range(a, b):
            apart = night[n + 1] - night[n]
            total += mean_between(rate[n], rate[n + 1]) * apart
            unsure += 0.5 * (error[n] + error[n + 1]) * apart
        seen, until = 0, peak[e]
        # What lies within half a day of a night, no instant twice; the longest without one.
        longest = max(night[a] - peak[e], end[e] - night[b])
        for n in range(a, b + 1):
            stands = min(night[n] + DAY_S // 2, end[e])
            seen += stands - max(night[n] - DAY_S // 2, until)
            until = stands
            if n > a:
                longest = max(longest, night[n] - night[n - 1])
        out[2, e] = seen / (end[e] - peak[e])
        if longest > LONGEST_UNTOLD_S:
            continue
        ahead = 0.5 * abs(ahead)  # what went before the first night is the least known
        out[0, e] = total / DAY_S
        out[1, e] = np.sqrt(unsure * unsure + ahead * ahead) / DAY_S
