"""Volumetric water content of mineral soil from permittivity, one function for each equation.

Every function takes the apparent relative permittivity of the soil and gives water content;
outside the equation's valid range, closed, the result is NaN. The ranges are choices of ours
unless a line says otherwise: the papers state what they measured, not where to stop. Equations
for organic soil are in `pipeline.calibrate.dielectric_organic`. Coefficients are ascending.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.calibrate.curve import Curve, polynomial_curve
from pipeline.units import Amount, number_between, plain
from pipeline.variables import describe

# Topp, Davis & Annan (1980), Eq. 7.
TOPP_1980 = (-5.3e-2, 2.92e-2, -5.5e-4, 4.3e-6)
# Ledieu et al. (1986): offset and slope in root permittivity.
LEDIEU_1986 = (-0.1758, 0.1138)
# Ferré et al. (1996): offset and slope in root permittivity.
FERRE_1996 = (-0.1841, 0.1181)
# Roth, Malicki & Plagge (1992), Table 3, mineral soils.
ROTH_1992_MINERAL = (-0.0728, 0.0448, -0.00195, 3.61e-5)
# Malicki, Plagge & Roth (1996), Eq. 10: (sqrt(eps) - a - b rho - c rho2) / (d + e rho).
MALICKI_1996_DENSITY = (0.819, 0.168, 0.159, 7.17, 1.18)
# The same paper, Eq. 12: (sqrt(eps) - a + b phi - c phi2) / (d + e phi - f phi2).
MALICKI_1996_POROSITY = (3.47, 6.22, 3.82, 7.01, 6.89, 7.83)
# Jacobsen & Schjønning (1993), Eq. 2.
JACOBSEN_1993 = (-7.01e-2, 3.47e-2, -11.6e-4, 18.0e-6)
# The same paper, Eq. 3: polynomial, then per g cm-3, per % clay, per % organic matter.
JACOBSEN_1993_SOIL = (-3.41e-2, 3.45e-2, -11.4e-4, 17.1e-6)
JACOBSEN_1993_PROPERTIES = (-3.70e-2, 7.36e-4, 47.7e-4)
# Nadler, Dasberg & Lapid (1991).
NADLER_1991 = (-7.25e-2, 3.67e-2, -12.3e-4, 15.0e-6)
# Malmberg & Maryott (1956), permittivity of water in degC. A misprint 0.4008 is about.
MALMBERG_1956 = (87.740, -0.40008, 9.398e-4, -1.410e-6)

# Valid ranges in permittivity. Roth and Jacobsen run away above about 35.
MINERAL_RANGE = (3.0, 40.0)
STEEP_RANGE = (3.0, 35.0)
WIDE_RANGE = (2.0, 60.0)  # Malicki: fitted on 62 materials, peat to clay


def _in_permittivity(coefficients: tuple[float, ...], valid: tuple[float, float]) -> Curve:
    """Return a polynomial in permittivity as a curve in its square root."""
    low, high = np.sqrt(valid)
    return polynomial_curve(coefficients, low, high, squared=True)


def _in_root(offset: float, slope: float, valid: tuple[float, float]) -> Curve:
    """Return a straight line in root permittivity as a curve."""
    low, high = np.sqrt(valid)
    return polynomial_curve((offset, slope), low, high)


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


def topp_1980() -> Curve:
    """Return the curve of `water_content_topp`."""
    return _in_permittivity(TOPP_1980, MINERAL_RANGE)


def ledieu_1986() -> Curve:
    """Return the curve of `water_content_ledieu`."""
    return _in_root(*LEDIEU_1986, MINERAL_RANGE)


def ferre_1996() -> Curve:
    """Return the curve of `water_content_ferre`."""
    return _in_root(*FERRE_1996, MINERAL_RANGE)


def roth_1992_mineral() -> Curve:
    """Return the curve of `water_content_roth`."""
    return _in_permittivity(ROTH_1992_MINERAL, STEEP_RANGE)


def malicki_1996(bulk_density: Amount) -> Curve:
    """Return the curve of `water_content_malicki`."""
    density = number_between("bulk_density", bulk_density, "g cm-3", 0.13, 2.67)
    a, b, c, d, e = MALICKI_1996_DENSITY
    scale = d + e * density
    offset = -(a + b * density + c * density**2) / scale
    return _in_root(offset, 1.0 / scale, WIDE_RANGE)


def malicki_1996_porosity(porosity: Amount) -> Curve:
    """Return the curve of `water_content_malicki_porosity`."""
    pores = number_between("porosity", porosity, "m3 m-3", 0.0, 0.95)
    a, b, c, d, e, f = MALICKI_1996_POROSITY
    scale = d + e * pores - f * pores**2
    offset = (-a + b * pores - c * pores**2) / scale
    return _in_root(offset, 1.0 / scale, WIDE_RANGE)


def jacobsen_1993() -> Curve:
    """Return the curve of `water_content_jacobsen`."""
    return _in_permittivity(JACOBSEN_1993, STEEP_RANGE)


def jacobsen_1993_soil(bulk_density: Amount, clay_pct: Amount, organic_pct: Amount) -> Curve:
    """Return the curve of `water_content_jacobsen_soil`."""
    density = number_between("bulk_density", bulk_density, "g cm-3", 0.1, 2.65)
    clay = number_between("clay_pct", clay_pct, "percent", 0.0, 100.0)
    organic = number_between("organic_pct", organic_pct, "percent", 0.0, 100.0)
    constant, *rest = JACOBSEN_1993_SOIL
    per_density, per_clay, per_organic = JACOBSEN_1993_PROPERTIES
    constant += per_density * density + per_clay * clay + per_organic * organic
    return _in_permittivity((constant, *rest), STEEP_RANGE)


def nadler_1991() -> Curve:
    """Return the curve of `water_content_nadler`."""
    return _in_permittivity(NADLER_1991, MINERAL_RANGE)


def roth_1990(
    porosity: Amount, solid_permittivity: Amount = 3.9, temperature_degc: Amount = 20.0
) -> Curve:
    """Return the curve of `water_content_mixing`."""
    pores = number_between("porosity", porosity, "m3 m-3", 0.0, 0.95)
    solids = number_between("solid_permittivity", solid_permittivity, "1", 2.0, 10.0)
    celsius = number_between("temperature_degc", temperature_degc, "degC", 0.0, 100.0)
    water = np.polynomial.polynomial.polyval(celsius, MALMBERG_1956)
    scale = float(np.sqrt(water)) - 1.0  # the root of the permittivity of air is 1
    offset = -((1.0 - pores) * float(np.sqrt(solids)) + pores) / scale
    # At saturation the pores are full: the range ends where water content meets porosity.
    saturated = (scale * (pores - offset)) ** 2
    return _in_root(offset, 1.0 / scale, (1.0, saturated))


def water_content_topp(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, the cubic of Topp, Davis & Annan.

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
    Topp, Davis & Annan (1980), Water Resour. Res. 16(3), 574-582,
    doi:10.1029/WR016i003p00574, Eq. 7.
    """
    return apply_curve(permittivity, topp_1980())


def permittivity_topp(water_content: xr.DataArray) -> xr.DataArray:
    """Permittivity at which `water_content_topp` gives a water content: its exact inverse.

    The paper's own Eq. 6 is another fit, not this inverse: it differs by half a unit at 0.10.
    The cubic has one real root everywhere, found in closed form and polished by one Newton
    step, so that a round trip keeps twelve digits.

    Parameters
    ----------
    water_content : DataArray, any dims, [m3 m-3]

    Returns
    -------
    DataArray, same dims and coords, [1]
        NaN where the input is NaN or the permittivity would lie outside 3 to 40.
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
    residual = a0 + eps * (a1 + eps * (a2 + eps * a3)) - theta
    eps = eps - residual / (a1 + eps * (2 * a2 + eps * 3 * a3))
    # The rounding of the root must not throw out the ends of the closed range.
    low, high = MINERAL_RANGE
    inside = (eps >= low * (1 - 1e-12)) & (eps <= high * (1 + 1e-12))
    return np.where(inside, np.clip(eps, low, high), np.nan)


def water_content_ledieu(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content linear in root permittivity, 3 to 40; else as Topp's.

    References
    ----------
    Ledieu, de Ridder, de Clerck & Dautrebande (1986), J. Hydrol. 88, 319-328.
    """
    return apply_curve(permittivity, ledieu_1986())


def water_content_ferre(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content linear in root permittivity, 3 to 40; else as Topp's.

    References
    ----------
    Ferré, Rudolph & Kachanoski (1996), Water Resour. Res. 32(2), 271-279.
    """
    return apply_curve(permittivity, ferre_1996())


def water_content_roth(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, cubic, 3 to 35; else as Topp's.

    References
    ----------
    Roth, Malicki & Plagge (1992), J. Soil Sci. 43, 1-13, Table 3 (mineral soils).
    """
    return apply_curve(permittivity, roth_1992_mineral())


def water_content_malicki(permittivity: xr.DataArray, bulk_density: Amount) -> xr.DataArray:
    """Volumetric water content from root permittivity and dry bulk density [g cm-3].

    Valid for permittivity 2 to 60 and the densities of the paper, 0.13 to 2.67; another
    density raises ValueError.

    References
    ----------
    Malicki, Plagge & Roth (1996), Eur. J. Soil Sci. 47, 357-366, Eq. 10.
    """
    return apply_curve(permittivity, malicki_1996(bulk_density))


def water_content_malicki_porosity(
    permittivity: xr.DataArray, porosity: Amount
) -> xr.DataArray:
    """Volumetric water content from root permittivity and porosity [m3 m-3], 2 to 60.

    References
    ----------
    Malicki, Plagge & Roth (1996), Eur. J. Soil Sci. 47, 357-366, Eq. 12.
    """
    return apply_curve(permittivity, malicki_1996_porosity(porosity))


def water_content_jacobsen(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, cubic, 3 to 35; else as Topp's.

    References
    ----------
    Jacobsen & Schjønning (1993), J. Hydrol. 151, 147-157, Eq. 2.
    """
    return apply_curve(permittivity, jacobsen_1993())


def water_content_jacobsen_soil(
    permittivity: xr.DataArray, bulk_density: float, clay_pct: float, organic_pct: float
) -> xr.DataArray:
    """Volumetric water content, cubic with density [g cm-3], clay and organic matter [%].

    References
    ----------
    Jacobsen & Schjønning (1993), J. Hydrol. 151, 147-157, Eq. 3.
    """
    return apply_curve(permittivity, jacobsen_1993_soil(bulk_density, clay_pct, organic_pct))


def water_content_nadler(permittivity: xr.DataArray) -> xr.DataArray:
    """Volumetric water content of mineral soil, cubic, 3 to 40; else as Topp's.

    References
    ----------
    Nadler, Dasberg & Lapid (1991), Soil Sci. Soc. Am. J. 55, 938-943.
    """
    return apply_curve(permittivity, nadler_1991())


def water_content_mixing(
    permittivity: xr.DataArray,
    porosity: Amount,
    solid_permittivity: Amount = 3.9,
    temperature_degc: Amount = 20.0,
) -> xr.DataArray:
    """Volumetric water content by the mixing law of roots: water, solids and air in a row.

    ``temperature_degc`` sets the permittivity of water. Valid from permittivity 1 up to the
    one at which the pores are full.

    References
    ----------
    Roth, Schulin, Flühler & Attinger (1990), Water Resour. Res. 26(10), 2267-2273,
    doi:10.1029/WR026i010p02267, with the exponent 0.5 of the complex refractive index.
    """
    curve = roth_1990(porosity, solid_permittivity, temperature_degc)
    return apply_curve(permittivity, curve)


def permittivity_of_water(temperature: xr.DataArray) -> xr.DataArray:
    """Relative permittivity of water from its temperature [degC], 0 to 100.

    References
    ----------
    Malmberg & Maryott (1956), J. Res. Natl. Bur. Stand. 56, 1-8.
    """
    curve = polynomial_curve(MALMBERG_1956, 0.0, 100.0)
    result = xr.apply_ufunc(
        curve.value,
        plain(temperature, "degC"),
        dask="parallelized",
        output_dtypes=[np.float64],
    )
    return describe(result, "permittivity", "relative permittivity of water")
