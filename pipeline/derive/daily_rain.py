"""Daily sums of rain, over whole days of the site.

A total is stamped where its interval ends, so that the one stamped at midnight fell before it:
the rain of a day is that of the totals stamped after its midnight, up to the next midnight and
with it. A day with too few totals has no sum rather than a part of one.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.derive.daily import complete_days, day_sums, whole_days
from pipeline.derive.gauge_days import gauge_days, totals_due
from pipeline.derive.readings_due import total_in_order, values_needed
from pipeline.site.models import Site
from pipeline.variables import describe


def daily_rain_look(site: Site) -> tuple[int, int]:
    """Return how far `daily_rain_step` looks: one step ahead, to the midnight that ends a day.

    Returns
    -------
    (int, int), [s]
    """
    return 0, site.interval_s


def daily_rain_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Sum the rain of whole days.

    A day is complete when at least ``site.derive.day_completeness`` of the totals that its
    gauge should log are there; a gauge that logs more slowly than the site's axis is measured
    against its own interval. Incomplete days are NaN; sums are not scaled up. A total counts
    whole for the day in which its interval ends, however long it is. Rain of a day on which a
    gauge gave way to another is that of both, told at the one that took over
    (`pipeline.derive.gauge_days`).

    Parameters
    ----------
    block : Dataset, whole days
        ``rain`` (time, station) [mm] and ``rain_offset_s`` (time, station) [s], how far each
        reading was from its step. Without rain, as at a site that logs air temperature alone,
        all days are NaN. Of the last day the total stamped at the midnight that ends the block
        is missing: its sum is final where nothing follows.
    site : Site

    Returns
    -------
    Dataset, (day, station)
        ``daily_rain`` [mm], float32. ``day`` is the instant (UTC) at which the local day
        begins.

    Raises
    ------
    ValueError
        If the block does not start at a day's beginning or does not hold whole days.
    """
    days = whole_days(block, site)
    if "rain" not in block:
        none = np.full((days.size, block.sizes["station"]), np.nan, np.float32)
        coords = {"day": days, "station": block["station"].values}
        sums = xr.DataArray(none, coords, ("day", "station"))
        return xr.Dataset({"daily_rain": describe(sums, "daily_rain")})
    rain = _one_step_on(block["rain"], np.nan)
    offset = xr.zeros_like(rain)
    if "rain_offset_s" in block:
        offset = _one_step_on(block["rain_offset_s"], 0)
    sums = _sums(rain, offset, site, days)
    return xr.Dataset({"daily_rain": describe(sums, "daily_rain")})


def _one_step_on(array: xr.DataArray, fill: float) -> xr.DataArray:
    """Return (time, station) with the value of the next step at each, the last one unknown."""
    ordered = array.transpose("time", "station")
    values = np.full_like(ordered.values, fill)
    values[:-1] = ordered.values[1:]
    return ordered.copy(data=values)


def _sums(
    rain: xr.DataArray, offset: xr.DataArray, site: Site, days: NDArray[np.datetime64]
) -> xr.DataArray:
    """Return the sums of days, (day, station); of a day on which a gauge took over, at it."""
    sums, counts = day_sums(rain, days)
    held, due = counts.astype(np.float64), _due(rain, site, days)
    stations = [str(name) for name in rain["station"].values]
    begin_s = days.astype("datetime64[s]").astype(np.int64)
    steps = site.axis.steps_per_day
    for (day, taker), taken in gauge_days(site, stations, begin_s).items():
        own = slice(day * steps, (day + 1) * steps)
        counted = taken.counted(rain.values[own], offset.values[own])
        if not taken.is_told(counted):
            continue
        sums[day, taker] = total_in_order(rain.values[own][counted].astype(np.float64))
        held[day, taker] = taken.held(counted)
        due[day, taker] = taken.due
        if round(float(held[day, taker]), 6) >= values_needed(taken.due, site):
            held[day, list(taken.gauges[1:])] = 0  # a day is told once
    return complete_days(sums, held, due, site)


def _due(rain: xr.DataArray, site: Site, days: NDArray[np.datetime64]) -> Floats:
    """Return how many totals of a day each gauge should have, (day, station)."""
    due = np.empty((days.size, rain.sizes["station"]))
    for i, station in enumerate(rain["station"].values.tolist()):
        due[:, i] = totals_due(site, station, days)
    return due
