"""The two steps of calibration: logged signal to root permittivity, and to water content.

At each cell the first quantity with a reading counts, in the order of
`pipeline.variables.SIGNALS`: water content as logged, root permittivity, permittivity,
voltage. A voltage needs the law of the probe wired there at the time, everything but logged
water content the law of the horizon the sensor really lies in.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.calibrate.depth_error import add_depth_error
from pipeline.calibrate.kernels import (
    Noise,
    Signals,
    WaterArrays,
    fill_root,
    fill_water,
)
from pipeline.calibrate.plan import block_plan
from pipeline.calibrate.reasons import NO_LAW, OUTSIDE_PROBE, OUTSIDE_SOIL
from pipeline.site.models import Site
from pipeline.variables import describe

DIMS = ("time", "tube", "depth")
_UNLOGGED = np.empty((0, 0), dtype=np.float32)


def calibrate_look(site: Site) -> tuple[int, int]:
    """Return how far the steps look, in seconds back and ahead: each cell stands alone."""
    return 0, 0


def root_permittivity_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Return the square root of the soil's apparent permittivity from whatever is logged.

    Parameters
    ----------
    block : Dataset (time, tube, depth)
        Readings: any of ``root_permittivity`` [1], ``permittivity`` [1] and ``voltage`` [V].
    site : Site
        Tells the probe wired to each sensor at each time, and its law.

    Returns
    -------
    Dataset
        ``root_permittivity`` [1], float32: copied where logged, the square root of a logged
        permittivity, or from voltage by the probe's law; NaN where nothing is logged, a
        voltage lies outside its law's range, or no law holds.
    """
    plan = block_plan(block, site)
    shape = tuple(block.sizes[dim] for dim in DIMS)
    out = np.empty((shape[0], shape[1] * shape[2]), dtype=np.float32)
    fill_root(_signals(block), _noise(site), plan.runs, plan.curves, out)
    return xr.Dataset({"root_permittivity": _as_array(block, out, "root_permittivity")})


def water_content_step(block: xr.Dataset, site: Site) -> xr.Dataset:
    """Return calibrated water content with its two standard uncertainties.

    The random error is the noise of the logged quantity carried through the slopes of the
    probe's and the soil's law. The systematic error holds what the laws' own coefficients
    leave open: the soil law's, and the probe law's through the slope of the soil law, and
    what a doubt about the sensor's depth does where water changes with depth (see
    `pipeline.calibrate.depth_error`), in quadrature. Either is NaN where the site does not
    state what it rests on.

    Parameters
    ----------
    block : Dataset (time, tube, depth)
        Readings: any of ``water_content`` [m3 m-3], ``root_permittivity`` [1],
        ``permittivity`` [1] and ``voltage`` [V], as logged.
    site : Site
        Tells probes, laws, horizons and sensor noise.

    Returns
    -------
    Dataset
        ``calibrated_water_content``, ``random_error``, ``systematic_error`` [m3 m-3], float32,
        NaN where water content cannot be known, and ``outside_calibration`` (uint8), which is
        not 0 where there is a reading but no water content: 1 outside the probe law's range
        (or a permittivity not above zero), 2 outside the soil law's range, 4 no law holds.
    """
    plan = block_plan(block, site)
    shape = (block.sizes["time"], block.sizes["tube"] * block.sizes["depth"])
    # The plan's runs cover every cell, so nothing needs to be filled first.
    theta, random, systematic = (np.empty(shape, dtype=np.float32) for _ in range(3))
    out = WaterArrays(theta, random, systematic, np.empty(shape, dtype=np.uint8))
    fill_water(_signals(block), _noise(site), plan.runs, plan.curves, out)
    cube = tuple(block.sizes[dim] for dim in DIMS)
    add_depth_error(theta.reshape(cube), systematic.reshape(cube), block, site)
    result: dict[str, NDArray] = {
        "calibrated_water_content": out.water_content,
        "random_error": out.random_error,
        "systematic_error": out.systematic_error,
        "outside_calibration": out.outside,
    }
    dataset = xr.Dataset({name: _as_array(block, a, name) for name, a in result.items()})
    dataset["outside_calibration"].attrs |= {
        "flag_masks": np.array([OUTSIDE_PROBE, OUTSIDE_SOIL, NO_LAW], dtype=np.uint8),
        "flag_meanings": "outside_probe_law outside_soil_law no_law",
    }
    return dataset


def _signals(block: xr.Dataset) -> Signals:
    """Return the logged quantities as (time, column) float32, not copied if they are so."""

    def flat(name: str) -> NDArray[np.float32]:
        if name not in block:
            return _UNLOGGED
        values = block[name].transpose(*DIMS).values
        return np.ascontiguousarray(values, dtype=np.float32).reshape(values.shape[0], -1)

    return Signals(*(flat(name) for name in Signals._fields))


def _noise(site: Site) -> Noise:
    """Return the stated standard deviations, NaN where none is."""
    return Noise(*(float(site.sensor_noise.get(name, np.nan)) for name in Noise._fields))


def _as_array(block: xr.Dataset, values: NDArray, name: str) -> xr.DataArray:
    """Return flat values as a described array on the block's coordinates."""
    shape = tuple(block.sizes[dim] for dim in DIMS)
    coords = {dim: block[dim] for dim in DIMS}
    return describe(xr.DataArray(values.reshape(shape), coords, DIMS), name)
