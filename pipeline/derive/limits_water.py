"""Deficit, available water and refill of a root zone between its two limits (FAO-56).

Bare numbers are in the units stated; arrays with units are checked, and Pint quantities
converted. Arrays are combined by position, as numpy does; DataArrays whose dimensions or
labels do not agree so are refused with `ValueError`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr

from pipeline.arrays import Floats
from pipeline.units import Amount, numbers, water_units
from pipeline.variables import require_labels

MM_PER_M = 1000.0
# FAO-56, below equation 83: how the depletion fraction changes with evapotranspiration.
_PER_MM, _USUAL_MM, _LEAST, _MOST = 0.04, 5.0, 0.1, 0.8


class Balance(NamedTuple):
    """Depletion of the root zone at the end of a day and what drained from it, [mm]."""

    depletion: Floats
    deep_percolation: Floats


def total_available_water(upper: Amount, lower: Amount, thickness_m: Amount) -> Floats:
    """Water a root zone holds between its limits [mm] (FAO-56 equation 82).

    Parameters
    ----------
    upper, lower : float or array, [m3 m-3]
        Drained upper limit (field capacity) and lower limit (wilting point).
    thickness_m : float or array, [m]

    References
    ----------
    Allen, Pereira, Raes & Smith (1998), FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    Tomato on silt (FAO-56, Example 36):

    >>> from pipeline.derive.limits_water import readily_available_water
    >>> from pipeline.derive.limits_water import total_available_water
    >>> total = total_available_water(0.32, 0.15, 0.8)
    >>> round(float(total)), round(float(readily_available_water(total, 0.40)))
    (136, 54)
    """
    _agree(upper, lower, thickness_m)
    between = _in(upper, "m3 m-3") - _in(lower, "m3 m-3")
    found: Floats = MM_PER_M * between * _in(thickness_m, "m")
    return found


def readily_available_water(total_mm: Amount, depletion_fraction: Amount) -> Floats:
    """Water that can be taken before plants feel the lack of it [mm] (FAO-56 equation 83)."""
    _agree(total_mm, depletion_fraction)
    found: Floats = _in(depletion_fraction, "1") * _in(total_mm, "mm")
    return found


def adjusted_depletion_fraction(table: Amount, evapotranspiration_mm: Amount) -> Floats:
    """Depletion fraction for a day's crop evapotranspiration [mm] (FAO-56, Table 22, note)."""
    _agree(table, evapotranspiration_mm)
    demand = _in(evapotranspiration_mm, "mm")
    fraction = _in(table, "1") + _PER_MM * (_USUAL_MM - demand)
    return np.clip(fraction, _LEAST, _MOST)


def stress_coefficient(
    total_mm: Amount, depletion_mm: Amount, depletion_fraction: Amount
) -> Floats:
    """Share of its demand that a crop can still take up [1] (FAO-56 equation 84)."""
    _agree(total_mm, depletion_mm, depletion_fraction)
    total = _in(total_mm, "mm")
    left = (total - _in(depletion_mm, "mm")) / ((1 - _in(depletion_fraction, "1")) * total)
    return np.clip(left, 0.0, 1.0)


def root_zone_depletion(upper: Amount, water: Amount, thickness_m: Amount) -> Floats:
    """Water lacking to the upper limit [mm], none above it (FAO-56 equation 87).

    Parameters
    ----------
    upper, water : float or array, (..., layer), [m3 m-3]
    thickness_m : float or array, (layer), [m]
    """
    _agree(upper, water, thickness_m)
    lacking = _in(upper, "m3 m-3") - _in(water, "m3 m-3")
    found: Floats = MM_PER_M * np.maximum(lacking, 0.0) * _in(thickness_m, "m")
    return found


def daily_balance(
    depletion_mm: Amount,
    gain_mm: Amount,
    evapotranspiration_mm: Amount,
    total_mm: Amount,
) -> Balance:
    """Depletion of a root zone after a day (FAO-56 equations 85, 86, 88).

    Parameters
    ----------
    depletion_mm : float or array, [mm]
        At the end of the day before.
    gain_mm : float or array, [mm]
        Rain less runoff, irrigation, and capillary rise.
    evapotranspiration_mm : float or array, [mm]
    total_mm : float or array, [mm]
        Total available water; depletion does not exceed it.
    """
    _agree(depletion_mm, gain_mm, evapotranspiration_mm, total_mm)
    change = _in(evapotranspiration_mm, "mm") - _in(gain_mm, "mm")
    before = _in(depletion_mm, "mm") + change
    drained = np.maximum(-before, 0.0)
    return Balance(np.minimum(before + drained, _in(total_mm, "mm")), drained)


def relative_available_water(water: Amount, upper: Amount, lower: Amount) -> Floats:
    """Share of the available water that is left [1]: 0 at the lower limit, 1 at the upper.

    Above the upper limit it exceeds 1 as long as soil drains; below the lower it is below 0.
    NaN where the upper limit is not above the lower, so that nothing is available.

    Parameters
    ----------
    water, upper, lower : float or array, [m3 m-3] or [mm], all alike
    """
    _agree(water, upper, lower)
    units = water_units(water)
    low, high, held = (_in(value, units) for value in (lower, upper, water))
    between = np.where(high > low, high - low, np.nan)
    found: Floats = (held - low) / between
    return found


def refill_amount(
    depletion_mm: Amount, total_mm: Amount, depletion_fraction: Amount
) -> Floats:
    """Water that brings a root zone back to its upper limit [mm], once refill is due.

    0 as long as depletion is below the share of total available water at which one refills.

    Parameters
    ----------
    depletion_mm, total_mm : float or array, [mm]
    depletion_fraction : float or array, [1]
        Chosen by local practice.
    """
    _agree(depletion_mm, total_mm, depletion_fraction)
    depletion = _in(depletion_mm, "mm")
    threshold = readily_available_water(total_mm, depletion_fraction)
    known = ~np.isnan(depletion) & ~np.isnan(threshold)
    return np.where(known, np.where(depletion >= threshold, depletion, 0.0), np.nan)


def _in(value: Amount, units: str) -> Floats:
    """Return plain numbers in some units."""
    return np.asarray(numbers(value, units), dtype=np.float64)


def _agree(*values: Amount) -> None:
    """Raise `ValueError` unless named dimensions line up as numpy combines arrays."""
    named = [value for value in values if isinstance(value, xr.DataArray) and value.ndim]
    for array in named:
        most = max(named, key=lambda other: other.ndim)
        if array.dims != most.dims[most.ndim - array.ndim :]:
            raise ValueError(
                f"{array.name!r}: expected the last dimensions of {most.name!r}, {most.dims}, "
                f"found {array.dims}; transpose before"
            )
        for dim in array.dims:
            require_labels(array, most, str(dim))
