"""Spikes judged by the noise: the chance of a false one, and the memory for true ones."""

from __future__ import annotations

import numpy as np
import pytest
from bare_site import HOUR_S, make_block, make_site, make_wire
from scipy import stats

from pipeline.qc.constants import SPIKE_MEMORY_S
from pipeline.qc.curves import (
    ARC_LEAST,
    ARC_SIDE,
    OF_CUBIC,
    PARABOLA,
    off_the_arc,
    off_the_cubic,
)
from pipeline.qc.flags import unpack
from pipeline.qc.sides import off_the_soil, side_line
from pipeline.qc.spikes import (
    LEAST_LEVEL,
    alone,
    mean_of_pairs,
    remembered,
    spike_levels,
    stand_out,
)
from pipeline.qc.step import qc_step
from pipeline.site.models import QcLimits

NOISE = 0.001
DAY = 24  # hourly readings


def record(seed, steps, noise=NOISE):
    rng = np.random.default_rng(seed)
    return 0.3 - 2e-6 * np.arange(steps) + noise * rng.standard_normal(steps)


def spikes(values, limits=None, interval_s=HOUR_S):
    """Return which readings of one sensor the test for spikes fired at."""
    site = make_site(qc=limits or QcLimits(), interval_s=interval_s)
    refused = np.zeros(len(values))
    block = make_block(site, calibrated_water_content=values, outside_calibration=refused)
    return unpack(qc_step(block, site)["tests"])["spike"].values.ravel()


class TestConstants:
    """What z is divided by, and the curve it is held against."""

    def test_standard_deviation_of_a_reading_less_the_cubic(self):
        # Reference code: numpy's least squares, the weights of the eight at the middle.
        away = np.array([-4.0, -3, -2, -1, 1, 2, 3, 4])
        weights = np.linalg.pinv(np.vander(away, 4, increasing=True))[0]
        assert pytest.approx(np.sqrt(1 + (weights**2).sum()), rel=1e-5) == OF_CUBIC

    def test_the_parabola(self):
        # Reference code: numpy's least squares through the eight, at the middle.
        away = np.array([-4, -3, -2, -1, 1, 2, 3, 4])
        values = np.random.default_rng(2).standard_normal(8)
        expected = np.polynomial.polynomial.polyfit(away, values, 2)[0]
        found = sum(PARABOLA[abs(j) - 1] * v for j, v in zip(away, values, strict=True))
        assert found == pytest.approx(expected)

    def test_levels(self):
        # By hand: 15 days are 2160 times ten minutes, and 1 % of three spikes among so many
        # readings is a chance of 0.03 / 2160, half of it on either side; quantile by
        # scipy.stats.norm.
        levels = spike_levels(5.2, 0.01, 600)
        assert SPIKE_MEMORY_S == 2160 * 600
        assert levels[0] == 5.2
        assert levels[3] == pytest.approx(stats.norm.isf(0.5 * 0.03 / 2160))
        assert (np.diff(levels) <= 0).all()
        assert spike_levels(5.2, 0.5, 600)[-1] == LEAST_LEVEL
        assert set(spike_levels(5.2, None, 600)) == {5.2}
        assert spike_levels(5.2, 0.01, HOUR_S)[3] < levels[3]

    def test_memory_is_a_ring(self):
        found = np.array([80, 10, 20, 30, 40, 50, 60, 70])  # the ninth over the first
        assert remembered(found, 9, 0) == 8
        assert remembered(found, 9, 55) == 3
        assert remembered(found, 2, 15) == 1


class TestStandOut:
    """z of one reading."""

    @staticmethod
    def z(x, at=20):
        return stand_out(np.asarray(x, float), at, 1, 1.0, LEAST_LEVEL)[0]

    def test_of_a_spike_on_a_still_record(self):
        x = np.zeros(41)
        x[20] = 6.0
        # By hand: the mean of sixteen pairs has a variance of 1/32.
        assert self.z(x) == pytest.approx(6.0 / np.sqrt(33 / 32))
        x[[18, 23]] = np.nan
        # By hand: two pairs are lost, each by one of its readings.
        assert self.z(x) == pytest.approx(6.0 / np.sqrt(1 + 1 / 28))

    def test_the_mean_is_of_pairs_that_lie_on_a_line(self):
        # By hand: on a slope pairs cancel; from the fifth on they leave the line.
        x = 0.3 * np.arange(41.0)
        x[20] += 6.0
        assert mean_of_pairs(x, 20, 1, 1.0)[::2] == (pytest.approx(6.0), 16)
        x[25:] += 20.0
        off, deviation, pairs = mean_of_pairs(x, 20, 1, 1.0)
        assert (off, deviation, pairs) == (pytest.approx(6.0), pytest.approx(1.125**0.5), 4)

    def test_of_moving_soil(self):
        away = np.abs(np.arange(41) - 20)
        late = np.maximum(np.arange(41) - 20.0, 0.0)
        for x in (
            np.where(np.arange(41) < 20, 0.0, 8.0),  # a front within one reading
            np.where(np.arange(41) <= 20, 0.0, 30.0 * (1 - np.exp(-late / 2))),  # its foot
            10.0 * np.exp(-((away / 2.5) ** 2)),  # a short peak
            10.0 * np.maximum(0, 1 - away / 3),
            np.arange(41) * 3.0,  # a steep rise
            -2.5 * away,  # the top between a rise and a fall
            np.where(np.arange(41) < 20, -20.0, 20.0 * np.exp(-late / 4)),  # it drains at once
        ):
            assert self.z(x) < LEAST_LEVEL

    def test_of_a_spike_in_soil_that_moves_steadily(self):
        x = 200.0 * np.exp(-np.arange(41.0) / 30)
        assert self.z(x) < LEAST_LEVEL
        x[20] += 9.0
        # Reference code: numpy's cubic through the eight around it, and its variance there.
        away = np.delete(np.arange(-4.0, 5.0), 4)
        off = x[20] - np.polynomial.polynomial.polyfit(away, np.delete(x[16:25], 4), 3)[0]
        assert off_the_cubic(x, 20, 1, 1.0) == pytest.approx(off / OF_CUBIC, rel=1e-5)
        found, moves = stand_out(x, 20, 1, 1.0, LEAST_LEVEL)
        assert found >= off / OF_CUBIC
        assert moves

    def test_of_a_spike_before_a_front(self):
        # No curve holds; the record goes on at 0 after the spike, and rises only then.
        x = np.where(np.arange(41) < 23, 0.0, 60.0)
        x[20] = 15.0
        assert self.z(x) > 1.5 * LEAST_LEVEL
        x[20] = -15.0
        assert self.z(x) < -1.5 * LEAST_LEVEL

    def test_the_likeliest_curve_follows_the_swing_of_a_day(self):
        swing = 20.0 * np.sin(2 * np.pi * np.arange(41) / 24)
        rng = np.random.default_rng(1)
        for at in (18, 20, 24):
            for size in (8.0, -8.0):
                x = swing + 0.3 * rng.standard_normal(41)
                assert abs(self.z(x, at)) < LEAST_LEVEL
                x[at] = swing[at] + size
                z, variance = off_the_arc(x, at, 1, 1.0)
                assert np.sign(size) * z > LEAST_LEVEL
                assert variance < 1.0  # surer than one reading
                assert np.sign(size) * self.z(x, at) > LEAST_LEVEL

    def test_too_few_readings_tell_no_curve(self):
        x = np.zeros(41)
        x[20] = 10.0
        x[20 + ARC_LEAST // 2 + 1 : 20 + ARC_SIDE + 1] = np.nan
        x[20 - ARC_SIDE : 20 - ARC_LEAST // 2 + 1] = np.nan
        assert off_the_arc(x, 20, 1, 1.0) == (0.0, np.inf)

    def test_a_neighbour_of_a_spike_is_judged_without_it(self):
        levels = spike_levels(5.2, 0.015, HOUR_S)
        x = np.zeros(41)
        x[20], x[22] = 40.0, 5.0
        assert alone(x, 20, 1, 1.0, levels)[0] > 20.0
        # By hand: the pair of the strong one is lost, fifteen are left; x is as it was.
        z, moves = alone(x, 22, 1, 1.0, levels)
        assert (z, moves) == (pytest.approx(5.0 / np.sqrt(1 + 1 / 30)), False)
        assert x[20] == 40.0
        assert alone(x, 21, 1, 1.0, levels)[0] < LEAST_LEVEL


class TestSides:
    """Where soil can be at a reading."""

    def test_a_line_through_one_side(self):
        # Reference code: numpy's straight line, led on to the middle, and its variance there.
        rng = np.random.default_rng(7)
        x = 0.5 * np.arange(41.0) + 0.3 * rng.standard_normal(41)
        away = np.arange(1.0, 9.0)
        slope, at_middle = np.polyfit(away, x[19:11:-1], 1)
        weights = np.linalg.pinv(np.vander(away, 2))[1]
        found = side_line(x, 20, -1, 1.0)
        expected = (at_middle - x[20], 1 + (weights**2).sum(), slope, 8)
        assert found == pytest.approx(expected)

    def test_a_line_ends_where_the_soil_turns(self):
        x = np.where(np.arange(41) < 24, 0.0, 30.0)
        off, variance, slope, count = side_line(x, 20, 1, 1.0)
        # By hand: three readings, variance 1 + 1/3 + 2²/2.
        assert (off, variance, slope, count) == (0.0, pytest.approx(10 / 3), 0.0, 3)

    def test_of_two_sides_that_agree(self):
        x = -2.0 * np.arange(41.0)
        x[20] += 10.0
        # By hand: a line through eight has a variance of 17/28 there, the mean of two half.
        assert off_the_soil(x, 20, 1, 1.0) == pytest.approx(10 / np.sqrt(1 + 17 / 56))

    def test_a_peak_may_be_rounded_off(self):
        rise = 2.0 * np.arange(20.0)
        x = np.concatenate([rise, [39.0], rise[::-1]])
        # By hand: the lines meet at 40, the two neighbours lie at 38: 39 is between.
        assert off_the_soil(x, 20, 1, 1.0) == 0.0
        x[20] = 50.0
        assert off_the_soil(x, 20, 1, 1.0) == pytest.approx(10 / np.sqrt(1.5))

    def test_a_record_that_returns_to_its_line(self):
        x = np.where(np.arange(41) < 22, 0.0, -90.0)
        x[20] = 12.0
        # By hand: eight readings before, and the one after is back; 1 + 17/28.
        assert off_the_soil(x, 20, 1, 1.0) == pytest.approx(12 / np.sqrt(1 + 17 / 28))

    def test_the_side_after_a_peak_is_led_back_more_steeply(self):
        x = np.concatenate([np.zeros(20), [11.0], 8.0 - 4.0 * np.arange(20.0)])
        # By hand: the line back leads to 12, or 16 at the steeper start: 11 can be soil.
        assert off_the_soil(x, 20, 1, 1.0) == 0.0
        x[20] = 26.0
        assert off_the_soil(x, 20, 1, 1.0) == pytest.approx(10 / np.sqrt(1 + 17 / 28))


class TestFalse:
    """Clean noise."""

    def test_fewer_than_one_in_a_million_on_clean_noise(self):
        flag = spikes(record(3, 1_500_000), interval_s=600)
        # Of a normal deviate 2 Q(5.2) = 2e-7 is beyond, and some more for the noise being
        # estimated: 0.3 to 0.6 of these readings. Four would be one chance in three hundred.
        assert flag.sum() < 4

    def test_coarse_readings_that_flip_are_no_spikes(self):
        x = np.round(record(4, 20_000, 2e-4) / 1e-3) * 1e-3
        assert spikes(x).sum() == 0


class TestMemory:
    """A sensor that had a spike is held to have more."""

    def found(self, first, size, limits=None):
        """Tell whether a small spike is found a number of days after a large one."""
        x = record(5, 60 * DAY)
        at = 40 * DAY
        around = np.delete(x[at - 16 : at + 17], 16).mean()
        x[at] = around + size * np.sqrt(33 / 32) * NOISE
        if first is not None:
            x[at - first * DAY] += 0.02
        return spikes(x, limits)[at]

    def test_a_small_spike_counts_within_a_fortnight_of_a_large_one(self):
        assert not self.found(None, 4.6)
        assert self.found(7, 4.6)
        assert not self.found(16, 4.6)
        assert self.found(None, 6.5)

    def test_not_if_switched_off(self):
        assert not self.found(7, 4.6, QcLimits(spike_false=None))
        assert self.found(7, 6.5, QcLimits(spike_false=None))


class TestFrost:
    """A fall in a short frost is ice."""

    def fired(self, hours, size):
        """Tell what fired at a reading ``size`` off, in the midst of a frost of some hours."""
        wires = (make_wire(), make_wire(quantity="soil_temperature", unit="degC"))
        site = make_site(wiring=wires, interval_s=HOUR_S)
        x, warmth = record(6, 60 * DAY), np.full(60 * DAY, 3.0, np.float32)
        at = 40 * DAY
        x[at] += size
        warmth[at - hours // 2 : at - hours // 2 + hours] = -0.2
        block = make_block(
            site,
            calibrated_water_content=x,
            outside_calibration=np.zeros(len(x)),
            soil_temperature=warmth,
        )
        flags = unpack(qc_step(block, site)["tests"])
        return {name for name, flag in flags.items() if flag.values.ravel()[at]}

    def test_only_a_fall_and_only_in_a_short_one(self):
        assert self.fired(4, -0.02) == {"frozen"}
        assert self.fired(4, 0.02) == {"frozen", "spike"}
        assert self.fired(30, -0.02) == {"frozen", "spike"}
        assert self.fired(0, -0.02) == {"spike"}
