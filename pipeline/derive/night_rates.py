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

from pipeline.arrays import Floats
from pipeline.derive.flux_laws import OFFSET_OF_USED, FluxLaws, flux_rates
from pipeline.derive.night_laws import BEYOND, Laws, Nights, law_rates, nights_of
from pipeline.derive.night_smoothing import smoothed
from pipeline.derive.tube_laws import TubeLaws, at_depths, tube_laws

# What is known before a night of the loss in common, of the law of one sensor there, and of
# nights about both; mm d-1 and relative. Found on test fields kept for tuning (docs/truth.md).
COMMON_MM_D = 0.2  # about laws of conductivity
FLUX_COMMON_MM_D = 1.4  # about laws of flux, which leave each night more of its own
LAW_MM_D, LAW_SHARE = 0.3, 0.2
OWN_MM_D, OWN_SHARE, NIGHT_MM_D = 0.18, 0.35, 0.07
FAR = 1.5  # standard deviations beyond which a sensor weighs less
RATE_MM_D, RATE_SHARE = 0.07, 0.06  # standard uncertainty of a night's drainage
FEW_NIGHTS = 60  # with so many behind a law, twice its variance
# That of an amount from the peak on by what the soil above the first sensor then still holds
# [mm], at the first sensor and far below it, and the way over which it falls off [m].
HELD_MM, LEAST_HELD_MM, HELD_M = 0.5, 0.22, 0.13
# Its mean at the first sensor where soil gained much, over what way that falls off, and what
# is much for a metre of soil; found on test fields kept for tuning (docs/truth.md).
MORE_MM, MORE_M, FULL_MM_M = 1.0, 0.2, 28.0


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


def tube_rates(pattern: pd.DataFrame, laws: TubeLaws | None = None) -> TubeRates:
    """Return the drainage of every night of a tube, wet ones too.

    Parameters
    ----------
    pattern : DataFrame
        As from `pipeline.derive.uptake.daily_pattern`, of one tube.
    laws : TubeLaws, optional
        Its laws, where they are known already (see `pipeline.derive.tube_laws`).

    Returns
    -------
    TubeRates
        The drainage is the law, of flux where there is one, and what nights drain beyond it:
        their rate less what sensors lose in common, as far as noise leaves it, part of it
        slow (see `pipeline.derive.night_smoothing`); in a night without a rate as the nights
        around have it. Without any law it is the rate itself.
    """
    nights = nights_of(pattern)
    laws = at_depths(laws or tube_laws(pattern), nights.depth_m)
    law, usual = _best_law(nights, laws)
    own = nights.rate - _in_common(law, nights, usual)
    room = np.sqrt(OWN_MM_D**2 + (OWN_SHARE * np.nan_to_num(law)) ** 2)
    noise = np.hypot(nights.noise, NIGHT_MM_D)
    beyond, unsure = smoothed(nights.night_s, own - law, noise, room)
    lawless = ~np.isfinite(law).any(axis=1, keepdims=True)
    rate = np.where(lawless, own, law + beyond)
    few = 1.0 + FEW_NIGHTS / np.maximum(laws.told[:, None], 1)
    noise = np.where(lawless, np.nan_to_num(nights.noise), unsure)
    error = np.sqrt(few * (RATE_MM_D**2 + (RATE_SHARE * rate) ** 2) + noise**2)
    return TubeRates(nights, laws.alone, laws.fluxes, laws.seen, law, beyond, rate, error)


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


def _best_law(nights: Nights, laws: TubeLaws) -> tuple[Floats, tuple[float | Floats, float]]:
    """Return the rates by laws of flux, (depth, night), and what is usually lost besides.

    By conductivity alone where a sensor, or the one below it in that night, has none.
    """
    alone = law_rates(laws.alone, nights, laws.seen)
    if laws.fluxes is None:
        return alone, (laws.alone.offset, COMMON_MM_D)
    within = nights.water <= laws.seen[:, None] + BEYOND
    rates = flux_rates(laws.fluxes, nights.water)
    best = np.where(np.isfinite(rates) & within, rates, alone)
    return best, (laws.fluxes.offset + OFFSET_OF_USED * nights.used, FLUX_COMMON_MM_D)


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
