"""What soil temperature does to permittivity, by the mixing law of roots.

Water's permittivity falls by about 0.4 a degree, so the same soil reads wetter when cold. The
correction moves a reading to what it would be at a reference temperature: that of the samples
a law was fitted to. It holds for the free water of mineral soil; water bound to clay and the
conductivity of salty soil act the other way, so it is applied where a person asks for it and
soil temperature is logged, and nowhere else.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.dielectric_curves import MALMBERG_1956
from pipeline.site.instruments import Warmth
from pipeline.units import Amount, number_between, plain
from pipeline.variables import describe, require_alike

# degC: below, water freezes and the law no longer holds; above, no soil.
_COLDEST, _WARMEST = 0.0, 60.0


def temperature_corrected_permittivity(
    permittivity: xr.DataArray,
    soil_temperature: xr.DataArray,
    porosity: Amount,
    reference_degc: Amount = 20.0,
    solid_permittivity: Amount = 3.9,
) -> xr.DataArray:
    """Permittivity that the same soil, as wet as it is, would have at a reference temperature.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
        Apparent relative permittivity as measured. Stays lazy if it is. May be a Pint
        quantity, as all that follow may.
    soil_temperature : DataArray, same dims, [degC]
        Of the same place and time; a dimension it does not have, it is the same along.
    porosity : float, [m3 m-3]
    reference_degc : float, [degC]
    solid_permittivity : float, [1]
        Of the solids; 3.9 as in `pipeline.calibrate.dielectric_curves.roth_1990`.

    Returns
    -------
    DataArray, same dims and coords, [1]
        ``permittivity``. Where `flag_uncorrected` says so it is as measured.

    Raises
    ------
    UnitsError
        If ``permittivity`` is not in "1" or ``soil_temperature`` not in "degC".
    ValueError
        If porosity, reference or solids lie outside what the law is used for, or the labels of
        the two arrays differ.

    References
    ----------
    Roth, Schulin, Flühler & Attinger (1990), Water Resour. Res. 26(10), 2267-2273,
    doi:10.1029/WR026i010p02267, with the exponent 0.5; water by Malmberg & Maryott (1956), J.
    Res. Natl. Bur. Stand. 56, 1-8.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.temperature import temperature_corrected_permittivity
    >>> eps = xr.DataArray([16.0, 16.0], dims="time", attrs={"units": "1"})
    >>> warmth = xr.DataArray([5.0, 20.0], dims="time", attrs={"units": "degC"})
    >>> temperature_corrected_permittivity(eps, warmth, 0.45).round(3).values.tolist()
    [15.267, 16.0]
    """
    pores = number_between("porosity", porosity, "m3 m-3", 0.0, 0.95)
    at = number_between("reference_degc", reference_degc, "degC", _COLDEST, _WARMEST)
    solids = number_between("solid_permittivity", solid_permittivity, "1", 2.0, 10.0)
    permittivity, soil_temperature = plain(permittivity, "1"), plain(soil_temperature, "degC")
    flags = flag_uncorrected(permittivity, soil_temperature)
    warm = Warmth(reference_degc=at, solid_permittivity=solids)

    def correct(eps: Floats, celsius: Floats, uncorrected: NDArray[np.bool_]) -> Floats:
        measured = np.asarray(eps, dtype=np.float64)
        warmth = np.where(uncorrected, at, celsius)
        root = np.sqrt(np.where(measured > 0, measured, np.nan))
        moved = root_at_reference(root, warmth, pores, warm) ** 2
        return np.where(uncorrected, measured, moved)

    result = xr.apply_ufunc(
        correct,
        permittivity,
        soil_temperature,
        flags,
        dask="parallelized",
        output_dtypes=[np.float64],
    )
    return describe(
        result, "permittivity", f"apparent relative permittivity of the soil at {at:g} degC"
    )


def root_at_reference(
    root: Floats, celsius: Floats, porosity: float, warmth: Warmth
) -> Floats:
    """Root permittivity at a law's reference temperature, by the mixing law of roots.

    Parameters
    ----------
    root, celsius : array, one shape, [1] and [degC]
        As measured, NaN where not; the temperature must lie where water is liquid.
    porosity : float, [m3 m-3]
    warmth : Warmth
        What a law asks for; its own porosity is not looked at.
    """
    dry, reference, water = _dry_and_wet(celsius, porosity, warmth)
    # Drier than dry is noise: there is no water then that could be warm or cold.
    theta = np.maximum(root - dry, 0.0) / (water - 1.0)
    return np.asarray(root + theta * (reference - water))


def root_as_read(root: Floats, celsius: Floats, porosity: float, warmth: Warmth) -> Floats:
    """Root permittivity as it is read at a temperature: `root_at_reference` led back.

    Parameters
    ----------
    root, celsius : array, one shape, [1] and [degC]
        At the reference temperature; the temperature at which it is read.
    porosity : float, [m3 m-3]
    warmth : Warmth
    """
    dry, reference, water = _dry_and_wet(celsius, porosity, warmth)
    share = (reference - water) / (water - 1.0)
    return np.asarray(np.where(root > dry, (root + dry * share) / (1.0 + share), root))


def _dry_and_wet(
    celsius: Floats, porosity: float, warmth: Warmth
) -> tuple[float, float, Floats]:
    """Return root permittivity of the dry soil, and of water at the reference and as it is."""
    dry = (1.0 - porosity) * float(np.sqrt(warmth.solid_permittivity)) + porosity
    at = warmth.reference_degc
    reference = float(np.sqrt(np.polynomial.polynomial.polyval(at, MALMBERG_1956)))
    return dry, reference, np.sqrt(np.polynomial.polynomial.polyval(celsius, MALMBERG_1956))


def is_usable(celsius: Any) -> Any:
    """Tell where a temperature can be used: known, above freezing, at most 60 degC."""
    return (celsius > _COLDEST) & (celsius <= _WARMEST)


def flag_uncorrected(
    permittivity: xr.DataArray, soil_temperature: xr.DataArray
) -> xr.DataArray:
    """Return where a reading has no temperature to correct it by, True = left as measured.

    That is where soil temperature is not logged, not above freezing or above 60 degC.

    Parameters
    ----------
    permittivity : DataArray, any dims, [1]
    soil_temperature : DataArray, same dims, [degC]

    Returns
    -------
    DataArray of bool, same dims
        ``uncorrected``.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.calibrate.temperature import flag_uncorrected
    >>> eps = xr.DataArray([16.0, 16.0], dims="time", attrs={"units": "1"})
    >>> warmth = xr.DataArray([-1.0, 20.0], dims="time", attrs={"units": "degC"})
    >>> flag_uncorrected(eps, warmth).values.tolist()
    [True, False]
    """
    permittivity, soil_temperature = plain(permittivity, "1"), plain(soil_temperature, "degC")
    require_alike(soil_temperature, permittivity)
    flag = permittivity.notnull() & ~is_usable(soil_temperature)
    return flag.rename("uncorrected").drop_attrs()
