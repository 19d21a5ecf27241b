"""Daily values: means of water content and storage over whole days of the site.

A day runs from midnight to midnight in the site's own standard time, and a value belongs to
the day its stamp lies in; a stamp of midnight opens a day. A day with too few values has no
value rather than a biased one. Rain, stamped where its interval ends, is summed in
`pipeline.derive.daily_rain`.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats, Integers
from pipeline.axis import DAY_S
from pipeline.compiled import kernel
from pipeline.derive.readings_due import (
    DayPace,
    day_paces,
    values_needed,
    wires_by_place,
)
from pipeline.site.models import Site
from pipeline.variables import SIGNALS, describe

# By day, tube and, where several are meant, depth: how often values are due in the day.
Paces = dict[tuple[int, ...], DayPace]


def daily_look(site: Site) -> tuple[int, int]:
    """Return how far `daily_step` looks beyond the whole days it is given: (0, 0) seconds."""
    return 0, 0


def daily_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Daily means and counts of whole days.

    A day counts as complete when it holds at least ``site.derive.day_completeness`` of the
    values its source should log; a source that logs more slowly than the site's axis is
    measured against its own interval. Incomplete days are NaN. On a day on which a sensor's
    interval changes a value counts for the time it stands for.

    Parameters
    ----------
    block : Dataset, whole days
        ``cleaned_water_content`` (time, tube, depth) [m3 m-3] and ``storage`` (time, tube,
        layer) [mm], each with its random and systematic error; what is absent is left out.
    site : Site

    Returns
    -------
    Dataset, ``day`` in place of ``time``, float32
        ``daily_water_content`` [m3 m-3], ``daily_count`` [1, uint16], ``daily_storage`` [mm],
        the errors of both means (see `_errors`). ``day`` is the instant (UTC) at which the
        local day begins.

    Raises
    ------
    ValueError
        If the block does not start at a day's beginning or does not hold whole days.
    """
    days = whole_days(block, site)
    result: dict[str, xr.DataArray] = {}
    if "cleaned_water_content" in block:
        due, weights = _due_at_sensors(block, site, days)
        water = block["cleaned_water_content"]
        means, counts = _means(water, days, due, weights, site)
        result["daily_water_content"] = means
        result["daily_count"] = counts.astype(np.uint16)
        result |= _errors(block, "cleaned_water_content", "", means, weights)
    if "storage" in block:
        due, weights = _due_in_tubes(block, site, days)
        means, _ = _means(block["storage"], days, due, weights, site)
        result["daily_storage"] = means
        result |= _errors(block, "storage", "storage_", means, weights)
    return xr.Dataset({name: describe(array, name) for name, array in result.items()})


def _means(
    values: xr.DataArray,
    days: NDArray[np.datetime64],
    due: Floats,
    weights: xr.DataArray | None,
    site: Site,
) -> tuple[xr.DataArray, xr.DataArray]:
    """Return the means of days complete enough, and how many values each day holds."""
    sums, counts = day_sums(values, days)
    held = counts
    if weights is not None:
        sums, _ = day_sums(values * weights, days)
        held, _ = day_sums(weights.where(values.notnull()), days)
    return complete_days(sums / _divisor(held), held, due, site), counts


def _errors(
    block: xr.Dataset,
    value: str,
    prefix: str,
    means: xr.DataArray,
    weights: xr.DataArray | None,
) -> dict[str, xr.DataArray]:
    """Return the standard uncertainties of daily means, of the values that counted.

    Random errors of single values are independent and average out; the systematic one is
    taken as shared by all values of a day and does not.
    """
    found: dict[str, xr.DataArray] = {}
    days, known = means["day"].values, block[value].notnull()
    random, systematic = f"{prefix}random_error", f"{prefix}systematic_error"
    for name, power in ((random, 2), (systematic, 1)):
        if name not in block:
            continue
        part = block[name].astype(np.float64).where(known)
        part = part if weights is None else part * weights
        sums, counts = day_sums(part**power, days)
        if weights is not None:
            counts, _ = day_sums(weights.where(part.notnull()), days)
        found[f"daily_{name}"] = sums ** (1 / power) / _divisor(counts).where(counts > 0)
    kept = means.notnull().values
    return {name: error.where(kept).astype(np.float32) for name, error in found.items()}


def day_sums(
    array: xr.DataArray, days: NDArray[np.datetime64]
) -> tuple[xr.DataArray, xr.DataArray]:
    """Sum and count the values of each day, step after step in float64.

    Parameters
    ----------
    array : DataArray, (time, ...)
        Holds the same whole number of steps for each day.
    days : (day,)
        Where each day begins.

    Returns
    -------
    sums, counts : DataArray, (day, ...), float64 and int64
        NaN is left out; a day without values has sum 0 and count 0.
    """
    values = np.ascontiguousarray(array.transpose("time", ...).values)
    cells = values.shape[1:]
    table = values.reshape(days.size, -1, int(np.prod(cells, dtype=np.int64)))
    sums = np.zeros((days.size, table.shape[2]))
    counts = np.zeros(sums.shape, dtype=np.int64)
    _accumulate(table, sums, counts)
    dims = ("day", *(name for name in array.dims if name != "time"))
    coords = {"day": days, **{n: array[n].values for n in dims[1:] if n in array.coords}}
    shape = (days.size, *cells)
    return (
        xr.DataArray(sums.reshape(shape), coords, dims),
        xr.DataArray(counts.reshape(shape), coords, dims),
    )


@kernel
def _accumulate(table: NDArray[np.floating], sums: Floats, counts: Integers) -> None:
    """Add each (day, step, cell) to its day, in the order of time."""
    for day in range(table.shape[0]):
        for step in range(table.shape[1]):
            for cell in range(table.shape[2]):
                value = np.float64(table[day, step, cell])
                if not np.isnan(value):
                    sums[day, cell] += value
                    counts[day, cell] += 1


def whole_days(block: xr.Dataset, site: Site) -> NDArray[np.datetime64]:
    """Return where each day of a block begins; the block must hold whole days."""
    times = block["time"].values
    per_day = site.axis.steps_per_day
    if times.size == 0 or times.size % per_day:
        raise ValueError(
            f"expected whole days of {per_day} steps, found {times.size} steps; "
            f"widen the window to day boundaries"
        )
    first_s = int(times[0].astype("datetime64[s]").astype(np.int64))
    if (first_s - site.axis.origin_s) % DAY_S:
        raise ValueError(
            f"expected a block that starts at the beginning of a day, found {times[0]!s}; "
            f"widen the window to day boundaries"
        )
    return times[::per_day].astype("datetime64[ns]")


def _divisor(counts: xr.DataArray) -> xr.DataArray:
    """Return counts that can be divided by; a day without values is incomplete anyway."""
    return counts.clip(min=1)


def complete_days(
    values: xr.DataArray, counts: xr.DataArray, due: Floats, site: Site
) -> xr.DataArray:
    """Return float32 values with NaN for days that hold too few."""
    held = np.round(counts.values, 6)  # a third and a third and a third is one
    return values.where(held >= values_needed(due, site)).astype(np.float32)


def _due_at_sensors(
    block: xr.Dataset, site: Site, days: NDArray[np.datetime64]
) -> tuple[Floats, xr.DataArray | None]:
    """Return (day, tube, depth) values due from each sensor, and what values count for."""
    signals = [w for w in site.wiring if w.quantity in SIGNALS]
    due = np.empty((days.size, block.sizes["tube"], block.sizes["depth"]))
    paces: Paces = {}
    for i, tube in enumerate(block["tube"].values.tolist()):
        for j, depth in enumerate(block["depth"].values.tolist()):
            here = [w for w in signals if w.tube == tube and w.depth_m == depth]
            due[:, i, j], found = day_paces([here], site, days)
            paces |= {(day, i, j): pace for day, pace in found.items()}
    return due, _weights(block["cleaned_water_content"], paces, site)


def _due_in_tubes(
    block: xr.Dataset, site: Site, days: NDArray[np.datetime64]
) -> tuple[Floats, xr.DataArray | None]:
    """Return (day, tube, 1) values of storage due, and what values count for."""
    due = np.empty((days.size, block.sizes["tube"], 1))
    paces: Paces = {}
    for i, tube in enumerate(block["tube"].values.tolist()):
        due[:, i, 0], found = day_paces(wires_by_place(site, tube), site, days)
        paces |= {(day, i): pace for day, pace in found.items()}
    return due, _weights(block["storage"], paces, site)


def _weights(values: xr.DataArray, paces: Paces, site: Site) -> xr.DataArray | None:
    """Return what each value counts for, shaped as values; None where all count for one."""
    if not paces:
        return None
    values = values.transpose("time", ...)
    found, known = xr.ones_like(values, dtype=np.float64), values.notnull().values
    per_day = site.axis.steps_per_day
    for place, pace in paces.items():
        day, *cell = place
        at = slice(day * per_day, (day + 1) * per_day)
        index: tuple[slice | int, ...] = (at, *cell)
        found.values[index] = pace.shares(known[index])
    return found
