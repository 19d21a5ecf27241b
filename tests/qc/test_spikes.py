"""Spikes judged by the noise: the chance of a false one, and the memory for true ones."""

from __future__ import annotations

import numpy as np
import pytest
from bare_site import HOUR_S, make_block, make_site
from scipy import stats

from pipeline.qc.constants import SPIKE_MEMORY_S
from pipeline.qc.flags import unpack
from pipeline.qc.spikes import (
    LEAST_LEVEL,
    OF_INNER,
    OF_NEAR,
    OF_WIDE,
    PARABOLA,
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

    def test_standard_deviations(self):
        # By hand: a reading less the mean of n others has variance 1 + 1/n.
        assert pytest.approx(np.sqrt(17 / 16), abs=1e-6) == OF_WIDE
        assert pytest.approx(np.sqrt(9 / 8), abs=1e-6) == OF_NEAR
        drawn = np.sort(np.random.default_rng(1).standard_normal((400_000, 8)), axis=1)
        assert np.sqrt(1 + drawn[:, 1:7].mean(axis=1).var()) == pytest.approx(
            OF_INNER, abs=5e-4
        )

    def test_the_parabola(self):
        # Reference code: numpy's least squares through the eight, at the middle.
        away = np.array([-4, -3, -2, -1, 1, 2, 3, 4])
        values = np.random.default_rng(2).standard_normal(8)
        expected = np.polynomial.polynomial.polyfit(away, values, 2)[0]
        found = sum(PARABOLA[abs(j) - 1] * v for j, v in zip(away, values, strict=True))
        assert found == pytest.approx(expected)

    def test_levels(self):
        # By hand: 15 days are 360 hours, and 1 % of three spikes among so many readings is a
        # chance of 0.03 / 360, half of it on either side; quantile by scipy.stats.norm.
        levels = spike_levels(5.2, 0.01, HOUR_S)
        assert SPIKE_MEMORY_S == 360 * HOUR_S
        assert levels[0] == 5.2
        assert levels[3] == pytest.approx(stats.norm.isf(0.5 * 0.03 / 360))
        assert (np.diff(levels) <= 0).all()
        assert spike_levels(5.2, 0.5, HOUR_S)[-1] == LEAST_LEVEL
        assert set(spike_levels(5.2, None, HOUR_S)) == {5.2}
        assert spike_levels(5.2, 0.01, 600)[3] > levels[3]

    def test_memory_is_a_ring(self):
        found = np.array([80, 10, 20, 30, 40, 50, 60, 70])  # the ninth over the first
        assert remembered(found, 9, 0) == 8
        assert remembered(found, 9, 55) == 3
        assert remembered(found, 2, 15) == 1


class TestStandOut:
    """z of one reading."""

    @staticmethod
    def z(x, at=20):
        return stand_out(np.asarray(x, float), at, 1, 1.0, 3.9, np.empty(40))

    def test_of_a_spike_on_a_still_record(self):
        x = np.zeros(41)
        x[20] = 6.0
        assert self.z(x) == pytest.approx(6.0 / OF_WIDE)  # by hand
        x[[18, 23]] = np.nan
        # By hand: six are left, the highest and the lowest do not count.
        assert self.z(x) == pytest.approx(6.0 / np.sqrt(1 + 1 / 4))

    def test_of_moving_soil(self):
        away = np.abs(np.arange(41) - 20)
        for x in (
            np.where(np.arange(41) < 20, 0.0, 8.0),  # the foot of a front
            10.0 * np.exp(-((away / 2.5) ** 2)),  # a short peak
            10.0 * np.maximum(0, 1 - away / 3),
            np.arange(41) * 3.0,  # a steep rise
            -2.5 * away,  # the top between a rise and a fall
        ):
            assert self.z(x) < LEAST_LEVEL

    def test_of_a_spike_in_soil_that_moves_steadily(self):
        # Reference code: numpy's cubic through the eight around it, and its variance there.
        at = np.arange(41) - 20.0
        x = 200.0 * np.exp(-(at + 20) / 30)
        assert self.z(x) < LEAST_LEVEL
        x[20] += 9.0
        away = np.delete(at[16:25], 4)
        off = x[20] - np.polynomial.polynomial.polyfit(away, np.delete(x[16:25], 4), 3)[0]
        weights = np.linalg.pinv(np.vander(away, 4, increasing=True))[0]
        assert self.z(x) == pytest.approx(off / np.sqrt(1 + (weights**2).sum()), rel=1e-5)


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
        around = np.delete(x[at - 8 : at + 9], 8).mean()
        x[at] = around + size * OF_WIDE * NOISE
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
