"""Whether water can have come with a rise: enough rain just before, or the sensor above.

In soil with cracks, roots and worm holes a storm reaches a sensor between two readings. The
record then rises at once and stays, as it does when an instrument steps, or shows a peak of
one reading, as a spike does. Where water is known to have come, that is no evidence against
it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.compiled import kernel
from pipeline.qc.verdicts import mean_of

DRY, WET, UNKNOWN = 0, 1, 2  # of the rain logged in the day before
# Rain that a rise takes: a sensor sees some ten centimetres of soil.
MM_PER_RISE = 100.0  # mm per m3 m-3
# The sensor above has risen by this part, and so many times the noise, not long before.
ABOVE_PART, ABOVE_NOISE, ABOVE_SIDE = 0.2, 4.0, 3
# A front stays: of its first reading this part is left, and so many times the noise.
STAYS_PART, STAYS_NOISE, STAYS_SIDE = 0.3, 8.0, 3
FOOT_NOISE = 3.0  # a reading on a front is no lower than before it
# Two readings that differ by so many times the noise do so by more than noise.
BEND_NOISE = 4.2


class Water(NamedTuple):
    """What tells, besides its readings, of water on its way to one column, and of its frost.

    ``rain`` (time,) is `DRY`, `WET` or `UNKNOWN`; ``shower`` (time,) is what fell in the last
    hours, in mm; ``theta`` (time, column) is water content as calibrated, and ``above`` the
    column of the sensor above, -1 for none. ``thermometer``: frost is told by a temperature.
    ``interval_s`` is the time axis's.
    """

    rain: NDArray[np.uint8]
    shower: Floats
    theta: NDArray[np.float32]
    above: int
    thermometer: bool
    interval_s: int


@kernel
def water_came(
    water: Water, i: int, stride: int, rise: float, noise: float
) -> bool:  # pragma: no cover
    """Tell whether water explains a rise at a reading.

    That is rain enough for it in the hours before or, unless the day before was dry, a rise
    of the sensor above.
    """
    if not rise > 0.0:
        return False
    if water.shower[i] >= MM_PER_RISE * rise:
        return True
    if water.above < 0 or water.rain[i] == DRY:
        return False
    lowest, most = np.inf, ABOVE_PART * rise + ABOVE_NOISE * noise
    for j in range(i - ABOVE_SIDE * stride, i + 2 * stride, stride):
        if 0 <= j < water.theta.shape[0]:
            value = water.theta[j, water.above]
            if value - lowest > most:
                return True
            lowest = min(lowest, value) if value == value else lowest
    return False


@kernel
def is_arrival(
    x: Floats, i: int, stride: int, noise: float, water: Water
) -> bool:  # pragma: no cover
    """Tell whether a reading that stands out is on a front: the record stays up after it.

    A peak that the record comes down from only to rise again is none, nor a reading well below
    the one before it.
    """
    before = mean_of(x, i - STAYS_SIDE * stride, STAYS_SIDE, stride, STAYS_SIDE - 1)
    after = mean_of(x, i + stride, STAYS_SIDE, stride, STAYS_SIDE - 1)
    stays, height = after - before, x[i] - before
    if not (stays >= STAYS_NOISE * noise and height >= -FOOT_NOISE * noise):
        return False
    if _is_set_apart(x, i, stride, BEND_NOISE * noise):
        return False
    return stays >= STAYS_PART * height and water_came(
        water, i, stride, max(stays, height), noise
    )


@kernel
def _is_set_apart(x: Floats, i: int, stride: int, least: float) -> bool:  # pragma: no cover
    """Tell whether a reading lies below the last, or above what follows while that rises."""
    if i >= stride and x[i - stride] - x[i] > least:
        return True
    if i + STAYS_SIDE * stride >= x.size or not x[i] - x[i + stride] > least:
        return False
    after = max(x[i + 2 * stride], x[i + 3 * stride])
    return after - x[i + stride] > least
