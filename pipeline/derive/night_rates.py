"""Drainage of nights freed of what they lose besides: laws of nights with one offset.

What a tube loses in a night is drainage past its sensors and, in all of them alike, water
that goes from the first sensor's soil into the dry soil above, which no sensor sees. It is
told from drainage as what sensors lose in common beyond the laws that all nights together
show: of flux (`pipeline.derive.flux_laws`), and of conductivity alone where there are none.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.derive.flux_laws import (
    ANCHOR,
    OFFSET_OF_USED,
    FluxLaws,
    flux_laws,
    flux_rates,
)
from pipeline.derive.law_fits import laws_by_offset
from pipeline.derive.night_smoothing import smoothed
from pipeline.derive.uptake import UNSEEN_MM_D

LEAST_FIT, LEAST_SPAN = 8, 0.02  # nights and range of water content of a fit
SLOPES = np.geomspace(8.0, 250.0, 30)  # of ln K in water content
OFFSETS = np.arange(-0.2, 0.61, 0.1)  # mm d-1, of what nights lose besides drainage
LEAST_NOISE_MM_D = 0.01  # of a rate; with no more it was not measured
FIT_MM_D = 0.3  # standard deviation of a night's rate about its law, besides noise
# What is known before a night of the loss in common, of the law of one sensor there, and of
# nights about both; mm d-1 and relative. Found on test fields kept for tuning (docs/truth.md).
COMMON_MM_D = 0.2  # about laws of conductivity
FLUX_COMMON_MM_D = 1.4  # about laws of flux, which leave each night more of its own
LAW_MM_D, LAW_SHARE = 0.3, 0.2
OWN_MM_D, OWN_SHARE, NIGHT_MM_D = 0.18, 0.35, 0.07
BEYOND = 0.025  # m3 m-3, how far a law is followed beyond the wettest night it was fitted to
USED_DAYS, USED_MM_D = 10, 1.0  # either side of a night of which uptake is meant; if unknown
# Share of nights by whose distance from a law scatter is told, and their bounds if normal.
SCATTER_SHARE, SCATTER_DEVIATE = 0.9, 1.6449
FAR = 1.5  # standard deviations beyond which a sensor weighs less
RATE_MM_D, RATE_SHARE = 0.07, 0.06  # standard uncertainty of a night's drainage
FEW_NIGHTS = 60  # with so many behind a law, twice its variance
# That of an amount from the peak on by what the soil above the first sensor then still holds
# [mm], at the first sensor and far below it, and the way over which it falls off [m].
HELD_MM, LEAST_HELD_MM, HELD_M = 0.5, 0.22, 0.13
# Its mean at the first sensor where soil gained much, over what way that falls off, and what
# is much for a metre of soil; found on test fields kept for tuning (docs/truth.md).
MORE_MM, MORE_M, FULL_MM_M = 1.0, 0.2, 28.0


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


def law_rates(laws: Laws, nights: Nights) -> Floats:
    """Return the conductivity of each sensor in each night, (depth, night), [mm d-1].

    NaN where soil was wetter by `BEYOND` than in any night with a rate: the law is not known
    there, and grows fast.
    """
    seen = _wettest(nights)
    water = np.where(nights.water <= seen[:, None] + BEYOND, nights.water, np.nan)
    rates: Floats = np.exp(laws.intercept[:, None] + laws.slope[:, None] * water)
    return rates


def _wettest(nights: Nights) -> Floats:
    """Return the water content of each sensor's wettest night with a rate, (depth,)."""
    told = np.where(np.isfinite(nights.rate), nights.water, -np.inf)
    wettest: Floats = told.max(axis=1, initial=0.0)
    return wettest


def common_loss(laws: Laws, nights: Nights) -> Floats:
    """Return what sensors lose in common in each night beyond their laws, (night,), [mm d-1].

    A night of which no sensor with a law has a rate has the offset of the laws.
    """
    return _in_common(law_rates(laws, nights), nights, (laws.offset, COMMON_MM_D))


def _in_common(by_law: Floats, nights: Nights, usual: tuple[float | Floats, float]) -> Floats:
    """Return what sensors lose in common beyond the rates by any law, (night,), [mm d-1].

    ``usual`` is what is known before: mean and standard deviation.
    """
    offset, spread = usual
    over = nights.rate - by_law
    weight = 1.0 / (nights.noise**2 + LAW_MM_D**2 + (LAW_SHARE * by_law) ** 2)
    weight = np.where(np.isfinite(over), weight, 0.0)
    over = np.where(np.isfinite(over), over, 0.0)
    before = 1.0 / spread**2
    far = weight
    common = np.broadcast_to(offset, over.shape[1])
    for _ in range(4):
        common = ((far * over).sum(axis=0) + before * offset) / (far.sum(axis=0) + before)
        far = weight / np.maximum(1.0, np.abs(over - common) * np.sqrt(weight) / FAR)
    return common


class TubeRates(NamedTuple):
    """Drainage of the nights of one tube, and the laws it rests on.

    ``law``, ``beyond``, ``rate`` and ``error`` are (depth, night), [mm d-1]: by law, what a
    night drains beyond it, the drainage, and its standard uncertainty. ``fluxes`` is None
    where nights tell no laws of flux; ``seen`` (depth,) [m3 m-3] is the wettest night with a
    rate.
    """

    nights: Nights
    alone: Laws
    fluxes: FluxLaws | None
    seen: Floats
    law: Floats
    beyond: Floats
    rate: Floats
    error: Floats


def tube_rates(pattern: pd.DataFrame) -> TubeRates:
    """Return the drainage of every night of a tube, wet ones too.

    Parameters
    ----------
    pattern : DataFrame
        As from `pipeline.derive.uptake.daily_pattern`, of one tube.

    Returns
    -------
    TubeRates
        The drainage is the law, of flux where there is one, and what nights drain beyond it:
        their rate less what sensors lose in common, as far as noise leaves it, part of it
        slow (see `pipeline.derive.night_smoothing`); in a night without a rate as the nights
        around have it. Without any law it is the rate itself.
    """
    nights = nights_of(pattern)
    laws = conductivity_laws(nights)
    fluxes = flux_laws(nights.depth_m, nights.rate, nights.noise, nights.water, nights.used)
    seen = _wettest(nights)
    law, usual = _best_law(nights, laws, fluxes, seen)
    own = nights.rate - _in_common(law, nights, usual)
    room = np.sqrt(OWN_MM_D**2 + (OWN_SHARE * np.nan_to_num(law)) ** 2)
    noise = np.hypot(nights.noise, NIGHT_MM_D)
    beyond, unsure = smoothed(nights.night_s, own - law, noise, room)
    lawless = ~np.isfinite(law).any(axis=1, keepdims=True)
    rate = np.where(lawless, own, law + beyond)
    told = np.isfinite(nights.rate).sum(axis=1, keepdims=True)
    few = 1.0 + FEW_NIGHTS / np.maximum(told, 1)
    noise = np.where(lawless, np.nan_to_num(nights.noise), unsure)
    error = np.sqrt(few * (RATE_MM_D**2 + (RATE_SHARE * rate) ** 2) + noise**2)
    return TubeRates(nights, laws, fluxes, seen, law, beyond, rate, error)


def drained_rates(pattern: pd.DataFrame, rates: TubeRates | None = None) -> pd.DataFrame:
    """Return a pattern with ``drainage_mm_d`` and ``drainage_error`` of every night [mm d-1].

    ``rates`` are those of its nights where they are known already (see `tube_rates`).
    """
    rates = rates or tube_rates(pattern)
    depth_m, night_s = rates.nights.depth_m, rates.nights.night_s
    row = np.searchsorted(depth_m, pattern["depth_m"].to_numpy(np.float64))
    column = np.searchsorted(night_s, pattern["night_s"].to_numpy(np.int64))
    return pattern.assign(
        drainage_mm_d=rates.rate[row, column], drainage_error=rates.error[row, column]
    )


def _best_law(
    nights: Nights, laws: Laws, fluxes: FluxLaws | None, seen: Floats
) -> tuple[Floats, tuple[float | Floats, float]]:
    """Return the rates by laws of flux, (depth, night), and what is usually lost besides.

    By conductivity alone where a sensor, or the one below it in that night, has none.
    """
    alone = law_rates(laws, nights)
    if fluxes is None:
        return alone, (laws.offset, COMMON_MM_D)
    within = nights.water <= seen[:, None] + BEYOND
    rates = flux_rates(fluxes, nights.water)
    best = np.where(np.isfinite(rates) & within, rates, alone)
    return best, (fluxes.offset + OFFSET_OF_USED * nights.used, FLUX_COMMON_MM_D)


def rates_at(rates: TubeRates, sensor: int, here: Floats, below: Floats) -> Floats:
    """Return the flux past a sensor by its law, of the shape of ``here``, [mm d-1].

    Parameters
    ----------
    rates : TubeRates
    sensor : int
    here, below : array, [m3 m-3]
        Water content at the sensor and at the next one downwards. Soil wetter by `BEYOND`
        than in any night with a rate counts as just so wet.

    Returns
    -------
    array
        By conductivity alone where there is no law of flux, or no water content below; NaN
        where there is neither.
    """
    most = rates.seen + BEYOND
    here = np.minimum(here, most[sensor])
    alone: Floats = np.exp(rates.alone.intercept[sensor] + rates.alone.slope[sensor] * here)
    if rates.fluxes is None:
        return alone
    water = np.full((len(rates.seen), here.size), np.nan)
    water[sensor] = here.ravel()
    if sensor + 1 < len(water):
        water[sensor + 1] = np.minimum(below, most[sensor + 1]).ravel()
    flux = flux_rates(rates.fluxes, water)[sensor].reshape(here.shape)
    return np.where(np.isfinite(flux), flux, alone)


def held_above(depth_m: float, below_first_m: float, gain_mm: Floats) -> tuple[Floats, float]:
    """Return what passes a sensor after the peak beyond what nights tell, and its error [mm].

    When the sensors hold most, the soil above the first one, which rain wetted last, holds
    more than they tell; that passes the upper sensors soon after.

    Parameters
    ----------
    depth_m, below_first_m : float
        Of the sensor, below the surface and below the first sensor [m].
    gain_mm : (event,)
        What the soil above the sensor gained; taken as much where it is not known.

    Returns
    -------
    (event,), [mm], and its standard uncertainty [mm]
    """
    wetted = 1.0 - np.exp(-np.maximum(gain_mm, 0.0) / (FULL_MM_M * depth_m))
    wetted = np.where(np.isfinite(gain_mm), wetted, 1.0)
    near = np.exp(-((below_first_m / MORE_M) ** 2))
    error = LEAST_HELD_MM + HELD_MM * np.exp(-below_first_m / HELD_M)
    return MORE_MM * near * wetted, float(error)


def _spread(away: Floats) -> Floats:
    """Return the standard deviation told by distances, (depth,); NaN without any."""
    known = [row[np.isfinite(row)] for row in away]
    kept = [float(np.quantile(row, SCATTER_SHARE)) if row.size else np.nan for row in known]
    return np.array(kept) / SCATTER_DEVIATE
