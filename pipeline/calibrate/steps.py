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

from pipeline.calibrate.corrected import Corrected, correct_block
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
from pipeline.calibrate.warmth import asks_for_warmth, freed_of_warmth, warmth_look
from pipeline.site.models import Site
from pipeline.variables import describe

DIMS = ("time", "tube", "depth")
_UNLOGGED = np.empty((0, 0), dtype=np.float32)


def calibrate_look(site: Site) -> tuple[int, int]:
    """Return how far the steps look, in seconds back and ahead.

    Each cell stands alone, but where a law asks for soil temperature, which may be logged less
    often than the signal.
    """
    return warmth_look(site)


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
    corrected = correct_block(block, site)
    block = block if corrected is None else corrected.block
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
        NaN where water content cannot be known; ``correction`` [m3 m-3], what the drift
        corrections of ``site`` changed of it, 0 where nothing; ``temperature_correction``
        [m3 m-3], the same of soil temperature where a law asks for it; and
        ``outside_calibration`` (uint8), which is not 0 where there is a reading but no water
        content: 1 outside the probe law's range (or a permittivity not above zero), 2 outside
        the soil law's range, 4 no law holds.
    """
    corrected = correct_block(block, site)
    out = _water(block if corrected is None else corrected.block, site)
    cube = tuple(block.sizes[dim] for dim in DIMS)
    theta, systematic = out.water_content.reshape(cube), out.systematic_error.reshape(cube)
    correction = np.zeros(cube, dtype=np.float32)
    if corrected is not None:
        _account_correction(block, corrected, site, (theta, systematic, correction))
    signals = block if corrected is None else block.assign(corrected.block)
    doubtful = None if corrected is None else corrected.doubtful
    warmed = _account_warmth(signals, doubtful, site, out)
    add_depth_error(theta, systematic, block, site)
    result: dict[str, NDArray] = {
        "correction": correction,
        "temperature_correction": warmed,
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


def _water(block: xr.Dataset, site: Site) -> WaterArrays:
    """Return what the laws make of the signals of a block, each array (time, column)."""
    plan = block_plan(block, site)
    shape = (block.sizes["time"], block.sizes["tube"] * block.sizes["depth"])
    # The plan's runs cover every cell, so nothing needs to be filled first.
    out = _empty_water(shape)
    fill_water(_signals(block), _noise(site), plan.runs, plan.curves, out)
    return out


def _empty_water(shape: tuple[int, int]) -> WaterArrays:
    theta, random, systematic = (np.empty(shape, dtype=np.float32) for _ in range(3))
    return WaterArrays(theta, random, systematic, np.empty(shape, dtype=np.uint8))


def _account_correction(
    block: xr.Dataset,
    corrected: Corrected,
    site: Site,
    arrays: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]],
) -> None:
    """Fill in what a correction did to water content, and add how sure it is.

    ``arrays`` are water content as corrected, its systematic error and the correction, each
    (time, tube, depth); the latter two are changed. Only tubes with a correction are looked
    at: their signals go through the laws twice more, as logged and with the doubt added.
    """
    theta, systematic, correction = arrays
    for row in corrected.tubes:
        logged, doubtful = (
            _water(part.isel(tube=[row]), site).water_content.astype(np.float64)
            for part in (block, corrected.doubtful)
        )
        value = theta[:, row].astype(np.float64)
        change = np.nan_to_num(value - logged, nan=0.0)
        # Beyond a law's range the doubt is as large as what was corrected.
        doubt = np.where(np.isnan(doubtful), np.abs(change), doubtful - value)
        whole = np.hypot(systematic[:, row].astype(np.float64), doubt)
        correction[:, row], systematic[:, row] = change, whole


def _account_warmth(
    block: xr.Dataset, doubtful: xr.Dataset | None, site: Site, out: WaterArrays
) -> NDArray[np.float32]:
    """Free water content of soil temperature where laws ask for it; return what changed.

    ``block`` holds signals corrected for drift, ``doubtful`` the same with the doubt of that
    added. The arrays of ``out`` are changed in place.
    """
    change = np.zeros(out.water_content.shape, dtype=np.float32)
    if not asks_for_warmth(site) or "soil_temperature" not in block:
        return change
    plan = block_plan(block, site)
    root = np.empty(change.shape, dtype=np.float32)
    fill_root(_signals(block), _noise(site), plan.runs, plan.curves, root)
    moved, share = freed_of_warmth(block, site, root.astype(np.float64))
    cells = share > 0.0
    if "water_content" in block:  # taken as logged, whatever else is
        cells &= np.isnan(_signals(block).water_content)
    if not cells.any():
        return change
    signals = Signals(_UNLOGGED, _UNLOGGED, moved.astype(np.float32), _UNLOGGED)
    again = _empty_water((cells.shape[0], cells.shape[1]))
    # With a noise of one the random error is the slope of the soil's law.
    fill_water(signals, Noise(1.0, 1.0, 1.0, 1.0), plan.runs, plan.curves, again)
    theta = again.water_content
    reached = cells & np.isnan(out.water_content) & np.isfinite(theta)
    change[cells] = np.nan_to_num(theta - out.water_content)[cells]
    change[reached] = (again.random_error * (moved - root))[reached]
    if reached.any():
        _fill_reached(reached, again, (block, doubtful), site, out)
    doubt = np.where(cells, share - 1.0, 0.0) * np.abs(change)
    whole = np.hypot(out.systematic_error.astype(np.float64), doubt)
    out.systematic_error[cells] = whole[cells]
    out.water_content[cells], out.outside[cells] = theta[cells], again.outside[cells]
    out.random_error[cells & np.isnan(theta)] = np.nan
    out.systematic_error[cells & np.isnan(theta)] = np.nan
    return change


def _fill_reached(
    reached: NDArray[np.bool_],
    again: WaterArrays,
    blocks: tuple[xr.Dataset, xr.Dataset | None],
    site: Site,
    out: WaterArrays,
) -> None:
    """Fill in the errors where a law holds for the freed root but not for that read.

    ``again`` has the slope of the law at the freed root as its random error; ``blocks`` are
    the signals, and the same with the doubt about drift added.
    """
    as_root = {
        "form": "linear_root_permittivity",
        "coefficients": {"slope": 1.0, "offset": 0.0},
        "valid_from": -np.inf,
        "valid_to": np.inf,
        "covariance": None,
        "standard_error": 0.0,
    }
    laws = (law.model_copy(update=as_root if law.kind == "soil" else {}) for law in site.laws)
    plain = site.model_copy(update={"laws": tuple(laws)})
    block, doubtful = blocks
    read, slope = _water(block, plain), again.random_error.astype(np.float64)
    parts = [again.systematic_error, slope * read.systematic_error]
    if doubtful is not None:
        parts.append(slope * (_water(doubtful, plain).water_content - read.water_content))
    whole = np.linalg.norm(np.array(parts, dtype=np.float64), axis=0)
    out.systematic_error[reached] = whole[reached]
    out.random_error[reached] = (slope * read.random_error)[reached]


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
