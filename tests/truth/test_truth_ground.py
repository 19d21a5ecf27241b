"""The test field's columns: no water lost, and the same as independent solutions.

The column's solver is the demo's; tests/demo checks it for loam against its retention table,
rest over a water table, a steady rain and an independent solver. Here are the further soils,
layers, fluxes past depths, uptake by depth, and infiltration under ponding.
"""

import numpy as np
import pytest
from demo_column import FEDDES, INFILTRATION, Column, hydraulics
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq
from truth_ground import (
    EDGES_CM,
    MIDDLE_CM,
    PROFILES,
    TEXTURES,
    THICK_CM,
    root_shares,
    run_patch,
    soil_parameters,
)
from truth_weather import STEPS_PER_DAY, Weather, make_weather

# (texture, water content at suctions of 100, 330 and 15000 cm, and where K is 0.01 cm/d);
# provenance: by hand, van Genuchten (1980) and Mualem (1976) with the printed mean parameters
# of Carsel & Parrish (1988), worked by another program, four digits.
CHECK_VALUES = [
    ("sand", 0.0493, 0.0456, 0.0450, 0.0690),
    ("loamy sand", 0.0710, 0.0601, 0.0570, 0.0926),
    ("silt", 0.3534, 0.2582, 0.0901, 0.2940),
    ("silty clay loam", 0.3885, 0.3383, 0.1967, 0.3711),
    ("sandy clay", 0.3123, 0.2672, 0.1704, 0.3224),
    ("silty clay", 0.3509, 0.3370, 0.2665, 0.3561),
    ("clay", 0.3654, 0.3469, 0.2707, 0.3594),
]


def steady_weather(days, rain_mm_d=0.0, demand_mm_d=0.0):
    """Return weather that never changes; all of the demand falls on plants."""
    steps = days * STEPS_PER_DAY
    zero = np.zeros(steps)
    rain = np.full(steps, rain_mm_d / STEPS_PER_DAY)
    cover = np.ones(steps)
    return Weather(rain, zero, np.full(steps, demand_mm_d), cover, np.zeros(days + 1), 0.0)


def mualem(filled, parameters):
    """Return Mualem's conductivity of an effective saturation, written anew."""
    *_, n, k_saturated = parameters
    m = 1 - 1 / n
    return k_saturated * filled**0.5 * (1 - (1 - filled ** (1 / m)) ** m) ** 2


@pytest.mark.parametrize(("texture", "at_100", "at_330", "at_15000", "at_slow"), CHECK_VALUES)
def test_hydraulics_give_the_tabulated_water_contents(
    texture, at_100, at_330, at_15000, at_slow
):
    soil = np.array(TEXTURES[texture])
    found = [hydraulics(-suction, soil)[0] for suction in (100.0, 330.0, 15_000.0)]
    np.testing.assert_allclose(found, [at_100, at_330, at_15000], rtol=0, atol=6e-5)
    head = brentq(lambda h: np.log(hydraulics(h, soil)[2] / 0.01), -1e5, -1e-3)
    assert hydraulics(head, soil)[0] == pytest.approx(at_slow, abs=6e-5)


@pytest.mark.parametrize("soil", PROFILES)
def test_no_water_is_lost(soil):
    weather = make_weather(100, 60, frost=True)
    patch = run_patch(soil_parameters(soil, 1.1), weather)
    stored = patch.storage_mm(EDGES_CM[-1])
    gone = patch.evaporation + patch.uptake.sum(axis=1) + patch.drainage
    error = np.diff(stored) - (patch.infiltration - gone)
    assert np.abs(np.cumsum(error)).max() < 1e-6  # mm
    entered = np.cumsum(patch.infiltration + patch.run_off) + patch.pond[1:]
    np.testing.assert_allclose(entered, np.cumsum(weather.rain), rtol=0, atol=1e-6)
    assert stored[1:].max() - stored.min() > 20  # there was weather to speak of


def test_over_a_water_table_layers_come_to_rest_hydrostatically():
    # by hand: no flux means that head falls by one cm a cm of height, whatever the texture.
    head = np.full(THICK_CM.size, -60.0)
    column = Column(THICK_CM, soil_parameters("loam", 1.0), 0.0, head)
    days = 900
    column.run(np.zeros((days, 3)), np.zeros((days, THICK_CM.size)), 1.0)
    np.testing.assert_allclose(column.head, MIDDLE_CM - EDGES_CM[-1], rtol=0, atol=0.5)


def test_steady_rain_passes_every_depth_of_layered_soil_at_unit_gradient():
    # by hand: in free drainage the lowest layer has K = q; Mualem (1976), by bisection.
    rain = 4.0  # mm/d
    patch = run_patch(soil_parameters("loam", 1.0), steady_weather(80, rain_mm_d=rain))
    for depth_cm in (10.0, 30.0, 60.0, 100.0, 160.0):
        past = patch.drainage_past_mm(depth_cm)[-STEPS_PER_DAY:].sum()
        assert past == pytest.approx(rain, abs=0.02)
    loam = TEXTURES["loam"]
    filled = brentq(lambda s: mualem(s, loam) - rain / 10, 1e-6, 1 - 1e-9)
    expected = loam[0] + (loam[1] - loam[0]) * filled
    assert patch.content[-1, -1] == pytest.approx(expected, abs=2e-4)


def test_drying_agrees_with_an_independent_solver():
    # reference code: scipy solve_ivp (BDF), water content and what roots took as its unknowns,
    # hydraulics and root response written anew. Four days without rain on layered soil.
    days, demand = 4, 6.0  # mm/d
    parameters = soil_parameters("silt", 1.0)
    patch = run_patch(parameters, steady_weather(days, demand_mm_d=demand))
    residual, saturated, alpha, n, k_saturated = parameters.T
    m = 1 - 1 / n
    apart = np.diff(MIDDLE_CM)
    shares, cells = root_shares(), THICK_CM.size

    def parts(content):
        filled = (content - residual) / (saturated - residual)
        head = -((filled ** (-1 / m) - 1) ** (1 / n)) / alpha
        k = k_saturated * filled**0.5 * (1 - (1 - filled ** (1 / m)) ** m) ** 2
        inner = 0.5 * (k[:-1] + k[1:]) * ((head[:-1] - head[1:]) / apart + 1)
        sink = demand / 10 * shares * np.interp(-head, FEDDES, [0.0, 1.0, 1.0, 0.0])
        return np.concatenate([[0.0], inner, [k[-1]]]), sink

    def slope(_, state):
        flux, sink = parts(state[:cells])
        edge = np.searchsorted(EDGES_CM, 60.0)
        return np.concatenate(
            [(flux[:-1] - flux[1:] - sink) / THICK_CM, [sink[:20].sum(), flux[edge]]]
        )

    start = np.concatenate([patch.content[0], [0.0, 0.0]])
    end = solve_ivp(slope, (0, days), start, method="BDF", rtol=1e-6, atol=1e-8).y[:, -1]
    np.testing.assert_allclose(patch.content[-1], end[:cells], rtol=0, atol=5e-4)
    assert np.ptp(patch.content[-1] - patch.content[0]) > 0.01
    assert patch.uptake_above_mm(20.0).sum() == pytest.approx(10 * end[cells], rel=2e-3)
    assert patch.drainage_past_mm(60.0).sum() == pytest.approx(10 * end[cells + 1], rel=0.01)


def green_ampt(conductivity, suction_deficit, hours):
    """Return cumulative infiltration [cm] under ponding, by bisection."""

    def balance(depth):
        wetted = suction_deficit * np.log1p(depth / suction_deficit)
        return depth - wetted - conductivity * hours

    return brentq(balance, 1e-9, 1e3)


def test_the_green_ampt_depth_is_that_of_a_printed_example():
    # Chow, Maidment & Mays (1988), Applied Hydrology, Example 4.3.1: 3.17 cm; from memory.
    assert green_ampt(0.65, 0.340 * 16.7, 1.0) == pytest.approx(3.17, abs=0.005)


@pytest.mark.parametrize("texture", ["sandy loam", "silt loam"])
def test_ponded_infiltration_is_of_the_size_that_green_and_ampt_give(texture):
    # by hand: Rawls, Brakensiek & Miller (1983), eq. 1, with the wetting-front suction as the
    # integral of relative conductivity over suction (Neuman 1976, from memory). A sharp front
    # is an idealisation: only the size is checked.
    parameters = np.array(TEXTURES[texture])
    first, hours, thick = -500.0, 2.0, 0.5
    cells = 240
    soils = np.tile(parameters, (cells, 1))
    column = Column(np.full(cells, thick), soils, head=np.full(cells, first))
    deficit = parameters[1] - column.content[0]
    forcing = np.tile([5.0, 0.0, 0.0], (120, 1))
    course = column.run(forcing, np.zeros((120, cells)), hours / 24 / 120)
    found = course.balance[:, INFILTRATION].sum()
    relative = quad(lambda h: hydraulics(h, parameters)[2], first, 0.0, limit=200)[0]
    suction = relative / parameters[4]
    expected = green_ampt(parameters[4] / 24, suction * deficit, hours)
    assert found == pytest.approx(expected, rel=0.2)
