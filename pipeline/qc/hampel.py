"""The Hampel identifier: how far a reading lies from the median around it.

Units, lazy arrays and order of times as in `pipeline.qc.univariate`.
"""

from __future__ import annotations

import warnings

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.qc.univariate import as_flag, in_one_chunk, over_time

# 1 / (quantile of the standard normal at 3/4): by it a median absolute deviation becomes the
# standard deviation of normal noise. Pearson et al. 2016, eq. 4.
HAMPEL_SCALE = 1.4826


def hampel_score(water_content: xr.DataArray, half_window: int) -> xr.DataArray:
    """Return how far each reading lies from the median around it, in robust deviations.

    Parameters
    ----------
    water_content : DataArray with ``time``, [m3 m-3]
        Stays lazy if it is.
    half_window : int
        Readings on either side that count, fewer at the ends; missing ones do not.

    Returns
    -------
    DataArray of float64, same dims, [1]
        ``|x - median| / (1.4826 MAD)`` with the median absolute deviation of the window; 0
        where both are 0, infinite where only the deviation is.

    References
    ----------
    Hampel identifier: Pearson et al. 2016, EURASIP J. Adv. Signal Process. 2016:87, eqs 3-4.
    The ``spike`` test of the step differs from it in its scale; see `pipeline.qc.noise`.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.qc.hampel import hampel_score
    >>> theta = xr.DataArray([0.20, 0.20, 0.30], dims="time", attrs={"units": "m3 m-3"})
    >>> hampel_score(theta, 1).round(3).values.tolist()
    [0.0, 0.0, 0.674]
    """
    result = xr.apply_ufunc(
        _hampel_along_last,
        in_one_chunk(over_time(water_content)),
        input_core_dims=[["time"]],
        output_core_dims=[["time"]],
        kwargs={"half_window": half_window},
        dask="parallelized",
        output_dtypes=[np.float64],
    )
    score = result.transpose(*water_content.dims).rename("hampel_score")
    score.attrs = {"units": "1", "long_name": "robust deviations from the median around"}
    return score


def _hampel_along_last(readings: NDArray, half_window: int) -> NDArray[np.float64]:
    """Return the scores of series laid along the last axis of an array of any shape."""
    values = np.asarray(readings, dtype=np.float64)
    if not values.size:
        return values
    edge = [(0, 0)] * (values.ndim - 1) + [(half_window, half_window)]
    padded = np.pad(values, edge, constant_values=np.nan)
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * half_window + 1, axis=-1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of windows without a reading
        median = np.nanmedian(around, axis=-1)
        spread = HAMPEL_SCALE * np.nanmedian(abs(around - median[..., None]), axis=-1)
    away = abs(values - median)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(away == 0.0, 0.0 * away, away / spread)


def flag_hampel(
    water_content: xr.DataArray, half_window: int, factor: float = 3.0
) -> xr.DataArray:
    """Flag readings whose `hampel_score` is above a factor.

    Parameters
    ----------
    water_content, half_window
        As in `hampel_score`.
    factor : float, [1]

    Returns
    -------
    DataArray of bool, same dims

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.qc.hampel import flag_hampel
    >>> theta = xr.DataArray([0.20, 0.21, 0.30, 0.20, 0.21], dims="time")
    >>> flag_hampel(theta.assign_attrs(units="m3 m-3"), 2).values.tolist()
    [False, False, True, False, False]
    """
    return as_flag(hampel_score(water_content, half_window) > factor, "spike")
