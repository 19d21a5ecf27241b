"""Speed of stored water, layers of a model and soil limits, against copying water content.

A year of a tube block (5 tubes, 6 depths, 10 min) on one core. The floor is numpy copying the
same float32 water content in the same run. Times are of the process, so that other work on the
machine disturbs them less. Printed: ns a cell of water content, and times the floor; a product
of daily means is told by the cells behind its days.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
import xarray as xr
from bare_site import make_law, make_site, make_tube, make_wire

from pipeline.derive.daily import daily_step
from pipeline.derive.layers import model_layers
from pipeline.derive.limits import sensor_limits
from pipeline.derive.storage import storage_step
from pipeline.site.models import Derive, Layer

STEPS = 365 * 144
DEPTHS = (0.1, 0.2, 0.3, 0.4, 0.6, 1.0)
REPEATS = 3
# Targets in ns per cell, doubled: a busy machine must not fail the night's benchmark.
TARGETS = {
    "stored water": 2 * 45,
    "stored water, bridging": 2 * 60,
    "layers of a model, daily": 2 * 60,
    "soil limits": 2 * 100,
}


def make_year(missing_sensor):
    """Return a site and a block of water content of a year, with gaps."""
    tubes = tuple(make_tube(f"T{i}") for i in range(5))
    wires = tuple(make_wire(tube.tube, depth) for tube in tubes for depth in DEPTHS)
    layers = (Layer(name="top", top_m=0, bottom_m=0.3), Layer(name="all", top_m=0, bottom_m=1))
    derive = Derive(layers=layers, missing_sensor=missing_sensor)
    laws = (make_law(),)
    site = make_site(tubes=tubes, wiring=wires, interval_s=600, derive=derive, laws=laws)
    rng = np.random.default_rng(5)
    theta = 0.3 - 0.03 * np.log1p((np.arange(STEPS) % 2880) / 144)
    shape, dims = (STEPS, len(tubes), len(DEPTHS)), ("time", "tube", "depth")
    water = theta[:, None, None] + 0.001 * rng.standard_normal(shape)
    water[rng.random(shape) < 0.01] = np.nan
    units = {"units": "m3 m-3"}
    block = xr.Dataset(
        {
            "cleaned_water_content": (dims, water.astype(np.float32), units),
            "random_error": (dims, np.full(shape, 0.001, np.float32), units),
            "systematic_error": (dims, np.full(shape, 0.01, np.float32), units),
            "quality": (dims, np.where(np.isnan(water), 9, 1).astype(np.uint8)),
            "sensor_depth": (("tube", "depth"), [list(DEPTHS)] * len(tubes), {"units": "m"}),
        },
        {
            "time": site.axis.times(0, STEPS),
            "tube": [tube.tube for tube in tubes],
            "depth": list(DEPTHS),
        },
    )
    return site, block


def best_ns_per_cell(work: Callable[[], object], cells: int) -> float:
    """Return the best of some runs, the first (which compiles) left out."""
    work()
    spent = []
    for _ in range(REPEATS):
        start = time.process_time_ns()
        work()
        spent.append(time.process_time_ns() - start)
    return min(spent) / cells


@pytest.mark.benchmark
def test_products_keep_their_pace():
    site, block = make_year("none")
    bridged, _ = make_year("bridge")
    water = block["cleaned_water_content"].values
    daily = daily_step(block[["cleaned_water_content"]], site)["daily_water_content"]
    series = daily.values.reshape(daily.sizes["day"], -1).T.astype(np.float64)
    cells = water.size
    floor = best_ns_per_cell(water.copy, cells)
    found = {
        "stored water": best_ns_per_cell(lambda: storage_step(block, site), cells),
        "stored water, bridging": best_ns_per_cell(
            lambda: storage_step(block, bridged), cells
        ),
        "layers of a model, daily": best_ns_per_cell(
            lambda: model_layers(block, [0, 0.1, 0.4, 1.0], "daily"), cells
        ),
        "soil limits": best_ns_per_cell(lambda: [sensor_limits(one) for one in series], cells),
    }
    for name, pace in found.items():
        print(f"{name}: {pace:.1f} ns a cell, {pace / floor:.0f} times copying it")
    assert {name for name, pace in found.items() if pace > TARGETS[name]} == set()
