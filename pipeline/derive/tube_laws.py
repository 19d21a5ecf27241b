"""The laws of a tube: of conductivity by sensor and of flux, and which nights they rest on.

Each night tells something of the laws, so laws fitted to all nights would differ every night,
and with them every amount of the past; and a fit costs as much as the record is long. From two
months on they are fitted anew only when the record has grown by a thirty-second part, or by 32
days, to the nights before a day that its length alone decides. So a record has the same laws
however its nights were cut.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from pipeline.arrays import Bools, Floats, Integers
from pipeline.axis import DAY_S
from pipeline.derive.flux_laws import PARTS, FluxLaws, flux_laws
from pipeline.derive.night_laws import (
    Laws,
    conductivity_laws,
    nights_of,
    wettest,
)

SETTLED_DAYS = 10  # before the last: readings to come may still change later ones
EVERY_NIGHT_DAYS = 64  # so long records have their laws fitted every night
GROWN_SHARE, GROWN_DAYS = 32, 32  # a part of the record, and the most
ALL_NIGHTS_S = 2**62  # later than any night
# Columns of laws as rows: of conductivity, and of flux in the order of its parameters.
_ALONE = ("intercept", "slope", "scatter_mm_d")
_FLUX = ("ln_k", "k_slope", "ln_d", "d_slope", "off_rest", "share_below")
FLUX_COLUMNS = (*_FLUX, "middle", "apart_m", "flux_offset_mm_d")
LAW_COLUMNS = (
    *("depth_m", "until_s", "seen", "nights", *_ALONE, "offset_mm_d"),
    *FLUX_COLUMNS,
)


class TubeLaws(NamedTuple):
    """Laws of the sensors of a tube, and the nights they rest on.

    ``alone`` are laws of conductivity, ``fluxes`` those of flux, None where nights tell none.
    Of sensors (depth,): ``depth_m`` [m], downwards; ``seen`` [m3 m-3] the wettest night with a
    rate, ``told`` how many nights have one. Nights of days from ``until_s`` on, UTC seconds,
    do not count.
    """

    depth_m: Floats
    until_s: int
    alone: Laws
    fluxes: FluxLaws | None
    seen: Floats
    told: Floats


def laws_until_s(day_s: Integers) -> int:
    """Return before which day nights count for the laws of a record, UTC seconds.

    Parameters
    ----------
    day_s : (day,)
        Days of the record, in any order; only the first and the last matter.
    """
    if len(day_s) == 0:
        return ALL_NIGHTS_S
    first, last = int(np.min(day_s)), int(np.max(day_s))
    settled = (last - first) // DAY_S + 1 - SETTLED_DAYS
    if settled < EVERY_NIGHT_DAYS:
        return ALL_NIGHTS_S
    days = EVERY_NIGHT_DAYS
    while (grown := days + min(days // GROWN_SHARE, GROWN_DAYS)) <= settled:
        days = grown
    return first + days * DAY_S


def that_count(pattern: pd.DataFrame, until_s: int | None = None) -> Bools:
    """Tell which rows of a daily pattern count for its laws: those before a day, (row,)."""
    days = pattern["day_s"].to_numpy(np.int64)
    found: Bools = days < (laws_until_s(days) if until_s is None else until_s)
    return found


def tube_laws(pattern: pd.DataFrame) -> TubeLaws:
    """Fit the laws of a tube to the nights that count.

    Parameters
    ----------
    pattern : DataFrame
        As from `pipeline.derive.uptake.daily_pattern`, of one tube.
    """
    until_s = laws_until_s(pattern["day_s"].to_numpy(np.int64))
    nights = nights_of(pattern[that_count(pattern, until_s)])
    fluxes = flux_laws(nights.depth_m, nights.rate, nights.noise, nights.water, nights.used)
    told = np.isfinite(nights.rate).sum(axis=1).astype(np.float64)
    alone = conductivity_laws(nights)
    return TubeLaws(nights.depth_m, until_s, alone, fluxes, wettest(nights), told)


def at_depths(laws: TubeLaws, depth_m: Floats) -> TubeLaws:
    """Return laws for other sensors, (depth,), [m]: those of the same depths, else none."""
    place = {depth: k for k, depth in enumerate(laws.depth_m.tolist())}
    rows = np.array([place.get(depth, -1) for depth in depth_m.tolist()], np.int64)

    def taken(values: Floats, without: float) -> Floats:
        found: Floats = np.where(
            (rows < 0).reshape(-1, *(1,) * (values.ndim - 1)), without, values[rows]
        )
        return found

    alone, fluxes = laws.alone, laws.fluxes
    if fluxes is not None:
        fluxes = FluxLaws(
            taken(fluxes.parameters, np.nan),
            taken(fluxes.middle, np.nan),
            taken(fluxes.apart_m, 1.0),
            fluxes.offset,
        )
    return TubeLaws(
        depth_m,
        laws.until_s,
        Laws(
            taken(alone.intercept, np.nan),
            taken(alone.slope, np.nan),
            alone.offset,
            taken(alone.scatter, np.nan),
        ),
        fluxes,
        taken(laws.seen, 0.0),
        taken(laws.told, 0.0),
    )


def rows_of(laws: TubeLaws) -> pd.DataFrame:
    """Return laws as rows, one a sensor; `laws_of` makes the same laws of them again."""
    depths, fluxes = len(laws.depth_m), laws.fluxes
    if fluxes is None:
        none = np.full(depths, np.nan)
        fluxes = FluxLaws(np.full((depths, PARTS), np.nan), none, np.ones(depths), np.nan)
    alone = laws.alone
    values = (
        *(laws.depth_m, np.full(depths, laws.until_s), laws.seen, laws.told),
        *(alone.intercept, alone.slope, alone.scatter, np.full(depths, alone.offset)),
        *(*fluxes.parameters.T, fluxes.middle, fluxes.apart_m),
        np.full(depths, fluxes.offset),
    )
    return pd.DataFrame(dict(zip(LAW_COLUMNS, values, strict=True)))


def laws_of(rows: pd.DataFrame) -> TubeLaws:
    """Return the laws that rows of `rows_of` tell; there is one row or more."""

    def column(name: str) -> Floats:
        return rows[name].to_numpy(np.float64)

    fluxes = FluxLaws(
        np.stack([column(name) for name in _FLUX], axis=1),
        column("middle"),
        column("apart_m"),
        float(column("flux_offset_mm_d")[0]),
    )
    intercept, slope, scatter = (column(name) for name in _ALONE)
    return TubeLaws(
        column("depth_m"),
        int(rows["until_s"].iloc[0]),
        Laws(intercept, slope, float(column("offset_mm_d")[0]), scatter),
        fluxes if np.isfinite(fluxes.offset) else None,
        column("seen"),
        column("nights"),
    )
