"""Weather of the test field: storms, demand for water, air and soil temperature, by seed.

One year from the first of October at steps of ten minutes, so that autumn wets the soil,
winter freezes it (where asked for) and summer dries it. All numbers are ours, chosen to look
like a mid-latitude place inland.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]

STEP_S = 600
STEPS_PER_DAY = 86_400 // STEP_S
FIRST_DAY_OF_YEAR = 274  # 1 October

STORM_GAP_DAYS = 3.6
STRATIFORM = (2.0, 5.0, 1.2)  # shortest [h], mean further [h], mean intensity [mm/h]
CONVECTIVE = (0.5, 0.7, 9.0)
CLEAR_SKY, WET_SKY = (0.65, 1.0), (0.25, 0.45)  # share of the clear-sky demand
DAILY_DAMPING_M, ANNUAL_DAMPING_M = 0.10, 1.9
MILD_K = 8.0  # a winter without frost is warmer by this much
# Soil feels the swings of the air from day to day through its cover, and so weakened.
COVER_SHARE = 0.45


def draws(seed: int, purpose: str) -> np.random.Generator:
    """Return a stream of its own for each purpose, so that one more draw moves no other."""
    return np.random.default_rng([seed, zlib.crc32(purpose.encode())])


@dataclass(frozen=True)
class Weather:
    """Weather by step of ten minutes; a value stands for the interval that ends at the step.

    ``rain`` [mm]; ``air`` [degC]; ``demand`` [mm/d] of the atmosphere; ``cover`` the share of
    it that falls on plants; ``swing`` [K], how much warmer than its season each day is.
    """

    rain: Array
    air: Array
    demand: Array
    cover: Array
    swing: Array
    mild_k: float

    @property
    def day(self) -> Array:
        """Return the time of each step in days since the start."""
        return np.arange(1, self.rain.size + 1) / STEPS_PER_DAY

    def soil_temperature(self, depth_m: float) -> Array:
        """Return soil temperature at a depth [degC]: damped waves of days, weeks and years."""
        day = self.day
        annual = _season(day - _lag_days(depth_m, ANNUAL_DAMPING_M, 365.0), self.mild_k)
        mean = 9.0 + self.mild_k
        annual = mean + (annual - mean) * np.exp(-depth_m / ANNUAL_DAMPING_M)
        lag = _lag_days(depth_m, DAILY_DAMPING_M, 1.0)
        daily = np.exp(-depth_m / DAILY_DAMPING_M) * np.cos(2 * np.pi * (day - 3.5 / 24 - lag))
        keep = np.exp(-1.0 / (1.0 + 40.0 * depth_m**2))
        slowed = lfilter([1 - keep], [1, -keep], self.swing)
        swing = np.interp(day, np.arange(slowed.size), slowed)
        return annual - 2.5 * daily + COVER_SHARE * swing


@lru_cache(maxsize=4)
def make_weather(seed: int, days: int, frost: bool) -> Weather:
    """Return the weather of a seed; with ``frost`` the same storms come in a colder year."""
    day = np.arange(1, days * STEPS_PER_DAY + 1) / STEPS_PER_DAY
    mild_k = 0.0 if frost else MILD_K
    swing = _swings(draws(seed, "swing"), days + 1)
    rain = _rain(draws(seed, "rain"), days)
    by_day = rain.reshape(days, STEPS_PER_DAY).sum(axis=1)
    sky_draws = draws(seed, "sky")
    sky = np.array([sky_draws.uniform(*(WET_SKY if wet > 2 else CLEAR_SKY)) for wet in by_day])
    sky_now = np.repeat(sky, STEPS_PER_DAY)
    air = _season(day, mild_k) + np.interp(day, np.arange(days + 1), swing)
    air = air - 6.0 * sky_now * np.cos(2 * np.pi * (day - 3 / 24))
    year_day = (FIRST_DAY_OF_YEAR + day) % 365.0
    grown = np.exp(-0.5 * ((year_day - 170.0) / 55.0) ** 2)
    demand = _demand(year_day, sky_now)
    return Weather(rain, air, demand, 0.30 + 0.60 * grown, swing, mild_k)


def _rain(random: np.random.Generator, days: int) -> Array:
    """Return rain by step [mm]: storms at random, each a run of uneven bursts."""
    rain = np.zeros(days * STEPS_PER_DAY)
    at_day = random.exponential(STORM_GAP_DAYS)
    while at_day < days:
        summer = 0.5 - 0.5 * np.cos(2 * np.pi * (FIRST_DAY_OF_YEAR + at_day - 20) / 365)
        kind = CONVECTIVE if random.uniform() < 0.05 + 0.5 * summer else STRATIFORM
        shortest, further, intensity = kind
        hours = shortest + random.exponential(further)
        first = int(at_day * STEPS_PER_DAY)
        bursts = random.exponential(intensity / 6, max(int(hours * 6), 1))
        rain[first : first + bursts.size] += bursts[: rain.size - first]
        at_day += hours / 24 + random.exponential(STORM_GAP_DAYS)
    return rain


def _season(day: Array, mild_k: float) -> Array:
    return 9.0 + mild_k - 9.5 * np.cos(2 * np.pi * (FIRST_DAY_OF_YEAR + day - 20.0) / 365.0)


def _lag_days(depth_m: float, damping_m: float, period_days: float) -> float:
    return depth_m / damping_m * period_days / (2 * np.pi)


def _swings(random: np.random.Generator, count: int) -> Array:
    """Return a first-order chain by day with memory 0.8 and standard deviation 3.5."""
    steps = 3.5 * np.sqrt(1 - 0.8**2) * random.standard_normal(count)
    return lfilter([1.0], [1.0, -0.8], steps)


def _demand(year_day: Array, sky: Array) -> Array:
    """Return the demand of the atmosphere [mm/d]: a season, clouds, and nothing at night."""
    height = 0.5 - 0.5 * np.cos(2 * np.pi * (year_day - 0.0) / 365.0)  # 0 at New Year
    season = 0.5 + 4.5 * height
    half_day = (4.2 + 4.0 * height) / 24.0
    hour_angle = year_day % 1.0 - 0.5
    sun = np.where(np.abs(hour_angle) < half_day, np.cos(np.pi * hour_angle / 2 / half_day), 0)
    return season * sky * sun * np.pi / (4 * half_day)
