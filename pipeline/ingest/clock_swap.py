"""Signs that day and month changed places somewhere between logger and file.

The signs are told and nothing is changed: a short record cannot prove which way is right.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S

# One gap of just a month may be chance; two at the turn of the day are not.
LEAST_SIGNS = 2


def swap_signs(stamp_s: NDArray[np.int64], interval_s: int) -> NDArray[np.int64]:
    """Return the rows that would follow the row before, were day and month swapped.

    Parameters
    ----------
    stamp_s : array (n,)
        Stamps in the order of the file, on the clock on which the dates were written.
    interval_s : int
        Logging interval.
    """
    steps = np.diff(stamp_s)
    jumps = np.flatnonzero((np.abs(steps) > DAY_S) & ((steps - interval_s) % DAY_S == 0))
    if not len(jumps):
        return jumps
    before, after = _swapped(stamp_s[jumps]), _swapped(stamp_s[jumps + 1])
    return np.asarray(jumps[after - before == interval_s] + 1)


def _swapped(stamp_s: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return stamps with day and month swapped, those of a day above 12 as they are."""
    date = stamp_s.astype("datetime64[s]")
    years = date.astype("datetime64[Y]")
    months = date.astype("datetime64[M]")
    day = (date.astype("datetime64[D]") - months.astype("datetime64[D]")).astype(np.int64)
    month = (months - years.astype("datetime64[M]")).astype(np.int64)
    swapped = (years.astype("datetime64[M]") + day).astype("datetime64[D]") + month
    seconds = swapped.astype("datetime64[s]").astype(np.int64) + stamp_s % DAY_S
    return np.where(day < 12, seconds, stamp_s)
