"""When a front arrived: a curve through its foot and climb, as smooth as the record asks.

The curve is that of `pipeline.smooth_curve`: a front that jumps is followed reading by
reading, one that takes a day is told from all its readings. The base is the lowest of the
curve at the foot, the onset where it stands higher by a stated rise.
"""

from __future__ import annotations

import numpy as np

from pipeline.arrays import Floats, Integers
from pipeline.compiled import kernel
from pipeline.smooth_curve import factors, likeliest_curve, solved

# All of these are ours, found on test fields kept for tuning (docs/truth.md).
ONSET_RISE = 0.005  # m3 m-3 above the base, where water counts as arrived
ONSET_NOISE = 5.0  # the same in multiples of the noise
RISE_ERROR = 0.02  # relative, standard, of a change of water content by calibration
BASE_READINGS = 12
BACK_READINGS, AHEAD_READINGS = 24, 12  # at least, before the foot and after the climb
LEAST_POINTS = 6
# Columns that are filled in rows of `pipeline.derive.fronts`.
FOOT, ONSET, BEFORE = range(3)
BASE, TOP, ERROR, SLOPE, NOISE = range(5)


@kernel
def time_onset(
    values: Floats,
    smooth: Floats,
    at: Integers,
    looks: tuple[int, int],
    place: Integers,
    level: Floats,
) -> None:  # pragma: no cover
    """Fill onset, the reading before it, base, slope and the error of the onset [steps].

    Parameters
    ----------
    values, smooth : (reading,), [m3 m-3]
        As read, and medians of three.
    at : (reading,)
        Their steps.
    looks : (int, int)
        Steps of a day, and the longest look before the foot and after the climb.
    place, level : (column,)
        Of the front; its foot and noise are filled.
    """
    day, furthest = looks
    foot, sigma = place[FOOT], level[NOISE]
    base = _base(values, smooth, at, foot, sigma, day)
    wanted = max(ONSET_RISE, ONSET_NOISE * sigma)
    up = foot + 1
    while up < values.size - 1 and smooth[up] < base + wanted:
        up += 1
    base, crossing, slope, error = _crossing(values, at, (foot, up, furthest), sigma, wanted)
    onset = up
    if slope > 0.0:
        while onset > foot + 1 and at[onset - 1] >= crossing:
            onset -= 1
        while onset < values.size - 1 and at[onset] < crossing:
            onset += 1
    else:  # too few readings for a curve, or it is too smooth to get there
        slope = wanted / (at[up] - at[foot])
        error = sigma / slope if up - foot > 1 else 0.0
    width = float(at[onset] - at[onset - 1])
    place[ONSET], place[BEFORE] = onset, onset - 1
    level[BASE], level[SLOPE] = base, slope
    level[ERROR] = np.sqrt(width * width / 12.0 + error * error)


@kernel
def _base(
    values: Floats, smooth: Floats, at: Integers, foot: int, sigma: float, day: int
) -> float:  # pragma: no cover
    """Return the mean of the readings at the foot: of those within a day and three sigma.

    Readings to and fro may have medians near the foot and a mean far above it: the foot then.
    The climb from there is as high as the rise that is wanted, so that it is found in it.
    """
    band = smooth[foot] + 3.0 * sigma
    total, count = values[foot], 1
    j = foot - 1
    while j >= 0 and count < BASE_READINGS and smooth[j] <= band and at[foot] - at[j] <= day:
        total, count, j = total + values[j], count + 1, j - 1
    j = foot + 1
    while j < values.size and count < BASE_READINGS and smooth[j] <= band:
        total, count, j = total + values[j], count + 1, j + 1
    mean = total / count
    return mean if mean <= band else smooth[foot]


@kernel
def _crossing(
    values: Floats, at: Integers, span: tuple[int, int, int], sigma: float, wanted: float
) -> tuple[float, float, float, float]:  # pragma: no cover
    """Return base, step and slope where the curve is ``wanted`` above it, and error [steps].

    The slope is 0 where there are too few readings or the curve does not get there.
    """
    foot, up, furthest = span
    first, last = _window(at, foot, up, furthest)
    if last - first + 1 < LEAST_POINTS:
        return values[foot], 0.0, 0.0, 0.0
    start, size = at[first], at[last] - at[first] + 1
    weight, scaled = np.zeros(size), np.zeros(size)
    for j in range(first, last + 1):
        weight[at[j] - start] = 1.0
        scaled[at[j] - start] = (values[j] - values[foot]) / sigma
    # The longer a climb, the smoother: a bend that fills it has its fourth power as strength.
    guess = round(4.0 * np.log10(at[up] - at[foot]) - 4.0)
    curve, strength = likeliest_curve(weight, scaled, guess)
    wait = (at[up] - at[foot]) // 2 + (at[foot] - at[max(foot - LEAST_POINTS, first)])
    low = max(0, at[foot] - start - wait)
    for i in range(low, at[up] - start + 1):
        if curve[i] < curve[low]:
            low = i
    base = values[foot] + sigma * curve[low]
    goal = curve[low] + wanted / sigma
    high = low
    while high < size and curve[high] < goal:
        high += 1
    if high == size:
        return base, 0.0, 0.0, 0.0
    slope = curve[high] - curve[high - 1]
    scale = RISE_ERROR * wanted / sigma
    error = np.sqrt(_variance(weight, strength, low, high) + scale * scale) / slope
    crossing = start + high - (curve[high] - goal) / slope
    return base, crossing, slope * sigma, error


@kernel
def _window(
    at: Integers, foot: int, up: int, furthest: int
) -> tuple[int, int]:  # pragma: no cover
    """Return the first and the last reading that the curve goes through."""
    first = max(0, foot - max(BACK_READINGS, up - foot))
    last = min(at.size - 1, up + max(AHEAD_READINGS, up - foot))
    while at[foot] - at[first] > furthest:
        first += 1
    while at[last] - at[up] > furthest:
        last -= 1
    return first, last


@kernel
def _variance(
    weight: Floats, strength: float, low: int, high: int
) -> float:  # pragma: no cover
    """Return the variance of the curve's rise between two steps, noise being one."""
    right = np.zeros(weight.size)
    right[low] -= 1.0
    right[high] += 1.0
    answer = solved(factors(weight, strength), right)
    return answer[high] - answer[low]
