"""The step of quality control: all tests of the first set over one block.

Order and meaning of the tests, and what each leaves alone, are told in
`pipeline.qc.univariate`, which has every test as a function of its own.
"""

from __future__ import annotations

import math

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.qc.constants import FLAT_ENTRY_S, FLAT_GAP_S, HOUR_S
from pipeline.qc.flags import describe_quality, describe_tests
from pipeline.qc.kernels import run_tests
from pipeline.qc.plan import block_plan
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Site
from pipeline.variables import describe

DIMS = ("time", "tube", "depth")


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
        plan.changes,
        plan.limits,
        plan.windows,
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
