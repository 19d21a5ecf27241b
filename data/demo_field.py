"""The demo's field: eight access tubes down a slope, and the water in the soil around them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from demo_column import (
    DRAINAGE,
    EVAPORATION,
    RUN_OFF,
    SUPPLY,
    UPTAKE,
    Column,
    Course,
)
from demo_weather import STEPS, STEPS_PER_DAY, Weather
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Mean parameters by texture class of Carsel & Parrish (1988), Water Resour. Res. 24, 755-769:
# residual and saturated water content, alpha [1/cm], n, saturated conductivity [cm/d].
TEXTURES = {
    "sandy loam": (0.065, 0.41, 0.075, 1.89, 106.1),
    "loam": (0.078, 0.43, 0.036, 1.56, 24.96),
    "sandy clay loam": (0.100, 0.39, 0.059, 1.48, 31.44),
    "silt loam": (0.067, 0.45, 0.020, 1.41, 10.80),
    "clay loam": (0.095, 0.41, 0.019, 1.31, 6.24),
}

THICK_CM = np.concatenate([np.full(60, 1.0), np.full(56, 2.5)])  # 2 m of soil
COLUMN_CM = 200.0
RUN_ON_SHARE = 0.6  # of what runs off one tube's ground, what reaches the next
SPIN_UP_DAYS = 240
WINTER_RAIN_MM = 1.1  # a day
FIRST_HEAD_CM = -80.0


@dataclass(frozen=True)
class Layer:
    """A horizon: its lower edge, texture, and the true line from root permittivity to water.

    ``slope`` and ``offset`` are what the soil really does; the calibration in ``config/`` is
    what a laboratory would have found and differs from it within its stated error.
    """

    bottom_cm: float
    texture: str
    slope: float
    offset: float


SOILS = {
    "crest": (
        Layer(28.0, "sandy loam", 0.1190, -0.1890),
        Layer(70.0, "loam", 0.1172, -0.1845),
        Layer(COLUMN_CM, "sandy loam", 0.1150, -0.1790),
    ),
    "slope": (
        Layer(28.0, "loam", 0.1205, -0.1965),
        Layer(65.0, "sandy clay loam", 0.1168, -0.1860),
        Layer(COLUMN_CM, "loam", 0.1142, -0.1770),
    ),
    "foot": (
        Layer(32.0, "silt loam", 0.1218, -0.2050),
        Layer(80.0, "silt loam", 0.1180, -0.1900),
        Layer(COLUMN_CM, "clay loam", 0.1130, -0.1740),
    ),
}


@dataclass(frozen=True)
class Place:
    """One tube: its soil, the water table under it (None: far below), and its set-in offset.

    ``pore_scale`` makes this spot coarser (above 1) or finer (below 1) than its texture's
    mean: alpha grows with it, conductivity with its square (Miller & Miller 1956, J. Appl.
    Phys. 27, 324-332).
    """

    tube: str
    soil: str
    water_table_cm: float | None
    pore_scale: float
    set_in_cm: float = 0.0

    def parameters(self, texture: str) -> tuple[float, ...]:
        """Return the hydraulic parameters of a texture at this spot."""
        residual, saturated, alpha, n, k_saturated = TEXTURES[texture]
        scale = self.pore_scale
        return residual, saturated, alpha * scale, n, k_saturated * scale**2


PLACES = (
    Place("T1", "crest", None, 1.20),
    Place("T2", "crest", None, 0.90, set_in_cm=5.0),
    Place("T3", "slope", None, 1.20),
    Place("T4", "slope", 320.0, 1.05),
    Place("T5", "slope", 260.0, 0.90),
    Place("T6", "slope", 210.0, 0.80),
    Place("T7", "foot", 175.0, 1.10),
    Place("T8", "foot", 150.0, 0.90),
)


@dataclass(frozen=True)
class Ground:
    """The soil around one tube over the whole demo. ``course`` in cm, ``run_on`` [mm]."""

    place: Place
    course: Course
    run_on: Array

    def daily_mm(self, term: int) -> Array:
        """Return one term of the balance by day [mm]."""
        return 10.0 * self.course.balance[:, term].reshape(-1, STEPS_PER_DAY).sum(axis=1)


def layer_of_cells(soil: str) -> list[Layer]:
    """Return the layer each cell of a column lies in."""
    middle = middles_cm()
    return [next(x for x in SOILS[soil] if depth < x.bottom_cm) for depth in middle]


def middles_cm() -> Array:
    """Return the depth of the middle of each cell [cm]."""
    edges = np.concatenate([[0.0], np.cumsum(THICK_CM)])
    return 0.5 * (edges[:-1] + edges[1:])


def make_column(place: Place) -> Column:
    """Return a tube's column, wetted by a wet winter."""
    soils = np.array([place.parameters(x.texture) for x in layer_of_cells(place.soil)])
    table = place.water_table_cm
    bottom = np.nan if table is None else COLUMN_CM - table
    head = np.full(THICK_CM.size, FIRST_HEAD_CM)
    column = Column(THICK_CM, soils, bottom, head)
    winter = np.tile([WINTER_RAIN_MM / 10, 0.0, 0.0], (SPIN_UP_DAYS, 1))
    column.run(winter, np.zeros((SPIN_UP_DAYS, THICK_CM.size)), 1.0)
    return column


def make_grounds(weather: Weather) -> list[Ground]:
    """Return the soil around every tube, run from the crest down so that run-off runs on."""
    roots = root_shares(weather.root_scale)
    run_on, grounds = np.zeros(STEPS), []
    for place in PLACES:
        forcing = np.stack(
            [
                (weather.rain + run_on) / 10,
                weather.demand * (1 - weather.cover) / 10,
                weather.demand * weather.cover / 10,
            ],
            axis=1,
        )
        course = make_column(place).run(forcing, roots, 1 / STEPS_PER_DAY)
        grounds.append(Ground(place, course, run_on))
        run_on = RUN_ON_SHARE * 10 * course.balance[:, RUN_OFF]
    return grounds


def root_shares(scale_cm: Array) -> Array:
    """Return the share of uptake of each cell at each step, falling off with depth."""
    shares = THICK_CM * np.exp(-middles_cm() / scale_cm[:, None])
    return shares / shares.sum(axis=1, keepdims=True)


def stored_mm(content: Array, depth_cm: float) -> Array:
    """Return the water between the surface and a depth [mm] from cell contents."""
    upper = np.concatenate([[0.0], np.cumsum(THICK_CM)[:-1]])
    inside = np.clip(depth_cm - upper, 0.0, THICK_CM)
    return 10.0 * (content * inside).sum(axis=-1)


def balance_error_mm(ground: Ground) -> float:
    """Return by how much the column's water does not add up over the demo [mm]."""
    course = ground.course
    stored = stored_mm(course.content, COLUMN_CM) + 10.0 * course.pond
    came_in, *gone = (
        10.0 * course.balance[1:, term].sum()
        for term in (SUPPLY, RUN_OFF, EVAPORATION, UPTAKE, DRAINAGE)
    )
    return float(stored[-1] - stored[0] - (came_in - sum(gone)))
