"""Volumetric water content from weighings, with its standard uncertainty.

All functions take plain numbers or arrays of one shape in the units stated, or Pint
quantities, masses with the container on (it cancels or is taken off), and return water content
and its standard uncertainty as plain arrays.
The dry mass stands twice in the equations; its errors are carried through both at once, since
they cancel in part (JCGM 100:2008, eq. 13). An uncertainty that is not known is NaN and makes
the result's NaN.
"""

from __future__ import annotations

import numpy as np

from pipeline.arrays import Floats
from pipeline.units import Amount, numbers

Measured = tuple[Floats, Floats]
# g cm-3; at 20 degC it is 0.998, which is less than any ring's volume is known to.
WATER_DENSITY = 1.0


def _floats(*values: tuple[Amount, str]) -> list[Floats]:
    return [np.asarray(numbers(value, unit), dtype=np.float64) for value, unit in values]


def core_water_content(
    wet_g: Amount,
    dry_g: Amount,
    volume_cm3: Amount,
    mass_error_g: Amount,
    volume_error_cm3: Amount,
) -> Measured:
    """Water content of a core of known volume: the water driven off over the volume.

    No bulk density is needed: it would bring the dry mass in twice and cancel again.

    Parameters
    ----------
    wet_g, dry_g : float or array, [g]
        Before and after drying, with the container.
    volume_cm3 : float or array, [cm3]
    mass_error_g, volume_error_cm3 : float or array, [g] and [cm3]
        Standard uncertainties of one weighing and of the volume.

    Returns
    -------
    water content, its standard uncertainty : arrays, [m3 m-3]

    References
    ----------
    ISO 11461 (volume fraction of water by coring sleeves), from memory.

    Examples
    --------
    >>> from pipeline.calibrate.gravimetry import core_water_content
    >>> theta, error = core_water_content(180.0, 155.0, 100.0, 0.1, 1.0)
    >>> round(float(theta), 4), round(float(error), 4)
    (0.25, 0.0029)
    """
    wet, dry, volume, mass_error, volume_error = _floats(
        (wet_g, "g"),
        (dry_g, "g"),
        (volume_cm3, "cm3"),
        (mass_error_g, "g"),
        (volume_error_cm3, "cm3"),
    )
    theta = (wet - dry) / (volume * WATER_DENSITY)
    by_mass = np.sqrt(2.0) * mass_error / (volume * WATER_DENSITY)
    return theta, np.hypot(by_mass, theta * volume_error / volume)


def gravimetric_water_content(
    wet_g: Amount, dry_g: Amount, tare_g: Amount, mass_error_g: Amount
) -> Measured:
    """Mass of water over mass of dry soil and its standard uncertainty.

    Parameters
    ----------
    wet_g, dry_g, tare_g : float or array, [g]
        Before and after drying, with the container, and the container alone.
    mass_error_g : float or array, [g]
        Standard uncertainty of one weighing.

    Returns
    -------
    mass ratio, its standard uncertainty : arrays, [g g-1]

    References
    ----------
    ISO 11465:1993, from memory.

    Examples
    --------
    >>> from pipeline.calibrate.gravimetry import gravimetric_water_content
    >>> ratio, error = gravimetric_water_content(150.0, 130.0, 30.0, 0.1)
    >>> round(float(ratio), 4), round(float(error), 4)
    (0.2, 0.0016)
    """
    masses = (wet_g, dry_g, tare_g, mass_error_g)
    wet, dry, tare, mass_error = _floats(*((mass, "g") for mass in masses))
    soil = dry - tare
    ratio = (wet - dry) / soil
    # Slopes to the wet, the dry and the empty container's mass: 1, -(1 + w) and w, over soil.
    slope = np.sqrt(1.0 + (1.0 + ratio) ** 2 + ratio**2) / soil
    return ratio, slope * mass_error


def volumetric_water_content(
    gravimetric: Amount,
    gravimetric_error: Amount,
    bulk_density: Amount,
    bulk_density_error: Amount,
) -> Measured:
    """Water content from the mass ratio and a bulk density found apart from it.

    Parameters
    ----------
    gravimetric, gravimetric_error : float or array, [g g-1]
        From `gravimetric_water_content`.
    bulk_density, bulk_density_error : float or array, [g cm-3]

    Returns
    -------
    water content, its standard uncertainty : arrays, [m3 m-3]

    Examples
    --------
    >>> from pipeline.calibrate.gravimetry import volumetric_water_content
    >>> theta, error = volumetric_water_content(0.2, 0.002, 1.4, 0.05)
    >>> round(float(theta), 4), round(float(error), 4)
    (0.28, 0.0104)
    """
    ratio, ratio_error, density, density_error = _floats(
        (gravimetric, "g g-1"),
        (gravimetric_error, "g g-1"),
        (bulk_density, "g cm-3"),
        (bulk_density_error, "g cm-3"),
    )
    theta = ratio * density / WATER_DENSITY
    error = np.hypot(density * ratio_error, ratio * density_error) / WATER_DENSITY
    return theta, error
