"""The demo's water: it adds up, stays inside the soil's limits, and runs downhill."""

import numpy as np
import pytest
from demo_column import SUPPLY
from demo_draws import Draws
from demo_field import (
    PLACES,
    TEXTURES,
    THICK_CM,
    balance_error_mm,
    layer_of_cells,
    middles_cm,
    root_shares,
    stored_mm,
)
from demo_probes import (
    HIGHEST_V,
    VOLTAGE_LAWS,
    law_value,
    sense,
    tipped_rain,
    voltage,
    window,
)
from demo_weather import DAYS, STEPS_PER_DAY, soil_temperature

TUBES = [place.tube for place in PLACES]


@pytest.mark.parametrize("tube", TUBES)
def test_the_balance_closes(grounds, tube):
    assert abs(balance_error_mm(grounds[tube])) < 1e-6


@pytest.mark.parametrize("tube", TUBES)
def test_water_stays_inside_the_soil(grounds, tube):
    ground = grounds[tube]
    textures = [TEXTURES[layer.texture] for layer in layer_of_cells(ground.place.soil)]
    residual, saturated = np.array(textures)[:, :2].T
    assert (ground.course.content >= residual).all()
    assert (ground.course.content <= saturated + 1e-6).all()


def test_rain_and_what_ran_down_the_slope_is_what_each_column_got(grounds, weather):
    for ground in grounds.values():
        supplied = 10 * ground.course.balance[:, SUPPLY]
        np.testing.assert_allclose(supplied, weather.rain + ground.run_on, atol=1e-12)
    assert grounds["T1"].run_on.sum() == 0
    assert grounds["T8"].run_on.sum() > 0


def test_the_foot_is_wetter_than_the_slope_and_the_slope_than_the_crest(grounds):
    means = {}
    for ground in grounds.values():
        stored = stored_mm(ground.course.content, 100.0).mean()
        means.setdefault(ground.place.soil, []).append(stored)
    assert max(means["crest"]) < min(means["slope"])
    assert max(means["slope"]) < min(means["foot"])


def test_the_soil_both_fills_and_dries(grounds):
    for ground in grounds.values():
        content = ground.course.content[:, middles_cm() < 28]
        assert content.max() - content.min() > 0.15


def test_storage_of_even_soil_is_depth_times_content():
    # by hand: 1 m of soil with 0.25 holds 250 mm; 12.3 cm of it hold 30.75 mm.
    even = np.full(THICK_CM.size, 0.25)
    assert stored_mm(even, 100.0) == pytest.approx(250.0)
    assert stored_mm(even, 12.3) == pytest.approx(30.75)


def test_windows_and_root_shares_are_weights():
    for depth in (10.0, 45.0, 100.0):
        weight = window(depth)
        assert weight.sum() == pytest.approx(1.0)
        assert (weight * middles_cm()).sum() == pytest.approx(depth, abs=0.3)
        assert (weight[np.abs(middles_cm() - depth) > 9.0] == 0).all()
    np.testing.assert_allclose(root_shares(np.array([9.0, 23.0])).sum(axis=1), 1.0)


def test_a_sensor_set_in_deeper_feels_deeper_soil(grounds):
    ground = grounds["T2"]
    cell = int(np.argmin(np.abs(middles_cm() - 25.0)))
    felt = sense(ground, 20.0).content
    around = ground.course.content[:, cell - 10 : cell + 10]
    assert (felt >= around.min(axis=1)).all()
    assert (felt <= around.max(axis=1)).all()
    assert abs(felt - ground.course.content[:, cell]).mean() < 0.02


@pytest.mark.parametrize("law", sorted(VOLTAGE_LAWS))
def test_probe_laws_rise_and_can_be_turned_round(law):
    volts = np.linspace(0.0, HIGHEST_V, 500)
    root = law_value(volts, law)
    assert (np.diff(root) > 0).all()
    np.testing.assert_allclose(voltage(root[1:-1], law), volts[1:-1], atol=1e-12)


def test_the_gauge_counts_the_rain_to_within_a_tip(weather):
    counted = tipped_rain(weather)
    assert abs(counted.sum() - weather.rain.sum()) < 0.2
    np.testing.assert_allclose(counted / 0.2, np.round(counted / 0.2), atol=1e-9)


def test_the_demand_of_the_air_is_nothing_at_night_and_most_at_noon(weather):
    by_hour = weather.demand.reshape(DAYS, STEPS_PER_DAY).mean(axis=0)
    assert by_hour[:16].max() == 0
    assert by_hour[44:53].argmax() == 4
    assert 200 < weather.demand.mean() * DAYS < 500


def test_soil_temperature_is_damped_and_late_with_depth(weather):
    hourly = {z: soil_temperature(weather, z).reshape(DAYS, STEPS_PER_DAY) for z in (0.1, 0.2)}
    swing = {z: (t - t.mean(axis=1, keepdims=True)).mean(axis=0) for z, t in hourly.items()}
    # by hand: a wave loses the factor exp(-dz / damping depth) over dz; 0.1 m of 0.1 m.
    assert np.ptp(swing[0.2]) / np.ptp(swing[0.1]) == pytest.approx(np.exp(-1), abs=0.03)
    # and comes later by dz / damping depth of a turn's radian: 24 h / 2 pi = 3.82 h.
    late = (swing[0.2].argmax() - swing[0.1].argmax()) / 4
    assert late == pytest.approx(24 / (2 * np.pi), abs=0.5)


def test_draws_are_their_own_for_each_purpose_and_nearly_normal():
    first, again, other = (Draws(name).normal(20_000) for name in ("a", "a", "b"))
    assert (first == again).all()
    assert (first != other).any()
    assert first.mean() == pytest.approx(0, abs=0.03)
    assert first.std() == pytest.approx(1, abs=0.03)
