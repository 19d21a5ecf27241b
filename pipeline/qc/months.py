"""What is kept of each sensor's record by blocks of 28 days: its noise, its daily warmth.

A block begins at fixed days of the site's axis. What a year tells is put together from its
blocks, so that a night reads the block it touched and no other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.compiled import kernel

Floats = NDArray[np.float64]

BLOCK_DAYS = 28
LEAST_BENDS = 100  # second differences from which noise is told
LEAST_A_DAY = 4  # readings a day from which its wave of warmth is told
LEAST_DAYS = 7
KEPT = 0.75
# Mean of the lower three quarters of |z| of a standard normal z, times sqrt(1 + 4 + 1): by it
# the mean of absolute second differences becomes the standard deviation of single readings.
TO_NOISE = 1.0 / (0.5149037 * np.sqrt(6.0))


def record_noise(water: NDArray[np.floating]) -> Floats:
    """Return the noise of each sensor over a block.

    Parameters
    ----------
    water : array (time, sensor), [m3 m-3]

    Returns
    -------
    array (sensor,), [m3 m-3]
        Standard deviation of single readings, from second differences of readings that
        follow each other: the mean of their lower three quarters, which fronts do not reach.
        Readings that stand still are left out. NaN where fewer than 100 tell.
    """
    noise = np.full(water.shape[1], np.nan)
    _noise(np.ascontiguousarray(water.T), noise)
    return noise


@kernel
def _noise(water: NDArray[np.floating], noise: Floats) -> None:  # pragma: no cover
    sensors, steps = water.shape
    value, bend = np.empty(steps), np.empty(steps)
    for sensor in range(sensors):
        n, count = 0, 0
        for i in range(steps):
            x = np.float64(water[sensor, i])
            if x == x:
                value[n] = x
                n += 1
        for k in range(1, n - 1):
            fall, rise = value[k] - value[k - 1], value[k + 1] - value[k]
            if fall != 0.0 or rise != 0.0:
                bend[count] = abs(rise - fall)
                count += 1
        if count < LEAST_BENDS:
            continue
        keep = int(count * KEPT)
        low = np.sort(bend[:count])
        total = 0.0
        for k in range(keep):
            total += low[k]
        noise[sensor] = total / keep * TO_NOISE


def daily_wave(temperature: NDArray[np.floating], interval_s: int) -> Floats:
    """Return the mean daily wave of temperature of each sensor over whole days.

    Parameters
    ----------
    temperature : array (time, sensor), [degC]
        Whole days; NaN where there is no value.

    Returns
    -------
    array (2, sensor), [K]
        Cosine and sine of the first harmonic of the day, which begins with the site's. Days
        with fewer than four values, or values on one side of the day only, are left out; NaN
        where fewer than seven days are left.
    """
    per_day = DAY_S // interval_s
    days = temperature.reshape(-1, per_day, temperature.shape[1]).astype(np.float64)
    known = np.isfinite(days)
    angle = 2.0 * np.pi * np.arange(per_day) / per_day
    waves = np.stack([np.cos(angle), np.sin(angle)])
    count = known.sum(axis=1)
    mean = np.where(known, days, 0.0).sum(axis=1) / np.maximum(count, 1)
    rest = np.where(known, days - mean[:, None], 0.0)
    # (wave, day, sensor): a wave is told where the readings of a day see it whole.
    part = np.einsum("wp,dps->wds", waves, rest) / np.maximum(count / 2.0, 1.0)
    seen = np.abs(np.einsum("wp,dps->wds", waves, known.astype(np.float64)))
    whole = (count >= LEAST_A_DAY) & (seen <= 0.1 * count).all(axis=0)
    days_told = whole.sum(axis=0)
    total: Floats = np.where(whole, part, 0.0).sum(axis=1)
    return np.where(days_told >= LEAST_DAYS, total / np.maximum(days_told, 1), np.nan)
