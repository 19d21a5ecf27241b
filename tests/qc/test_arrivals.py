"""Rises that water explains: storms that reach sensors between two readings."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from bare_site import HOUR_S, make_block, make_site, make_wire

from pipeline.qc.flags import unpack
from pipeline.qc.rain import recent_rain
from pipeline.qc.step import qc_step

NAN = float("nan")
NOISE = 0.0008
STEPS, AT = 960, 500
DEPTHS = (0.1, 0.2, 0.3)


def profile():
    rng = np.random.default_rng(3)
    return 0.3 - 1e-5 * np.arange(STEPS)[:, None] + NOISE * rng.standard_normal((STEPS, 3))


def fired(values, rain=None, name="step", interval_s=HOUR_S):
    """Return where a test fired on one tube with three sensors; rain is (time,)."""
    wires = tuple(make_wire(depth_m=depth) for depth in DEPTHS)
    site = make_site(wiring=wires, interval_s=interval_s)
    block = make_block(
        site, calibrated_water_content=values, outside_calibration=np.zeros(values.shape)
    )
    if rain is not None:
        block = block.assign_coords(station=["logger"])
        block["rain"] = (("time", "station"), np.float32(rain)[:, None])
    return np.argwhere(unpack(qc_step(block, site)["tests"])[name].values[:, 0, :]).tolist()


def fired_by_hourly_gauge(values, totals):
    """Return where steps fired at readings of ten minutes beside a gauge that logs hourly."""
    wires = tuple(make_wire(depth_m=depth) for depth in DEPTHS)
    logger = make_site().sources[0]
    gauge = logger.model_copy(update={"id": "gauge", "interval_s": HOUR_S})
    site = make_site(wiring=wires, interval_s=600, sources=(logger, gauge))
    block = make_block(
        site, calibrated_water_content=values, outside_calibration=np.zeros(values.shape)
    )
    rain = np.full((STEPS, 1), NAN, np.float32)
    rain[::6, 0] = 0.0
    for at, total in totals.items():
        rain[at] = total
    block = block.assign_coords(station=["gauge"])
    block["rain"] = (("time", "station"), rain)
    return np.argwhere(unpack(qc_step(block, site)["tests"])["step"].values[:, 0, :]).tolist()


def rain_of(amount, hours_before=0):
    rain = np.zeros(STEPS)
    rain[AT - hours_before] = amount
    return rain


class TestSteps:
    """A rise of 0.03 over ten centimetres of soil is 3 mm of water (a unit, no rule)."""

    def test_rain_enough_for_a_rise_makes_it_no_step(self):
        x = profile()
        x[AT:, 0] += 0.03
        jump = x[AT, 0] - x[AT - 1, 0]
        for hours in (0, 2):
            assert fired(x, rain_of(100 * jump + 0.01, hours)) == []
        assert fired(x, rain_of(100 * jump - 0.01)) == [[AT, 0]]
        assert fired(x, rain_of(20.0, hours_before=3)) == [[AT, 0]]

    @pytest.mark.parametrize("depth", [1, 2])
    def test_a_rise_in_the_rain_of_one_sensor_alone_is_a_step(self, depth):
        x = profile()
        x[AT:, depth] += 0.03
        assert fired(x, rain_of(20.0)) == [[AT, depth]]
        for beside in {0, 1, 2} - {depth}:
            wetted = x.copy()
            wetted[AT - 1 :, beside] += 0.02 * np.exp(-np.arange(STEPS - AT + 1) / 10)
            near = abs(beside - depth) == 1
            alone = [] if near else [[AT, depth]]
            assert fired(wetted, rain_of(20.0, hours_before=1)) == alone

    def test_what_is_not_known_of_the_sensors_beside_is_no_evidence(self):
        x = profile()
        x[AT:, 1] += 0.03
        for beside in (0, 2):
            lost = x.copy()
            lost[AT - 3, beside] = NAN
            assert fired(lost, rain_of(20.0)) == []

    @pytest.mark.parametrize("depth", [1, 2])
    def test_a_rise_in_the_rain_that_drains_or_goes_on_is_soil(self, depth):
        after = np.arange(STEPS - AT)
        for course in (0.02 + 0.01 * np.exp(-after / 6), 0.04 - 0.01 * np.exp(-after / 6)):
            x = profile()
            x[AT:, depth] += course
            assert fired(x, rain_of(20.0)) == []
            assert fired(x, np.zeros(STEPS)) == [[AT, depth]]

    def test_readings_of_ten_minutes_tell_too_little_of_the_hours_after(self):
        x = profile()
        x[AT:, 1] += 0.03
        for interval_s, found in ((600, []), (1800, [[AT, 1]])):
            assert fired(x, rain_of(20.0), interval_s=interval_s) == found

    def test_rain_of_a_total_that_a_reading_lies_in_has_come_before_it_is_told(self):
        """By hand: a rise at 500, two steps into the hour from 498 to 504, told at 504."""
        x = profile()
        x[AT:, 0] += 0.03
        assert fired_by_hourly_gauge(x, {504: 8.0}) == []
        assert fired_by_hourly_gauge(x, {504: 1.0}) == [[AT, 0]]  # not enough for 0.03
        assert fired_by_hourly_gauge(x, {510: 8.0}) == [[AT, 0]]  # fell after it
        assert fired_by_hourly_gauge(x, {}) == [[AT, 0]]

    def test_no_rain_makes_a_fall_soil(self):
        x = profile()
        x[AT:, 0] -= 0.03
        assert fired(x, rain_of(50.0)) == [[AT, 0]]

    def test_a_sensor_above_that_rose_tells_of_water_unless_the_day_was_dry(self):
        x = profile()
        x[AT:, 1] += 0.03
        assert fired(x) == [[AT, 1]]
        x[AT - 2 : AT + 10, 0] += 0.02
        x[AT + 10 :, 0] += 0.01
        assert [AT, 1] not in fired(x)
        assert [AT, 1] not in fired(x, rain_of(0.2, hours_before=8))
        assert [AT, 1] in fired(x, np.zeros(STEPS))

    def test_a_sensor_below_that_rose_is_no_evidence(self):
        x = profile()
        x[AT:, 1] += 0.03
        x[AT:, 2] += 0.03
        assert [AT, 1] in fired(x)


class TestSpikes:
    """The first reading of a storm may stand above those after it; the record stays up."""

    PEAK = np.array([0.043, 0.018, 0.017, 0.0165])

    def front(self, stays):
        x = profile()
        x[AT : AT + 4, 1] += self.PEAK
        x[AT + 4 :, 1] += self.PEAK[-1]
        if not stays:
            x[AT + 1 :, 1] -= self.PEAK[-1]
        return x

    def test_the_peak_of_a_front_is_none_where_rain_explains_it(self):
        x = self.front(stays=True)
        assert [AT, 1] in fired(x, name="spike")  # nothing tells of water
        assert [AT, 1] in fired(x, rain_of(2.0), "spike")
        assert fired(x, rain_of(5.0), "spike") == []

    def test_a_spike_in_the_rain_is_one(self):
        x = self.front(stays=False)
        assert fired(x, rain_of(50.0), "spike") == [[AT, 1]]

    def test_a_peak_from_which_the_record_falls_only_to_rise_again_is_one(self):
        x = self.front(stays=True)
        x[AT + 1, 1] -= 0.008  # 0.010, and 0.017 after it
        assert [AT, 1] in fired(x, rain_of(50.0), "spike")

    def test_a_reading_that_falls_back_while_the_record_rises_is_one(self):
        x = profile()
        x[AT - 2 :, 1] += 0.006 * np.minimum(np.arange(STEPS - AT + 2), 8)
        assert fired(x, rain_of(50.0), "spike") == []
        x[AT + 1, 1] -= 0.012  # 0.006, after 0.012 and before 0.024
        assert fired(x, rain_of(50.0, hours_before=-1), "spike") == [[AT + 1, 1]]

    def test_a_reading_below_a_rise_under_way_is_no_first_of_it(self):
        x = profile()
        x[AT - 2 :, 1] += 0.01 * np.minimum(np.arange(STEPS - AT + 2), 8)
        assert fired(x, rain_of(50.0), "spike") == []
        x[AT + 1, 1] -= 0.012  # 0.018, after 0.020 and before 0.040
        assert fired(x, rain_of(50.0), "spike") == [[AT + 1, 1]]

    def test_a_reading_below_what_was_before_is_one(self):
        x = self.front(stays=True)
        x[AT, 1] -= 0.043 + 0.02
        assert [AT, 1] in fired(x, rain_of(50.0), "spike")


class TestRecentRain:
    """Rain of the three hours up to a reading."""

    def amounts(self, rain, interval_s=HOUR_S, first=0, every_s=None):
        logger = make_site().sources[0].model_copy(update={"id": "s0", "interval_s": every_s})
        site = make_site(interval_s=interval_s, sources=(logger,), wiring=())
        rain = np.float32(rain).reshape(len(rain), -1)
        names = [f"s{n}" for n in range(rain.shape[1])]
        block = xr.Dataset(
            {"rain": (("time", "station"), rain)},
            {"time": site.axis.times(first, first + len(rain)), "station": names},
        )
        return recent_rain(block, site)

    def test_it_is_the_sum_of_three_hours(self):
        assert self.amounts([0, 1, 2, 4, 0, 0, 0]) == pytest.approx([0, 1, 3, 7, 6, 4, 0])
        tenths = np.full(40, 0.1)
        assert self.amounts(tenths, interval_s=600)[20:] == pytest.approx(np.full(20, 1.8))

    def test_missing_counts_as_none_and_the_wettest_station_counts(self):
        rain = [[0.0, NAN], [1.0, 0.0], [NAN, 0.4], [0.0, 0.8]]
        assert self.amounts(rain) == pytest.approx([0, 1, 1, 1.2])

    def test_a_total_that_a_step_lies_in_counts_whole_and_once(self):
        """By hand: totals of two hours, of 1 mm at hour 2, of 4 mm at 4, none after 6."""
        rain = [0, NAN, 1, NAN, 4, NAN, 0, NAN, NAN]
        found = self.amounts(rain, every_s=2 * HOUR_S)
        assert found == pytest.approx([0, 1, 1, 5, 5, 4, 4, 0, 0])

    def test_of_totals_longer_than_the_window_none_tells_a_shower(self):
        rain = [0, NAN, NAN, NAN, NAN, NAN, 20.0, NAN]
        assert not self.amounts(rain, every_s=6 * HOUR_S).any()
        assert self.amounts([0, 20.0, 0], 6 * HOUR_S) == pytest.approx([0, 20.0, 0])

    def test_it_is_the_same_to_the_bit_wherever_a_block_begins(self):
        rain = np.random.default_rng(1).exponential(0.7, 200)
        whole = self.amounts(rain)
        np.testing.assert_array_equal(self.amounts(rain[50:], first=50)[3:], whole[53:])

    def test_a_block_without_rain(self):
        site = make_site()
        block = xr.Dataset(coords={"time": site.axis.times(0, 5)})
        assert recent_rain(block, site).tolist() == [0.0] * 5
