"""What rain tells of a rise: whether water can have come from above, and how much of it."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

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
        `WET` where any station shows rain in the day before; else `DRY` where at least one
        has all readings of the day: one that is missing may be the storm. Else `UNKNOWN`.
    """
    steps = block.sizes["time"]
    if "rain" not in block:
        return np.full(steps, UNKNOWN, dtype=np.uint8)
    day = max(1, DAY_S // site.interval_s)
    rain = block["rain"].transpose("time", "station").values
    wet = (_in_window(np.nan_to_num(rain, nan=0.0) > 0.0, day) > 0).any(axis=1)
    strides = [site.strides.get(str(name), 1) for name in block["station"].values]
    due = day // np.array(strides, dtype=np.int64)
    logged = (_in_window(np.isfinite(rain), day) >= due).any(axis=1)
    return np.where(wet, WET, np.where(logged, DRY, UNKNOWN)).astype(np.uint8)


def recent_rain(block: xr.Dataset, site: Site) -> NDArray[np.float64]:
    """Return the rain of the three hours up to each time.

    Parameters
    ----------
    block : Dataset
        With ``rain`` (time, station) [mm], or without.

    Returns
    -------
    array (time,), [mm]
        Of the station with the most; missing readings count as none, so that it is what fell
        at least.
    """
    if "rain" not in block or not block.sizes["station"]:
        return np.zeros(block.sizes["time"])
    rain = block["rain"].transpose("time", "station").values
    counts = np.rint(np.nan_to_num(rain, nan=0.0) / MM_PER_COUNT).astype(np.int64)
    window = max(1, SHOWER_S // site.interval_s)
    return _in_window(counts, window).max(axis=1) * MM_PER_COUNT


def _in_window(counts: NDArray[np.generic], steps: int) -> NDArray[np.int64]:
    """Return the sum of the last ``steps`` rows; whole numbers, so exact."""
    total = np.cumsum(counts, axis=0, dtype=np.int64)
    before = np.zeros_like(total)
    before[steps:] = total[:-steps]
    return total - before
