"""Drift suspected without any reference; nothing is ever corrected by it.

Two kinds of evidence, each a series of few values tested for a trend:

- **wet end**: some days after a wetting in the wet half of the year a soil has drained to much
  the same water content, year after year. If that state creeps, the sensor does.
- **neighbours**: the difference from sensors at the same depth in other tubes of the soil,
  freed of what goes with wetness, should stay.

Thresholds are ours, tuned on fields of known truth (docs/truth.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.axis import DAY_S
from pipeline.qc.trend import mann_kendall, theil_sen_slope

YEAR_DAYS = 365.25
# How sure and how large a trend must be to be told.
LARGEST_P, LEAST_SLOPE, LEAST_CHANGE = 0.01, 0.01, 0.02  # m3 m-3 a year; m3 m-3 in all
LEAST_VALUES = 6
# A wetting raises the daily mean by so much within three days [m3 m-3]; so many days after its
# peak, without another, the soil is drained; it must not lose more than this a day then.
WETTING, DRAINED_AFTER_D, STILL_FALLING = 0.005, 3, 0.004
BLOCK_DAYS, LEAST_DAYS = 30, 10
# A difference is not taken to go with wetness by more than this part of what neighbours show:
# in a record of a year drift and drying look alike, and one would be taken for the other.
MOST_SHARE = 0.15


@dataclass(frozen=True)
class Suspect:
    """A trend that soil would not make.

    ``slope`` is m3 m-3 a year, ``first_day`` and ``last_day`` count from the first of the
    series, ``values`` how many the trend rests on.
    """

    kind: str
    slope: float
    p: float
    values: int
    first_day: int
    last_day: int


def drained_states(
    daily: Floats, month: NDArray[np.int64], southern: bool
) -> NDArray[np.int64]:
    """Return the days on which a soil stood drained after a wetting in the wet half-year.

    Parameters
    ----------
    daily : array (days), [m3 m-3]
        Daily means, NaN where there are too few values.
    month : array (days)
        1 to 12.
    southern : bool
        The wet half-year is October to March, south of the equator April to September.
    """
    wet = ((month + (6 if southern else 0) - 1) % 12 + 1) % 12
    in_season = (wet >= 10) | (wet <= 3)
    ahead = DRAINED_AFTER_D
    if daily.size <= 2 * ahead:
        return np.empty(0, dtype=np.int64)
    peak = np.arange(ahead, daily.size - ahead)
    before, after = daily[peak - ahead], daily[peak + ahead]
    falls = np.ones(peak.size, dtype=bool)
    for step in range(ahead):
        falls &= daily[peak + step + 1] <= daily[peak + step]
    rose = (daily[peak] - before >= WETTING) & (daily[peak] >= daily[peak - 1])
    calm = daily[peak + ahead - 1] - after <= STILL_FALLING
    found = peak[rose & falls & calm] + ahead
    return found[in_season[found]]


def wet_end_suspect(
    daily: Floats, month: NDArray[np.int64], southern: bool = False
) -> Suspect | None:
    """Return the trend of the drained state of one sensor, None if there is none to tell.

    The driest quarter of the states is left out: there the profile was not yet filled up.
    """
    days = drained_states(daily, month, southern)
    days = days[-_MOST_STATES:]
    if days.size < LEAST_VALUES:
        return None
    filled = days[daily[days] >= np.quantile(daily[days], 0.25)]
    return _suspect("wet end", filled, daily[filled])


_MOST_STATES = 1000


def neighbour_suspect(daily: Floats, others: Floats) -> Suspect | None:
    """Return the trend of one sensor against its neighbours, None if there is none to tell.

    Parameters
    ----------
    daily, others : array (days), [m3 m-3]
        Daily means of the sensor, and the median of its neighbours'.
    """
    blocks = daily.size // BLOCK_DAYS
    away = daily - others
    difference = _block_medians(away, blocks)
    wetness = _block_medians(np.where(np.isfinite(away), others, np.nan), blocks)
    day = (np.arange(blocks) + 0.5) * BLOCK_DAYS
    told = np.isfinite(difference)
    if told.sum() < LEAST_VALUES:
        return None
    difference, wetness, day = difference[told], wetness[told], day[told]
    share = theil_sen_slope(wetness, difference)
    share = 0.0 if math.isnan(share) else max(-MOST_SHARE, min(MOST_SHARE, share))
    return _suspect("neighbours", day.astype(np.int64), difference - share * wetness)


def _block_medians(values: Floats, blocks: int) -> Floats:
    """Return the median of the known values of each block, NaN where there are too few."""
    ordered = np.sort(values[: blocks * BLOCK_DAYS].reshape(blocks, BLOCK_DAYS), axis=1)
    count = np.isfinite(ordered).sum(axis=1)  # NaN comes last
    at = np.arange(blocks)
    median = 0.5 * (ordered[at, np.maximum(count - 1, 0) // 2] + ordered[at, count // 2])
    return np.where(count >= LEAST_DAYS, median, np.nan)


def _suspect(kind: str, day: NDArray[np.int64], values: Floats) -> Suspect | None:
    if day.size < LEAST_VALUES:
        return None
    slope = theil_sen_slope(day / YEAR_DAYS, values)
    change = abs(slope) * (day[-1] - day[0]) / YEAR_DAYS
    if not (abs(slope) >= LEAST_SLOPE and change >= LEAST_CHANGE):
        return None
    p = mann_kendall(values).p
    if not p <= LARGEST_P:
        return None
    return Suspect(kind, slope, p, int(day.size), int(day[0]), int(day[-1]))


def sentence(suspect: Suspect, first_s: int) -> str:
    """Return a suspicion for a person; ``first_s`` is the first day's start, UTC seconds."""
    way = "up" if suspect.slope > 0 else "down"
    span = " to ".join(
        str(np.datetime64(first_s + day * DAY_S, "s").astype("datetime64[D]"))
        for day in (suspect.first_day, suspect.last_day)
    )
    what = (
        "the drained state after winter wettings creeps"
        if suspect.kind == "wet end"
        else "the difference from neighbour tubes at this depth creeps"
    )
    return (
        f"{what} {way} by {abs(suspect.slope):.3f} m3 m-3 a year, {span} "
        f"({suspect.values} values, p = {suspect.p:.2g}): drift is suspected; read a reference"
    )
