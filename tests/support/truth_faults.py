"""The faults of the test field: what kinds there are, where they are put, what they do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from truth_sensors import ROOT_OF_AIR, ROOT_OF_STONE, ROOT_OF_WATER
from truth_site import DEPTHS_M
from truth_weather import STEP_S

Array = NDArray[np.float64]
Random = np.random.Generator

# Of single sensors and passing: one kind a sensor, on tubes that are otherwise sound.
PASSING = ("spike", "noise_burst", "stuck", "step", "dropout", "out_of_range")
# Of a whole tube and lasting.
LASTING = ("void", "stone", "bypass", "poor_contact", "swapped", "wrong_depth")
# Of one sensor until its contacts are cleaned; of all sensors; of all cold soil.
MISPLACED = ("swapped", "wrong_depth")  # sensors that are not where the site says
DRIFT, SUPPLY, FROZEN = "drift", "low_supply", "frozen"
EVERY_KIND = (*PASSING, *LASTING, DRIFT, SUPPLY, FROZEN)

DAY_S, HOUR_S = 86_400, 3600
LEAST_SPIKE, LARGEST_SPIKE = 4.0, 100.0  # times the noise
FULL_SCALE, NO_SIGNAL = 90.0, 1.0  # permittivity logged out of range, and from open contacts
LOW_SUPPLY_V, SOUND_SUPPLY_V = 9.6, 12.6
SUPPLY_NOISE = 4.0  # times the noise, while the supply is low
CONTACT_NOISE = 2.0  # further noise of a sensor with poor contact, times the noise
# Rain that runs down the wall of a tube with a gap: in three hours, and how long it stays.
BYPASS_MM, BYPASS_H, BYPASS_KEEPS_H = 4.0, 3, 10.0
VOID_MM, VOID_KEEPS_H = 1.5, 1.25
WRONG_BY_CM = 12.0


@dataclass(frozen=True)
class Label:
    """One fault: kind, tube, nominal depth, first step and first step free of it again.

    ``size`` is in multiples of the noise (spike, noise_burst), in permittivity (step, drift)
    or a share of the window (void, stone, bypass, poor_contact).
    """

    kind: str
    tube: str
    depth_m: float
    first: int
    stop: int
    size: float = 0.0


def place_passing(
    kind: str, random: Random, steps: int, interval_s: int
) -> list[tuple[int, int, float]]:
    """Return (first, stop, size) of the faults of one kind in a sensor, in order, apart."""
    day = DAY_S // interval_s
    every, longest, sizes = {
        "spike": (6 * day, 1, (LEAST_SPIKE, LARGEST_SPIKE)),
        "noise_burst": (60 * day, 2 * day, (8.0, 25.0)),
        "stuck": (90 * day, 20 * day, (0.0, 0.0)),
        "step": (90 * day, 30 * day, (0.8, 3.0)),
        "dropout": (40 * day, 3 * day, (0.0, 0.0)),
        "out_of_range": (40 * day, day // 4, (0.0, 0.0)),
    }[kind]
    found = []
    at = 5 * day + int(random.uniform(0, every - longest))
    while at + longest + day < steps:
        length = 1 if kind == "spike" else int(random.uniform(0.3, 1.0) * longest)
        size = random.uniform(*sizes)
        if kind == "spike":  # as many small ones as large ones, by order of magnitude
            size = float(np.exp(random.uniform(*np.log(sizes))))
        found.append((at, at + max(length, 1), size * random.choice([-1.0, 1.0])))
        at += longest + int(random.uniform(0.5, 1.5) * max(every - longest, 1)) + day // 8
    return found


def spoil(
    reading: Array, kind: str, span: tuple[int, int, float], noise: float, random: Random
) -> None:
    """Put one passing fault into logged permittivity, in place; NaN where there is none."""
    first, stop, size = span
    part = reading[first:stop]
    if kind == "spike":
        part += size * noise
    elif kind == "noise_burst":
        part += abs(size) * noise * random.standard_normal(part.size)
    elif kind == "stuck":
        part[:] = part[0]
    elif kind == "step":
        part += size
    elif kind == "dropout":  # half of them log nothing, half what open contacts give
        part[:] = np.nan if random.uniform() < 0.5 else NO_SIGNAL
    elif kind == "out_of_range":
        part[:] = FULL_SCALE if random.uniform() < 0.5 else 0.0


def true_depths_cm(kind: str, random: Random) -> Array:
    """Return where the sensors of a tube with a lasting fault of depth really are."""
    depths = 100.0 * np.array(DEPTHS_M)
    if kind == "swapped":
        i = int(random.integers(0, depths.size - 2))
        depths[[i, i + 2]] = depths[[i + 2, i]]
    elif kind == "wrong_depth":
        depths += WRONG_BY_CM * (1.0 if random.uniform() < 0.7 else -0.7)
        depths = np.maximum(depths, 2.0)
    return depths


def affected_depths(kind: str, random: Random) -> dict[int, float]:
    """Return which sensors of a tube a lasting fault reaches, and its share of the window."""
    count = len(DEPTHS_M)
    if kind in ("void", "stone"):
        first = int(random.integers(0, 3))
        low, high = (0.12, 0.25) if kind == "void" else (0.25, 0.45)
        return {i: float(random.uniform(low, high)) for i in range(first, first + 2)}
    if kind == "bypass":
        return dict.fromkeys(range(count), float(random.uniform(0.08, 0.15)))
    if kind == "poor_contact":
        return {i: float(random.uniform(0.06, 0.14)) for i in range(count)}
    return {}


def body_beside(kind: str, rain: Array) -> Array | float:
    """Return the root permittivity of what lies beside a sensor, (steps,) or one number.

    Air in a void fills for a while when rain runs down the wall; a gap along the whole tube
    fills at every depth within minutes, and drains away slowly; a stone and a sensor that
    does not touch the soil stay as they are. ``rain`` is that of steps of ten minutes, so
    that what fills does not depend on how often it is read.
    """
    if kind == "stone":
        return ROOT_OF_STONE
    hours = STEP_S / HOUR_S
    if kind == "bypass":
        window = round(BYPASS_H / hours)
        wet = lfilter(np.ones(window), [1.0], rain) > BYPASS_MM
        keep = np.exp(-hours / BYPASS_KEEPS_H)
    elif kind == "void":
        wet = rain > VOID_MM
        keep = np.exp(-hours / VOID_KEEPS_H)
    else:
        return ROOT_OF_AIR
    # Full while water runs in, then draining from there on: it holds no more than its volume.
    step = np.arange(rain.size)
    last_wet = np.maximum.accumulate(np.where(wet, step, -np.inf))
    filled = keep ** (step - last_wet)
    return ROOT_OF_AIR + (ROOT_OF_WATER - ROOT_OF_AIR) * filled


def drift_course(steps: int, first: int, stop: int, size: float) -> Array:
    """Return what a drifting sensor adds to root permittivity: a ramp until it is cleaned."""
    course = np.zeros(steps)
    course[first:stop] = size * np.arange(stop - first) / (stop - first)
    return course


def supply_course(steps: int, interval_s: int, low: tuple[int, int] | None) -> Array:
    """Return the supply voltage: charged by day, low in one spell."""
    hour = (np.arange(1, steps + 1) * interval_s / HOUR_S) % 24
    volts = SOUND_SUPPLY_V + 0.5 * np.maximum(np.sin(np.pi * (hour - 6) / 12), 0.0)
    if low is not None:
        volts[low[0] : low[1]] = LOW_SUPPLY_V
    return volts
