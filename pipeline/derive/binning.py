"""Means of sensors over the steps of a model, with the rule for what is complete enough."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S, utc_seconds
from pipeline.derive.readings_due import time_stood_for
from pipeline.qc.flags import Quality

# Seconds of each step a model may run on; "native" takes the readings as they are.
STEPS_S = {"native": None, "hourly": 3600, "daily": DAY_S}
_MISSING = int(Quality.MISSING)


class Sensors(NamedTuple):
    """What sensors hold at some steps, each (time, tube, depth)."""

    water: Floats  # [m3 m-3], NaN where there is none
    random: Floats  # [m3 m-3]
    systematic: Floats  # [m3 m-3]
    quality: NDArray[np.uint8]

    @property
    def known(self) -> NDArray[np.bool_]:
        """Tell where there is a reading."""
        known: NDArray[np.bool_] = ~np.isnan(self.water) & (self.quality != _MISSING)
        return known


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
        If the step is none of `STEPS_S`, or the times are none or do not rise.
    """
    if step not in STEPS_S:
        raise ValueError(f"step: expected one of {sorted(STEPS_S)}, found {step!r}")
    length = STEPS_S[step]
    if length is None:
        return None
    second = utc_seconds(time)
    if (np.diff(second) <= 0).any():
        raise ValueError(f"{time.name!r}: expected times that rise; sort the dataset by time")
    number = (second + utc_offset_s) // length
    first = np.flatnonzero(np.diff(number, prepend=number[:1] - 1))
    return Bins(number[first] * length - utc_offset_s, first, length)


class Pace(NamedTuple):
    """How often sensors should log in each step of a model.

    ``shortest_s`` (tube, depth) or (bin, tube, depth) [s] is the shortest interval that holds
    in a step. ``shares`` (time, tube, depth) is for how many readings at that interval one
    counts; None where all count for one.
    """

    shortest_s: Floats
    shares: Floats | None = None


def pace_of(interval_s: Floats) -> Pace:
    """Return the pace of sensors that never log otherwise; NaN: never wired, as once a day."""
    return Pace(np.where(np.isnan(interval_s), float(DAY_S), interval_s))


def changing_pace(
    sensors: Sensors,
    bins: Bins,
    at_s: NDArray[np.int64],
    from_s: NDArray[np.int64],
    interval_s: Floats,
) -> Pace:
    """Return the pace of sensors whose interval changes, also within a step.

    Parameters
    ----------
    sensors : Sensors, (time, tube, depth)
    bins : Bins
    at_s : (time,), UTC [s]
        When there may be readings.
    from_s : (stretch,)
        From when each stretch lasts, in order, UTC seconds; the first since ever.
    interval_s : (stretch, tube, depth), [s]
        NaN while nothing is wired: that part of a step goes by the step's shortest interval,
        a whole step by the shortest ever.
    """
    first = np.searchsorted(from_s[1:], bins.start_s, side="right")
    last = np.searchsorted(from_s[1:], bins.start_s + bins.length_s, side="left")
    ever = pace_of(np.fmin.reduce(interval_s, axis=0)).shortest_s
    shortest = interval_s[first]
    longest = shortest
    for further in range(1, int((last - first).max(initial=0)) + 1):
        own = interval_s[np.minimum(first + further, last)]
        shortest, longest = np.fmin(shortest, own), np.fmax(longest, own)
    changing = np.flatnonzero((longest > shortest).any(axis=(1, 2)))
    shortest = np.where(np.isnan(shortest), ever, shortest)
    if not changing.size:
        return Pace(shortest)
    known = sensors.known
    shares = np.ones(known.shape)
    ends = np.append(bins.first[1:], at_s.size)
    for step in changing:
        within = slice(bins.first[step], ends[step])
        held = interval_s[np.searchsorted(from_s[1:], at_s[within], side="right")]
        held = np.where(np.isnan(held), shortest[step], held)
        end_s = int(bins.start_s[step]) + bins.length_s
        own = time_stood_for(at_s[within], held, known[within], end_s) / shortest[step]
        differ = (held != shortest[step]).any(axis=0)
        shares[within] = np.where(differ, own, 1.0)
    return Pace(shortest, shares)


def bin_means(sensors: Sensors, bins: Bins, pace: Pace, completeness: float) -> Sensors:
    """Return the means of each step; NaN where a sensor has too few readings in it.

    Random errors of readings average out, systematic ones do not; a mean is as doubtful as
    the most doubtful of its readings.

    Parameters
    ----------
    sensors : Sensors, (time, tube, depth)
    bins : Bins
    pace : Pace
        How often each sensor should log.
    completeness : float
        Share of the readings due that a step needs.
    """
    known = sensors.known
    counted = known.astype(np.int64) if pace.shares is None else known * pace.shares
    count = np.add.reduceat(counted, bins.first, axis=0)
    due = np.maximum(bins.length_s / pace.shortest_s, 1.0)
    # 0.75 * 96 must not become 72.00000000000001; a third and a third and a third is one.
    needed = np.ceil(np.round(completeness * due, 6))
    enough = np.round(count, 6) >= np.maximum(needed, 1)
    divisor = np.where(enough, count, np.nan)

    def total(values: Floats, power: int = 1) -> Floats:
        part = values if pace.shares is None else values * pace.shares
        found: Floats = np.add.reduceat(np.where(known, part**power, 0.0), bins.first, axis=0)
        return found

    worst = np.maximum.reduceat(np.where(known, sensors.quality, 0), bins.first, axis=0)
    return Sensors(
        total(sensors.water) / divisor,
        np.sqrt(total(sensors.random, 2)) / divisor,
        total(sensors.systematic) / divisor,
        np.where(enough, worst, _MISSING).astype(np.uint8),
    )
