"""Soil columns of the test field, and everything that is true of the water in them.

The column itself is the demo's (`demo_column`): Richards' equation with the hydraulics of van
Genuchten and Mualem, solved implicitly with modified Picard iteration (Celia et al. 1990).
Here it gets more soils, free drainage, a year of weather, and its inner fluxes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from demo_column import DRAINAGE, EVAPORATION, FEDDES, INFILTRATION, RUN_OFF, UPTAKE, Column
from demo_field import TEXTURES as DEMO_TEXTURES
from numpy.typing import NDArray
from truth_weather import STEPS_PER_DAY, Weather, draws, make_weather

Array = NDArray[np.float64]

# Mean parameters by texture class of Carsel & Parrish (1988), Water Resour. Res. 24, 755-769:
# residual and saturated water content, alpha [1/cm], n, saturated conductivity [cm/d].
TEXTURES = {
    **DEMO_TEXTURES,
    "sand": (0.045, 0.43, 0.145, 2.68, 712.8),
    "loamy sand": (0.057, 0.41, 0.124, 2.28, 350.2),
    "silt": (0.034, 0.46, 0.016, 1.37, 6.00),
    "silty clay loam": (0.089, 0.43, 0.010, 1.23, 1.68),
    "sandy clay": (0.100, 0.38, 0.027, 1.23, 2.88),
    "silty clay": (0.070, 0.36, 0.005, 1.09, 0.48),
    "clay": (0.068, 0.38, 0.008, 1.09, 4.80),
}

# 1.6 m of soil, fine where fronts are sharp.
THICK_CM = np.concatenate([np.full(30, 1.0), np.full(20, 2.0), np.full(18, 5.0)])
EDGES_CM = np.concatenate([[0.0], np.cumsum(THICK_CM)])
MIDDLE_CM = 0.5 * (EDGES_CM[:-1] + EDGES_CM[1:])
ROOT_SCALE_CM = 18.0
FIRST_HEAD_CM = -120.0
SPIN_UP_DAYS, SPIN_UP_MM = 200, 0.8  # a wet year before, and what of its rain goes down a day
PORE_SPREAD = 0.12  # of the logarithm of the pore scale between patches


@dataclass(frozen=True)
class Layer:
    """A horizon: its lower edge, its texture, and its line from root permittivity to water."""

    bottom_cm: float
    texture: str
    slope: float
    offset: float


# The lines are those that a laboratory states (see `truth_site`); in the ground they differ.
PROFILES: dict[str, tuple[Layer, ...]] = {
    # Coarser topsoil would be sucked dry within one step: the column takes what roots want at
    # the heads before the step, and sand holds next to nothing above wilting.
    "sand": (
        Layer(45, "sandy loam", 0.1180, -0.1870),
        Layer(160, "loamy sand", 0.1150, -0.1790),
    ),
    "loam": (
        Layer(28, "loam", 0.1205, -0.1965),
        Layer(65, "sandy clay loam", 0.1168, -0.1860),
        Layer(160, "loam", 0.1142, -0.1770),
    ),
    "silt": (
        Layer(32, "silt loam", 0.1218, -0.2050),
        Layer(80, "silt", 0.1180, -0.1900),
        Layer(160, "silt loam", 0.1130, -0.1740),
    ),
    "clay": (
        Layer(26, "silt loam", 0.1210, -0.2040),
        Layer(160, "clay loam", 0.1165, -0.1850),
    ),
}


def layer_numbers(soil: str) -> NDArray[np.int64]:
    """Return which layer of a profile each cell of the column lies in."""
    bottoms = [layer.bottom_cm for layer in PROFILES[soil]]
    return np.searchsorted(bottoms, MIDDLE_CM, side="right")


@dataclass(frozen=True)
class Patch:
    """What a column of soil did, by step of ten minutes.

    ``content`` (steps + 1, cells) [m3 m-3] and ``pond`` (steps + 1,) [mm] are states, the
    first before all weather; ``uptake`` (steps, cells), ``infiltration``, ``evaporation``,
    ``run_off`` and ``drainage`` (steps,) are amounts in each step [mm].
    """

    content: Array
    pond: Array
    uptake: Array
    infiltration: Array
    evaporation: Array
    run_off: Array
    drainage: Array

    def storage_mm(self, depth_cm: float) -> Array:
        """Return the water between the surface and a depth, (steps + 1,)."""
        return 10.0 * self.content @ _thickness_above(depth_cm)

    def uptake_above_mm(self, depth_cm: float) -> Array:
        """Return what roots took above a depth in each step, (steps,)."""
        return self.uptake @ (_thickness_above(depth_cm) / THICK_CM)

    def drainage_past_mm(self, depth_cm: float) -> Array:
        """Return the water that passed a depth downwards in each step, (steps,).

        What came in at the surface, less what was lost and what stayed above the depth.
        """
        gone = self.evaporation + self.uptake_above_mm(depth_cm)
        return self.infiltration - gone - np.diff(self.storage_mm(depth_cm))


def _thickness_above(depth_cm: float) -> Array:
    """Return how much of each cell lies above a depth [cm]."""
    return np.clip(depth_cm - EDGES_CM[:-1], 0.0, THICK_CM)


def soil_parameters(soil: str, pore_scale: float) -> Array:
    """Return the hydraulic parameters of each cell.

    ``pore_scale`` makes a patch coarser (above 1) or finer than its texture's mean: alpha
    grows with it, conductivity with its square (Miller & Miller 1956, J. Appl. Phys. 27,
    324-332).
    """
    mean = np.array([TEXTURES[layer.texture] for layer in PROFILES[soil]])
    scaled = mean * [1.0, 1.0, pore_scale, 1.0, pore_scale**2]
    return scaled[layer_numbers(soil)]


def root_shares() -> Array:
    """Return the share of uptake of each cell, falling off with depth."""
    shares = THICK_CM * np.exp(-MIDDLE_CM / ROOT_SCALE_CM)
    return shares / shares.sum()


@lru_cache(maxsize=12)
def make_patch(seed: int, soil: str, number: int, days: int) -> Patch:
    """Return one patch of a soil under the weather of a seed; the last few are kept.

    Frost changes what a sensor feels and not how water moves, which is a simplification.
    """
    spread = draws(seed, f"pores {soil} {number}").standard_normal()
    parameters = soil_parameters(soil, float(np.exp(PORE_SPREAD * spread)))
    return run_patch(parameters, make_weather(seed, days, frost=True))


def run_patch(parameters: Array, weather: Weather) -> Patch:
    """Return what a column with the parameters of `soil_parameters` does under a weather."""
    column = Column(
        THICK_CM, parameters, head=np.full(THICK_CM.size, FIRST_HEAD_CM), bottom_head=np.nan
    )
    shares = root_shares()
    spin_up = np.tile([SPIN_UP_MM / 10, 0.0, 0.0], (SPIN_UP_DAYS, 1))
    column.run(spin_up, np.tile(shares, (SPIN_UP_DAYS, 1)), 1.0)
    first_head, first_content = column.head.copy(), column.content.copy()
    forcing = np.stack([weather.rain, weather.demand, weather.demand], axis=1) / 10
    forcing[:, 1] *= 1 - weather.cover
    forcing[:, 2] *= weather.cover
    roots = np.broadcast_to(shares, (len(forcing), shares.size)).copy()
    course = column.run(forcing, roots, 1 / STEPS_PER_DAY)
    before = np.vstack([first_head, course.head[:-1]])
    balance = 10.0 * course.balance
    return Patch(
        content=np.vstack([first_content, course.content]),
        pond=np.concatenate([[0.0], 10.0 * course.pond]),
        uptake=_by_cell(before, shares, balance[:, UPTAKE]),
        infiltration=balance[:, INFILTRATION],
        evaporation=balance[:, EVAPORATION],
        run_off=balance[:, RUN_OFF],
        drainage=balance[:, DRAINAGE],
    )


def _by_cell(head: Array, shares: Array, total: Array) -> Array:
    """Return the uptake of each cell [mm] from that of the column.

    The column takes it at the heads before each part of a step. That is told exactly where a
    step was one part; where it was several, the total is exact and its sharing out is close.
    """
    at_suction = shares * np.interp(-head, FEDDES, [0.0, 1.0, 1.0, 0.0])
    whole = at_suction.sum(axis=1)
    part = np.divide(total, whole, out=np.zeros_like(total), where=whole > 0)
    return at_suction * part[:, None]
