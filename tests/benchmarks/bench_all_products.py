"""All products of three years of fifty tubes, six depths and ten minutes, on two cores.

Fields of five tubes are worked through by two processes, as a night does; the site's space
comes once, after them. The floor is numpy copying the same float32 water content in the same
processes and run. Printed for each product: seconds of a process per million cells, times the
floor, and its share of the whole; and the wall time of all.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from bare_site import make_law, make_site, make_tube, make_wire

from pipeline.derive.conductivity import field_conductivity, rates_by_law
from pipeline.derive.daily import daily_step
from pipeline.derive.drainage import event_drainage
from pipeline.derive.drained_hours import drained_amounts
from pipeline.derive.event_block import Block, Profile
from pipeline.derive.event_tables import front_spans, tube_tables
from pipeline.derive.events import events_of_fronts, join_fronts
from pipeline.derive.fronts import wetting_fronts
from pipeline.derive.layers import model_layers
from pipeline.derive.limits import sensor_limits
from pipeline.derive.means import site_mean
from pipeline.derive.night_rates import TubeRates, drained_rates, held_above, tube_rates
from pipeline.derive.stability import stability
from pipeline.derive.storage import storage_step
from pipeline.derive.tube_laws import tube_laws
from pipeline.derive.uptake import daily_pattern
from pipeline.site.models import Derive, Layer, Site

YEARS, TUBES, TUBES_A_BLOCK, WORKERS = 3, 50, 5, 2
DEPTHS = (0.1, 0.2, 0.3, 0.4, 0.6, 1.0)
PER_DAY = 144
STEPS = YEARS * 365 * PER_DAY
STORM_EVERY_DAYS = 6
PLACE = (50.0, 10.0)
FLOOR = "copying water content"
# Target of the whole, seconds of a process per million cells; doubled, as machines are busy.
MOST_S_PER_MILLION = 2 * 0.6


def make_block(number: int) -> tuple[Site, xr.Dataset]:
    """Return a site of some tubes and its water: a storm now and then that trickles down."""
    tubes = tuple(make_tube(f"T{number}{i}") for i in range(TUBES_A_BLOCK))
    wires = tuple(make_wire(tube.tube, depth) for tube in tubes for depth in DEPTHS)
    layers = (Layer(name="top", top_m=0, bottom_m=0.3), Layer(name="all", top_m=0, bottom_m=1))
    site = make_site(
        tubes=tubes,
        wiring=wires,
        interval_s=600,
        derive=Derive(layers=layers),
        laws=(make_law(),),
    )
    random = np.random.default_rng(number)
    shape, dims = (STEPS, TUBES_A_BLOCK, len(DEPTHS)), ("time", "tube", "depth")
    water = 0.0006 * random.standard_normal(shape, dtype=np.float32)
    for tube in range(TUBES_A_BLOCK):
        gaps = random.exponential(STORM_EVERY_DAYS * PER_DAY, YEARS * 365 // 4).astype(int)
        starts = np.cumsum(PER_DAY + gaps)
        for k, depth in enumerate(DEPTHS):
            water[:, tube, k] += _course(starts + int(300 * depth), 20 + 200 * depth)
    water[random.random(shape) < 0.01] = np.nan
    units = {"units": "m3 m-3"}
    block = xr.Dataset(
        {
            "cleaned_water_content": (dims, water, units),
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


def _course(starts: np.ndarray, climb: float) -> np.ndarray:
    """Return water that climbs by 0.08 within ``climb`` steps after each start, and drains."""
    steps = np.arange(STEPS)
    place = np.searchsorted(starts, steps, "right") - 1
    since = np.where(place >= 0, steps - starts[np.maximum(place, 0)], 50 * PER_DAY)
    drained = 0.025 * np.log1p(np.maximum(since - climb, 0) / PER_DAY)
    return 0.24 + np.maximum(0.08 * np.minimum(since / climb, 1.0) - drained, 0.0)


def work_block(number: int) -> tuple[dict[str, float], int, xr.DataArray]:
    """Return the seconds each product of a block takes, events found, and daily means."""
    site, block = make_block(number)
    water = block["cleaned_water_content"]
    spent: dict[str, float] = {}

    def timed(name: str, work: Callable[[], Any]) -> Any:
        start = time.process_time()
        made = work()
        spent[name] = spent.get(name, 0.0) + time.process_time() - start
        return made

    timed(FLOOR, water.values.copy)
    stored = timed("stored water", lambda: storage_step(block, site))
    daily = timed("daily values", lambda: daily_step(block.merge(stored), site))
    timed("layers of a model", lambda: model_layers(block, [0, 0.1, 0.4, 1.0], "daily"))
    means = daily["daily_water_content"].transpose("day", "tube", "depth")
    series = means.values.reshape(means.sizes["day"], -1).T.astype(np.float64)
    timed("soil limits", lambda: [sensor_limits(one) for one in series])
    fronts = timed("wetting fronts", lambda: wetting_fronts(water))
    events = 0
    for tube in range(TUBES_A_BLOCK):
        events += _work_tube(block, tube, fronts, timed)
    return spent, events, means


def _work_tube(block: xr.Dataset, tube: int, fronts: pd.DataFrame, timed: Callable) -> int:
    """Work through events, uptake and drainage of one tube; return how many events."""
    water = block["cleaned_water_content"]
    name, depths = str(water["tube"].values[tube]), np.array(DEPTHS)
    first_s = int(water["time"].values[0].astype("datetime64[s]").astype(np.int64))
    values = np.ascontiguousarray(water.values[:, tube].T, dtype=np.float64)
    profile, part = Profile(name, depths, depths), Block(first_s, 600, values)
    joined = join_fronts(fronts[fronts["tube"] == name])

    def tables() -> tuple[pd.DataFrame, pd.DataFrame]:
        numbers = events_of_fronts(joined, depths)
        spans = front_spans(joined, numbers, first_s + STEPS * 600)
        return tube_tables(profile, part, spans, joined, numbers)

    events, rows = timed("events and recessions", tables)
    peaks = np.sort(joined.loc[joined["depth_m"] == depths[0], "peak_s"].to_numpy(np.int64))
    pattern = timed("uptake", lambda: daily_pattern(profile, part, PLACE, peaks))

    def drained() -> list[Any]:
        laws = tube_laws(pattern)
        told, table = tube_rates(pattern, laws), field_conductivity(pattern, laws)
        rates = rates_by_law(drained_rates(pattern, told), table)
        return list(_amounts(rates, told, rows, events))

    timed("conductivity and drainage", drained)
    return len(events)


def _amounts(
    rates: pd.DataFrame, told: TubeRates, rows: pd.DataFrame, events: pd.DataFrame
) -> Iterator[Any]:
    """Yield drained amounts by all three ways, sensor by sensor, as the pipeline does."""
    depths = told.nights.depth_m
    for depth in depths.tolist():
        mine, here = rates[rates["depth_m"] == depth], rows[rows["depth_m"] == depth]
        ends = events["end_s"].reindex(here["number"]).to_numpy(np.int64)
        peak = here["storage_peak_s"].to_numpy(np.int64)
        gain = here["storage_gain_mm"].to_numpy(np.float64)
        held = held_above(depth, depth - depths[0], gain)
        yield drained_amounts(here, ends, mine, told, held)
        for column in ("night_drainage_mm_d", "gradient_drainage_mm_d"):
            yield event_drainage(peak, ends, mine, column, held)


def work_space(means: xr.DataArray) -> None:
    """Tell which tube stands for the site and the site's mean, at each depth."""
    for depth in range(means.sizes["depth"]):
        at = means.isel(depth=depth).astype(np.float64).assign_attrs(units="m3 m-3")
        stability(at)
        site_mean(at)


@pytest.mark.benchmark
def test_all_products_of_three_years_of_fifty_tubes():
    with ProcessPoolExecutor(WORKERS) as pool:
        list(pool.map(work_block, range(WORKERS)))  # compiles
        start = time.perf_counter()
        results = list(pool.map(work_block, range(TUBES // TUBES_A_BLOCK)))
        wall = time.perf_counter() - start
    spent = pd.DataFrame([seconds for seconds, *_ in results]).sum()
    means = xr.concat([daily for *_, daily in results], "tube")
    work_space(means)
    start = time.process_time()
    work_space(means)
    spent["stability and site means"] = time.process_time() - start
    millions = STEPS * TUBES * len(DEPTHS) / 1e6
    floor = spent.pop(FLOOR)
    whole = spent.sum()
    found = sum(count for _, count, _ in results)
    print(
        f"\n{millions:.1f} million cells, {found} events; wall {wall:.0f} s with making data"
    )
    for name, seconds in spent.items():
        print(
            f"{name}: {seconds / millions:.3f} s per million cells, "
            f"{seconds / floor:.0f} times {FLOOR}, {100 * seconds / whole:.0f} % of all"
        )
    print(
        f"all: {whole / millions:.3f} s per million cells, {whole / floor:.0f} times {FLOOR}"
    )
    assert found > 50 * TUBES
    assert whole / millions <= MOST_S_PER_MILLION
