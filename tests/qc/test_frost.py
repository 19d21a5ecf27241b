"""Frost told from the readings where no soil temperature is logged."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from bare_site import HOUR_S, make_block, make_site, make_tube, make_wire

from pipeline.qc.effective import effective_parameters
from pipeline.qc.flags import unpack
from pipeline.qc.frost import AHEAD_S, BACK_S, cold_season, frost_in_air, low_level
from pipeline.qc.step import qc_look, qc_step
from pipeline.site.models import QcLimits

NAN = float("nan")
DAY = 24
STEPS = 40 * DAY
AT = 20 * DAY
LEVEL = 0.25


def moist(seed=0, steps=STEPS):
    rng = np.random.default_rng(seed)
    return LEVEL - 1e-5 * np.arange(steps) + 0.0008 * rng.standard_normal(steps)


def freeze(x, first, days=5, part=0.5, hours=6):
    """Let apparent water fall by a part within some hours, and come back after some days."""
    course = np.clip((np.arange(len(x)) - first) / hours, 0, 1)
    course = np.minimum(
        course, np.clip((first + days * DAY - np.arange(len(x))) / hours, 0, 1)
    )
    return x * (1 - part * course)


def frozen(x, interval_s=HOUR_S, air=None, start=None, **site):
    """Return at which steps the test for frost fired, at one sensor."""
    start = start or datetime(2024, 1, 1, tzinfo=UTC)
    site = make_site(interval_s=interval_s, start=start, **site)
    block = make_block(site, calibrated_water_content=x, outside_calibration=np.isnan(x))
    if air is not None:
        block = block.assign_coords(station=["logger"])
        block["air_temperature"] = (("time", "station"), np.float32(air)[:, None])
    result = qc_step(block, site)
    flag = unpack(result["tests"])["frozen"].values.ravel()
    assert set(result["quality"].values.ravel()[flag]) <= {3}
    return flag


@pytest.mark.parametrize("interval_s", [600, HOUR_S])
@pytest.mark.parametrize("still", [0, 3 * DAY])
def test_a_jump_from_level_to_level_is_no_frost(interval_s, still):
    """A step of the instrument, or the end of a stuck value, is back when it likes."""
    per_hour = HOUR_S // interval_s
    x = np.repeat(moist(), per_hour)
    x[AT * per_hour : (AT + 9 * DAY) * per_hour] -= 0.05
    x[(AT - still) * per_hour : AT * per_hour] = LEVEL
    assert not frozen(x, interval_s).any()


def test_frost_that_comes_within_an_hour_is_frost():
    x = freeze(moist(), AT, 3, hours=1)
    x[AT : AT + 3 * DAY] -= 0.003 * np.arange(3 * DAY).clip(max=6)  # and goes on
    assert frozen(x)[AT + 1 : AT + 3 * DAY - 2].all()


@pytest.mark.parametrize("interval_s", [600, HOUR_S])
def test_a_frozen_spell_is_suspect_from_fall_to_thaw_and_nothing_else(interval_s):
    per_hour = HOUR_S // interval_s
    x = freeze(np.repeat(moist(), per_hour), AT * per_hour, 5 * per_hour, hours=6 * per_hour)
    flag = frozen(x, interval_s)
    assert flag[(AT + 3) * per_hour : (AT + 5 * DAY - 6) * per_hour].all()
    assert not flag[: AT * per_hour].any()
    assert not flag[(AT + 5 * DAY + 1) * per_hour :].any()


def test_frost_night_after_night():
    x = moist()
    for night in range(6):
        x = freeze(x, AT + night * DAY, 0.5, hours=2)
    flag = frozen(x)
    for night in range(6):
        assert flag[AT + night * DAY + 3 : AT + night * DAY + 9].all()
        assert not flag[AT + night * DAY + 13 : AT + night * DAY + 23].any()


def test_soil_that_froze_wet_and_thawed_drier():
    x = freeze(moist(), AT, 10)
    x[AT + 6 :] -= 0.02
    flag = frozen(x)
    assert flag[AT + 6 : AT + 9 * DAY].all()
    assert not flag[AT + 11 * DAY :].any()


class TestNotFrost:
    """Falls that are something else, or cannot be frost."""

    def test_drainage_from_a_peak(self):
        x = moist()
        after = np.arange(STEPS - AT)
        x[AT:] += 0.12 * np.exp(-after / 8)
        assert not frozen(x).any()

    def test_roots_that_dry_the_soil_in_days(self):
        x = moist()
        x[AT:] -= np.minimum(0.01 * np.arange(STEPS - AT) / DAY, 0.15)
        assert not frozen(x).any()

    def test_a_spike_and_a_short_dropout(self):
        x = moist()
        x[AT] = 0.05
        x[AT + 50 : AT + 52] = 0.05
        assert not frozen(x).any()

    def test_the_warm_half_of_the_year_and_warm_places(self):
        x = freeze(moist(), AT)
        assert frozen(x).any()
        assert not frozen(x, start=datetime(2024, 6, 1, tzinfo=UTC)).any()
        assert not frozen(x, tubes=(make_tube(latitude=-40.0),)).any()
        assert not frozen(x, tubes=(make_tube(latitude=12.0),)).any()
        south = (make_tube(latitude=-40.0),)
        assert frozen(x, tubes=south, start=datetime(2024, 6, 1, tzinfo=UTC)).any()

    def test_air_temperature_outweighs_the_season(self):
        x, mild = freeze(moist(), AT), np.full(STEPS, 4.0)
        assert not frozen(x, air=mild).any()
        cold = mild.copy()
        cold[AT - 2 * DAY] = -1.0
        assert frozen(x, air=cold).any()
        assert frozen(x, air=cold, start=datetime(2024, 6, 1, tzinfo=UTC)).any()
        assert frozen(x, air=np.full(STEPS, NAN)).any()

    def test_where_soil_temperature_is_logged_it_alone_counts(self):
        wires = (make_wire(), make_wire(quantity="soil_temperature", unit="degC"))
        assert not frozen(freeze(moist(), AT), wiring=wires).any()

    def test_off_and_tuned(self):
        x = freeze(moist(), AT, part=0.2)
        assert frozen(x).any()
        assert not frozen(x, qc=QcLimits(frozen_fall=None)).any()
        assert not frozen(x, qc=QcLimits(frozen_fall=0.3)).any()


def test_the_tenth_that_lies_low():
    values = np.random.default_rng(4).permutation(np.arange(100.0))
    values[7] = NAN
    # reference code, numpy: the element a tenth up the sorted ones.
    expected = np.sort(values[np.isfinite(values)])[9]
    assert low_level(values, 0, 100, np.empty(18)) == expected
    assert np.isnan(low_level(values, 0, 40, np.empty(18)))


def test_cold_months_north_and_south():
    times = np.arange("2024-01", "2025-01", dtype="datetime64[M]").astype("datetime64[ns]")
    north = cold_season(times, 48.0)
    assert np.flatnonzero(north).tolist() == [0, 1, 2, 3, 10, 11]
    assert (cold_season(times, -35.0) == ~north).all()
    assert not cold_season(times, 29.9).any()


def test_a_week_after_frost_in_the_air():
    air = np.full((20 * DAY, 2), NAN)
    air[:, 0] = 3.0
    air[5 * DAY, 1] = 0.0
    air[15 * DAY :] = NAN
    found = frost_in_air(air, HOUR_S)
    assert (found[: 5 * DAY] == 0).all()
    assert (found[5 * DAY : 12 * DAY] == 1).all()
    assert (found[12 * DAY : 15 * DAY] == 0).all()
    assert found[-1] == 0
    assert frost_in_air(air[15 * DAY :], HOUR_S).tolist() == [2] * (5 * DAY)


def test_any_window_with_its_look_gives_the_same_bits():
    steps = 130 * DAY
    x = moist(3, steps)
    rng = np.random.default_rng(5)
    for first in rng.integers(0, steps - 20 * DAY, 12):
        x = freeze(x, first, rng.uniform(0.3, 15), rng.uniform(0.05, 0.6), rng.integers(1, 10))
    site = make_site()
    block = make_block(site, calibrated_water_content=x, outside_calibration=np.zeros(steps))
    whole = qc_step(block, site)["tests"].values
    back, ahead = (seconds // HOUR_S for seconds in qc_look(site))
    assert (back, ahead) >= (BACK_S // HOUR_S, AHEAD_S // HOUR_S)
    for first in rng.integers(30 * DAY, steps - DAY, 12).tolist():
        stop, start = first + DAY, max(0, first - back)
        part = qc_step(block.isel(time=slice(start, stop + ahead)), site)["tests"].values
        np.testing.assert_array_equal(part[first - start : stop - start], whole[first:stop])


def test_where_the_tube_stands_decides_only_without_a_thermometer():
    def text(latitude, *more):
        site = make_site(tubes=(make_tube(latitude=latitude),), wiring=(make_wire(), *more))
        return effective_parameters(site, "T1")

    warm = make_wire(quantity="soil_temperature", unit="degC")
    assert text(50.0) != text(-50.0)
    assert text(50.0, warm) == text(-50.0, warm)
