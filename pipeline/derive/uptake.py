"""Uptake parted from drainage by the step pattern of days.

Roots drink by day, and water always sinks.

At night what is lost above a depth passes it downwards; a line through the readings of each
night gives the rate. By day the loss is that, at the mean rate of the nights before and after,
and uptake (with evaporation) besides. Nights and days into which rain fell, or in which the
whole profile rose, tell nothing and have no value.

The soil above the first sensor is not seen. While it drains after a wetting it is taken to
lose what the first sensor loses; later it does not drain but is made up from below at night
and dries by day. Its part therefore fades out as the sun dries it: at 50 degrees between half
a day and a day after the last peak at the first sensor in summer, between two and a half and
five and a half days in midwinter. What it loses after that counts as uptake. At the peak it
holds some more water than the first sensor tells, which leaves it as an exponential falls.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from pipeline.arrays import Bools, Floats, Integers
from pipeline.axis import DAY_S
from pipeline.compiled import kernel
from pipeline.derive.event_block import MM_PER_M, Block, Profile, top_m, weights_above
from pipeline.derive.fronts import daily_noise
from pipeline.derive.sun import extraterrestrial, sun_up

MARGIN_S = 3600  # after sunset that counts neither as day nor as night
LEAST_NIGHT = 6  # readings
MOST_HOLE = 0.3  # of a night, without a reading; sensors may log more slowly than the axis
RAIN_UNIT_MM = 1e-4
DRY_MM = 0.2  # rain up to one tip of a gauge is no rain
WET_MM, WET_SURE = 0.3, 3.0  # rise of the profile in a night that is taken for rain
# Sun above the air [MJ m-2], at that day's pace, after which the unseen top begins to dry, and
# with which it is dry; found on test fields kept for tuning.
FADES_FROM_MJ, FADES_MJ = 20.0, 20.0
LEAST_MJ_D = 4.0  # where the sun hardly rises: air dries too, within ten days
FADED_DAYS = (FADES_FROM_MJ + FADES_MJ) / LEAST_MJ_D  # after which no peak matters any more
# At a peak it holds more than the first sensor tells, by so much a metre of it [mm m-1], and
# loses that with this time constant [d]; found on test fields kept for tuning.
HELD_MM_M, HELD_DAYS = 5.3, 0.33
# What a rate may be wrong by besides noise, since sensors are apart and the top is not seen:
# mm a day, standard; found on test fields kept for tuning (docs/truth.md).
UNSEEN_MM_D, UNSEEN_UPTAKE_MM_D = 0.35, 0.6


def daily_pattern(
    profile: Profile, block: Block, place: tuple[float, float], peaks_s: Integers
) -> pd.DataFrame:
    """Return drainage by night and uptake by day above each sensor, and of each layer.

    Parameters
    ----------
    profile : Profile
        Sensors of one tube.
    block : Block
        Whole days; rain where it is logged.
    place : (float, float)
        Latitude and longitude [degree].
    peaks_s : (peak,)
        When fronts had their peak at the first sensor, UTC seconds, in order.

    Returns
    -------
    DataFrame, a row a day and sensor with a value
        ``day_s``, when the day begins; ``depth_m``; ``night_s``, the middle of the night that
        ends on this day; ``night_water_content`` [m3 m-3] at the sensor then;
        ``night_drainage_mm_d``, the rate past the sensor in that night, upwards negative;
        ``uptake_above_mm_d`` between the surface and the sensor on this day; ``uptake_mm_d``
        of the soil from the sensor above to this one; with standard uncertainties.

    Notes
    -----
    Dew, capillary rise past the sensor, and roots that drink by night are not told apart. In
    summer beyond the polar circles there is no night and no value.

    References
    ----------
    Day and night in a record of water: White (1932), USGS Water-Supply Paper 659-A (from
    memory). The rest is ours.
    """
    steps = DAY_S // block.interval_s
    days = block.water.shape[1] // steps
    nights = night_steps(block, days, place)
    fits = np.full((4, len(block.water), days + 1), np.nan)
    _fit_nights(block.water, nights, fits)
    noise = np.stack([daily_noise(row, steps) for row in block.water])
    noise = np.concatenate([noise, noise[:, -1:]], axis=1)
    top = unseen_top(profile, block, nights, place[0], peaks_s)
    weights = weights_above(profile)
    unseen_m = np.full(len(weights), top_m(profile))
    above = _nights_in(weights, unseen_m, fits, noise, top.share, steps)
    # The noise of a layer is that of its own sensors: what is above both of its ends is the
    # same water, whose noise falls out of the difference.
    of_layer, unseen_m = _layers(weights, weights), np.diff(unseen_m, prepend=0.0)
    layers = _nights_in(of_layer, unseen_m, fits, noise, top.share, steps)
    dry = _dry_nights(block, nights, above)
    above.level += top.held_mm
    above.rate += top.held_mm / HELD_DAYS
    return _table(profile, block, nights, fits, (above, layers), dry)


class UnseenTop(NamedTuple):
    """The soil above the first sensor by night, (night,).

    ``days`` since the last peak at the first sensor [d]; ``share`` of it that still loses what
    the first sensor loses [1]; ``held_mm``, what it holds more than the first sensor tells.
    """

    days: Floats
    share: Floats
    held_mm: Floats


def unseen_top(
    profile: Profile,
    block: Block,
    nights: Integers,
    latitude: float,
    peaks_s: Integers,
) -> UnseenTop:
    """Return what is taken to be in the soil above the first sensor in each night.

    Parameters
    ----------
    profile : Profile
    block : Block
    nights : (2, night)
        From `night_steps`.
    latitude : float, [degree]
    peaks_s : (peak,)
        As of `daily_pattern`.
    """
    middle = 0.5 * (nights[0] + nights[1] - 1)
    since = _days_since_peak(block.first_s + middle * block.interval_s, peaks_s)
    instant = (block.first_s + middle * block.interval_s).astype(np.int64)
    # What may have dried it since the last peak [MJ m-2].
    sun = since * np.maximum(extraterrestrial(instant, latitude), LEAST_MJ_D)
    share = np.clip(1.0 - (sun - FADES_FROM_MJ) / FADES_MJ, 0.0, 1.0)
    return UnseenTop(since, share, HELD_MM_M * top_m(profile) * np.exp(-since / HELD_DAYS))


def night_steps(block: Block, days: int, place: tuple[float, float]) -> Integers:
    """Return first and last step (exclusive) of the nights before each day and after the last.

    (2, days + 1); both -1 where there is no night. A night lasts from an hour after sunset to
    sunrise at a place, latitude and longitude [degree].
    """
    noon = block.first_s + DAY_S // 2 + DAY_S * np.arange(-1, days + 1, dtype=np.int64)
    rise, fall = sun_up(noon, *place)
    start = np.ceil((fall[:-1] + MARGIN_S - block.first_s) / block.interval_s)
    stop = np.floor((rise[1:] - block.first_s) / block.interval_s) + 1
    there = np.isfinite(start) & np.isfinite(stop) & (stop > start)
    there &= (start >= 0) & (stop <= block.water.shape[1])
    return np.where(there, np.stack([start, stop]), -1.0).astype(np.int64)


@kernel
def _fit_nights(water: Floats, nights: Integers, fits: Floats) -> None:  # pragma: no cover
    """Fill middle level, slope a step, readings, and spread of each sensor and night."""
    for k in range(water.shape[0]):
        for n in range(nights.shape[1]):
            first, stop = nights[0, n], nights[1, n]
            if first < 0:
                continue
            middle = 0.5 * (first + stop - 1)
            count, sum_t, sum_y = 0, 0.0, 0.0
            hole, last = 0, first - 1
            for i in range(first, stop):
                if water[k, i] == water[k, i]:
                    count += 1
                    sum_t += i - middle
                    sum_y += water[k, i]
                    hole, last = max(hole, i - last), i
            hole = max(hole, stop - last)
            if count < LEAST_NIGHT or hole > MOST_HOLE * (stop - first):
                continue
            mean_t, mean_y = sum_t / count, sum_y / count
            along, across = 0.0, 0.0
            for i in range(first, stop):
                if water[k, i] == water[k, i]:
                    away = i - middle - mean_t
                    along += away * away
                    across += away * (water[k, i] - mean_y)
            slope = across / along
            fits[0, k, n], fits[1, k, n] = mean_y - slope * mean_t, slope
            fits[2, k, n], fits[3, k, n] = count, along


def _layers(above: Floats, weights: Floats) -> Floats:
    """Return what layers hold, from what is held above each sensor, (depth, ...).

    Where no soil is counted above the first sensor (``weights`` NaN) its own layer is unknown,
    and the next one begins at it.
    """
    nothing: Bools = np.asarray(np.isnan(weights).any(axis=1))
    layers: Floats = np.diff(np.where(nothing[:, None], 0.0, above), axis=0, prepend=0.0)
    layers[nothing] = np.nan
    return layers


def _days_since_peak(night_s: Floats, peaks_s: Integers) -> Floats:
    """Return how long ago the first sensor had its last peak, (night,) [d]."""
    place = np.searchsorted(peaks_s, night_s, side="right") - 1
    last = np.where(place >= 0, np.append(peaks_s, 0)[place], -(10.0**12))
    days: Floats = (night_s - last) / DAY_S
    return days


class _Water:
    """Water above each sensor, or of each layer: level, rate a day, and variances.

    Each (depth, night).
    """

    def __init__(self, level: Floats, rate: Floats, of_level: Floats, of_rate: Floats) -> None:
        self.level, self.rate = level, rate
        self.of_level, self.of_rate = of_level, of_rate


def _nights_in(
    weights: Floats,
    unseen_m: Floats,
    fits: Floats,
    noise: Floats,
    share: Floats,
    steps: int,
) -> _Water:
    """Put the nights of single sensors together, from the top in a fixed order.

    ``weights`` (depth, sensor) [m] are those of the sensors in the soil of each row,
    ``unseen_m`` (depth,) is what of it lies above the first sensor, and ``share`` (night,)
    that of this which drains with the first sensor.
    """
    found = [np.zeros(fits.shape[1:]) for _ in range(4)]
    level, rate, of_level, of_rate = found
    for j in range(weights.shape[1]):
        column = np.where(weights[:, [j]] == 0.0, np.nan, MM_PER_M * weights[:, [j]])
        unseen = MM_PER_M * unseen_m[:, None] * (1.0 - share) if j == 0 else 0.0
        parts = (
            column * fits[0, j],
            -(column - unseen) * fits[1, j] * steps,
            (column * noise[j]) ** 2 / fits[2, j],
            ((column - unseen) * noise[j] * steps) ** 2 / fits[3, j],
        )
        for whole, part in zip(found, parts, strict=True):
            whole += np.where(np.isnan(column), 0.0, part)
    bare = np.isnan(weights).any(axis=1)
    for whole in found:
        whole[bare] = np.nan
    return _Water(level, rate, of_level, of_rate)


def _dry_nights(block: Block, nights: Integers, above: _Water) -> Bools:
    """Tell which nights, and which days after, saw no rain and no rise, (2, night)."""
    middle = np.maximum(0.5 * (nights[0] + nights[1]), 0).astype(np.int64)
    first, stop = np.maximum(nights[0], 0), np.maximum(nights[1], 0)
    fallen = np.zeros(block.water.shape[1] + 1, np.int64)
    if block.rain is not None:  # in whole numbers, so that sums do not depend on the block
        fallen[1:] = np.cumsum(np.round(np.nan_to_num(block.rain) / RAIN_UNIT_MM))
    most = round(DRY_MM / RAIN_UNIT_MM)
    rate, level = above.rate[-1], above.level[-1]
    rose = -rate > WET_MM + WET_SURE * np.sqrt(above.of_rate[-1])
    # A total over the end of a night is told after it.
    own = np.arange(len(fallen) - 1)
    told = np.append(0, 1 + (own if block.rain_told is None else block.rain_told))
    dry = (fallen[told[stop]] - fallen[first] <= most) & ~rose & (nights[0] >= 0)
    day = np.zeros(len(dry), np.bool_)
    unsure = np.sqrt(above.of_level[-1][1:] + above.of_level[-1][:-1])
    gained = np.diff(level) > WET_MM + WET_SURE * unsure
    fell = fallen[told[middle[1:]]] - fallen[middle[:-1]]
    day[:-1] = dry[1:] & dry[:-1] & ~gained & (fell <= most)
    return np.stack([dry, day])


def _of_day(water: _Water, apart: Floats) -> Floats:
    """Return the variance by noise of what is used from each night to the next."""
    levels = water.of_level[:, :-1] + water.of_level[:, 1:]
    return levels + 0.25 * apart**2 * (water.of_rate[:, :-1] + water.of_rate[:, 1:])


def _table(
    profile: Profile,
    block: Block,
    nights: Integers,
    fits: Floats,
    water: tuple[_Water, _Water],
    dry: Bools,
) -> pd.DataFrame:
    """Return the table, day by day and downwards, of days with a night before them.

    ``water`` is that above each sensor, and that of each layer.
    """
    above = water[0]
    sensors, days = fits.shape[1], fits.shape[2] - 1
    middle = 0.5 * (nights[0] + nights[1] - 1)
    apart = np.diff(middle) * block.interval_s / DAY_S
    loss = above.level[:, :-1] - above.level[:, 1:]
    used = loss - 0.5 * (above.rate[:, :-1] + above.rate[:, 1:]) * apart
    random, spread = (np.sqrt(_of_day(part, apart)) for part in water)
    layer = _layers(used, weights_above(profile))
    rate = np.where(dry[0], above.rate, np.nan)[:, :-1]
    known = np.where(dry[1, :-1], 1.0, np.nan)
    instant = (block.first_s + middle[:-1] * block.interval_s).astype(np.int64)
    columns = {
        "night_water_content": fits[0, :, :-1],
        "night_drainage_mm_d": rate,
        "night_drainage_error": np.hypot(np.sqrt(above.of_rate[:, :-1]), UNSEEN_MM_D)
        + 0.0 * rate,
        "uptake_above_mm_d": known * used,
        "uptake_above_error": known * np.hypot(random, UNSEEN_UPTAKE_MM_D),
        "uptake_mm_d": known * layer,
        "uptake_error": known * np.hypot(spread, UNSEEN_UPTAKE_MM_D / sensors),
    }
    table = pd.DataFrame(
        {
            "day_s": np.repeat(block.first_s + DAY_S * np.arange(days), sensors),
            "depth_m": np.tile(profile.nominal_m, days),
            "night_s": np.repeat(instant, sensors),
            **{name: values.T.ravel() for name, values in columns.items()},
        }
    )
    return table[table["night_water_content"].notna()].reset_index(drop=True)
