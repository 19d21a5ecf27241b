"""Means of sensors over the steps of a model, with the rule for what is complete enough."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.qc.flags import Quality

Floats = NDArray[np.float64]

# Seconds of each step a model may run on; "native" takes the readings as they are.
STEPS_S = {"native": None, "hourly": 3600, "daily": DAY_S}
_MISSING = int(Quality.MISSING)


class Sensors(NamedTuple):
    """What sensors hold at some steps, each (time, tube, depth)."""

    water: Floats  # [m3 m-3], NaN where there is none
    random: Floats  # [m3 m-3]
    systematic: Floats  # [m3 m-3]
    quality: NDArray[np.uint8]


class Bins(NamedTuple):
    """Steps of a model: which readings each takes, from ``first`` (bin,) to the next one."""

    start_s: NDArray[np.int64]  # (bin,), UTC
    first: NDArray[np.int64]  # (bin,)
    length_s: int


def bins_of(time: xr.DataArray, step: str, utc_offset_s: int) -> Bins | None:
    """Return the steps that some times fall into; None for readings as they are.

    A step takes the stamps from its beginning up to the next one's; days begin at midnight of
    the standard time that ``utc_offset_s`` tells.

    Raises
    ------
    ValueError
        If the step is none of `STEPS_S`, or the times do not rise.
    """
    if step not in STEPS_S:
        raise ValueError(f"step: expected one of {sorted(STEPS_S)}, found {step!r}")
    length = STEPS_S[step]
    if length is None:
        return None
    second = time.values.astype("datetime64[s]").astype(np.int64)
    if (np.diff(second) <= 0).any():
        raise ValueError(f"{time.name!r}: expected times that rise; sort the dataset by time")
    number = (second + utc_offset_s) // length
    first = np.flatnonzero(np.diff(number, prepend=number[:1] - 1))
    return Bins(number[first] * length - utc_offset_s, first, length)


def shortest_in(bins: Bins, from_s: NDArray[np.int64], interval_s: Floats) -> Floats:
    """Return the shortest interval that holds in each step, (bin, tube, depth) [s].

    Parameters
    ----------
    bins : Bins
    from_s : (stretch,)
        From when each stretch lasts, in order, UTC seconds; the first since ever.
    interval_s : (stretch, tube, depth), [s]
    """
    first = np.searchsorted(from_s[1:], bins.start_s, side="right")
    last = np.searchsorted(from_s[1:], bins.start_s + bins.length_s, side="left")
    found = interval_s[first]
    for further in range(1, int((last - first).max(initial=0)) + 1):
        found = np.minimum(found, interval_s[np.minimum(first + further, last)])
    return found


def bin_means(
    sensors: Sensors, bins: Bins, interval_s: NDArray[np.float64], completeness: float
) -> Sensors:
    """Return the means of each step; NaN where a sensor has too few readings in it.

    Random errors of readings average out, systematic ones do not; a mean is as doubtful as
    the most doubtful of its readings.

    Parameters
    ----------
    sensors : Sensors, (time, tube, depth)
    bins : Bins
    interval_s : (tube, depth) or (bin, tube, depth), [s]
        How often each sensor should log.
    completeness : float
        Share of the readings due that a step needs.
    """
    known = ~np.isnan(sensors.water) & (sensors.quality != _MISSING)
    count = np.add.reduceat(known.astype(np.int64), bins.first, axis=0)
    # 0.75 * 96 must not become 72.00000000000001.
    needed = np.ceil(np.round(completeness * np.maximum(bins.length_s / interval_s, 1.0), 6))
    enough = count >= np.maximum(needed, 1)
    divisor = np.where(enough, count, np.nan)

    def total(values: Floats) -> Floats:
        found: Floats = np.add.reduceat(np.where(known, values, 0.0), bins.first, axis=0)
        return found

    worst = np.maximum.reduceat(np.where(known, sensors.quality, 0), bins.first, axis=0)
    return Sensors(
        total(sensors.water) / divisor,
        np.sqrt(total(sensors.random**2)) / divisor,
        total(sensors.systematic) / divisor,
        np.where(enough, worst, _MISSING).astype(np.uint8),
    )
