"""Volumetric water content from permittivity and properties of the soil.

As `pipeline.calibrate.dielectric`; properties are bare numbers in the units stated, or Pint
quantities, and one out of the range that an equation is made for is refused.
"""

from __future__ import annotations

import xarray as xr

from pipeline.calibrate.dielectric import apply_curve
from pipeline.calibrate.dielectric_curves import (
    jacobsen_1993_soil,
    malicki_1996,
    malicki_1996_porosity,
    roth_1990,
)
from pipeline.units import Amount


def water_content_malicki(permittivity: xr.DataArray, bulk_density: Amount) -> xr.DataArray:
    """Volumetric water content from root permittivity and dry bulk density.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 2 to 60.
    bulk_density : float or Pint quantity, [g cm-3]
        Of the dry soil, 0.13 to 2.67, the densities of the paper.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".
    ValueError
        If a property of the soil is out of its range.

    References
    ----------
    Malicki, Plagge & Roth (1996), Eur. J. Soil Sci. 47, 357-366, Eq. 10.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric_soil import water_content_malicki
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_malicki(eps, 1.4).round(4).values.tolist()
    [0.2036, 0.3521]
    """
    return apply_curve(permittivity, malicki_1996(bulk_density))


def water_content_malicki_porosity(
    permittivity: xr.DataArray, porosity: Amount
) -> xr.DataArray:
    """Volumetric water content from root permittivity and porosity.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 2 to 60.
    porosity : float or Pint quantity, [m3 m-3]
        0 to 0.95.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".
    ValueError
        If a property of the soil is out of its range.

    References
    ----------
    Malicki, Plagge & Roth (1996), Eur. J. Soil Sci. 47, 357-366, Eq. 12.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric_soil import water_content_malicki_porosity
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_malicki_porosity(eps, 0.45).round(4).values.tolist()
    [0.2015, 0.3551]
    """
    return apply_curve(permittivity, malicki_1996_porosity(porosity))


def water_content_jacobsen_soil(
    permittivity: xr.DataArray, bulk_density: float, clay_pct: float, organic_pct: float
) -> xr.DataArray:
    """Volumetric water content, a cubic with density, clay and organic matter.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 35.
    bulk_density : float or Pint quantity, [g cm-3]
        Of the dry soil, 0.1 to 2.65.
    clay_pct, organic_pct : float or Pint quantity, [%]
        By weight.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".
    ValueError
        If a property of the soil is out of its range.

    References
    ----------
    Jacobsen & Schjønning (1993), J. Hydrol. 151, 147-157, Eq. 3.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric_soil import water_content_jacobsen_soil
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_jacobsen_soil(eps, 1.4, 15, 2).round(4).values.tolist()
    [0.1828, 0.3055]
    """
    return apply_curve(permittivity, jacobsen_1993_soil(bulk_density, clay_pct, organic_pct))


def water_content_mixing(
    permittivity: xr.DataArray,
    porosity: Amount,
    solid_permittivity: Amount = 3.9,
    temperature_degc: Amount = 20.0,
) -> xr.DataArray:
    """Volumetric water content by the mixing law of roots: water, solids and air in a row.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, from 1 up to where the pores are
        full.
    porosity : float or Pint quantity, [m3 m-3]
        0 to 0.95.
    solid_permittivity : float, [1]
        2 to 10.
    temperature_degc : float or Pint quantity, [degC]
        0 to 100; sets the permittivity of water.

    Returns
    -------
    DataArray, same dims and coords, [m3 m-3]
        NaN where the input is NaN or out of range.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in units "1".
    ValueError
        If a property of the soil is out of its range.

    References
    ----------
    Roth, Schulin, Flühler & Attinger (1990), Water Resour. Res. 26(10), 2267-2273,
    doi:10.1029/WR026i010p02267, with the exponent 0.5 of the complex refractive index.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric_soil import water_content_mixing
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_mixing(eps, 0.45).round(4).values.tolist()
    [0.2045, 0.3693]
    """
    curve = roth_1990(porosity, solid_permittivity, temperature_degc)
    return apply_curve(permittivity, curve)
