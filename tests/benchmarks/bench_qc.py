"""Speed of calibration and quality control, per cell and against copying the readings.

Three years of a tube block (5 tubes, 6 depths, 10 min) are calibrated and judged on one core.
The floor is numpy copying the same float32 readings in the same run. Times are of the process,
so that other work on the machine disturbs them less.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
from bare_site import make_block, make_law, make_probe_law, make_site, make_tube, make_wire

from pipeline.calibrate.steps import root_permittivity_step, water_content_step
from pipeline.qc.step import qc_step

STEPS = 3 * 365 * 144
DEPTHS = (0.1, 0.2, 0.3, 0.4, 0.6, 1.0)
REPEATS = 5
# Targets in ns per cell, doubled: a busy machine must not fail the night's benchmark.
TARGETS = {"root permittivity": 2 * 15, "water content": 2 * 15, "quality": 2 * 50}


def make_three_years():
    """Return a site and a block of voltages with noise, gaps, spikes and a stuck sensor."""
    tubes = tuple(make_tube(f"T{i}") for i in range(5))
    wires = tuple(make_wire(tube.tube, depth) for tube in tubes for depth in DEPTHS)
    site = make_site(
        tubes=tubes,
        wiring=wires,
        interval_s=600,
        sensor_noise={"voltage": 0.001},
        laws=(make_law(), make_probe_law(standard_error=0.05)),
    )
    rng = np.random.default_rng(5)
    season = 0.4 + 0.1 * np.sin(np.arange(STEPS) / 8000)[:, None]
    volts = season + 0.001 * rng.standard_normal((STEPS, len(wires)))
    volts[rng.random(volts.shape) < 0.02] = np.nan
    volts[rng.random(volts.shape) < 0.001] += 0.2
    volts[20_000:40_000, 3] = 0.35
    return site, make_block(site, voltage=volts)


def best_ns_per_cell(work: Callable[[], object], cells: int) -> float:
    """Return the best of some runs, the first (which compiles) left out."""
    work()
    spent = []
    for _ in range(REPEATS):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return min(spent) / cells * 1e9


@pytest.mark.benchmark
def test_nanoseconds_per_cell():
    site, block = make_three_years()
    cells = block["voltage"].size
    water = water_content_step(block, site)
    work = {
        "root permittivity": lambda: root_permittivity_step(block, site),
        "water content": lambda: water_content_step(block, site),
        "quality": lambda: qc_step(water, site),
    }
    floor = best_ns_per_cell(lambda: block["voltage"].values.copy(), cells)
    print(f"\n{cells:,} cells; floor (copy of float32): {floor:.2f} ns per cell")
    found = {name: best_ns_per_cell(step, cells) for name, step in work.items()}
    for name, spent in found.items():
        print(f"{name}: {spent:.1f} ns per cell, {spent / floor:.0f} times the floor")
    assert {name for name, spent in found.items() if spent > TARGETS[name]} == set()
