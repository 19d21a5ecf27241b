"""Volumetric water content from weighings, with its standard uncertainty.

All functions take plain numbers or arrays of one shape, masses in grams with the container on
(it cancels or is taken off), and return water content [m3 m-3] and its standard uncertainty.
The dry mass stands twice in the equations; its errors are carried through both at once, since
they cancel in part (JCGM 100:2008, eq. 13). An uncertainty that is not known is NaN and makes
the result's NaN.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import Floats

Measured = tuple[Floats, Floats]
# g cm-3; at 20 degC it is 0.998, which is less than any ring's volume is known to.
WATER_DENSITY = 1.0


def _floats(*values: ArrayLike) -> list[Floats]:
    return [np.asarray(value, dtype=np.float64) for value in values]


def core_water_content(
    wet_g: ArrayLike,
    dry_g: ArrayLike,
    volume_cm3: ArrayLike,
    mass_error_g: ArrayLike,
    volume_error_cm3: ArrayLike,
) -> Measured:
    """Water content of a core of known volume: the water driven off over the volume.

    No bulk density is needed: it would bring the dry mass in twice and cancel again.

    References
    ----------
    ISO 11461 (volume fraction of water by coring sleeves), from memory.
    """
    wet, dry, volume, mass_error, volume_error = _floats(
        wet_g, dry_g, volume_cm3, mass_error_g, volume_error_cm3
    )
    theta = (wet - dry) / (volume * WATER_DENSITY)
    by_mass = np.sqrt(2.0) * mass_error / (volume * WATER_DENSITY)
    return theta, np.hypot(by_mass, theta * volume_error / volume)


def gravimetric_water_content(
    wet_g: ArrayLike, dry_g: ArrayLike, tare_g: ArrayLike, mass_error_g: ArrayLike
) -> Measured:
    """Mass of water over mass of dry soil [g g-1] and its standard uncertainty.

    References
    ----------
    ISO 11465:1993, from memory.
    """
    wet, dry, tare, mass_error = _floats(wet_g, dry_g, tare_g, mass_error_g)
    soil = dry - tare
    ratio = (wet - dry) / soil
    # Slopes to the wet, the dry and the empty container's mass: 1, -(1 + w) and w, over soil.
    slope = np.sqrt(1.0 + (1.0 + ratio) ** 2 + ratio**2) / soil
    return ratio, slope * mass_error


def volumetric_water_content(
    gravimetric: ArrayLike,
    gravimetric_error: ArrayLike,
    bulk_density: ArrayLike,
    bulk_density_error: ArrayLike,
) -> Measured:
    """Water content from the mass ratio and a bulk density [g cm-3] found apart from it."""
    ratio, ratio_error, density, density_error = _floats(
        gravimetric, gravimetric_error, bulk_density, bulk_density_error
    )
    theta = ratio * density / WATER_DENSITY
    error = np.hypot(density * ratio_error, ratio * density_error) / WATER_DENSITY
    return theta, error
