"""What rain tells of a rise: whether water can have come from above, and how much of it.

A total is stamped at the end of its interval. Of a gauge that logs less often than the site's
axis the rain up to a step may be told some steps later, in the total that the step lies in.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.qc.arrivals import DRY, UNKNOWN, WET
from pipeline.site.models import Site

DAY_S = 86_400
# What reaches a sensor by cracks and roots is there within some hours of the rain.
SHOWER_S = 3 * 3600
MM_PER_COUNT = 0.001  # whole numbers add up alike wherever a block begins


def dry_days(block: xr.Dataset, site: Site) -> NDArray[np.uint8]:
    """Return for each time whether the day before it was dry, as far as rain is logged.

    Parameters
    ----------
    block : Dataset
        With ``rain`` (time, station) [mm], or without.

    Returns
    -------
    array (time,), uint8
        `WET` where any station shows rain in the day before, or in the total that the time
        lies in; else `DRY` where at least one has all of these readings: one that is missing
        may be the storm. Else `UNKNOWN`.
    """
    steps = block.sizes["time"]
    if "rain" not in block:
        return np.full(steps, UNKNOWN, dtype=np.uint8)
    day = max(1, DAY_S // site.interval_s)
    rain, strides = _logged(block, site)
    around = _lain_in(rain, strides)
    wet = (_in_window(np.nan_to_num(rain, nan=0.0) > 0.0, day) > 0) | (around > 0.0)
    due = day // np.array(strides, dtype=np.int64)
    logged = (_in_window(np.isfinite(rain), day) >= due) & np.isfinite(around)
    dry = np.where(logged.any(axis=1), DRY, UNKNOWN)
    return np.where(wet.any(axis=1), WET, dry).astype(np.uint8)


def recent_rain(block: xr.Dataset, site: Site) -> NDArray[np.float64]:
    """Return the rain of the three hours up to each time.

    Parameters
    ----------
    block : Dataset
        With ``rain`` (time, station) [mm], or without.

    Returns
    -------
    array (time,), [mm]
        Of the station with the most, with the whole of the total that the time lies in.
        Missing readings count as none, and totals of more than three hours, which do not tell
        when their rain fell.
    """
    if "rain" not in block or not block.sizes["station"]:
        return np.zeros(block.sizes["time"])
    rain, strides = _logged(block, site)
    tells = np.array(strides) * site.interval_s <= max(SHOWER_S, site.interval_s)
    counts = _counts(np.where(tells, rain, np.nan))
    # At a step with a total of its own that is in the window already.
    told_later = np.where(np.isnan(rain) & tells, _lain_in(rain, strides), np.nan)
    window = max(1, SHOWER_S // site.interval_s)
    return (_in_window(counts, window) + _counts(told_later)).max(axis=1) * MM_PER_COUNT


def _logged(block: xr.Dataset, site: Site) -> tuple[Floats, list[int]]:
    """Return rain, (time, station) [mm], and how many steps each station's totals take."""
    rain = block["rain"].transpose("time", "station").values.astype(np.float64)
    return rain, [site.strides.get(str(name), 1) for name in block["station"].values]


def _lain_in(rain: Floats, strides: list[int]) -> Floats:
    """Return the total that each step lies in, (time, station) [mm]; NaN: none is known."""
    found = rain.copy()
    for station, stride in enumerate(strides):
        own = found[:, station]
        for ahead in range(1, min(stride, len(rain))):
            lacking = np.isnan(own[:-ahead])
            own[:-ahead][lacking] = rain[ahead:, station][lacking]
    return found


def _counts(rain: Floats) -> NDArray[np.int64]:
    return np.rint(np.nan_to_num(rain, nan=0.0) / MM_PER_COUNT).astype(np.int64)


def _in_window(counts: NDArray[np.generic], steps: int) -> NDArray[np.int64]:
    """Return the sum of the last ``steps`` rows; whole numbers, so exact."""
    total = np.cumsum(counts, axis=0, dtype=np.int64)
    before = np.zeros_like(total)
    before[steps:] = total[:-steps]
    return total - before
