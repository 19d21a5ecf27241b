"""The soil column against retention tables, steady states and an independent solver."""

import warnings

import numpy as np
import pytest
from demo_column import (
    DRAINAGE,
    EVAPORATION,
    INFILTRATION,
    RUN_OFF,
    UPTAKE,
    Column,
    hydraulics,
)
from demo_field import TEXTURES
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

LOAM = np.array(TEXTURES["loam"])

# (texture, water content at suctions of 100, 330 and 15000 cm, and where K is 0.01 cm/d);
# provenance: by hand, van Genuchten (1980) and Mualem (1976) with the printed mean parameters
# of Carsel & Parrish (1988), worked by another program, four digits.
CHECK_VALUES = [
    ("sandy loam", 0.1218, 0.0848, 0.0657, 0.1320),
    ("loam", 0.2421, 0.1654, 0.0884, 0.2130),
    ("silt loam", 0.3297, 0.2402, 0.1039, 0.2723),
    ("sandy clay loam", 0.2209, 0.1695, 0.1112, 0.2206),
    ("clay loam", 0.3322, 0.2697, 0.1496, 0.3034),
]


def make_column(cells=40, thick_cm=2.5, bottom_head=np.nan, head=-100.0):
    thick = np.full(cells, thick_cm)
    soils = np.tile(LOAM, (cells, 1))
    return Column(thick, soils, bottom_head, np.full(cells, head))


def run_days(column, days, rain_cm_per_day=0.0, steps_per_day=24):
    count = days * steps_per_day
    forcing = np.tile([rain_cm_per_day / steps_per_day, 0.0, 0.0], (count, 1))
    return column.run(forcing, np.zeros((count, column.thick.size)), 1 / steps_per_day)


@pytest.mark.parametrize(("texture", "at_100", "at_330", "at_15000", "at_slow"), CHECK_VALUES)
def test_hydraulics_give_the_tabulated_water_contents(
    texture, at_100, at_330, at_15000, at_slow
):
    soil = np.array(TEXTURES[texture])
    found = [hydraulics(-suction, soil)[0] for suction in (100.0, 330.0, 15_000.0)]
    np.testing.assert_allclose(found, [at_100, at_330, at_15000], rtol=0, atol=6e-5)
    head = brentq(lambda h: np.log(hydraulics(h, soil)[2] / 0.01), -1e5, -1e-3)
    assert hydraulics(head, soil)[0] == pytest.approx(at_slow, abs=6e-5)


def test_capacity_is_the_slope_of_the_retention_curve():
    for head in (-3.0, -50.0, -2000.0):
        up, down = hydraulics(head * 0.9999, LOAM)[0], hydraulics(head * 1.0001, LOAM)[0]
        slope = (up - down) / (-head * 0.0002)
        assert hydraulics(head, LOAM)[1] == pytest.approx(slope, rel=1e-5)


def test_over_a_water_table_the_column_comes_to_rest_hydrostatically():
    # by hand: no flux means that head falls by one cm a cm of height above the water table.
    column = make_column(bottom_head=0.0)
    course = run_days(column, 600)
    np.testing.assert_allclose(column.head, column.middle - 100.0, rtol=0, atol=0.1)
    assert abs(course.balance[-24:, DRAINAGE].sum()) < 1e-4


def test_steady_rain_drains_at_unit_gradient():
    # by hand: below a steady flux q the head is uniform where K = q; Mualem (1976) with
    # m = 1 - 1/n, written here anew and inverted by bisection.
    q = 1.0
    column = make_column()
    course = run_days(column, 80, rain_cm_per_day=q)
    residual, saturated, _, n, k_saturated = LOAM
    m = 1 - 1 / n

    def k_of(filled):
        return k_saturated * filled**0.5 * (1 - (1 - filled ** (1 / m)) ** m) ** 2

    filled = brentq(lambda s: k_of(s) - q, 1e-6, 1 - 1e-9)
    expected = residual + (saturated - residual) * filled
    np.testing.assert_allclose(column.content, expected, rtol=0, atol=2e-5)
    assert course.balance[-24:, DRAINAGE].sum() == pytest.approx(q, abs=1e-4)


def test_a_ponded_soil_takes_water_at_its_saturated_conductivity_in_the_end():
    # by hand: once wet throughout, the gradient is one (Philip 1957, the limit of late times).
    column = make_column(cells=80, thick_cm=2.5)
    course = run_days(column, 12, rain_cm_per_day=200.0)
    assert course.balance[-24:, INFILTRATION].sum() == pytest.approx(LOAM[4], rel=0.02)
    early = course.balance[:2, INFILTRATION]
    assert early[0] > 1.5 * early[1] > 1.5 * LOAM[4] / 24
    assert course.balance[:, RUN_OFF].sum() > 0


def test_a_wetting_front_agrees_with_an_independent_solver():
    # reference code: scipy solve_ivp (BDF) on the same cells, water content as its unknown,
    # retention and conductivity written anew. Rain of 5 cm in half a day on dry loam.
    cells, thick = 60, 1.0
    column = make_column(cells, thick, head=-1000.0)
    residual, saturated, alpha, n, k_saturated = LOAM
    m = 1 - 1 / n

    def slope(_, content):
        filled = (content - residual) / (saturated - residual)
        head = -((filled ** (-1 / m) - 1) ** (1 / n)) / alpha
        k = k_saturated * filled**0.5 * (1 - (1 - filled ** (1 / m)) ** m) ** 2
        inner = 0.5 * (k[:-1] + k[1:]) * ((head[:-1] - head[1:]) / thick + 1)
        flux = np.concatenate([[10.0], inner, [k[-1]]])
        return (flux[:-1] - flux[1:]) / thick

    # A trial step of the solver may leave the soil's range; it then takes a shorter one.
    with np.errstate(invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        reference = solve_ivp(
            slope, (0, 0.5), column.content.copy(), method="BDF", rtol=1e-7, atol=1e-9
        )
    assert reference.success
    steps = 720
    forcing = np.tile([5.0 / steps, 0.0, 0.0], (steps, 1))
    column.run(forcing, np.zeros((steps, cells)), 0.5 / steps)
    expected = reference.y[:, -1]
    assert expected[:5].min() > 0.35
    assert expected[-5:].max() < 0.15
    np.testing.assert_allclose(column.content, expected, rtol=0, atol=4e-3)
    assert np.abs(column.content - expected).mean() < 3e-4


def test_no_water_is_lost_under_hard_weather():
    draws = np.random.default_rng(1)
    column = make_column()
    steps = 2000
    forcing = np.zeros((steps, 3))
    forcing[::50, 0] = draws.exponential(1.5, 40)
    forcing[:, 1:] = draws.uniform(0, 0.6, (steps, 2))
    roots = np.full((steps, 40), 1 / 40)
    before = (column.content * column.thick).sum()
    course = column.run(forcing, roots, 1 / 96)
    total = course.balance.sum(axis=0)
    gained = (column.content * column.thick).sum() - before
    lost = total[EVAPORATION] + total[UPTAKE] + total[DRAINAGE]
    assert gained == pytest.approx(total[INFILTRATION] - lost, abs=1e-9)
    entered = total[INFILTRATION] + total[RUN_OFF] + course.pond[-1]
    assert forcing[:, 0].sum() == pytest.approx(entered, abs=1e-9)
    assert (course.content >= LOAM[0]).all()
    assert (course.content <= LOAM[1] + 1e-7).all()
