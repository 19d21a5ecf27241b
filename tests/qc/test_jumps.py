"""Steps, and sensors that move against those around them."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from bare_site import HOUR_S, make_block, make_site, make_wire

from pipeline.qc.arrivals import DRY, UNKNOWN, WET
from pipeline.qc.flags import unpack
from pipeline.qc.rain import dry_days
from pipeline.qc.step import qc_step
from pipeline.site.models import QcLimits

NAN = float("nan")
NOISE = 0.0008
STEPS = 960
AT = 500
DRIZZLE = np.full(STEPS, 0.05)  # wet, and never enough for a jump
DEPTHS = (0.1, 0.2, 0.3)


def profile(seed=0, steps=STEPS):
    rng = np.random.default_rng(seed)
    return 0.3 - 1e-5 * np.arange(steps)[:, None] + NOISE * rng.standard_normal((steps, 3))


def judged(values, rain=None, limits=None, interval_s=HOUR_S):
    """Return the site's verdicts on one tube with three sensors; rain is (time,)."""
    wires = [make_wire(depth_m=depth) for depth in DEPTHS]
    site = make_site(wiring=tuple(wires), qc=limits or QcLimits(), interval_s=interval_s)
    block = make_block(
        site, calibrated_water_content=values, outside_calibration=np.zeros(values.shape)
    )
    if rain is not None:
        block = block.assign_coords(station=["logger"])
        block["rain"] = (("time", "station"), np.float32(rain)[:, None])
    return qc_step(block, site)


def fired(result, name):
    return unpack(result["tests"])[name].values[:, 0, :]


@pytest.mark.parametrize("depth", [0, 1, 2])
def test_a_step_down_is_suspect_where_it_happens(depth):
    x = profile()
    x[AT:, depth] -= 0.03
    result = judged(x)
    assert np.argwhere(fired(result, "step")).tolist() == [[AT, depth]]
    assert result["quality"].values[AT, 0, depth] == 3


def test_a_step_up_in_one_reading_is_suspect_unless_rain_just_before_explains_it():
    x = profile()
    x[AT:, 0] += 0.03
    for rain in (None, np.zeros(STEPS), DRIZZLE):
        for interval_s in (600, 1800, HOUR_S):
            assert fired(judged(x, rain, interval_s=interval_s), "step")[AT, 0]


def test_a_rise_that_goes_on_for_a_second_reading_is_a_step_after_a_dry_day_only():
    x = profile()
    x[AT, 0] += 0.05
    x[AT + 1 :, 0] += 0.06
    dry, wet = np.zeros(STEPS), np.zeros(STEPS)
    wet[AT - 20] = 6.0
    assert fired(judged(x, dry), "step")[AT, 0]
    assert not fired(judged(x, wet), "step").any()
    assert not fired(judged(x), "step").any()


def test_fronts_spikes_and_drainage_are_no_steps():
    x = profile()
    after = np.arange(STEPS - AT)
    x[AT:, 0] += 0.06 * np.exp(-after / 10)  # rises at once and drains
    x[AT:, 1] += 0.06 * (1 - np.exp(-after / 6))  # rises in some hours
    x[AT, 2] += 0.06
    assert not fired(judged(x, np.zeros(STEPS)), "step").any()


@pytest.mark.parametrize("size", [-0.03, 0.03])
def test_a_step_in_soil_that_drains_steadily(size):
    x = profile()
    x[:, 0] += 0.003 * np.clip(AT + 40 - np.arange(STEPS), 0, 80)
    x[AT:, 0] += size
    assert np.flatnonzero(fired(judged(x), "step")[:, 0]).tolist() == [AT]


def test_water_that_reaches_draining_soil_is_no_step():
    x = profile()
    x[:AT, 0] += 0.002 * np.minimum(40, np.arange(AT)[::-1])
    # It comes within two readings and then drains faster than the soil did before.
    x[AT : AT + 20, 0] += 0.04 * np.exp(-np.arange(20) / 4)
    x[AT, 0] -= 0.01
    assert not fired(judged(x), "step")[:, 0].any()


def test_a_step_down_is_found_though_one_side_soon_leaves_its_level():
    x = profile()
    hours = np.arange(STEPS - AT)
    x[AT:, 0] -= 0.03
    x[AT:, 0] += 0.1 * (1 - np.exp(-np.clip(hours - 4, 0, None) / 6))  # rain four hours later
    x[AT:, 1] -= 0.03
    x[AT + 5 :, 1] -= 0.15  # frost
    x[AT - 8 : AT, 2] += 0.004 * np.arange(8)  # a front arrives, and the sensor breaks
    x[AT:, 2] += 0.028 - 0.05
    flag = fired(judged(x, DRIZZLE), "step")
    assert np.argwhere(flag[: AT + 3]).tolist() == [[AT, 0], [AT, 1], [AT, 2]]


def test_a_front_that_falls_from_its_top_by_less_than_it_rose_is_no_step():
    x = profile()
    x[AT - 3 : AT, 0] += (0.04, 0.08, 0.11)
    x[AT:, 0] += 0.09
    assert not fired(judged(x), "step").any()


def test_soil_that_freezes_within_hours_does_not_step_down_nor_up_as_it_thaws():
    x = profile()
    x[AT : AT + 4, 0] -= (0.03, 0.06, 0.07, 0.07)
    x[AT : AT + 2, 1] -= (0.05, 0.03)
    flag = fired(judged(x, np.zeros(STEPS)), "step")
    assert not flag[:, :2].any()


class TestFrost:
    """Soil that begins to freeze falls at once, and rises so when it has thawed."""

    HOURS = 60  # a frost from AT on

    def fired(self, at, size, freezes=True):
        """Return the steps of a sensor whose level changes by ``size`` from ``at`` on."""
        wires = (make_wire(), make_wire(quantity="soil_temperature", unit="degC"))
        site = make_site(wiring=wires, interval_s=HOUR_S)
        x = profile()[:, 0]
        x[at:] += size
        warmth = np.full(STEPS, 2.0, np.float32)
        if freezes:
            warmth[AT : AT + self.HOURS] = -0.1
        block = make_block(
            site,
            calibrated_water_content=x,
            outside_calibration=np.zeros(STEPS),
            soil_temperature=warmth,
        )
        return np.flatnonzero(unpack(qc_step(block, site)["tests"])["step"].values).tolist()

    @pytest.mark.parametrize(("at", "size"), [(AT, -0.02), (AT + 11, -0.02), (AT + 60, 0.02)])
    def test_a_fall_at_its_beginning_and_a_rise_at_its_end_are_no_steps(self, at, size):
        assert self.fired(at, size) == []
        assert self.fired(at, size, freezes=False) == [at]

    @pytest.mark.parametrize(
        ("at", "size"), [(AT - 1, -0.02), (AT, 0.02), (AT + 30, -0.02), (AT + 60, -0.02)]
    )
    def test_other_jumps_are_steps_in_frost_too(self, at, size):
        assert self.fired(at, size) == [at]


STORM = (0.075, 0.078, 0.072, 0.066, 0.062, 0.058, 0.056, 0.055, 0.054, 0.053, 0.053, 0.052)


@pytest.mark.parametrize("known", [True, False])
def test_a_storm_that_fills_dry_soil_within_the_hour_is_no_step(known):
    x = profile()
    x[AT : AT + 12, 0] += STORM
    x[AT + 12 :, 0] += STORM[-1]
    rain = np.zeros(STEPS)
    rain[AT - 1 : AT + 1] = 8.0
    assert not fired(judged(x, rain if known else None), "step").any()
    # The same height all at once, and there to stay, is one with less rain than it takes.
    x = profile()
    x[AT:, 0] += STORM[0]
    flag = fired(judged(x, 0.4 * rain if known else None), "step")
    assert np.argwhere(flag).tolist() == [[AT, 0]]


class TestWaterOnItsWay:
    """A jump up where the soil wets slowly before it, so that its one side is not level."""

    RAMP = 0.0012 * np.clip(np.arange(STEPS) - AT + 12, 0, 12)

    def record(self, above=0.0, below=0.0):
        x = profile()
        x[:, 1] += self.RAMP
        x[AT:, 1] += 0.03
        for depth, rise in ((0, above), (2, below)):
            x[:, depth] += rise * np.clip((np.arange(STEPS) - AT + 5) / 5, 0, 1)
        return x

    def test_a_jump_that_no_sensor_beside_shares_is_a_step(self):
        x = self.record()
        for rain in (None, np.zeros(STEPS), DRIZZLE):
            assert np.argwhere(fired(judged(x, rain), "step")).tolist() == [[AT, 1]]

    @pytest.mark.parametrize("rises", [{"above": 0.05}, {"below": 0.05}])
    def test_water_seen_above_or_below_makes_it_none_unless_it_is_dry(self, rises):
        x = self.record(**rises)
        assert not fired(judged(x), "step")[:, 1].any()
        assert not fired(judged(x, DRIZZLE), "step")[:, 1].any()
        assert fired(judged(x, np.zeros(STEPS)), "step")[AT, 1]

    def test_a_missing_sensor_above_may_hide_water_and_one_below_does_not(self):
        x = self.record()
        x[AT - 20 : AT + 20, 2] = NAN
        assert fired(judged(x), "step")[AT, 1]
        x = self.record()
        x[AT - 20 : AT + 20, 0] = NAN
        assert not fired(judged(x), "step").any()

    def test_the_top_sensor_has_none_above(self):
        x = self.record()[:, [1, 0, 2]]
        assert not fired(judged(x), "step").any()
        assert fired(judged(x, np.zeros(STEPS)), "step")[AT, 0]


def test_a_storm_on_dry_sand_is_not_too_fast_for_soil():
    """The largest of 80 made fields (docs/truth.md) is 0.16 within an hour."""
    x = profile()
    x[AT:, 0] += 0.16 * np.exp(-np.arange(STEPS - AT) / 40)
    assert not fired(judged(x), "rate_of_change").any()
    x[AT:, 0] += 0.06
    assert fired(judged(x), "rate_of_change")[AT, 0]


def test_a_step_smaller_than_the_noise_allows_is_none():
    x = profile()
    x[AT:, 0] -= 0.03
    assert not fired(judged(x, limits=QcLimits(step_noise=60.0)), "step").any()
    assert not fired(judged(x, limits=QcLimits(step_suspect=0.04)), "step").any()
    assert not fired(judged(x, limits=QcLimits(step_suspect=None)), "step").any()


def test_falling_while_both_neighbours_rise_is_suspect():
    x = profile()
    ramp = np.clip((np.arange(STEPS) - AT) / 6, 0, 1) * 0.04
    x += np.stack([ramp, -ramp, ramp], axis=1)
    flag = fired(judged(x), "neighbour_depth")
    assert flag[AT + 6, 1]
    assert not flag[:, [0, 2]].any()
    off = QcLimits(neighbour_suspect=None)
    assert not fired(judged(x, limits=off), "neighbour_depth").any()


def test_a_front_on_its_way_down_is_not_against_its_neighbours():
    x = profile()
    ramp = np.clip((np.arange(STEPS) - AT) / 6, 0, 1) * 0.04
    x += np.stack([-ramp, ramp, -ramp], axis=1)
    assert not fired(judged(x), "neighbour_depth").any()


class TestRain:
    """What is known of the day before."""

    def states(self, rain, names=("logger",), every_s=None):
        logger = make_site().sources[0].model_copy(update={"interval_s": every_s})
        site = make_site(sources=(logger,))
        rain = np.float32(rain).reshape(len(rain), -1)
        time = site.axis.times(0, len(rain))
        block = xr.Dataset(
            {"rain": (("time", "station"), rain)}, {"time": time, "station": list(names)}
        )
        return dry_days(block, site)

    def test_dry_and_wet(self):
        rain = np.zeros(72)
        rain[30] = 0.2
        found = self.states(rain)
        assert set(found[:20]) == {UNKNOWN}
        assert (found[24:30] == DRY).all()
        assert (found[30:54] == WET).all()
        assert (found[54:] == DRY).all()

    def test_missing_readings_tell_nothing(self):
        rain = np.zeros(72)
        rain[30:40] = NAN
        assert (self.states(rain)[39:] != DRY)[:10].all()

    def test_the_storm_may_be_in_the_one_reading_that_is_missing(self):
        rain = np.zeros(72)
        rain[30] = NAN
        found = self.states(rain)
        assert found[29] == DRY
        assert (found[30:54] == UNKNOWN).all()
        assert (found[54:] == DRY).all()
        other = np.stack([rain, np.zeros(72)], axis=1)  # another gauge saw nothing
        assert (self.states(other, ("a", "b"))[30:54] == DRY).all()

    def test_a_total_is_of_the_hours_before_its_stamp(self):
        """By hand: totals of six hours; that at 30 fell from 25 on, that of 60 is missing."""
        rain = np.full(72, NAN)
        rain[::6] = 0.0
        rain[30], rain[60] = 5.0, NAN
        found = self.states(rain, every_s=6 * HOUR_S)
        assert (found[18:25] == DRY).all()
        assert (found[25:54] == WET).all()
        assert found[54] == DRY
        assert (found[55:] == UNKNOWN).all()

    def test_any_station_will_do_and_any_rain_counts(self):
        rain = np.full((72, 2), NAN)
        rain[:, 0] = 0.0
        assert self.states(rain, ("a", "b"))[-1] == DRY
        rain[60, 1] = 1.0
        assert self.states(rain, ("a", "b"))[-1] == WET

    def test_a_block_without_rain(self):
        site = make_site()
        block = xr.Dataset(coords={"time": site.axis.times(0, 5)})
        assert dry_days(block, site).tolist() == [UNKNOWN] * 5
