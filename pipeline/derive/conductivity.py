"""Hydraulic conductivity and what it says of drainage: unit gradient, laws, and in the field.

Where water sinks under its own weight alone, the flux past a depth is the conductivity at the
water content there (unit gradient). Read one way, known conductivity tells drainage; read the
other, the rates of many nights tell conductivity (instantaneous profile method).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from pipeline.arrays import Floats
from pipeline.derive.labelled import Like, amount, elementwise
from pipeline.derive.night_laws import BEYOND, Laws, Nights, nights_of
from pipeline.derive.night_rates import common_loss
from pipeline.derive.tube_laws import TubeLaws, that_count, tube_laws
from pipeline.units import Amount, numbers

CLASS_WIDTH = 0.01  # m3 m-3
LEAST_NIGHTS = 3  # in a class
CLASS_MM_D, CLASS_SHARE = 0.17, 0.25  # of the mean of a class, besides noise; ours
GRADIENT_ERROR = 0.3  # relative standard uncertainty of the unit gradient; ours

# Mean parameters of Carsel & Parrish (1988), Water Resour. Res. 24, 755-769, by texture class:
# residual and saturated water content, alpha [1/cm], n, saturated conductivity [cm/d].
CARSEL_PARRISH_1988 = {
    "sand": (0.045, 0.43, 0.145, 2.68, 712.8),
    "loamy sand": (0.057, 0.41, 0.124, 2.28, 350.2),
    "sandy loam": (0.065, 0.41, 0.075, 1.89, 106.1),
    "loam": (0.078, 0.43, 0.036, 1.56, 24.96),
    "silt": (0.034, 0.46, 0.016, 1.37, 6.00),
    "silt loam": (0.067, 0.45, 0.020, 1.41, 10.80),
    "sandy clay loam": (0.100, 0.39, 0.059, 1.48, 31.44),
    "clay loam": (0.095, 0.41, 0.019, 1.31, 6.24),
    "silty clay loam": (0.089, 0.43, 0.010, 1.23, 1.68),
    "sandy clay": (0.100, 0.38, 0.027, 1.23, 2.88),
    "silty clay": (0.070, 0.36, 0.005, 1.09, 0.48),
    "clay": (0.068, 0.38, 0.008, 1.09, 4.80),
}


def conductivity_mualem(
    water_content: Amount, residual: Amount, saturated: Amount, n: float, k_saturated: Amount
) -> Like:
    """Hydraulic conductivity of van Genuchten and Mualem.

    Parameters
    ----------
    water_content : float, array or DataArray, [m3 m-3]
        May be a Pint quantity, as all that have a unit may.
    residual, saturated : float, [m3 m-3]
    n : float, [1]
    k_saturated : float, [mm d-1]
        Of bare numbers any unit, which the result has then too.

    Returns
    -------
    array or DataArray, [mm d-1]
        NaN at or below the residual and above the saturated water content.

    References
    ----------
    van Genuchten (1980), Soil Sci. Soc. Am. J. 44, 892-898, eq. 8; doi:10.2136/sssaj1980.
    03615995004400050002x.

    Examples
    --------
    >>> from pipeline.derive.conductivity import conductivity_mualem
    >>> conductivity_mualem([0.30, 0.43], 0.078, 0.43, 1.56, 249.6).round(2).tolist()
    [2.39, 249.6]
    """
    least, most = (numbers(value, "m3 m-3") for value in (residual, saturated))
    fastest = numbers(k_saturated, "mm d-1")

    def conductivity(theta: Floats) -> Floats:
        filled = (theta - least) / (most - least)
        filled = np.where((filled > 0) & (filled <= 1), filled, np.nan)
        m = 1.0 - 1.0 / n
        inner = 1.0 - (1.0 - filled ** (1.0 / m)) ** m
        result: Floats = fastest * np.sqrt(filled) * inner**2
        return result

    about = ("mm d-1", "hydraulic conductivity")
    return elementwise(conductivity, (amount(water_content, "m3 m-3"),), about)


def redistribution_power(
    time: ArrayLike, depth: float, saturated: float, k_saturated: float, power: float
) -> Floats:
    """Water content at a depth that drains from saturation at unit gradient, K = Ks (θ/θs)^b.

    ``depth / time = dK/dθ``; time, depth and ``k_saturated`` in units that agree.

    References
    ----------
    Sisson, Ferguson & van Genuchten (1980), Soil Sci. Soc. Am. J. 44, 1147-1153.
    """
    ratio = depth * saturated / (k_saturated * power * np.asarray(time, np.float64))
    result: Floats = saturated * ratio ** (1.0 / (power - 1.0))
    return result


def redistribution_exponential(
    time: ArrayLike, depth: float, saturated: float, k_saturated: float, alpha: float
) -> Floats:
    """Water content as in `redistribution_power`, for K = Ks exp(α (θ - θs)).

    References
    ----------
    Sisson, Ferguson & van Genuchten (1980), Soil Sci. Soc. Am. J. 44, 1147-1153.
    """
    scaled = k_saturated * alpha * np.asarray(time, np.float64) / depth
    result: Floats = saturated - np.log(scaled) / alpha
    return result


def field_conductivity(pattern: pd.DataFrame, known: TubeLaws | None = None) -> pd.DataFrame:
    """Conductivity in the field by classes of water content, from the rates of nights.

    Parameters
    ----------
    pattern : DataFrame
        As from `pipeline.derive.uptake.daily_pattern`, of one tube.
    known : TubeLaws, optional
        Its laws, where they are known already (see `pipeline.derive.tube_laws`).

    Returns
    -------
    DataFrame, a row a sensor and class
        ``depth_m``; ``water_content`` [m3 m-3] and ``conductivity_mm_d``, means over nights of
        a class, less what all sensors lose in common (see `pipeline.derive.night_rates`);
        ``conductivity_error``, its standard uncertainty: the larger of what the nights state
        and how they scatter, with the gradient's; ``nights``; and of the law ``K =
        exp(intercept + slope * water_content)`` fitted to the nights that count ``intercept``,
        ``slope``, ``offset_mm_d`` and ``scatter_mm_d``, NaN where there is none.

    References
    ----------
    Instantaneous profile method: Hillel, Krentos & Stylianou (1972), Soil Sci. 114, 395-400
    (from memory), at unit gradient.
    """
    if pattern["night_drainage_mm_d"].notna().sum() == 0:
        return pd.DataFrame()
    laws = known or tube_laws(pattern)
    nights = nights_of(pattern[that_count(pattern, laws.until_s)])
    own = nights.rate - common_loss(laws.alone, nights)
    rows = [row for k in range(len(own)) for row in _of_sensor(k, nights, own, laws.alone)]
    return pd.DataFrame(rows)


def class_of(water_content: ArrayLike) -> NDArray[np.int64]:
    """Return the number of the class that each water content [m3 m-3] lies in."""
    number: NDArray[np.int64] = np.floor(
        np.asarray(water_content, np.float64) / CLASS_WIDTH
    ).astype(np.int64)
    return number


def _of_sensor(
    k: int, nights: Nights, own: Floats, laws: Laws
) -> Iterator[dict[str, float | int]]:
    """Yield the classes of one sensor, from its nights with a rate."""
    known = np.isfinite(own[k])
    theta, rate, noise = nights.water[k, known], own[k, known], nights.noise[k, known]
    number = class_of(theta)
    law = {
        "intercept": float(laws.intercept[k]),
        "slope": float(laws.slope[k]),
        "offset_mm_d": laws.offset,
        "scatter_mm_d": float(laws.scatter[k]),
    }
    for one in np.unique(number):  # a few dozen classes
        here = number == one
        count = int(here.sum())
        if count < LEAST_NIGHTS:
            continue
        mean = float(rate[here].mean())
        # What nights are wrong by besides noise is alike in all of them: no averaging out.
        stated = float(np.hypot(noise[here].mean(), CLASS_MM_D))
        spread = float(rate[here].std(ddof=1) / np.sqrt(count))
        yield {
            "depth_m": float(nights.depth_m[k]),
            "water_content": float(theta[here].mean()),
            "conductivity_mm_d": mean,
            "conductivity_error": float(
                np.hypot(max(stated, spread), CLASS_SHARE * abs(mean))
            ),
            "nights": count,
            **law,
        }


def rates_by_law(pattern: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Return the pattern with drainage by the fitted law in every night.

    Parameters
    ----------
    pattern : DataFrame
        As from `pipeline.derive.uptake.daily_pattern`, of one tube.
    table : DataFrame
        As from `field_conductivity`.

    Returns
    -------
    DataFrame
        With ``gradient_drainage_mm_d`` and ``gradient_drainage_error``, NaN for sensors
        without a law and in soil far wetter than in the nights it was fitted to; the error is
        the scatter of the nights and of the gradient.
    """
    columns = ["intercept", "slope", "scatter_mm_d"]
    laws = table.drop_duplicates("depth_m").set_index("depth_m")[columns]
    mine = laws.reindex(pattern["depth_m"])
    exponent = mine["intercept"].to_numpy() + mine["slope"].to_numpy() * (
        pattern["night_water_content"].to_numpy(np.float64)
    )
    fitted = pattern["night_drainage_mm_d"].notna() & that_count(pattern)
    known = pattern["night_water_content"].where(fitted)
    seen = known.groupby(pattern["depth_m"]).transform("max").to_numpy(np.float64)
    within = pattern["night_water_content"].to_numpy(np.float64) <= seen + BEYOND
    rate = np.where(within, np.exp(exponent), np.nan)
    error = np.hypot(GRADIENT_ERROR * rate, mine["scatter_mm_d"].to_numpy())
    return pattern.assign(gradient_drainage_mm_d=rate, gradient_drainage_error=error)
