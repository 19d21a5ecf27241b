"""Wetting responses: when each sensor first felt new water, how fast, and how long it stayed.

A response is a rise of water content that stands out from the lowest value of the twelve hours
before. Isolated readings do not make one: values are medians of three readings. All looks are
bounded (`BACK_S`, `AHEAD_S`), so that responses do not depend on where a block begins. The
finder and its thresholds are ours; fronts are commonly timed by such a crossing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.compiled import kernel

HOUR_S = 3600
BASE_S = 12 * HOUR_S  # the lowest value of this time before is what a rise starts from
QUIET_S = 2 * HOUR_S  # before its onset a response has not stood out for so long
WATCH_S = 24 * HOUR_S  # the peak is sought in this time, and after it what stays in another
NOISE_S = 6 * HOUR_S  # the noise around an onset is measured on either side of it
LONGEST_GAP_S = 3 * HOUR_S  # after a longer gap nobody knows when a rise began
# An onset is sought from a reading six hours before on; that looks two and twelve hours back,
# and a median of three reaches another reading, three hours away at most.
BACK_S = NOISE_S + QUIET_S + BASE_S + LONGEST_GAP_S + HOUR_S
AHEAD_S = 2 * WATCH_S + LONGEST_GAP_S + HOUR_S


ONSET_RISE = 0.005  # m3 m-3
LEAST_RISE = 0.010  # m3 m-3, at the peak
ONSET_NOISE = 5.0  # a rise is also larger than this many times the noise on either side
# Mean of |z| of a standard normal z, times sqrt(1 + 4 + 1): by it the mean of absolute second
# differences becomes the standard deviation of single readings.
BEND_TO_NOISE = 1.0 / (0.7978846 * np.sqrt(6.0))
BASES = 12  # values looked at for the base

RESPONSE_COLUMNS = ("sensor", "step", "rise", "rise_in_hour", "half_h", "kept")


def find_responses(
    water: NDArray[np.floating], interval_s: int, first: int, stop: int
) -> dict[str, NDArray]:
    """Find the wetting responses of sensors.

    Parameters
    ----------
    water : array (time, sensor), [m3 m-3]
        On a regular axis; NaN where there is no value.
    interval_s : int
        Of the axis.
    first, stop : int
        Responses whose onset lies in these steps are returned. For the result not to depend
        on the block, it must begin `BACK_S` before and end `AHEAD_S` after them.

    Returns
    -------
    dict
        Columns, a row a response, ordered by sensor and time: ``sensor`` (column), ``step`` of
        the onset, ``rise`` at the peak within a day and ``rise_in_hour`` (or until the next
        reading) [m3 m-3]; ``half_h``, hours from the peak until half of the rise is gone, NaN
        if it is not within a day; ``kept``, the least share of the rise that was left in the
        day after the peak.
    """
    values = np.asarray(water)
    sensors = values.shape[1]
    most = ((stop - first) * interval_s + NOISE_S) // QUIET_S + 2
    found = np.empty((sensors * most, len(RESPONSE_COLUMNS)))
    spans = np.array(
        [s // interval_s for s in (BASE_S, QUIET_S, WATCH_S, NOISE_S, LONGEST_GAP_S, HOUR_S)],
        dtype=np.int64,
    )
    spans[-1] = max(1, spans[-1])
    count = _search(values, first, stop, spans, interval_s / HOUR_S, found)
    found = found[:count]
    # One onset may be found from several readings that stand out.
    place = found[:, 0] * len(values) + found[:, 1]
    found = found[np.sort(np.unique(place, return_index=True)[1])]
    columns = dict(zip(RESPONSE_COLUMNS, found.T, strict=True))
    return columns | {name: columns[name].astype(np.int64) for name in ("sensor", "step")}


@kernel
def _search(
    water: NDArray[np.floating],
    first: int,
    stop: int,
    spans: NDArray[np.int64],
    step_h: float,
    found: Floats,
) -> int:  # pragma: no cover
    steps, sensors = water.shape
    at = np.empty(steps, dtype=np.int64)
    raw, y = np.empty(steps), np.empty(steps)
    base, out = np.empty(steps), np.empty(steps, dtype=np.bool_)
    count = 0
    for sensor in range(sensors):
        n = 0
        for i in range(steps):
            value = np.float64(water[i, sensor])
            if value == value:
                at[n], raw[n] = i, value
                n += 1
        if n < 4:
            continue
        _smooth(at, raw, y, n, spans[4])
        _stand_out(at, y, base, out, n, spans)
        for k in range(1, n):
            if not out[k] or at[k] < first - spans[3] or at[k] >= stop:
                continue
            onset = _onset(at, raw, y, base, out, n, k, spans)
            if onset < 0 or at[onset] < first or at[onset] >= stop:
                continue
            _measure(at, y, base[k], n, onset, spans, step_h, found[count])
            if found[count, 2] >= LEAST_RISE:
                found[count, 0] = sensor
                count += 1
    return count


@kernel
def _smooth(
    at: NDArray[np.int64], raw: Floats, y: Floats, n: int, gap: int
) -> None:  # pragma: no cover
    """Fill ``y`` with medians of three readings; beside a gap with the reading itself."""
    y[0], y[n - 1] = raw[0], raw[n - 1]
    for k in range(1, n - 1):
        a, b, c = raw[k - 1], raw[k], raw[k + 1]
        near = at[k] - at[k - 1] <= gap and at[k + 1] - at[k] <= gap
        y[k] = max(min(a, b), min(max(a, b), c)) if near else b


@kernel
def _stand_out(
    at: NDArray[np.int64],
    y: Floats,
    base: Floats,
    out: NDArray[np.bool_],
    n: int,
    spans: NDArray[np.int64],
) -> None:  # pragma: no cover
    """Fill the base of each reading and whether the reading stands out from it."""
    pause = max(1, spans[0] // BASES)
    out[0] = False
    base[0] = np.nan
    for k in range(1, n):
        lowest = y[k - 1] if at[k] - at[k - 1] <= spans[0] else np.inf
        jump = max(1, pause // (at[k] - at[k - 1]))
        back = k - 1 - jump
        while back >= 0 and at[k] - at[back] <= spans[0]:
            lowest = min(lowest, y[back])
            back -= jump
        base[k] = lowest
        out[k] = y[k] - lowest >= ONSET_RISE


@kernel
def _onset(
    at: NDArray[np.int64],
    raw: Floats,
    y: Floats,
    base: Floats,
    out: NDArray[np.bool_],
    n: int,
    k: int,
    spans: NDArray[np.int64],
) -> int:  # pragma: no cover
    """Return the onset of the response that first stands out at ``k``; -1 if it is none."""
    if at[k] - at[k - 1] > spans[4]:
        return -1
    back = k - 1
    while back >= 0 and at[k] - at[back] <= max(spans[1], 1):
        if out[back]:
            return -1
        back -= 1
    before = ONSET_NOISE * _noise(at, raw, k - 1, -1, n, spans)
    onset = k
    while y[onset] - base[k] < before:
        onset += 1
        if onset >= n or at[onset] - at[k] > spans[3]:
            return -1
    # Past the jump itself; a burst of noise goes on, water does not shake.
    after = ONSET_NOISE * _noise(at, raw, onset + 2, 1, n, spans)
    top = y[onset]
    ahead = onset + 1
    while ahead < n and at[ahead] - at[onset] <= spans[3]:
        top = max(top, y[ahead])
        ahead += 1
    return onset if top - base[k] >= after else -1


@kernel
def _noise(
    at: NDArray[np.int64], raw: Floats, k: int, way: int, n: int, spans: NDArray[np.int64]
) -> float:  # pragma: no cover
    """Return the noise of the readings from ``k`` on in one direction, 0 where unknown.

    What changed over a gap is no noise, and may lie beyond what is looked at.
    """
    total, count = 0.0, 0
    here = k + way
    while here >= 1 and here < n - 1 and abs(at[here] - at[k]) <= spans[3]:
        if max(at[here] - at[here - 1], at[here + 1] - at[here]) <= spans[4]:
            total += abs(raw[here - 1] - 2.0 * raw[here] + raw[here + 1])
            count += 1
        here += way
    return total / count * BEND_TO_NOISE if count >= 3 else 0.0


@kernel
def _measure(
    at: NDArray[np.int64],
    y: Floats,
    base: float,
    n: int,
    k: int,
    spans: NDArray[np.int64],
    step_h: float,
    row: Floats,
) -> None:  # pragma: no cover
    """Fill a row with how a response went on."""
    peak, fast = k, y[k]
    ahead = k
    while ahead < n and at[ahead] - at[k] <= spans[2]:
        if y[ahead] > y[peak]:
            peak = ahead
        if ahead <= k + 1 or at[ahead] - at[k] <= spans[5]:
            fast = max(fast, y[ahead])
        ahead += 1
    rise = y[peak] - base
    lowest, half = y[peak], np.nan
    ahead = peak
    while ahead < n and at[ahead] - at[peak] <= spans[2]:
        lowest = min(lowest, y[ahead])
        if half != half and y[ahead] <= base + 0.5 * rise:
            half = (at[ahead] - at[peak]) * step_h
        ahead += 1
    row[1], row[2], row[3] = at[k], rise, fast - base
    row[4], row[5] = half, (lowest - base) / rise
