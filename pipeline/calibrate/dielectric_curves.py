"""Curves of water content in permittivity, one for each published equation of mineral soil.

A law is a curve of root permittivity whatever it is stated in. Outside the valid range,
closed, there is no value. The ranges are choices of ours unless a line says otherwise: the
papers say what they measured, not where to stop. Coefficients are ascending. References stand
with the functions of `pipeline.calibrate.dielectric` and `dielectric_soil`, which take arrays.
"""

from __future__ import annotations

import numpy as np

from pipeline.calibrate.curve import Curve, polynomial_curve
from pipeline.units import Amount, number_between

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
