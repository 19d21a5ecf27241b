"""Steps, and sensors that move against those around them."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from bare_site import HOUR_S, make_block, make_site, make_wire

from pipeline.qc.flags import unpack
from pipeline.qc.jumps import DRY, UNKNOWN, WET
from pipeline.qc.rain import dry_days
from pipeline.qc.step import qc_step
from pipeline.site.models import QcLimits

NAN = float("nan")
NOISE = 0.0008
STEPS = 960
AT = 500
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


def test_a_step_up_in_one_reading_is_suspect_whatever_the_rain():
    x = profile()
    x[AT:, 0] += 0.03
    for rain in (None, np.zeros(STEPS), np.ones(STEPS)):
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

    def states(self, rain, names=("logger",)):
        site = make_site()
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
