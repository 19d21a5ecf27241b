"""Deficit, available water and refill of a root zone between its two limits (FAO-56).

Bare numbers are in the units stated; arrays with units are checked, and Pint quantities
converted. Bare arrays are combined by position, as numpy does. DataArrays are combined by the
names of their dimensions and give DataArrays with units; labels that do not agree are refused
with `ValueError`, units that do not fit with `UnitsError`.

All take their arguments in one order: the water that is there, or what lacks of it; the limits
between which that is, the upper first, or all that is available between them; then what else.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.arrays import Floats
from pipeline.derive.labelled import Like, amount, elementwise
from pipeline.units import Amount, water_units

MM_PER_M = 1000.0
# FAO-56, below equation 83: how the depletion fraction changes with evapotranspiration.
_PER_MM, _USUAL_MM, _LEAST, _MOST = 0.04, 5.0, 0.1, 0.8


class Balance(NamedTuple):
    """Depletion of the root zone at the end of a day and what drained from it, [mm]."""

    depletion: Like
    deep_percolation: Like


def total_available_water(upper: Amount, lower: Amount, thickness_m: Amount) -> Like:
    """Water a root zone holds between its limits (FAO-56 equation 82).

    Parameters
    ----------
    upper, lower : float, array or DataArray, [m3 m-3]
        Drained upper limit (field capacity) and lower limit (wilting point).
    thickness_m : float, array or DataArray, [m]

    Returns
    -------
    array or DataArray, [mm]

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
    values = amount(upper, "m3 m-3"), amount(lower, "m3 m-3"), amount(thickness_m, "m")
    return elementwise(
        lambda high, low, thick: MM_PER_M * (high - low) * thick,
        values,
        ("mm", "total available water of the root zone"),
    )


def readily_available_water(total_mm: Amount, depletion_fraction: Amount) -> Like:
    """Water that can be taken before plants feel the lack of it (FAO-56 equation 83).

    Parameters
    ----------
    total_mm : float, array or DataArray, [mm]
        Total available water.
    depletion_fraction : float, array or DataArray, [1]

    Returns
    -------
    array or DataArray, [mm]

    Examples
    --------
    >>> from pipeline.derive.limits_water import readily_available_water
    >>> float(readily_available_water(136, 0.5))
    68.0
    """
    return elementwise(
        np.multiply,
        (amount(depletion_fraction, "1"), amount(total_mm, "mm")),
        ("mm", "readily available water of the root zone"),
    )


def adjusted_depletion_fraction(
    depletion_fraction: Amount, evapotranspiration_mm: Amount
) -> Like:
    """Depletion fraction for a day's crop evapotranspiration (FAO-56, Table 22, note).

    Parameters
    ----------
    depletion_fraction : float, array or DataArray, [1]
        Of the table, for 5 mm a day.
    evapotranspiration_mm : float, array or DataArray, [mm]
        Of the crop on the day.

    Returns
    -------
    array or DataArray, [1]
        From 0.1 to 0.8.

    Examples
    --------
    >>> from pipeline.derive.limits_water import adjusted_depletion_fraction
    >>> round(float(adjusted_depletion_fraction(0.40, 7.5)), 9)
    0.3
    """

    def adjust(fraction: Floats, demand: Floats) -> Floats:
        return np.clip(fraction + _PER_MM * (_USUAL_MM - demand), _LEAST, _MOST)

    return elementwise(
        adjust,
        (amount(depletion_fraction, "1"), amount(evapotranspiration_mm, "mm")),
        ("1", "depletion fraction at the day's evapotranspiration"),
    )


def stress_coefficient(
    depletion_mm: Amount, total_mm: Amount, depletion_fraction: Amount
) -> Like:
    """Share of its demand that a crop can still take up (FAO-56 equation 84).

    Parameters
    ----------
    depletion_mm, total_mm : float, array or DataArray, [mm]
        What lacks of the total available water, and that.
    depletion_fraction : float, array or DataArray, [1]

    Returns
    -------
    array or DataArray, [1]
        From 0 to 1; NaN where nothing is available in all.

    Examples
    --------
    >>> from pipeline.derive.limits_water import stress_coefficient
    >>> stress_coefficient([50, 80, 100], 100, 0.5).tolist()
    [1.0, 0.4, 0.0]
    """

    def share(depletion: Floats, total: Floats, fraction: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.clip((total - depletion) / ((1 - fraction) * total), 0.0, 1.0)

    return elementwise(
        share,
        (
            amount(depletion_mm, "mm"),
            amount(total_mm, "mm"),
            amount(depletion_fraction, "1"),
        ),
        ("1", "water stress coefficient"),
    )


def root_zone_depletion(water: Amount, upper: Amount, thickness_m: Amount) -> Like:
    """Water lacking to the upper limit, none above it (FAO-56 equation 87).

    Parameters
    ----------
    water, upper : float, array or DataArray, (..., layer), [m3 m-3]
        Water content, and drained upper limit.
    thickness_m : float, array or DataArray, (layer), [m]

    Returns
    -------
    array or DataArray, (..., layer), [mm]
        Of each layer.

    Examples
    --------
    >>> from pipeline.derive.limits_water import root_zone_depletion
    >>> root_zone_depletion([0.20, 0.35], 0.30, 0.5).round(9).tolist()
    [50.0, 0.0]
    """
    values = amount(water, "m3 m-3"), amount(upper, "m3 m-3"), amount(thickness_m, "m")
    return elementwise(
        lambda held, high, thick: MM_PER_M * np.maximum(high - held, 0.0) * thick,
        values,
        ("mm", "water lacking to the drained upper limit"),
    )


def daily_balance(
    depletion_mm: Amount,
    total_mm: Amount,
    gain_mm: Amount,
    evapotranspiration_mm: Amount,
) -> Balance:
    """Depletion of a root zone after a day (FAO-56 equations 85, 86, 88).

    Parameters
    ----------
    depletion_mm : float, array or DataArray, [mm]
        At the end of the day before.
    total_mm : float, array or DataArray, [mm]
        Total available water; depletion does not exceed it.
    gain_mm : float, array or DataArray, [mm]
        Rain less runoff, irrigation, and capillary rise.
    evapotranspiration_mm : float, array or DataArray, [mm]

    Returns
    -------
    Balance
        Two arrays or DataArrays, [mm].

    Examples
    --------
    >>> from pipeline.derive.limits_water import daily_balance
    >>> after = daily_balance(26, 150, 60, 4)
    >>> float(after.depletion), float(after.deep_percolation)
    (0.0, 30.0)
    """

    def balance(depletion: Floats, total: Floats, gain: Floats, demand: Floats) -> Balance:
        before = depletion + (demand - gain)
        drained = np.maximum(-before, 0.0)
        return Balance(np.minimum(before + drained, total), drained)

    amounts = (depletion_mm, total_mm, gain_mm, evapotranspiration_mm)
    found = elementwise(
        balance,
        tuple(amount(value, "mm") for value in amounts),
        ("mm", "depletion of the root zone at the end of the day"),
        ("mm", "deep percolation of the day"),
    )
    return Balance(*found)


def relative_available_water(water: Amount, upper: Amount, lower: Amount) -> Like:
    """Share of the available water that is left: 0 at the lower limit, 1 at the upper.

    Above the upper limit it exceeds 1 as long as soil drains; below the lower it is below 0.

    Parameters
    ----------
    water, upper, lower : float, array or DataArray, [m3 m-3] or [mm], all alike

    Returns
    -------
    array or DataArray, [1]
        NaN where the upper limit is not above the lower, so that nothing is available.

    Examples
    --------
    >>> from pipeline.derive.limits_water import relative_available_water
    >>> relative_available_water([0.10, 0.20, 0.35], 0.30, 0.10).round(9).tolist()
    [0.0, 0.5, 1.25]
    """

    def share(held: Floats, high: Floats, low: Floats) -> Floats:
        found: Floats = (held - low) / np.where(high > low, high - low, np.nan)
        return found

    units = water_units(water)
    return elementwise(
        share,
        tuple(amount(value, units) for value in (water, upper, lower)),
        ("1", "share of the available water that is left"),
    )


def refill_amount(depletion_mm: Amount, total_mm: Amount, depletion_fraction: Amount) -> Like:
    """Water that brings a root zone back to its upper limit, once refill is due.

    Parameters
    ----------
    depletion_mm, total_mm : float, array or DataArray, [mm]
    depletion_fraction : float, array or DataArray, [1]
        Chosen by local practice.

    Returns
    -------
    array or DataArray, [mm]
        0 as long as depletion is below the share of total available water at which one
        refills.

    Examples
    --------
    >>> from pipeline.derive.limits_water import refill_amount
    >>> refill_amount([39.9, 40.0], 100.0, 0.4).tolist()
    [0.0, 40.0]
    """

    def refill(depletion: Floats, total: Floats, fraction: Floats) -> Floats:
        threshold = fraction * total
        known = ~np.isnan(depletion) & ~np.isnan(threshold)
        return np.where(known, np.where(depletion >= threshold, depletion, 0.0), np.nan)

    return elementwise(
        refill,
        (
            amount(depletion_mm, "mm"),
            amount(total_mm, "mm"),
            amount(depletion_fraction, "1"),
        ),
        ("mm", "water that refills the root zone"),
    )
