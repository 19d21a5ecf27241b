"""The step of quality control: all tests over one block.

Order and meaning of the tests, and what each leaves alone, are told in docs/quality.md; the
univariate ones stand as functions of their own in `pipeline.qc.univariate`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.qc import frost
from pipeline.qc.constants import (
    FLAT_ENTRY_S,
    FLAT_GAP_S,
    HOUR_S,
    NEIGHBOUR_S,
    QUIET_S,
    SPIKE_LONGEST_STEP_S,
    SPIKE_MEMORY_S,
    STEADY_S,
    SUPPLY_BACK_S,
    SUPPLY_HOLDS_S,
    TEMPERATURE_HOLDS_S,
)
from pipeline.qc.flags import describe_quality, describe_tests
from pipeline.qc.jumps import STEP_SIDE
from pipeline.qc.kernels import Readings, run_tests
from pipeline.qc.noise import BEFORE, CHUNK, LEAST_STEADY
from pipeline.qc.plan import block_plan, flat_visible_h, needs_noise, stuck_visible_h
from pipeline.qc.spans import tells_frost_by_fall
from pipeline.qc.spikes import LOOK
from pipeline.qc.standing import HISTORY
from pipeline.qc.verdicts import Marks
from pipeline.site.limits import resolve_limits
from pipeline.site.models import QcLimits, Site
from pipeline.variables import describe

DIMS = ("time", "tube", "depth")


def qc_look(site: Site) -> tuple[int, int]:
    """Return how far the tests look, in seconds back and ahead.

    Back: the first reading of a run that stands still, the noise before it and the rise that
    led to it; or the supply of a week; and before that what a step or a neighbour needs.
    Ahead: the two chunks that tell the noise, the readings that show a run or a step, and the
    total of rain that they lie in.
    """
    limits = [site.qc, *resolve_limits(site).values()]
    intervals = [site.interval_s, *(s.interval_s for s in site.sources if s.interval_s)]
    reading_s = max(intervals) + site.interval_s
    quick = [every for every in intervals if every <= SPIKE_LONGEST_STEP_S]
    back, ahead = 3 * reading_s + _standing_s(limits), reading_s
    if quick and any(needs_noise(q) for q in limits):
        noise_back, noise_ahead = _noise_look(limits, max(quick))
        back, ahead = max(back, noise_back), ahead + noise_ahead
    if any(q.neighbour_suspect is not None for q in limits):
        back += NEIGHBOUR_S
    for own_back, own_ahead in _logged_beside(site, limits):
        back, ahead = max(back, own_back), max(ahead, own_ahead)
    return back, ahead + _rain_told_s(site)


def _rain_told_s(site: Site) -> int:
    """Return how many seconds after a step the total that it lies in may be told."""
    gauges = {wire.source for wire in site.wiring if wire.quantity == "rain"}
    return site.interval_s * (max((site.strides[name] for name in gauges), default=1) - 1)


def _standing_s(limits: Sequence[QcLimits]) -> int:
    """Return the seconds back that a run of one value over and over is told by."""
    if not any(q.flat_suspect_h or q.flat_fail_h for q in limits):
        return 0
    longest_h = max(flat_visible_h(q) for q in limits)
    return math.ceil(longest_h * HOUR_S) + FLAT_ENTRY_S + FLAT_GAP_S


def _noise_look(limits: Sequence[QcLimits], every_s: int) -> tuple[int, int]:
    """Return the seconds back and ahead of tests that hold readings to the noise."""
    chunk_s = CHUNK * every_s
    noise_s = (BEFORE + 1) * chunk_s
    history_s = max((HISTORY + 1) * chunk_s, QUIET_S + 2 * chunk_s, noise_s)
    visible_h = [stuck_visible_h(q) for q in limits if q.stuck_chance is not None]
    longest_s = math.ceil(max(visible_h, default=0.0) * HOUR_S)
    back = longest_s + max(history_s, FLAT_ENTRY_S) + 2 * FLAT_GAP_S
    if any(q.spike_noise is not None for q in limits):
        steady_s = max(STEADY_S + chunk_s, LEAST_STEADY * chunk_s) + chunk_s
        memory_s = SPIKE_MEMORY_S if any(q.spike_false for q in limits) else 0
        back = max(back, memory_s + steady_s + LOOK * every_s)
    return back, (2 * CHUNK + STEP_SIDE + LOOK) * every_s


def _logged_beside(site: Site, limits: Sequence[QcLimits]) -> Iterator[tuple[int, int]]:
    """Yield the seconds back and ahead that frost, supply and soil temperature need."""
    quantities = {wire.quantity for wire in site.wiring}
    if any(tells_frost_by_fall(site, t.tube, q) for t in site.tubes for q in limits):
        by_air = frost.FROST_BACK_S if "air_temperature" in quantities else 0
        yield frost.BACK_S + by_air, frost.AHEAD_S
    if "supply_voltage" in quantities:
        yield SUPPLY_BACK_S + SUPPLY_HOLDS_S, 0
    if "soil_temperature" in quantities:
        yield TEMPERATURE_HOLDS_S + site.interval_s, 0


def qc_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Return which tests fired, the primary flag, and water content without certain faults.

    Parameters
    ----------
    block : Dataset (time, tube, depth)
        ``calibrated_water_content`` [m3 m-3] and ``outside_calibration``, on a regular axis;
        where there are any, ``random_error`` [m3 m-3], ``soil_temperature`` [degC] and the
        ``*_offset_s`` [s] of the signals, and (time, station) ``supply_voltage`` [V],
        ``air_temperature`` [degC] and ``rain`` [mm]. Verdicts are final where the block
        reaches as far around them as `qc_look` says.
    site : Site
        Tells thresholds, soils and how often each source logs.

    Returns
    -------
    Dataset
        ``tests`` (uint16, bits of `pipeline.qc.flags.TEST_BITS`), ``quality`` (uint8,
        `pipeline.qc.flags.Quality`) and ``cleaned_water_content`` [m3 m-3], float32: as
        calibrated, NaN where quality is bad or missing. Nothing is interpolated.
    """
    plan = block_plan(block, site)
    theta = _flat(block["calibrated_water_content"], np.float32)
    outside = _flat(block["outside_calibration"], np.uint8)
    tests = np.empty(theta.shape, dtype=np.uint16)
    quality = np.empty(theta.shape, dtype=np.uint8)
    cleaned = np.empty(theta.shape, dtype=np.float32)
    stated = np.empty((0, 0), dtype=np.float32)
    if "random_error" in block:
        stated = _flat(block["random_error"], np.float32)
    run_tests(Readings(theta, outside, stated), plan, Marks(tests, quality, cleaned))
    return xr.Dataset(
        {
            "tests": describe_tests(_as_array(block, tests)),
            "quality": describe_quality(_as_array(block, quality)),
            "cleaned_water_content": describe(
                _as_array(block, cleaned), "cleaned_water_content"
            ),
        }
    )


def _flat(array: xr.DataArray, dtype: type) -> NDArray:
    """Return values as (time, column), without a copy if they are so already."""
    values = array.transpose(*DIMS).values
    return np.ascontiguousarray(values, dtype=dtype).reshape(values.shape[0], -1)


def _as_array(block: xr.Dataset, values: NDArray) -> xr.DataArray:
    shape = tuple(block.sizes[dim] for dim in DIMS)
    return xr.DataArray(values.reshape(shape), {dim: block[dim] for dim in DIMS}, DIMS)
