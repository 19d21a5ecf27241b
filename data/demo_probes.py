"""The demo's probes: what they feel around a depth, and what they put out for it.

No real product: the voltage laws are invented polynomials, the window an invented bell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from demo_draws import Draws
from demo_field import THICK_CM, Ground, layer_of_cells, middles_cm
from demo_weather import DAYS, STEPS, STEPS_PER_DAY, Weather
from numpy.typing import NDArray

Array = NDArray[np.float64]

ANALOG_DEPTHS_CM = (10.0, 20.0, 30.0, 40.0)
DIGITAL_DEPTHS_CM = (10.0, 20.0, 30.0, 40.0, 60.0, 100.0)
ANALOG_TUBES = ("T1", "T2", "T3", "T4")
DIGITAL_TUBES = ("T5", "T6", "T7")
HAND_TUBE = "T8"

# Root permittivity as a polynomial in volts, ascending; both rise over 0 to 1.2 V.
VOLTAGE_LAWS = {"A": (1.10, 4.30, -4.20, 5.10), "B": (0.85, 5.60, -5.40, 5.20)}
HIGHEST_V = 1.2

WINDOW_SIGMA_CM = 3.0
WINDOW_REACH_CM = 9.0
SENSOR_OFFSET = 0.02  # root permittivity; standard deviation between sensors of one make
VOLTAGE_NOISE_V = 0.0006
PERMITTIVITY_NOISE = 0.04
TEMPERATURE_NOISE_K = 0.04

# The void beside T6: share of the window it takes, where, and how long it keeps rain.
VOID_TUBE, VOID_DIRECTION = "T6", 120.0
VOID_SHARE = {20.0: 0.15, 30.0: 0.12}
VOID_FILLS_ABOVE_MM = 1.2  # rain in one step that runs down the wall
VOID_KEEPS_STEPS = 5.0  # e-folding time of its draining
ROOT_PERMITTIVITY_OF_WATER = 9.0


@dataclass(frozen=True)
class Sensed:
    """What is true around one sensor, by step: root permittivity and water content."""

    root: Array
    content: Array


def window(depth_cm: float) -> Array:
    """Return the weight of each cell in the reading of a sensor; the weights add up to one."""
    away = middles_cm() - depth_cm
    weight = THICK_CM * np.exp(-0.5 * (away / WINDOW_SIGMA_CM) ** 2)
    weight[np.abs(away) > WINDOW_REACH_CM] = 0.0
    return weight / weight.sum()


def sense(ground: Ground, nominal_cm: float) -> Sensed:
    """Return what a sensor at a nominal depth of a tube stands in."""
    layers = layer_of_cells(ground.place.soil)
    slope = np.array([layer.slope for layer in layers])
    offset = np.array([layer.offset for layer in layers])
    weight = window(nominal_cm + ground.place.set_in_cm)
    content = ground.course.content
    root = _weighted((content - offset) / slope, weight)
    return Sensed(root, _weighted(content, weight))


def _weighted(cells: Array, weight: Array) -> Array:
    """Return the weighted sum over cells, cell by cell so that its rounding never varies."""
    total = np.zeros(len(cells))
    for cell in np.flatnonzero(weight):
        total += weight[cell] * cells[:, cell]
    return total


def beside_void(root: Array, rain: Array, nominal_cm: float) -> Array:
    """Return the root permittivity that a sensor facing the void feels."""
    share = VOID_SHARE.get(nominal_cm, 0.0)
    filled = np.zeros(STEPS)
    for k in range(1, STEPS):
        filled[k] = filled[k - 1] * np.exp(-1.0 / VOID_KEEPS_STEPS)
        if rain[k] > VOID_FILLS_ABOVE_MM:
            filled[k] = min(1.0, filled[k] + 0.35)
    of_void = 1.0 + (ROOT_PERMITTIVITY_OF_WATER - 1.0) * filled
    return (1 - share) * root + share * of_void


def sensor_offset(probe: str, depth_cm: float) -> float:
    """Return how far one sensor departs from the law of its make, in root permittivity."""
    return SENSOR_OFFSET * float(Draws(f"offset {probe} {depth_cm:g}").normal(1)[0])


def voltage(root: Array, law: str) -> Array:
    """Return the volts at which a law gives ``root``, by halving its interval."""
    low, high = np.zeros(root.shape), np.full(root.shape, HIGHEST_V)
    for _ in range(48):
        middle = 0.5 * (low + high)
        below = law_value(middle, law) < root
        low = np.where(below, middle, low)
        high = np.where(below, high, middle)
    return 0.5 * (low + high)


def law_value(volts: Array, law: str) -> Array:
    """Return root permittivity at volts."""
    a0, a1, a2, a3 = VOLTAGE_LAWS[law]
    return a0 + volts * (a1 + volts * (a2 + volts * a3))


def tipped_rain(weather: Weather) -> Array:
    """Return rain as the gauge counts it [mm]: whole tips of 0.2 mm."""
    total = np.floor(np.cumsum(weather.rain) / 0.2 + 1e-9)
    return 0.2 * np.diff(np.concatenate([[0.0], total]))


def supply_voltage(weather: Weather) -> Array:
    """Return the logger's supply [V]: charged by day, and failing before the power loss."""
    hour = weather.day * 24 % 24
    charge = np.where((hour > 7) & (hour < 18), 0.5 * np.sin(np.pi * (hour - 7) / 11), 0.0)
    noise = 0.01 * Draws("supply").normal(STEPS)
    failing = np.interp(weather.day, [36.0, 41.7, 43.2, DAYS], [0.0, 1.9, 0.0, 0.0])
    return 12.55 + charge - failing + noise


def daily_mean(series: Array) -> Array:
    """Return the mean of each day."""
    return series.reshape(DAYS, STEPS_PER_DAY).mean(axis=1)
