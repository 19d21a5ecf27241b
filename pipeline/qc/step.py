"""The step of quality control: all tests of the first set over one block.

Order and meaning of the tests, and what each leaves alone, are told in
`pipeline.qc.univariate`, which has every test as a function of its own.
"""

from __future__ import annotations

import math

import numpy as np
import xarray as xr
from numba import njit
from numpy.typing import NDArray

from pipeline.qc.columns import (
    BAD,
    NOT_EVALUATED,
    FlatWindows,
    Limits,
    flat_line,
    gross_range,
    rate_of_change,
    spike,
    take_out_bad,
)
from pipeline.qc.flags import TEST_BITS, Quality, describe_quality, describe_tests
from pipeline.qc.plan import (
    FLAT_ENTRY_S,
    FLAT_GAP_S,
    HOUR_S,
    RATE_SHORTEST_H,
    SPIKE_LONGEST_STEP_S,
    block_plan,
)
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Site
from pipeline.variables import describe

DIMS = ("time", "tube", "depth")
Floats = NDArray[np.float64]
MISSING = int(Quality.MISSING)
MISSING_BIT, OUTSIDE_BIT = TEST_BITS["missing"], TEST_BITS["outside_calibration"]
GROUP = 16  # columns taken together: one cache line of float32


def qc_look(site: Site) -> tuple[int, int]:
    """Return how far the tests look, in seconds back and ahead.

    Back: the longest flat-line window, the day in which its first reading must then be found,
    the day before that in which a plateau was risen to, and a longest gap. Ahead: one reading,
    the neighbour of a spike.
    """
    limits = [site.qc, *resolve_limits(site).values()]
    hours = [h for q in limits for h in (q.flat_suspect_h, q.flat_fail_h) if h is not None]
    intervals = [site.interval_s, *(s.interval_s for s in site.sources if s.interval_s)]
    reading_s = max(intervals) + site.interval_s
    back = 3 * reading_s
    if hours:
        back += math.ceil(max(hours) * HOUR_S) + 2 * FLAT_ENTRY_S + FLAT_GAP_S
    return back, reading_s


def qc_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Return which tests fired, the primary flag, and water content without certain faults.

    Parameters
    ----------
    block : Dataset (time, tube, depth)
        ``calibrated_water_content`` [m3 m-3] and ``outside_calibration``, on a regular axis.
        Verdicts are final where the block reaches as far around them as `qc_look` says.
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
    run_tests(
        (theta, outside),
        plan.runs,
        plan.limits,
        plan.windows,
        float(plan.interval_s),
        (tests, quality, cleaned),
    )
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


@njit(cache=True, nogil=True)
def _calibration_verdicts(
    x: Floats, outside: NDArray[np.uint8], mask: NDArray[np.uint16], verdict: NDArray[np.uint8]
) -> None:  # pragma: no cover
    """Start the verdicts: missing, refused by the calibration, or nothing known yet."""
    for i in range(x.size):
        mask[i] = 0
        verdict[i] = NOT_EVALUATED
        if np.isnan(x[i]):
            mask[i] = OUTSIDE_BIT if outside[i] else MISSING_BIT
            verdict[i] = BAD if outside[i] else MISSING


@njit(cache=True, nogil=True)
def _judge_column(
    x: Floats,
    runs: NDArray[np.int64],
    limits: Limits,
    windows: FlatWindows,
    interval_s: float,
    room: NDArray[np.int64],
    marks: tuple[NDArray[np.uint16], NDArray[np.uint8]],
) -> None:  # pragma: no cover
    """Run all tests over one column, in their order; ``x`` loses what they fail."""
    mask, verdict = marks
    column = runs[0, 0]
    gross_range(x, limits, column, mask, verdict)
    for r in range(runs.shape[0]):
        thresholds = (limits.spike_suspect[column], limits.spike_fail[column])
        certain = runs[r, 3] * interval_s <= SPIKE_LONGEST_STEP_S
        spike(x, runs[r], thresholds, certain, mask, verdict)
    take_out_bad(x, verdict)
    for r in range(runs.shape[0]):
        hours = max(runs[r, 3] * interval_s / HOUR_S, RATE_SHORTEST_H)
        rate_of_change(x, runs[r], limits.rate_per_h[column] * hours, mask, verdict)
    flat_line(x, column, limits, windows, room, mask, verdict)


@njit(cache=True, nogil=True)
def run_tests(
    readings: tuple[NDArray[np.float32], NDArray[np.uint8]],
    runs: NDArray[np.int64],
    limits: Limits,
    windows: FlatWindows,
    interval_s: float,
    out: tuple[NDArray[np.uint16], NDArray[np.uint8], NDArray[np.float32]],
) -> None:  # pragma: no cover
    """Fill mask, primary flag and cleaned water content, all (time, column).

    ``readings`` are water content and why there is none. Columns go by groups as wide as a
    cache line, turned into contiguous series and back.
    """
    theta, outside = readings
    steps, columns = theta.shape
    x = np.empty((GROUP, steps))
    refused = np.empty((GROUP, steps), dtype=np.uint8)
    mask = np.empty((GROUP, steps), dtype=np.uint16)
    verdict = np.empty((GROUP, steps), dtype=np.uint8)
    room = np.empty(steps, dtype=np.int64)
    first = 0
    for group in range(0, columns, GROUP):
        width = min(GROUP, columns - group)
        for i in range(steps):
            for c in range(width):
                x[c, i] = theta[i, group + c]
                refused[c, i] = outside[i, group + c]
        for c in range(width):
            last = first
            while last < runs.shape[0] and runs[last, 0] == group + c:
                last += 1
            _calibration_verdicts(x[c], refused[c], mask[c], verdict[c])
            if last > first:
                marks = (mask[c], verdict[c])
                _judge_column(x[c], runs[first:last], limits, windows, interval_s, room, marks)
            first = last
        _write_back(theta, group, width, mask, verdict, out)


@njit(cache=True, nogil=True)
def _write_back(
    theta: NDArray[np.float32],
    group: int,
    width: int,
    mask: NDArray[np.uint16],
    verdict: NDArray[np.uint8],
    out: tuple[NDArray[np.uint16], NDArray[np.uint8], NDArray[np.float32]],
) -> None:  # pragma: no cover
    """Write one group of columns to the block; bad readings are not in the cleaned one."""
    tests, quality, cleaned = out
    for i in range(theta.shape[0]):
        for c in range(width):
            flag = verdict[c, i]
            tests[i, group + c] = mask[c, i]
            quality[i, group + c] = flag
            cleaned[i, group + c] = np.nan if flag == BAD else theta[i, group + c]
