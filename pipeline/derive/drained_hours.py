"""What drained past a sensor in an event: by the hour for two days, by nights after them.

After the peak of the water above a sensor its flux falls by much within hours, which nights
see once. For two days the law of flux is therefore followed hour by hour along the water
content read, which an event keeps as means over a few spans; what nights drain beyond their
law comes in from half a day after the peak. Later on the rates of nights are followed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.arrays import Bools, Floats, Integers
from pipeline.axis import DAY_S
from pipeline.compiled import kernel
from pipeline.derive.drainage import LEAST_FALLING, event_drainage, mean_between
from pipeline.derive.night_rates import TubeRates, rates_at

# Hours after the peak between which water content is kept. The first hour counts nothing: the
# front is still passing, and at the wettest a law says the most and knows the least.
EDGES_H = (1, 2, 4, 8, 16, 32, 48)
HERE = tuple(f"water_after_{hour}h" for hour in EDGES_H[:-1])
BELOW = tuple(f"below_after_{hour}h" for hour in EDGES_H[:-1])
# Laws exponential in water content, fitted to nights, say too little of the wet hours: so much
# at the peak, as a share, fading with this constant [h]; found on test fields kept for tuning.
MORE_SHARE, MORE_HOURS = 0.24, 27.0
NIGHTS_FROM_H = 12.0  # the nights around a peak tell nothing of the hours after it
LEAST_KNOWN = 0.5  # of the hours, else nights alone tell the amount
HOURS_SHARE = 0.11  # relative standard uncertainty of what passes in the two days


def water_after_peak(
    water: Floats, peak: Integers, end: Integers, interval_s: int
) -> dict[str, NDArray[np.float32]]:
    """Return mean water content at each sensor and the next one after the sensor's peak.

    Parameters
    ----------
    water : (depth, time), [m3 m-3]
    peak : (event, depth)
        Steps of the peak of the water above each sensor, -1 for none.
    end : (event,)
        Steps of the ends of events.
    interval_s : int

    Returns
    -------
    dict
        `HERE` and `BELOW`, each (event * depth,), [m3 m-3]: means of what was read between
        two of `EDGES_H` and before the end; NaN where nothing was.
    """
    edges = np.array(EDGES_H, np.int64) * 3600 // interval_s
    found = np.full((2, *peak.shape, len(edges) - 1), np.nan)
    _means_after(water, peak, end, edges, found)
    rows = found.astype(np.float32).reshape(2, -1, len(edges) - 1)
    return {
        name: rows[side, :, n]
        for side, names in enumerate((HERE, BELOW))
        for n, name in enumerate(names)
    }


@kernel
def _means_after(
    water: Floats, peak: Integers, end: Integers, edges: Integers, found: Floats
) -> None:  # pragma: no cover
    events, depths = peak.shape
    for e in range(events):
        for k in range(depths):
            if peak[e, k] < 0:
                continue
            for n in range(edges.size - 1):
                first = peak[e, k] + edges[n]
                stop = min(peak[e, k] + edges[n + 1], end[e], water.shape[1])
                for side in range(min(2, depths - k)):
                    count, total = 0, 0.0
                    for i in range(first, stop):
                        if water[k + side, i] == water[k + side, i]:
                            count += 1
                            total += water[k + side, i]
                    if count > 0:
                        found[side, e, k, n] = total / count


def drained_amounts(
    rows: pd.DataFrame,
    end_s: Integers,
    pattern: pd.DataFrame,
    rates: TubeRates,
    held: tuple[Floats, float],
) -> tuple[Floats, Floats, Floats]:
    """Return what passed a sensor from peaks to ends of events.

    Parameters
    ----------
    rows : DataFrame
        ``depth_m``, ``storage_peak_s``, `HERE` and `BELOW` of the events at one sensor.
    end_s : (event,)
        UTC seconds.
    pattern : DataFrame
        The sensor's nights with ``drainage_mm_d``, in order of time.
    rates : TubeRates
        The laws of its tube.
    held : ((event,), float)
        What every amount is more by [mm], and its standard uncertainty (see
        `night_rates.held_above`).

    Returns
    -------
    amount, error, known : (event,)
        As of `event_drainage`, which tells the amount where hours do not.
    """
    peak_s = rows["storage_peak_s"].to_numpy(np.int64)
    amount, error, known = event_drainage(peak_s, end_s, pattern, "drainage_mm_d", held)
    sensor = int(np.flatnonzero(rates.nights.depth_m == rows["depth_m"].iloc[0])[0])
    if not np.isfinite(rates.law[sensor]).any():
        return amount, error, known
    here, below = (
        np.stack([rows[name].to_numpy(np.float64) for name in names], axis=1)
        for names in (HERE, BELOW)
    )
    flux = rates_at(rates, sensor, here, below)
    edges = np.array(EDGES_H, np.float64)
    hours = np.clip((end_s - peak_s)[:, None] / 3600.0 - edges[:-1], 0.0, np.diff(edges))
    told = (hours * np.isfinite(flux)).sum(axis=1) >= LEAST_KNOWN * hours.sum(axis=1)
    told &= np.isfinite(amount)
    night, beyond = rates.nights.night_s, rates.beyond[sensor]
    rate, unsure = rates.rate[sensor], rates.error[sensor]
    there = np.isfinite(rate)
    nights = night[there], rate[there], unsure[there], beyond[there]
    by_hours, error_by_hours = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    middle = edges[:-1] + 0.5 * hours
    weights = (
        hours * (1.0 + MORE_SHARE * np.exp(-middle / MORE_HOURS)),
        hours * (middle >= NIGHTS_FROM_H),
    )
    spans = peak_s, end_s, middle
    _amounts(flux, told, (spans, weights), nights, (by_hours, error_by_hours))
    amount = np.where(told, by_hours + held[0], amount)
    return amount, np.where(told, np.hypot(error_by_hours, held[1]), error), known


@kernel
def _amounts(
    flux: Floats,
    told: Bools,
    parts: tuple[tuple[Integers, Integers, Floats], tuple[Floats, Floats]],
    nights: tuple[Integers, Floats, Floats, Floats],
    out: tuple[Floats, Floats],
) -> None:  # pragma: no cover
    """Fill amounts and their errors [mm]; weights are hours of the law, and of nights."""
    (peak, end, middle), (of_law, of_nights) = parts
    night, rate, unsure, beyond = nights
    amount, error = out
    for e in range(peak.size):
        if not told[e]:
            continue
        first, stop = np.searchsorted(night, peak[e]), np.searchsorted(night, end[e])
        by_law, besides = 0.0, 0.0
        for n in range(middle.shape[1]):
            by_law += of_law[e, n] * _filled(flux[e], middle[e], n)
            if of_nights[e, n] > 0.0:
                at = peak[e] + 3600.0 * middle[e, n]
                besides += of_nights[e, n] * _line(night, beyond, first, stop, at)
        late, wrong = _later(night, rate, unsure, (first, stop), (peak[e], end[e]))
        amount[e] = (by_law + besides) / 24.0 + late
        error[e] = np.hypot(HOURS_SHARE * by_law / 24.0, wrong)


@kernel
def _filled(flux: Floats, middle: Floats, n: int) -> float:  # pragma: no cover
    """Return a flux, along a line between those known where it is not, else the nearest."""
    if flux[n] == flux[n]:
        return flux[n]
    before, after = n - 1, n + 1
    while before >= 0 and flux[before] != flux[before]:
        before -= 1
    while after < flux.size and flux[after] != flux[after]:
        after += 1
    if before < 0:
        return flux[after]
    if after >= flux.size:
        return flux[before]
    share = (middle[n] - middle[before]) / (middle[after] - middle[before])
    return flux[before] + share * (flux[after] - flux[before])


@kernel
def _line(
    night: Integers, values: Floats, first: int, stop: int, at: float
) -> float:  # pragma: no cover
    """Return the value of some nights at an instant, along lines; as the nearest outside."""
    after = min(max(int(np.searchsorted(night, at)), first), stop)
    if after == first:
        return values[first]
    if after == stop:
        return values[stop - 1]
    share = (at - night[after - 1]) / (night[after] - night[after - 1])
    return values[after - 1] + share * (values[after] - values[after - 1])


@kernel
def _later(
    night: Integers, rate: Floats, unsure: Floats, part: tuple[int, int], span: tuple[int, int]
) -> tuple[float, float]:  # pragma: no cover
    """Return what passes after the hours, and what it may be wrong by, by nights [mm]."""
    first, stop = part
    begin, end = span[0] + 3600 * EDGES_H[-1], span[1]
    total, wrong = 0.0, 0.0
    n = min(max(int(np.searchsorted(night, begin)), first), stop)
    while begin < end:
        until = min(end, night[n]) if n < stop else end
        if until > begin:
            low, high = max(n - 1, first), min(n, stop - 1)
            here = _rate_at(night, rate, low, high, begin)
            there = _rate_at(night, rate, low, high, until)
            total += mean_between(here, there) * (until - begin)
            wrong += 0.5 * (unsure[low] + unsure[high]) * (until - begin)
        begin = until
        n += 1
    return total / DAY_S, wrong / DAY_S


@kernel
def _rate_at(
    night: Integers, rate: Floats, low: int, high: int, at: int
) -> float:  # pragma: no cover
    """Return the rate between two nights as an exponential fall has it, else along a line."""
    if low == high:
        return rate[low]
    share = (at - night[low]) / (night[high] - night[low])
    if rate[low] > LEAST_FALLING and rate[high] > LEAST_FALLING:
        return rate[low] * (rate[high] / rate[low]) ** share
    return rate[low] + share * (rate[high] - rate[low])
