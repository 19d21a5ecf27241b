"""Volumetric water content of mineral soil from permittivity, one function for each equation.

Every function takes the apparent relative permittivity of the soil, a DataArray in units "1"
or a Pint quantity, and gives water content; outside the equation's valid range, closed, the
result is NaN. Lazy arrays stay lazy. The ranges are choices of ours unless a line says
otherwise: the papers state what they measured, not where to stop.

Equations that ask for properties of the soil are in `pipeline.calibrate.dielectric_soil`,
those for organic soil in `pipeline.calibrate.dielectric_organic`, and the curves in
`pipeline.calibrate.dielectric_curves`.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.calibrate.curve import Curve, polynomial_curve
from pipeline.calibrate.dielectric_curves import (
    MALMBERG_1956,
    MINERAL_RANGE,
    TOPP_1980,
    ferre_1996,
    jacobsen_1993,
    ledieu_1986,
    nadler_1991,
    roth_1992_mineral,
    topp_1980,
)
from pipeline.units import plain
from pipeline.variables import describe


def apply_curve(permittivity: xr.DataArray, curve: Curve) -> xr.DataArray:
    """Return water content by a curve in root permittivity.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Stays lazy if it is. May be a Pint quantity.
    curve : Curve
        Such as `topp_1980` gives.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        ``calibrated_water_content``.
    """
    return describe(
        xr.apply_ufunc(
            lambda eps: curve.value(_root(eps)),
            plain(permittivity, "1"),
            dask="parallelized",
            output_dtypes=[np.float64],
        ),
        "calibrated_water_content",
    )


def _root(permittivity: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the square root, NaN below zero and without a warning."""
    eps = np.asarray(permittivity, dtype=np.float64)
    return np.sqrt(np.where(eps >= 0, eps, np.nan))


def water_content_topp(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, the cubic of Topp, Davis & Annan.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 40. Stays lazy if it is. May be a
        Pint quantity.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".

    References
    ----------
    Topp, Davis & Annan (1980), Water Resour. Res. 16(3), 574-582,
    doi:10.1029/WR016i003p00574, Eq. 7.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric import water_content_topp
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_topp(eps).round(4).values.tolist()
    [0.1883, 0.3454]
    """
    return apply_curve(permittivity, topp_1980())


def permittivity_topp(water_content: xr.DataArray) -> xr.DataArray:
    """Permittivity at which `water_content_topp` gives a water content: its exact inverse.

    The paper's own Eq. 6 is another fit, not this inverse: it differs by half a unit at 0.10.
    The cubic has one real root everywhere, found in closed form; a round trip keeps thirteen
    digits.

    Parameters
    ----------
    water_content : DataArray, any dims, [m3 m-3]

    Returns
    -------
    DataArray, same dims and coords, [1]
        NaN where the input is NaN or the permittivity would lie outside 3 to 40.

    Raises
    ------
    UnitsError
        If ``water_content`` is not in m3 m-3.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric import permittivity_topp
    >>> theta = xr.DataArray([0.1883, 0.3454], dims="time", attrs={"units": "m3 m-3"})
    >>> permittivity_topp(theta).round(6).values.tolist()
    [10.0, 20.0]
    """
    result = xr.apply_ufunc(
        _topp_inverse,
        plain(water_content, "m3 m-3"),
        dask="parallelized",
        output_dtypes=[np.float64],
    )
    return describe(
        result, "permittivity", "relative permittivity of soil by its water content"
    )


def _topp_inverse(theta: NDArray[np.floating]) -> NDArray[np.float64]:
    """Solve the cubic by Cardano's formula with real cube roots."""
    a0, a1, a2, a3 = TOPP_1980
    shift = a2 / (3 * a3)
    p = a1 / a3 - 3 * shift**2
    q = 2 * shift**3 - shift * a1 / a3 + (a0 - np.asarray(theta, dtype=np.float64)) / a3
    spread = np.sqrt((q / 2) ** 2 + (p / 3) ** 3)  # p > 0: the cubic rises everywhere
    eps = np.cbrt(-q / 2 + spread) + np.cbrt(-q / 2 - spread) - shift
    # The rounding of the root must not throw out the ends of the closed range.
    low, high = MINERAL_RANGE
    inside = (eps >= low * (1 - 1e-12)) & (eps <= high * (1 + 1e-12))
    return np.where(inside, np.clip(eps, low, high), np.nan)


def water_content_ledieu(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, linear in root permittivity.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 40.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".

    References
    ----------
    Ledieu, de Ridder, de Clerck & Dautrebande (1986), J. Hydrol. 88, 319-328.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric import water_content_ledieu
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_ledieu(eps).round(4).values.tolist()
    [0.1841, 0.3331]
    """
    return apply_curve(permittivity, ledieu_1986())


def water_content_ferre(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, linear in root permittivity.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 40.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".

    References
    ----------
    Ferré, Rudolph & Kachanoski (1996), Water Resour. Res. 32(2), 271-279.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric import water_content_ferre
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_ferre(eps).round(4).values.tolist()
    [0.1894, 0.3441]
    """
    return apply_curve(permittivity, ferre_1996())


def water_content_roth(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, a cubic.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 35.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".

    References
    ----------
    Roth, Malicki & Plagge (1992), J. Soil Sci. 43, 1-13, Table 3 (mineral soils).

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric import water_content_roth
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_roth(eps).round(4).values.tolist()
    [0.2163, 0.332]
    """
    return apply_curve(permittivity, roth_1992_mineral())


def water_content_jacobsen(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, a cubic.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 35.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".

    References
    ----------
    Jacobsen & Schjønning (1993), J. Hydrol. 151, 147-157, Eq. 2.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric import water_content_jacobsen
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_jacobsen(eps).round(4).values.tolist()
    [0.1789, 0.3039]
    """
    return apply_curve(permittivity, jacobsen_1993())


def water_content_nadler(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, a cubic.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 40.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".

    References
    ----------
    Nadler, Dasberg & Lapid (1991), Soil Sci. Soc. Am. J. 55, 938-943.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric import water_content_nadler
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_nadler(eps).round(4).values.tolist()
    [0.1865, 0.2895]
    """
    return apply_curve(permittivity, nadler_1991())


def permittivity_of_water(temperature: xr.DataArray) -> xr.DataArray:
    """Relative permittivity of water from its temperature.

    Parameters
    ----------
    temperature : DataArray, any dims, [degC]
        0 to 100. Stays lazy if it is. May be a Pint quantity.

    Returns
    -------
    DataArray, same dims and coords, [1]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``temperature`` is not in degC.

    References
    ----------
    Malmberg & Maryott (1956), J. Res. Natl. Bur. Stand. 56, 1-8.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric import permittivity_of_water
    >>> warmth = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "degC"})
    >>> permittivity_of_water(warmth).round(3).values.tolist()
    [83.832, 80.103]
    """
    curve = polynomial_curve(MALMBERG_1956, 0.0, 100.0)
    result = xr.apply_ufunc(
        curve.value,
        plain(temperature, "degC"),
        dask="parallelized",
        output_dtypes=[np.float64],
    )
    return describe(result, "permittivity", "relative permittivity of water")
