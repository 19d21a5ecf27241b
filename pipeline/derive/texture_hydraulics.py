"""Suction and conductivity of a soil from its texture, where nothing better is known."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from pipeline.arrays import Floats
from pipeline.derive.labelled import Like, amount, elementwise
from pipeline.derive.limits_texture import USUAL_ORGANIC_PCT, limits_saxton_rawls
from pipeline.units import Amount

DRY_KPA, MOIST_KPA = 1500.0, 33.0
MM_PER_H_TO_MM_PER_D = 24.0
# Standard uncertainty of a drainage rate by texture, relative and [mm d-1]: conductivity
# within a texture varies by a factor of three and more, and water content is not sure. Ours.
TEXTURE_SHARE, TEXTURE_MM_D = 1.5, 0.7


class Texture(NamedTuple):
    """Sand, clay and organic matter of the fine earth, and stones of the whole soil, [%]."""

    sand_pct: float
    clay_pct: float
    organic_pct: float = USUAL_ORGANIC_PCT
    stones_pct: float = 0.0


def conductivity_saxton_rawls(water_content: Amount, texture: Texture) -> Like:
    """Hydraulic conductivity of a soil from its texture.

    Parameters
    ----------
    water_content : float, array or DataArray, [m3 m-3]
        Of the whole soil, stones and all. May be a Pint quantity.
    texture : Texture

    Returns
    -------
    array or DataArray, [mm d-1]
        That at saturation where there is more water than that; NaN where there is none, or
        where the paper makes no claim for the texture.

    References
    ----------
    Saxton & Rawls (2006), Soil Sci. Soc. Am. J. 70, 1569-1578, equations 16 to 18.

    Examples
    --------
    >>> from pipeline.derive.texture_hydraulics import Texture, conductivity_saxton_rawls
    >>> conductivity_saxton_rawls([0.20, 0.30], Texture(40, 20)).round(3).tolist()
    [0.004, 1.079]
    """
    limits = limits_saxton_rawls(texture.sand_pct, texture.clay_pct, texture.organic_pct)
    power = 3.0 + 2.0 * _steepness(limits.lower, limits.upper)
    whole = MM_PER_H_TO_MM_PER_D * limits.conductivity

    def conductivity(water: Floats) -> Floats:
        filled = np.minimum(_fine(water, texture) / limits.saturation, 1.0)
        result: Floats = whole * np.where(filled > 0, filled, np.nan) ** power
        return result

    about = ("mm d-1", "hydraulic conductivity by texture")
    return elementwise(conductivity, (amount(water_content, "m3 m-3"),), about)


def suction_saxton_rawls(water_content: Amount, texture: Texture) -> Like:
    """Suction of a soil from its texture.

    Parameters
    ----------
    water_content : float, array or DataArray, [m3 m-3]
        Of the whole soil, stones and all. May be a Pint quantity.
    texture : Texture

    Returns
    -------
    array or DataArray, [kPa]
        Between 1500 and 33; NaN outside.

    References
    ----------
    Saxton & Rawls (2006), Soil Sci. Soc. Am. J. 70, 1569-1578, equations 11, 14 and 15.

    Examples
    --------
    >>> from pipeline.derive.texture_hydraulics import Texture, suction_saxton_rawls
    >>> suction_saxton_rawls([0.10, 0.20], Texture(40, 20)).round(1).tolist()
    [nan, 198.3]
    """
    limits = limits_saxton_rawls(texture.sand_pct, texture.clay_pct, texture.organic_pct)
    steepness = _steepness(limits.lower, limits.upper)

    def suction(water: Floats) -> Floats:
        theta = _fine(water, texture)
        inside = (theta >= limits.lower) & (theta <= limits.upper)
        share = np.where(inside, theta, np.nan) / limits.upper
        result: Floats = MOIST_KPA * share**-steepness
        return result

    about = ("kPa", "suction by texture")
    return elementwise(suction, (amount(water_content, "m3 m-3"),), about)


def rates_by_texture(pattern: pd.DataFrame, textures: dict[float, Texture]) -> pd.DataFrame:
    """Return the pattern with drainage by texture at sensors whose nights told no law.

    Parameters
    ----------
    pattern : DataFrame
        As from `pipeline.derive.conductivity.rates_by_law`; its ``gradient_drainage_mm_d`` may
        be absent.
    textures : dict of Texture
        By nominal depth [m]; depths without one are left as they are.

    Returns
    -------
    DataFrame
        ``gradient_drainage_mm_d`` and its error filled in, at unit gradient;
        ``gradient_from``, "nights", "texture" or "".
    """
    found = pattern.copy()
    for name in ("gradient_drainage_mm_d", "gradient_drainage_error"):
        if name not in found:
            found[name] = np.nan
    lawful = found.groupby("depth_m")["gradient_drainage_mm_d"].transform("count") > 0
    found["gradient_from"] = np.where(lawful, "nights", "")
    for depth, texture in textures.items():
        here = (found["depth_m"] == depth) & ~lawful
        water = found.loc[here, "night_water_content"].to_numpy(np.float64)
        rate = conductivity_saxton_rawls(water, texture)
        if np.isnan(rate).all():
            continue
        found.loc[here, "gradient_drainage_mm_d"] = rate
        found.loc[here, "gradient_drainage_error"] = np.hypot(
            TEXTURE_SHARE * rate, TEXTURE_MM_D
        )
        found.loc[here, "gradient_from"] = "texture"
    return found


def _fine(water_content: Floats, texture: Texture) -> Floats:
    """Return the water content of the fine earth between the stones."""
    fine: Floats = water_content / (1.0 - texture.stones_pct / 100.0)
    return fine


def _steepness(dry: Floats, moist: Floats) -> Floats:
    """Return the power of suction in water content, B of the paper's equation 15."""
    result: Floats = np.log(DRY_KPA / MOIST_KPA) / np.log(moist / dry)
    return result
