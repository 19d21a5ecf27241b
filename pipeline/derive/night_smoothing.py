"""What nights drain beyond their law, told from noise by the nights around.

A law of one sensor is off by much the same for weeks, while soil dries or wets, and besides by
what is of one night alone. The slow part is a first-order process in time, whose value in a
night all nights tell, the nearer the more; what is left of a night beyond it is drawn towards
nothing by as much as noise outweighs it.
"""

from __future__ import annotations

import numpy as np

from pipeline.arrays import Floats, Integers
from pipeline.axis import DAY_S
from pipeline.compiled import kernel

# Found on test fields kept for tuning (docs/truth.md).
SLOW_DAYS = 25.0  # after which a third is left of the slow part
ONE_NIGHT = 0.4  # share of the variance that is of one night alone


def smoothed(
    night_s: Integers, values: Floats, noise: Floats, room: Floats
) -> tuple[Floats, Floats]:
    """Return the best values of all nights, and their standard uncertainty, (sensor, night).

    Parameters
    ----------
    night_s : (night,)
        UTC seconds, in order.
    values, noise : (sensor, night)
        What nights tell, NaN for nothing, and its standard deviation by noise.
    room : (sensor, night)
        Standard deviation of the true values about nothing.

    References
    ----------
    Kalman filter and the smoother of Rauch, Tung & Striebel (1965), AIAA J. 3, 1445-1450
    (from memory), of one state.
    """
    days = np.asarray(night_s, np.float64) / DAY_S
    best, error = np.zeros(values.shape), np.zeros(values.shape)
    for k in range(len(values)):
        told = values[k], noise[k], room[k]
        _smooth(days, told, (SLOW_DAYS, ONE_NIGHT), best[k], error[k])
    return best, error


@kernel
def _smooth(
    days: Floats,
    told: tuple[Floats, Floats, Floats],
    parts: tuple[float, float],
    best: Floats,
    error: Floats,
) -> None:  # pragma: no cover
    """Fill the values of one sensor; the slow part is of variance 1, times ``slow``."""
    values, noise, room = told
    slow_days, one_night = parts
    count = days.size
    slow = np.sqrt(1.0 - one_night)
    before, spread_before = np.zeros(count), np.ones(count)
    after, spread_after = np.zeros(count), np.ones(count)
    for n in range(count):
        if n > 0:
            left = np.exp((days[n - 1] - days[n]) / slow_days)
            before[n] = left * after[n - 1]
            spread_before[n] = left * left * spread_after[n - 1] + 1.0 - left * left
        after[n], spread_after[n] = before[n], spread_before[n]
        if values[n] == values[n]:
            scale = slow * room[n]
            around = one_night * room[n] ** 2 + noise[n] ** 2
            gain = spread_before[n] * scale / (scale * scale * spread_before[n] + around)
            after[n] += gain * (values[n] - scale * before[n])
            spread_after[n] *= 1.0 - gain * scale
    for n in range(count - 1, -1, -1):
        if n < count - 1:
            left = np.exp((days[n] - days[n + 1]) / slow_days)
            back = spread_after[n] * left / spread_before[n + 1]
            after[n] += back * (after[n + 1] - before[n + 1])
            spread_after[n] += back * back * (spread_after[n + 1] - spread_before[n + 1])
        scale, own = slow * room[n], one_night * room[n] ** 2
        share = 0.0
        if values[n] == values[n]:
            share = own / (own + noise[n] ** 2)
            best[n] = share * values[n]
        best[n] += (1.0 - share) * scale * after[n]
        slowly = ((1.0 - share) * scale) ** 2 * spread_after[n]
        error[n] = np.sqrt(slowly + own * (1.0 - share))
