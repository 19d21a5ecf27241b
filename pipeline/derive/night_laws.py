"""Nights of a tube as arrays, and conductivity by sensor as they show it.

A night that tells a rate of loss and a water content tells something of the conductivity at
that water content. A law exponential in water content is fitted to the nights of each sensor.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.derive.flux_laws import ANCHOR
from pipeline.derive.law_fits import laws_by_offset
from pipeline.derive.uptake import UNSEEN_MM_D

LEAST_FIT, LEAST_SPAN = 8, 0.02  # nights and range of water content of a fit
SLOPES = np.geomspace(8.0, 250.0, 30)  # of ln K in water content
OFFSETS = np.arange(-0.2, 0.61, 0.1)  # mm d-1, of what nights lose besides drainage
LEAST_NOISE_MM_D = 0.01  # of a rate; with no more it was not measured
FIT_MM_D = 0.3  # standard deviation of a night's rate about its law, besides noise
BEYOND = 0.025  # m3 m-3, how far a law is followed beyond the wettest night it was fitted to
USED_DAYS, USED_MM_D = 10, 1.0  # either side of a night of which uptake is meant; if unknown
# Share of nights by whose distance from a law scatter is told, and their bounds if normal.
SCATTER_SHARE, SCATTER_DEVIATE = 0.9, 1.6449


class Laws(NamedTuple):
    """``K = exp(intercept + slope * water_content)`` [mm d-1] of sensors, (depth,).

    NaN for a sensor without a law. ``offset`` [mm d-1] is what nights lose besides drainage,
    one number for all sensors; ``scatter`` (depth,) [mm d-1] that of nights about the law.
    """

    intercept: Floats
    slope: Floats
    offset: float
    scatter: Floats


class Nights(NamedTuple):
    """Nights of one tube, (depth, night): rate, its noise, and water content.

    ``used`` (night,) [mm d-1] is what roots and air take above the third sensor by day, a mean
    of three weeks.
    """

    depth_m: Floats
    night_s: NDArray[np.int64]
    rate: Floats
    noise: Floats
    water: Floats
    used: Floats


def nights_of(pattern: pd.DataFrame) -> Nights:
    """Return the nights of a daily pattern as arrays, NaN where there is no value.

    The pattern has one row a night and depth at most.
    """
    depth_m, row = np.unique(pattern["depth_m"].to_numpy(np.float64), return_inverse=True)
    night_s, column = np.unique(pattern["night_s"].to_numpy(np.int64), return_inverse=True)

    def grid(name: str) -> Floats:
        values = np.full((len(depth_m), len(night_s)), np.nan)
        values[row, column] = pattern[name].to_numpy(np.float64) + 0.0  # no zero below 0
        return values

    rate, water = grid("night_drainage_mm_d"), grid("night_water_content")
    error, used = grid("night_drainage_error"), grid("uptake_above_mm_d")
    noise = np.sqrt(np.maximum(error**2 - UNSEEN_MM_D**2, LEAST_NOISE_MM_D**2))
    usual = _used_around(night_s, used[min(ANCHOR, len(used) - 1)])
    return Nights(depth_m, night_s, rate, noise, water, usual)


def _used_around(night_s: NDArray[np.int64], used: Floats) -> Floats:
    """Return the mean of what is used by day around each night, (night,), [mm d-1]."""
    known = np.isfinite(used)
    sums = np.append(0.0, np.cumsum(np.where(known, used, 0.0)))
    counts = np.append(0, np.cumsum(known))
    first = np.searchsorted(night_s, night_s - USED_DAYS * DAY_S)
    stop = np.searchsorted(night_s, night_s + USED_DAYS * DAY_S, side="right")
    count = counts[stop] - counts[first]
    mean = np.maximum((sums[stop] - sums[first]) / np.maximum(count, 1), 0.0)
    return np.where(count > 0, mean, USED_MM_D)


def conductivity_laws(nights: Nights) -> Laws:
    """Fit the rates of nights by conductivities exponential in water content.

    ``rate = exp(intercept + slope * water_content) + offset``, the offset one for all sensors
    of the tube: alone, a sensor whose water content moves little would not tell it.

    Returns
    -------
    Laws
        NaN for sensors with fewer than eight nights or a range of less than 0.02 m3 m-3, or
        that drain by no more than the offset. Least squares, far nights weighing less (Huber);
        slopes and offsets by trials.
    """
    depths = len(nights.rate)
    misfit = np.full((len(OFFSETS), depths), np.nan)
    found = np.full((len(OFFSETS), depths, 2), np.nan)
    for k in range(depths):
        known = np.isfinite(nights.rate[k]) & np.isfinite(nights.water[k])
        water, rate = nights.water[k, known], nights.rate[k, known]
        if len(rate) < LEAST_FIT or float(np.ptp(water)) < LEAST_SPAN:
            continue
        weight = 1.0 / (nights.noise[k, known] ** 2 + FIT_MM_D**2)
        misfit[:, k], found[:, k] = laws_by_offset(water, rate, weight, OFFSETS, SLOPES)
    best = int(np.argmin(np.nansum(misfit, axis=1)))
    offset = float(OFFSETS[best]) if np.isfinite(misfit[best]).any() else 0.0
    intercept, slope = found[best].T
    laws = Laws(intercept, slope, offset, np.full(depths, np.nan))
    return laws._replace(scatter=_scatter(laws, nights))


def _scatter(laws: Laws, nights: Nights) -> Floats:
    """Return how nights scatter about the laws, (depth,), [mm d-1].

    By the distance that `SCATTER_SHARE` of the nights keep to, as that of a normal
    distribution. Nights soon after a peak, in which more passes than the water content says,
    are few, and the median hardly knows of them; the mean of squares knows little else.

    Once the sun has dried the soil above the first sensor none of it drains, and its rate is
    nothing without having been measured, hence without noise: such a night agrees with any
    law that is small in dry soil, and tells no scatter. Where fewer than `LEAST_FIT` nights
    tell, all count, and a rate may be off by what it may be off unseen.
    """
    away = np.abs(nights.rate - laws.offset - law_rates(laws, nights))
    telling = np.where(nights.noise > 1.01 * LEAST_NOISE_MM_D, away, np.nan)
    few = np.isfinite(telling).sum(axis=1) < LEAST_FIT
    return np.where(few, np.hypot(_spread(away), UNSEEN_MM_D), _spread(telling))


def law_rates(laws: Laws, nights: Nights, seen: Floats | None = None) -> Floats:
    """Return the conductivity of each sensor in each night, (depth, night), [mm d-1].

    NaN where soil was wetter by `BEYOND` than in any night with a rate, or than ``seen``
    (depth,), [m3 m-3]: the law is not known there, and grows fast.
    """
    seen = wettest(nights) if seen is None else seen
    water = np.where(nights.water <= seen[:, None] + BEYOND, nights.water, np.nan)
    rates: Floats = np.exp(laws.intercept[:, None] + laws.slope[:, None] * water)
    return rates


def wettest(nights: Nights) -> Floats:
    """Return the water content of each sensor's wettest night with a rate, (depth,)."""
    told = np.where(np.isfinite(nights.rate), nights.water, -np.inf)
    wettest: Floats = told.max(axis=1, initial=0.0)
    return wettest


def _spread(away: Floats) -> Floats:
    """Return the standard deviation told by distances, (depth,); NaN without any."""
    known = [row[np.isfinite(row)] for row in away]
    kept = [float(np.quantile(row, SCATTER_SHARE)) if row.size else np.nan for row in known]
    return np.array(kept) / SCATTER_DEVIATE
