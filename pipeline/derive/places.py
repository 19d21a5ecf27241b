"""Where tubes stand relative to each other, in metres, and how far down the slope."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import Floats

# World Geodetic System 1984: equatorial radius and flattening (NIMA TR8350.2).
_RADIUS_M, _FLATTENING = 6_378_137.0, 1 / 298.257223563
# Tubes whose spread across their main line is less than this share of that along it lie on a
# line: across it nothing can be told of the slope. Ours.
_ON_A_LINE = 0.05


def local_metres(latitude: ArrayLike, longitude: ArrayLike) -> tuple[Floats, Floats]:
    """Positions on a plane that touches the ellipsoid amid the tubes.

    Parameters
    ----------
    latitude, longitude : (tube,), [degree]

    Returns
    -------
    east, north : (tube,), [m]
        From the middle of the tubes. Within a few kilometres distances are right to a
        thousandth.

    Examples
    --------
    One minute of latitude is about a nautical mile, 1852 m.

    >>> local_metres([45.0, 45.0 + 1 / 60], [9.0, 9.0])[1].round().tolist()
    [-926.0, 926.0]
    """
    lat, lon = (np.radians(np.asarray(x, dtype=np.float64)) for x in (latitude, longitude))
    if not lat.size:
        return lat, lon
    middle = 0.5 * (lat.min() + lat.max())
    # The shorter way round, so that a site may lie across the date line.
    away = (lon - lon[0] + np.pi) % (2 * np.pi) - np.pi
    squared = _FLATTENING * (2 - _FLATTENING)
    bend = 1 - squared * np.sin(middle) ** 2
    along_meridian = _RADIUS_M * (1 - squared) / bend**1.5
    along_parallel = _RADIUS_M / np.sqrt(bend) * np.cos(middle)
    east = along_parallel * (away - 0.5 * (away.min() + away.max()))
    return east, along_meridian * (lat - middle)


def down_slope(
    east: Floats, north: Floats, elevation: ArrayLike
) -> tuple[Floats, tuple[float, float] | None]:
    """Distance of each tube down the steepest line of the plane through all of them.

    Parameters
    ----------
    east, north : (tube,), [m]
    elevation : (tube,), [m]

    Returns
    -------
    distance : (tube,), [m]
        From the uppermost, downhill; by elevation alone where tubes show no slope.
    direction : (float, float) or None
        East and north of the unit vector downhill; None where there is no slope.

    Notes
    -----
    The plane is fitted by least squares. Of tubes on a line only the slope along it is known,
    and the steepest line is theirs.
    """
    height = np.asarray(elevation, dtype=np.float64)
    if height.size < 2:
        return np.zeros(height.size), None
    plan = np.stack([east - east.mean(), north - north.mean()], axis=1)
    axes, spread, across = np.linalg.svd(plan, full_matrices=False)
    told = spread > max(_ON_A_LINE * spread[0], 1e-6)
    slopes = np.divide(
        axes.T @ (height - height.mean()), spread, out=np.zeros(spread.size), where=told
    )
    gradient = across.T @ slopes
    steepness = float(np.hypot(*gradient))
    if steepness < 1e-6:
        return height.max() - height, None
    direction = -gradient / steepness
    distance = plan @ direction
    return distance - distance.min(), (float(direction[0]), float(direction[1]))
