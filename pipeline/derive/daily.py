"""Daily values: means of water content and storage, sums of rain, over whole days of the site.

A day runs from midnight to midnight in the site's own standard time, and a value belongs to
the day its stamp lies in; a stamp of midnight opens a day. A day with too few values has no
value rather than a biased one: half a day of rain is not a daily sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.compiled import kernel
from pipeline.site.models import Site, Wire
from pipeline.variables import SIGNALS, describe


def daily_look(site: Site) -> tuple[int, int]:
    """Return how far `daily_step` looks beyond the whole days it is given: (0, 0) seconds."""
    return 0, 0


def daily_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Daily means, counts and sums of whole days.

    A day counts as complete when it holds at least ``site.derive.day_completeness`` of the
    values its source should log; a source that logs more slowly than the site's axis is
    measured against its own interval. Incomplete days are NaN; sums are not scaled up.

    Parameters
    ----------
    block : Dataset, whole days
        ``cleaned_water_content`` (time, tube, depth) [m3 m-3], ``storage`` (time, tube, layer)
        [mm], each with its random and systematic error, and ``rain`` (time, station) [mm];
        what is absent is left out.
    site : Site

    Returns
    -------
    Dataset, ``day`` in place of ``time``, float32
        ``daily_water_content`` [m3 m-3], ``daily_count`` [1, uint16], ``daily_storage`` [mm],
        the errors of both means (see `_errors`), ``daily_rain`` [mm]. ``day`` is the instant
        (UTC) at which the local day begins.

    Raises
    ------
    ValueError
        If the block does not start at a day's beginning or does not hold whole days.
    """
    days = _days(block, site)
    result: dict[str, xr.DataArray] = {}
    if "cleaned_water_content" in block:
        due = _due_at_sensors(block, site, days)
        sums, counts = day_sums(block["cleaned_water_content"], days)
        result["daily_water_content"] = _complete(sums / _divisor(counts), counts, due, site)
        result["daily_count"] = counts.astype(np.uint16)
        result |= _errors(block, "cleaned_water_content", "", result["daily_water_content"])
    if "storage" in block:
        due = _due_in_tubes(block, site, days)
        sums, counts = day_sums(block["storage"], days)
        result["daily_storage"] = _complete(sums / _divisor(counts), counts, due, site)
        result |= _errors(block, "storage", "storage_", result["daily_storage"])
    if "rain" in block:
        due = _due_at_stations(block, site, days)
        sums, counts = day_sums(block["rain"], days)
        result["daily_rain"] = _complete(sums, counts, due, site)
    return xr.Dataset({name: describe(array, name) for name, array in result.items()})


def _errors(
    block: xr.Dataset, value: str, prefix: str, means: xr.DataArray
) -> dict[str, xr.DataArray]:
    """Return the standard uncertainties of daily means, of the values that counted.

    Random errors of single values are independent and average out; the systematic one is
    taken as shared by all values of a day and does not.
    """
    found: dict[str, xr.DataArray] = {}
    days, known = means["day"].values, block[value].notnull()
    random, systematic = f"{prefix}random_error", f"{prefix}systematic_error"
    if random in block:
        squares = block[random].astype(np.float64).where(known) ** 2
        sums, counts = day_sums(squares, days)
        found[f"daily_{random}"] = sums**0.5 / _divisor(counts).where(counts > 0)
    if systematic in block:
        sums, counts = day_sums(block[systematic].where(known), days)
        found[f"daily_{systematic}"] = sums / _divisor(counts).where(counts > 0)
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
def _accumulate(table, sums, counts):  # type: ignore[no-untyped-def]
    """Add each (day, step, cell) to its day, in the order of time."""
    for day in range(table.shape[0]):
        for step in range(table.shape[1]):
            for cell in range(table.shape[2]):
                value = np.float64(table[day, step, cell])
                if not np.isnan(value):
                    sums[day, cell] += value
                    counts[day, cell] += 1


def _days(block: xr.Dataset, site: Site) -> NDArray[np.datetime64]:
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


def _complete(
    values: xr.DataArray, counts: xr.DataArray, due: NDArray[np.float64], site: Site
) -> xr.DataArray:
    """Return float32 values with NaN for days that hold too few."""
    # 0.75 * 96 must not become 72.00000000000001.
    enough = np.ceil(np.round(site.derive.day_completeness * due, 6))
    return values.where(counts.values >= np.maximum(enough, 1)).astype(np.float32)


def _source_steps(site: Site) -> dict[str, float]:
    """Return how many values a day each source should log; at most one a step is kept."""
    most = site.axis.steps_per_day
    return {
        source.id: min(DAY_S / (source.interval_s or site.interval_s), most)
        for source in site.sources
    }


def _due(
    wires: Sequence[Wire], site: Site, days: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Return (day,) values due from one place: those of the fastest source wired that day."""
    per_source = _source_steps(site)
    day_s = days.astype("datetime64[s]").astype(np.int64)
    due = np.zeros(days.size)
    for wire in wires:
        wired = (day_s + DAY_S > _second(wire.start, -np.inf)) & (
            day_s < _second(wire.until, np.inf)
        )
        due[wired] = np.maximum(due[wired], per_source[wire.source])
    due[due == 0] = site.axis.steps_per_day  # nothing is wired, so nothing can be complete
    return due


def _second(instant: datetime | None, otherwise: float) -> float:
    return otherwise if instant is None else instant.timestamp()


def _due_at_sensors(
    block: xr.Dataset, site: Site, days: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Return (day, tube, depth) values due from each sensor."""
    signals = [w for w in site.wiring if w.quantity in SIGNALS]
    due = np.empty((days.size, block.sizes["tube"], block.sizes["depth"]))
    for i, tube in enumerate(block["tube"].values.tolist()):
        for j, depth in enumerate(block["depth"].values.tolist()):
            here = [w for w in signals if w.tube == tube and w.depth_m == depth]
            due[:, i, j] = _due(here, site, days)
    return due


def _due_in_tubes(
    block: xr.Dataset, site: Site, days: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Return (day, tube, 1) values due: storage is as frequent as a tube's slowest sensor."""
    due = np.empty((days.size, block.sizes["tube"], 1))
    for i, tube in enumerate(block["tube"].values.tolist()):
        here = [w for w in site.wiring if w.quantity in SIGNALS and w.tube == tube]
        places = {w.depth_m for w in here}
        each = [_due([w for w in here if w.depth_m == p], site, days) for p in places]
        due[:, i, 0] = np.min(each, axis=0) if each else site.axis.steps_per_day
    return due


def _due_at_stations(
    block: xr.Dataset, site: Site, days: NDArray[np.datetime64]
) -> NDArray[np.float64]:
    """Return (day, station) rain values due from each source."""
    due = np.empty((days.size, block.sizes["station"]))
    for i, station in enumerate(block["station"].values.tolist()):
        here = [w for w in site.wiring if w.quantity == "rain" and w.source == station]
        due[:, i] = _due(here, site, days)
    return due
