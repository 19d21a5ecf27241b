"""Volumetric water content of peat and other organic soil from permittivity.

As `pipeline.calibrate.dielectric`: NaN outside the valid range, 3 to 60, a choice of ours that
holds saturated peat. Coefficients are ascending.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from pipeline.calibrate.curve import Curve, polynomial_curve
from pipeline.calibrate.dielectric import apply_curve

# Myllys & Simojoki (1996), pooled.
MYLLYS_1996 = (-0.0733, 0.0417, -8.01e-4, 5.56e-6)
# Kellner & Lundin (2001), pooled.
KELLNER_2001 = (0.039, 0.0317, -4.5e-4, 2.6e-6)
# Nagare et al. (2011).
NAGARE_2011 = (-0.0189, 0.0320, -4.59e-4, 2.70e-6)

ORGANIC_RANGE = (3.0, 60.0)


def _organic(coefficients: tuple[float, ...]) -> Curve:
    """Return a polynomial in permittivity as a curve in its square root."""
    low, high = np.sqrt(ORGANIC_RANGE)
    return polynomial_curve(coefficients, low, high, squared=True)


def myllys_1996() -> Curve:
    """Return the curve of `water_content_myllys`."""
    return _organic(MYLLYS_1996)


def kellner_2001() -> Curve:
    """Return the curve of `water_content_kellner`."""
    return _organic(KELLNER_2001)


def nagare_2011() -> Curve:
    """Return the curve of `water_content_nagare`."""
    return _organic(NAGARE_2011)


def water_content_myllys(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of cultivated peat, a cubic.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 60.

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
    Myllys & Simojoki (1996), Suo 47, pooled equation.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric_organic import water_content_myllys
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_myllys(eps).round(4).values.tolist()
    [0.2692, 0.4848]
    """
    return apply_curve(permittivity, myllys_1996())


def water_content_kellner(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of Sphagnum peat, a cubic.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 60.

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
    Kellner & Lundin (2001), Nordic Hydrology 32, 315-332, pooled equation.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric_organic import water_content_kellner
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_kellner(eps).round(4).values.tolist()
    [0.3136, 0.5138]
    """
    return apply_curve(permittivity, kellner_2001())


def water_content_nagare(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of peat, a cubic.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity of the soil, 3 to 60.

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
    Nagare et al. (2011), undisturbed peat samples.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.dielectric_organic import water_content_nagare
    >>> eps = xr.DataArray([10.0, 20.0], dims="time", attrs={"units": "1"})
    >>> water_content_nagare(eps).round(4).values.tolist()
    [0.2579, 0.4591]
    """
    return apply_curve(permittivity, nagare_2011())
