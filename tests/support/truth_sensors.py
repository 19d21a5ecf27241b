"""What sensors of the test field feel: a bell of soil around their depth, as permittivity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from truth_ground import EDGES_CM, MIDDLE_CM, PROFILES, THICK_CM, layer_numbers
from truth_site import LAW_ERROR, covariance
from truth_weather import draws

Array = NDArray[np.float64]

WINDOW_SIGMA_CM, WINDOW_REACH_CM = 3.0, 9.0
ROOT_OF_AIR, ROOT_OF_STONE, ROOT_OF_WATER, ROOT_OF_ICE = 1.0, 2.2, 9.0, 1.78
# Water in soil freezes below the freezing point of free water, the last of it much below.
FREEZES_BELOW_DEGC, FREEZING_POWER, NEVER_FREEZES = -0.1, 0.7, 0.15


def bell(depth_cm: float) -> Array:
    """Return the weight of each cell of the column in a reading; they add up to one."""
    away = MIDDLE_CM - depth_cm
    weight = THICK_CM * np.exp(-0.5 * (away / WINDOW_SIGMA_CM) ** 2)
    weight[np.abs(away) > WINDOW_REACH_CM] = 0.0
    return weight / weight.sum()


def cell_at(depth_cm: float) -> int:
    """Return the cell of the column that a depth lies in."""
    return int(np.searchsorted(EDGES_CM, depth_cm, side="right")) - 1


def unfrozen_share(temperature: Array) -> Array:
    """Return the share of soil water that is liquid; a power law below the freezing point."""
    cold = np.minimum(temperature, FREEZES_BELOW_DEGC)
    return np.maximum((FREEZES_BELOW_DEGC / cold) ** FREEZING_POWER, NEVER_FREEZES)


@dataclass(frozen=True)
class TrueLaws:
    """The lines from root permittivity to water that hold around one tube, by layer.

    They differ from the stated ones by a draw from the stated covariance, once a tube and
    layer; each sensor of it by a further ``sensor_shift`` [m3 m-3], the law's own error.
    """

    slope: Array
    offset: Array
    sensor_shift: Array


def true_laws(
    seed: int, tube: str, soil: str, sensors: int, calibration_error: bool
) -> TrueLaws:
    """Return the lines of one tube; without ``calibration_error`` exactly the stated ones."""
    random = draws(seed, f"laws {tube}")
    stated = np.array([(layer.slope, layer.offset) for layer in PROFILES[soil]])
    error = random.multivariate_normal(np.zeros(2), covariance(), len(stated))
    shift = LAW_ERROR * random.standard_normal(sensors)
    on = 1.0 if calibration_error else 0.0
    slope, offset = (stated + on * error).T
    return TrueLaws(slope, offset, on * shift)


def feel(
    content: Array, soil: str, depth_cm: float, laws: TrueLaws, sensor: int, liquid: Array
) -> Array:
    """Return the root permittivity a sensor averages, (steps,).

    Parameters
    ----------
    content : array, (steps, cells), [m3 m-3]
        All water, liquid or ice.
    soil : str
        A key of `PROFILES`.
    depth_cm : float
        Where the sensor really is.
    laws, sensor
        The lines around the tube, and the sensor's number in it.
    liquid : array, (steps,)
        Share of the water that is liquid at the sensor.
    """
    weight, layer = bell(depth_cm), layer_numbers(soil)
    near = np.flatnonzero(weight)
    per_water = weight[near] / laws.slope[layer[near]]
    constant = float(per_water @ (laws.offset[layer[near]] + laws.sensor_shift[sensor]))
    root = content[:, near] @ per_water - constant
    ice = (1.0 - liquid) * (content[:, near] @ weight[near])
    root_of_frozen = ice * (float(per_water.sum()) - (ROOT_OF_ICE - 1.0))
    return root - root_of_frozen


def with_body(root: Array, share: float, body: Array | float) -> Array:
    """Return the root permittivity felt where a share of the window is something else."""
    return (1.0 - share) * root + share * body


def read_out(root: Array, noise: float, resolution: float, normal: Array) -> Array:
    """Return logged permittivity: squared, with noise, rounded to the resolution."""
    permittivity = root**2 + noise * normal
    return np.round(permittivity / resolution) * resolution
