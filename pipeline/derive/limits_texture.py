"""Limits of a soil's water from its texture: estimates to stand beside those of a record."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.arrays import Floats
from pipeline.derive.labelled import Like, amount, elementwise
from pipeline.units import Amount

PARTICLE_DENSITY = 2.65  # g cm-3, quartz; as Saxton & Rawls take it
# Saxton & Rawls (2006), Table 1: for sand, clay, organic matter, their products, a constant.
# The order is S, C, OM, S OM, C OM, S C, 1; the second step is in `_two_steps`.
_AT_1500_KPA = (-0.024, 0.487, 0.006, 0.005, -0.013, 0.068, 0.031)
_AT_33_KPA = (-0.251, 0.195, 0.011, 0.006, -0.027, 0.452, 0.299)
_BETWEEN = (0.278, 0.034, 0.022, -0.018, -0.027, -0.584, 0.078)
# The paper's samples had up to these shares; beyond them it makes no claim.
MOST_CLAY, MOST_ORGANIC_PCT = 0.60, 8.0
USUAL_ORGANIC_PCT = 2.5  # of the paper's Table 3, where a description states none
# What the equations leave open at 1500 and 33 kPa and at saturation [m3 m-3]: standard errors
# of estimate of the paper's Table 1, from memory.
STANDARD_ERRORS = (0.02, 0.05, 0.04)

# Sand and clay [%] at the middle of each class (Saxton & Rawls 2006, Table 3).
CLASSES: dict[str, tuple[float, float]] = {
    "sand": (88, 5),
    "loamy sand": (80, 5),
    "sandy loam": (65, 10),
    "loam": (40, 20),
    "silt loam": (20, 15),
    "silt": (10, 5),
    "sandy clay loam": (60, 25),
    "clay loam": (30, 35),
    "silty clay loam": (10, 35),
    "silty clay": (10, 45),
    "sandy clay": (50, 40),
    "clay": (25, 50),
}
# Ranges of water content at field capacity and at wilting point (FAO-56, Table 19), which has
# no line for three of the classes.
FAO56_TABLE_19: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "sand": ((0.07, 0.17), (0.02, 0.07)),
    "loamy sand": ((0.11, 0.19), (0.03, 0.10)),
    "sandy loam": ((0.18, 0.28), (0.06, 0.16)),
    "loam": ((0.20, 0.30), (0.07, 0.17)),
    "silt loam": ((0.22, 0.36), (0.09, 0.21)),
    "silt": ((0.28, 0.36), (0.12, 0.22)),
    "silty clay loam": ((0.30, 0.37), (0.17, 0.24)),
    "silty clay": ((0.30, 0.42), (0.17, 0.29)),
    "clay": ((0.32, 0.40), (0.20, 0.24)),
}


class TextureLimits(NamedTuple):
    """Water contents [m3 m-3], and conductivity at saturation [mm h-1]."""

    lower: Like  # at 1500 kPa
    upper: Like  # at 33 kPa
    saturation: Like
    conductivity: Like


def limits_saxton_rawls(
    sand_pct: Amount, clay_pct: Amount, organic_pct: Amount = USUAL_ORGANIC_PCT
) -> TextureLimits:
    """Limits of a soil's water from its texture.

    Parameters
    ----------
    sand_pct, clay_pct : float, array or DataArray, [%]
        By weight, of the fine earth. Bare numbers are per cent, not shares. May be Pint
        quantities.
    organic_pct : float, array or DataArray, [%]
        Organic matter by weight.

    Returns
    -------
    TextureLimits
        Arrays or DataArrays; NaN beyond 60 % of clay or 8 % of organic matter, or where
        shares are impossible.

    Raises
    ------
    UnitsError
        If the units of a quantity or a DataArray do not fit.

    References
    ----------
    Saxton & Rawls (2006), Soil Sci. Soc. Am. J. 70, 1569-1578, equations 1-5, 15, 16.

    Examples
    --------
    A loam with 40 % of sand, 20 % of clay and 2.5 % of organic matter (their Table 3 prints
    14, 28 and 46 % by volume and 15.5 mm an hour):

    >>> from pipeline.derive.limits_texture import limits_saxton_rawls
    >>> [round(float(value), 3) for value in limits_saxton_rawls(40, 20, 2.5)]
    [0.137, 0.28, 0.459, 15.476]
    """
    shares = tuple(amount(share, "percent") for share in (sand_pct, clay_pct, organic_pct))
    found = elementwise(
        _limits,
        shares,
        ("m3 m-3", "water content at 1500 kPa by texture"),
        ("m3 m-3", "water content at 33 kPa by texture"),
        ("m3 m-3", "water content at saturation by texture"),
        ("mm h-1", "hydraulic conductivity at saturation by texture"),
    )
    return TextureLimits(*found)


def _limits(sand_pct: Floats, clay_pct: Floats, organic_pct: Floats) -> TextureLimits:
    """Return `limits_saxton_rawls` of plain arrays."""
    sand, clay, organic = np.broadcast_arrays(sand_pct, clay_pct, organic_pct)
    sand, clay = sand / 100, clay / 100
    possible = (sand >= 0) & (clay >= 0) & (sand + clay <= 1) & (organic >= 0)
    possible &= (clay <= MOST_CLAY) & (organic <= MOST_ORGANIC_PCT)
    share = np.where(possible, 1.0, np.nan)
    terms = (sand, clay, organic, sand * organic, clay * organic, sand * clay, share)
    dry, moist, between = (
        sum(c * term for c, term in zip(of, terms, strict=True))
        for of in (_AT_1500_KPA, _AT_33_KPA, _BETWEEN)
    )
    dry = dry + (0.14 * dry - 0.02)
    moist = moist + (1.283 * moist**2 - 0.374 * moist - 0.015)
    between = between + (0.636 * between - 0.107)
    full = moist + between - 0.097 * sand + 0.043
    exponent = (np.log(1500) - np.log(33)) / (np.log(moist) - np.log(dry))
    conductivity = 1930 * (full - moist) ** (3 - 1 / exponent)
    return TextureLimits(dry, moist, full, conductivity)


def saturation_from_density(bulk_density: Amount) -> Like:
    """Porosity, the water content at which all pores are full, from dry bulk density.

    Parameters
    ----------
    bulk_density : float, array or DataArray, [g cm-3]
        May be a Pint quantity.

    Returns
    -------
    array or DataArray, [m3 m-3]

    Raises
    ------
    UnitsError
        If the units of a quantity or a DataArray do not fit.
    ValueError
        For a density that no dry soil has: not above 0, or that of its particles or more.

    Examples
    --------
    >>> from pipeline.derive.limits_texture import saturation_from_density
    >>> round(float(saturation_from_density(1.325)), 9)
    0.5
    """
    density = amount(bulk_density, "g cm-3")
    held = np.asarray(density)
    wrong = (held <= 0.0) | (held >= PARTICLE_DENSITY)
    if wrong.any():
        raise ValueError(
            f"bulk density: expected above 0 and below {PARTICLE_DENSITY} g cm-3, found "
            f"{held[wrong].flat[0]:g}; convert it, or give it as a Pint quantity"
        )
    return elementwise(
        lambda rho: 1.0 - rho / PARTICLE_DENSITY,
        (density,),
        ("m3 m-3", "water content at saturation by bulk density"),
    )
