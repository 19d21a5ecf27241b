"""The demo's weather: storms, air temperature, demand for water, soil temperature.

Every number here is ours, chosen to look like a mid-latitude spring and early summer inland.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from demo_draws import Draws
from numpy.typing import NDArray

Array = NDArray[np.float64]

START = datetime(2025, 3, 20)  # on the loggers' clocks: UTC+01:00 all the year round
DAYS = 120
STEP = timedelta(minutes=15)
STEPS_PER_DAY = 96
STEPS = DAYS * STEPS_PER_DAY
FIRST_DAY_OF_YEAR = START.timetuple().tm_yday

STORM_GAP_DAYS = 2.7
DRY_SPELL = (56.0, 74.0)  # days without a storm, so that the lower limit shows
STRATIFORM = (2.0, 6.0, 1.1)  # shortest [h], mean further [h], mean intensity [mm/h]
CONVECTIVE = (0.5, 0.8, 9.0)
CLEAR_SKY, WET_SKY = (0.70, 1.0), (0.25, 0.45)  # share of the clear-sky demand
DAILY_DAMPING_M, ANNUAL_DAMPING_M = 0.10, 1.9


@dataclass(frozen=True)
class Weather:
    """Weather by logging step; a value stands for the interval that ends at the step.

    ``rain`` [mm]; ``air`` [degC]; ``demand`` [mm/d] of the atmosphere; ``cover`` the share of
    it that falls on plants; ``root_scale`` [cm] the e-folding depth of the roots.
    """

    rain: Array
    air: Array
    demand: Array
    cover: Array
    root_scale: Array
    anomaly: Array  # of air temperature by day, K

    @property
    def day(self) -> Array:
        """Return the time of each step in days since the start."""
        return np.arange(STEPS) / STEPS_PER_DAY


def make_weather() -> Weather:
    """Return the weather of the whole demo."""
    rain = make_rain(Draws("rain"))
    by_day = rain.reshape(DAYS, STEPS_PER_DAY).sum(axis=1)
    draws = Draws("sky")
    sky = np.array([draws.one(*(WET_SKY if wet > 2.0 else CLEAR_SKY)) for wet in by_day])
    anomaly = _day_to_day(Draws("air temperature"), DAYS + 1)
    day = np.arange(STEPS) / STEPS_PER_DAY
    sky_now = np.repeat(sky, STEPS_PER_DAY)
    air = (
        _season_mean(day)
        + np.interp(day, np.arange(DAYS + 1), anomaly)
        - 6.0 * sky_now * np.cos(2 * np.pi * (day - 3 / 24))
    )
    growth = 1.0 / (1.0 + np.exp(-(day - 38.0) / 9.0))
    return Weather(
        rain=rain,
        air=air,
        demand=_demand(day, sky_now),
        cover=0.30 + 0.60 * growth,
        root_scale=9.0 + 14.0 * growth,
        anomaly=anomaly,
    )


def make_rain(draws: Draws) -> Array:
    """Return rain by step [mm]: storms at random, each a run of uneven bursts."""
    rain = np.zeros(STEPS)
    at_day = draws.exponential(STORM_GAP_DAYS)
    while at_day < DAYS:
        kind = CONVECTIVE if draws.one() < 0.10 + 0.45 * at_day / DAYS else STRATIFORM
        shortest, further, intensity = kind
        hours = shortest + draws.exponential(further)
        first = int(at_day * STEPS_PER_DAY)
        bursts = -np.log1p(-draws.uniform(max(int(hours * 4), 1)))
        if not DRY_SPELL[0] <= at_day < DRY_SPELL[1]:
            part = rain[first : first + bursts.size]
            part += (intensity / 4) * bursts[: part.size]
        at_day += hours / 24 + draws.exponential(STORM_GAP_DAYS)
    return rain


def soil_temperature(weather: Weather, depth_m: float) -> Array:
    """Return soil temperature at a depth [degC]: daily, weekly and annual waves, damped."""
    day = weather.day
    annual = _season_mean(day - _lag_days(depth_m, ANNUAL_DAMPING_M, 365.0), 9.0, depth_m)
    daily_lag = _lag_days(depth_m, DAILY_DAMPING_M, 1.0)
    warming = 2.0 + 3.0 * np.clip(day / 90.0, 0, 1)
    daily = (
        -warming
        * np.exp(-depth_m / DAILY_DAMPING_M)
        * np.cos(2 * np.pi * (day - 3.5 / 24 - daily_lag))
    )
    slowed = _slowed(weather.anomaly, memory_days=1.0 + 40.0 * depth_m**2)
    return annual + daily + np.interp(day, np.arange(DAYS + 1), slowed)


def _season_mean(day: Array, mean: float = 9.0, depth_m: float = 0.0) -> Array:
    phase = 2 * np.pi * (FIRST_DAY_OF_YEAR + day - 20.0) / 365.0
    return mean - 9.5 * np.exp(-depth_m / ANNUAL_DAMPING_M) * np.cos(phase)


def _lag_days(depth_m: float, damping_m: float, period_days: float) -> float:
    return depth_m / damping_m * period_days / (2 * np.pi)


def _day_to_day(draws: Draws, count: int) -> Array:
    """Return a first-order chain with memory 0.75 and standard deviation 2.5."""
    chain, noise = np.zeros(count), draws.normal(count)
    for k in range(1, count):
        chain[k] = 0.75 * chain[k - 1] + 2.5 * np.sqrt(1 - 0.75**2) * noise[k]
    return chain


def _slowed(series: Array, memory_days: float) -> Array:
    """Return a daily series as a soil layer with that memory would feel it."""
    keep = np.exp(-1.0 / memory_days)
    slowed = np.zeros(series.size)
    for k in range(1, series.size):
        slowed[k] = keep * slowed[k - 1] + (1 - keep) * series[k]
    return slowed


def _demand(day: Array, sky: Array) -> Array:
    """Return the demand of the atmosphere [mm/d]: a season, clouds, and nothing at night."""
    season = 0.6 + 4.6 * np.sin(np.pi * (FIRST_DAY_OF_YEAR + day - 60.0) / 224.0)
    half_day = (6.2 + 1.9 * np.clip(day / 90.0, 0, 1)) / 24.0
    hour_angle = day % 1.0 - 0.5  # days from noon
    sun = np.where(np.abs(hour_angle) < half_day, np.cos(np.pi * hour_angle / 2 / half_day), 0)
    return season * sky * sun * np.pi / (4 * half_day)
