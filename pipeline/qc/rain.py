"""Whether water can have come from above: rain in the day before, as far as it is logged."""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.qc.jumps import DRY, UNKNOWN, WET
from pipeline.site.models import Site

DAY_S = 86_400


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
    wet = _in_window(np.nan_to_num(rain, nan=0.0) > 0.0, day).any(axis=1)
    strides = [site.strides.get(str(name), 1) for name in block["station"].values]
    due = day // np.array(strides, dtype=np.int64)
    logged = (_in_window(np.isfinite(rain), day) >= due).any(axis=1)
    return np.where(wet, WET, np.where(logged, DRY, UNKNOWN)).astype(np.uint8)


def _in_window(marked: NDArray[np.bool_], steps: int) -> NDArray[np.int64]:
    """Return how many of the last ``steps`` rows are marked; whole numbers, so exact."""
    total = np.cumsum(marked, axis=0, dtype=np.int64)
    before = np.zeros_like(total)
    before[steps:] = total[:-steps]
    return total - before
