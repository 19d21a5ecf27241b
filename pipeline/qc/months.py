"""What is kept of each sensor's record by blocks of 28 days: its noise, its daily warmth.

A block begins at fixed days of the site's axis. What a year tells is put together from its
blocks, so that a night reads the block it touched and no other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.qc.noise import KEPT, TO_SIGMA

BLOCK_DAYS = 28
LEAST_BENDS = 100  # second differences from which noise is told
LEAST_A_DAY = 4  # readings a day from which its wave of warmth is told
LEAST_DAYS = 7


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
    for sensor, values in enumerate(water.T):
        change = np.diff(values[np.isfinite(values)].astype(np.float64))
        moves = (change[:-1] != 0.0) | (change[1:] != 0.0)
        bend = np.abs(np.diff(change))[moves]
        if bend.size >= LEAST_BENDS:
            keep = int(bend.size * KEPT)
            noise[sensor] = np.partition(bend, keep - 1)[:keep].mean() * TO_SIGMA
    return noise


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
    if temperature.shape[1] == 1:  # a lone column would be summed in another order
        return daily_wave(np.repeat(temperature, 2, axis=1), interval_s)[:, :1]
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
