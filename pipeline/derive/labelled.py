"""Arithmetic that keeps labels: numbers and arrays give arrays, a DataArray gives a DataArray.

DataArrays are combined by the names of their dimensions and must agree in labels and their
order; beside one of them a bare array is refused, because its dimensions have no names.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import numpy as np

from pipeline.units import Amount, numbers, plain
from pipeline.variables import require_alike, require_dims, require_once

if TYPE_CHECKING:  # a table is looked up without it
    import xarray as xr

# A DataArray where any argument is one, else an array.
Like: TypeAlias = Any


def amount(value: Amount, units: str) -> Like:
    """Return plain numbers in some units, float64, with the labels they have.

    Raises
    ------
    UnitsError
        If the units of a quantity or a DataArray do not fit.
    """
    if hasattr(value, "dims"):
        return plain(cast("xr.DataArray", value), units).astype(np.float64)
    return np.asarray(numbers(value, units), dtype=np.float64)


def elementwise(
    function: Callable[..., Any], values: tuple[Like, ...], *told: tuple[str, str]
) -> Any:
    """Return a function of numbers, cell by cell; lazy where an argument is.

    Parameters
    ----------
    function : callable
        Of as many arrays as there are values; gives as many as there are ``told``.
    values : tuple
        From `amount`.
    told : (units, long name)
        Of each result.

    Raises
    ------
    ValueError
        If DataArrays differ in their labels, or a bare array stands beside one.
    """
    labelled = [value for value in values if hasattr(value, "dims")]
    if not labelled:
        return function(*values)
    import xarray as xr

    for value in values:
        if not hasattr(value, "dims") and value.ndim:
            raise ValueError(
                f"expected a DataArray, or one number, beside {labelled[0].name!r}, found a "
                f"bare array of shape {value.shape}; give it dimensions"
            )
    most = max(labelled, key=lambda array: array.ndim)
    for array in labelled:
        require_alike(array, most)
    found = xr.apply_ufunc(
        lambda _, *plain_values: function(*plain_values),
        most,  # first, so that results have its order of dimensions
        *values,
        output_core_dims=[()] * len(told),
        dask="parallelized",
        output_dtypes=[np.float64] * len(told),
    )
    results = found if len(told) > 1 else (found,)
    for result, (units, long_name) in zip(results, told, strict=True):
        result.name = None
        result.attrs = {"units": units, "long_name": long_name}
    return found


def by_day_and_tube(values: xr.DataArray, unit: str) -> xr.DataArray:
    """Return values (day, tube) as plain numbers in a unit, refusing other dimensions.

    Nor may a tube be there twice.
    """
    found = plain(values, unit)
    require_dims(found, "day", "tube")
    require_once(found, "tube")
    return found.transpose("day", "tube")
