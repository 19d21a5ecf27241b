"""Noise of a record, and the spikes and bursts judged by it."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from bare_site import HOUR_S, make_block, make_site
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from pipeline.qc.flags import unpack
from pipeline.qc.hampel import HAMPEL_SCALE, flag_hampel, hampel_score
from pipeline.qc.noise import CHUNK, KEPT, TO_SIGMA, lower_mean, noise_of_run
from pipeline.qc.step import qc_step
from pipeline.site.models import QcLimits

NAN = float("nan")
NOISE = 0.001
STEPS = 20 * CHUNK


def series(values):
    time = np.datetime64("2024-01-01", "ns") + np.arange(len(values)) * np.timedelta64(1, "h")
    values = np.asarray(values, float)
    return xr.DataArray(values, {"time": time}, "time", "theta", {"units": "m3 m-3"})


def quiet_record(seed, steps=STEPS, noise=NOISE):
    """Return a record that dries slowly, with white noise."""
    rng = np.random.default_rng(seed)
    return 0.3 - 5e-6 * np.arange(steps) + noise * rng.standard_normal(steps)


def fired(values, name, limits=None, **site):
    made = make_site(qc=limits or QcLimits(), **site)
    refused = np.zeros(len(values))
    block = make_block(made, calibrated_water_content=values, outside_calibration=refused)
    result = qc_step(block, made)
    return unpack(result["tests"])[name].values.ravel(), result["quality"].values.ravel()


class TestHampel:
    """The identifier of Pearson et al. 2016."""

    def test_the_scale(self):
        # Provenance: printed, eq. 4: 1.4826; reference code, scipy.stats.norm.ppf(3/4).
        assert HAMPEL_SCALE == pytest.approx(1 / stats.norm.ppf(0.75), abs=5e-5)

    def test_score_of_a_far_value(self):
        # By hand: median 3, MAD 1, 97 / 1.4826.
        score = hampel_score(series([1, 2, 3, 4, 100]), 4)
        assert score[-1].item() == pytest.approx(65.43, abs=0.005)

    def test_score_with_median_ten_and_deviation_one(self):
        # Printed: window with median 10 and MAD 1, value 30 scores 13.49.
        score = hampel_score(series([9, 9, 10, 11, 10, 9, 30, 11, 10, 11, 10]), 10)
        assert score[6].item() == pytest.approx(13.49, abs=0.005)

    def test_only_the_spike_is_flagged(self):
        # By hand, windows cut off at the ends.
        flag = flag_hampel(series([10, 9, 11, 10, 30, 10, 9, 11]), 3)
        assert np.flatnonzero(flag).tolist() == [4]

    def test_equal_and_missing_readings(self):
        score = hampel_score(series([1, 1, 1, 2, NAN, 1]), 5)
        assert score[0] == 0
        assert np.isinf(score[3])
        assert np.isnan(score[4])


class TestScale:
    """The noise of chunks."""

    def test_the_factor(self):
        # Reference code: scipy's quadrature of the half-normal below its upper quarter.
        edge = stats.halfnorm.ppf(KEPT)
        mean, _ = integrate.quad(lambda z: z * stats.halfnorm.pdf(z), 0, edge)
        assert pytest.approx(KEPT / mean / np.sqrt(6), rel=1e-6) == TO_SIGMA

    @settings(deadline=None)
    @given(st.lists(st.floats(0, 1), min_size=2, max_size=60))
    def test_mean_of_the_lower_three_quarters(self, values):
        keep = max(1, int(len(values) * KEPT))
        expected = np.sort(values)[:keep].mean()
        assert lower_mean(np.array(values), len(values)) == pytest.approx(expected)

    @staticmethod
    def noise(x, floor=0.0, stated=NAN, stride=1):
        run = np.array([0, 0, len(x), stride, 1])
        count = -(-len(x) // (CHUNK * stride))
        out = tuple(np.empty(count) for _ in range(4))
        work = np.empty(CHUNK * stride), np.empty(40)
        noise_of_run(x, run, 0, (9, 26), floor, np.full(count, stated), work, out)
        return out

    @pytest.mark.parametrize("noise", [0.0005, 0.002])
    def test_white_noise_is_found(self, noise):
        typical, quiet, _, steady = self.noise(quiet_record(1, 400 * CHUNK, noise))
        # Each is the mean of a dozen chunks or more, which differ by a fifth.
        assert steady[30:].mean() == pytest.approx(noise, rel=0.03)
        assert steady[30:].std() < 0.07 * noise
        assert np.median(typical) == pytest.approx(noise, rel=0.03)
        assert (np.abs(typical / noise - 1) < 0.35).mean() > 0.98
        assert (quiet <= typical * 1.2).all()

    def test_a_front_and_a_spike_do_not_count(self):
        x = quiet_record(2)
        x[400:412] += np.linspace(0, 0.1, 12)
        x[412:] += 0.1
        x[500] += 0.2
        typical, *_ = self.noise(x)
        assert typical.max() < 1.4 * NOISE

    def test_coarse_readings(self):
        x = np.round(quiet_record(3) / NOISE) * NOISE  # resolution as large as the noise
        typical, _, repeats, _ = self.noise(x)
        # By hand: rounding adds q^2 / 12.
        assert np.median(typical) == pytest.approx(NOISE * np.sqrt(13 / 12), rel=0.2)
        # P(equal) of two rounded normals, about q / (2 sigma sqrt(pi)) = 0.28.
        assert np.nanmean(repeats) == pytest.approx(0.28, abs=0.06)

    def test_a_stuck_sensor_tells_nothing(self):
        x = quiet_record(4)
        x[5 * CHUNK : 8 * CHUNK] = x[5 * CHUNK]
        typical, _, repeats, _ = self.noise(x)
        assert (typical > 0.6 * NOISE).all()
        assert repeats[6] == 1.0

    def test_nothing_is_known_of_too_few_readings(self):
        x = np.full(10 * CHUNK, NAN)
        assert np.isnan(np.concatenate(self.noise(x))).all()

    def test_stated_noise_tells_how_the_steady_one_changes(self):
        # The same noise of the signal is a third less water content from the middle on.
        x = quiet_record(7, 40 * CHUNK)
        x[20 * CHUNK :] = 0.3 + (x[20 * CHUNK :] - 0.3) * 2 / 3
        stated = np.repeat([NOISE, NOISE * 2 / 3], 20)
        run = np.array([0, 0, len(x), 1, 1])
        out = tuple(np.empty(40) for _ in range(4))
        noise_of_run(x, run, 0, (9, 26), 0.0, stated, (np.empty(CHUNK), np.empty(40)), out)
        assert out[3][4:] / stated[4:] == pytest.approx(1.0, abs=0.2)
        assert abs(out[3][20:24] / stated[20:24] - 1).max() < 0.15

    @pytest.mark.parametrize(
        ("stated", "least", "most"),
        [(1.2 * NOISE, 1.2, 1.4), (10 * NOISE, 1.2, 1.9), (0.1 * NOISE, 0.7, 1.3)],
    )
    def test_what_is_stated_counts_where_it_is_higher_within_reason(self, stated, least, most):
        typical, *_ = self.noise(quiet_record(5), stated=stated)
        assert (typical >= least * NOISE * 0.9).all()
        assert (typical <= most * NOISE * 1.1).all()

    def test_readings_of_a_slow_source_are_told_at_their_own_steps(self):
        x = np.full(4 * STEPS, NAN)
        x[1::4] = quiet_record(6)
        typical, *_ = self.noise(x, stride=4)
        assert np.median(typical) == pytest.approx(NOISE, rel=0.15)


class TestSpikes:
    """Single readings beyond the noise."""

    @pytest.mark.parametrize("interval_s", [600, HOUR_S])
    def test_spikes_are_found_and_little_else(self, interval_s):
        rng = np.random.default_rng(7)
        at = np.arange(60, 40 * CHUNK - 60, 48)
        size = NOISE * rng.uniform(6, 50, at.size) * rng.choice([-1, 1], at.size)
        x = quiet_record(8, 40 * CHUNK)
        x[at] += size
        flag, quality = fired(x, "spike", interval_s=interval_s)
        assert flag[at].mean() > 0.95
        flag[at] = False
        assert flag.mean() < 1e-3
        small = at[np.abs(size) < 0.02]
        assert set(quality[small]) <= {1, 3}

    def test_clean_noise_is_hardly_ever_doubted(self):
        _, quality = fired(quiet_record(9, 400 * CHUNK), "spike")
        assert (quality != 1).mean() < 1e-3

    def test_the_edge_and_the_top_of_a_front_are_no_spikes(self):
        for rise in (1, 3, 10):
            x = quiet_record(10)
            x[480 : 480 + rise] += np.linspace(0, 0.08, rise + 1)[1:]
            x[480 + rise :] += 0.02 + 0.06 * np.exp(-np.arange(STEPS - 480 - rise) / 24)
            flag, _ = fired(x, "spike")
            assert not flag[470:500].any()

    def test_a_spike_beside_missing_readings_is_found(self):
        x = quiet_record(11)
        x[500] += 20 * NOISE
        x[[498, 499, 502]] = NAN
        flag, _ = fired(x, "spike")
        assert flag[500]

    def test_too_few_neighbours_are_not_judged(self):
        x = quiet_record(12)
        x[500] += 50 * NOISE
        x[492:500] = x[501:509] = NAN
        flag, _ = fired(x, "spike")
        assert not flag[500]

    def test_off(self):
        x = quiet_record(13)
        x[500] += 20 * NOISE
        assert fired(x, "spike")[0].any()
        assert not fired(x, "spike", QcLimits(spike_noise=None))[0].any()

    def test_over_long_steps_noise_is_not_told_from_soil(self):
        x = quiet_record(14)
        x[500] += 20 * NOISE
        assert not fired(x, "spike", interval_s=3 * HOUR_S)[0].any()


class TestBursts:
    """Spells of more noise."""

    def burst(self, seed, times):
        x = quiet_record(seed)
        rng = np.random.default_rng(seed + 100)
        x[480:528] += times * NOISE * rng.standard_normal(48)
        return x

    @pytest.mark.parametrize("seed", range(5))
    def test_a_burst_is_suspect_and_nothing_around_it(self, seed):
        flag, quality = fired(self.burst(seed, 15), "noise_burst")
        assert flag[480:528].mean() > 0.7
        assert not flag[:468].any()
        assert not flag[540:].any()
        assert (quality[480:528][flag[480:528]] >= 3).all()

    def test_a_front_is_none(self):
        x = quiet_record(20)
        x[480:] += 0.1 * (1 - np.exp(-np.arange(STEPS - 480) / 5))
        assert not fired(x, "noise_burst")[0].any()

    def test_one_spike_is_none(self):
        x = quiet_record(21)
        x[500] += 0.05
        assert not fired(x, "noise_burst")[0].any()

    def test_off_and_tuned(self):
        x = self.burst(22, 15)
        assert not fired(x, "noise_burst", QcLimits(burst_noise=None))[0].any()
        assert not fired(x, "noise_burst", QcLimits(burst_noise=60.0))[0].any()
