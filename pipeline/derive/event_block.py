"""What the events of one tube are computed from: its sensors, and a block of readings."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from pipeline.arrays import Floats, Integers
from pipeline.axis import utc_seconds
from pipeline.derive.events import Span
from pipeline.derive.storage import in_soil, of_tubes
from pipeline.derive.weights import EndRules, layer_weights
from pipeline.units import plain
from pipeline.variables import require_labels, require_once

MM_PER_M = 1000.0
# Relative standard uncertainty of a change of water content where no law states one; ours.
RELATIVE_ERROR = 0.03
EVER_S = -(2**62)  # a start before all readings, UTC seconds


class Profile(NamedTuple):
    """What is known of one tube: sensors downwards.

    ``nominal_m`` names the sensors, ``real_m`` is where they are; ``relative_errors`` are
    relative standard uncertainties of a change of water content by calibration, each with the
    instant from which it holds [UTC seconds], in order, the first since ever.
    """

    tube: str
    nominal_m: Floats
    real_m: Floats
    rules: EndRules = EndRules()
    relative_errors: tuple[tuple[int, float], ...] = ((EVER_S, RELATIVE_ERROR),)


class Block(NamedTuple):
    """Readings of one tube over whole days, from ``first_s`` on.

    ``water`` (depth, time) [m3 m-3], ``rain`` (time,) [mm] or None, ``frozen`` and ``suspect``
    (depth, time) or None. ``rain_told`` (time,) is the step at which the rain of each stands
    in ``rain``; None: its own.
    """

    first_s: int
    interval_s: int
    water: Floats
    rain: Floats | None = None
    frozen: NDArray[np.bool_] | None = None
    suspect: NDArray[np.bool_] | None = None
    rain_told: Integers | None = None


def tube_blocks(
    water: xr.DataArray,
    sensor_depth: xr.DataArray,
    rain: xr.DataArray | None,
    rules: EndRules,
) -> list[tuple[int, Profile, Block]]:
    """Return each tube's place, sensors and readings, of tubes that have a sensor in the soil.

    Parameters
    ----------
    water : DataArray, (time, tube, depth), [m3 m-3]
        Plain numbers at two or more times.
    sensor_depth : DataArray, (depth) or (tube, depth), [m]
    rain : DataArray, (time), [mm]
    rules : EndRules

    Raises
    ------
    UnitsError
        If depths or rain are in units that do not fit.
    ValueError
        If depths, tubes or times of the arrays differ, sensors do not go downwards, a tube is
        there twice, rain is not of one gauge, or a rule is none.
    """
    sensor_depth = plain(sensor_depth, "m")
    require_once(water, "tube")
    require_labels(sensor_depth, water, "depth")
    depths = in_soil(of_tubes(sensor_depth, water)).broadcast_like(water[0])
    depths = depths.transpose("tube", "depth")
    gauge = None if rain is None else _of_one_gauge(rain, water).values.astype(np.float64)
    times = utc_seconds(water["time"])
    names = water["depth"].values.astype(np.float64)
    tubes = [str(tube) for tube in water["tube"].values]
    found = []
    for column, tube in enumerate(tubes):
        real = depths[column].values.astype(np.float64)
        there = np.isfinite(real)
        if not there.any():
            continue
        layer_weights(real, [], rules)  # depths that go downwards, rules that there are
        profile = Profile(tube, names[there], real[there], rules)
        series = np.ascontiguousarray(water[:, column].values.T[there].astype(np.float64))
        block = Block(int(times[0]), int(times[1] - times[0]), series, gauge)
        found.append((column, profile, block))
    return found


def _of_one_gauge(rain: xr.DataArray, water: xr.DataArray) -> xr.DataArray:
    """Return rain in mm, of one gauge, on the times of water content."""
    if rain.dims != ("time",):
        raise ValueError(
            f"{rain.name!r}: expected rain of one gauge, ('time',), found {rain.dims}"
        )
    require_labels(rain, water, "time")
    return plain(rain, "mm")


def relative_error_between(profile: Profile, from_s: ArrayLike, until_s: ArrayLike) -> Floats:
    """Return the largest relative error that holds at any time of each span, (span,).

    ``from_s`` and ``until_s`` (span,) are UTC seconds; a span that ends before it begins is
    its beginning. Water content before and after a change of laws is by two laws: either may
    be wrong.
    """
    start, error = (np.array(column) for column in zip(*profile.relative_errors, strict=True))
    first = np.searchsorted(start, from_s, side="right") - 1
    last = np.maximum(first, np.searchsorted(start, until_s, side="right") - 1)
    spans = zip(first, last, strict=True)
    return np.array([error[a : b + 1].max() for a, b in spans], np.float64)


def top_m(profile: Profile) -> float:
    """Return how much soil above the first sensor counts [m]."""
    return 0.0 if profile.rules.above == "none" else max(float(profile.real_m[0]), 0.0)


def weights_above(profile: Profile) -> Floats:
    """Return weights of the sensors in the soil above each of them, (depth, sensor), [m].

    Where nothing may be assumed above the first sensor the soil begins at it, and the first
    row is NaN.
    """
    top = 0.0 if profile.rules.above == "constant" else float(profile.real_m[0])
    layers = [(top, float(z)) for z in profile.real_m if z > top]
    rows = layer_weights(profile.real_m, layers, profile.rules)
    weights = np.full((len(profile.real_m), len(profile.real_m)), np.nan)
    weights[len(profile.real_m) - len(layers) :] = rows
    return weights


def storage_above(water: Floats, weights: Floats) -> Floats:
    """Return the water above each sensor, (depth, time), [mm]; NaN where a sensor is missing.

    Sensors are added from the top, in a fixed order.
    """
    storage = np.empty_like(water)
    for k, row in enumerate(weights):
        total = np.zeros(water.shape[1])
        for j, weight in enumerate(row):
            if weight != 0.0:
                total = total + weight * water[j]
        storage[k] = MM_PER_M * total
    return storage


class Steps:
    """Steps of events on a block."""

    def __init__(self, block: Block, spans: pd.DataFrame) -> None:
        count = block.water.shape[1]

        def step(name: str) -> NDArray[np.int64]:
            found = (spans[name].to_numpy(np.int64) - block.first_s) // block.interval_s
            return np.clip(found, 0, count)

        self.start = step("onset_s")
        self.spans = Span(step("foot_s"), self.start, step("end_s"))
