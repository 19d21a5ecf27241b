"""Noise and daily warmth of a block, against series whose noise and wave are known."""

import numpy as np
import pytest

from pipeline.qc.months import daily_wave, record_noise

STEP_S = 1800
DAY = 86_400 // STEP_S


def test_noise_is_that_of_the_readings_and_not_of_the_soil():
    random = np.random.default_rng(1)
    course = 0.2 + 0.05 * np.sin(np.arange(28 * DAY) / 200)
    course[600:] += 0.08  # a front
    water = course[:, None] + np.array([0.001, 0.004]) * random.standard_normal((28 * DAY, 2))
    assert record_noise(water.astype(np.float32)) == pytest.approx([0.001, 0.004], rel=0.08)


def test_a_record_that_stands_still_tells_no_noise():
    assert np.isnan(record_noise(np.full((28 * DAY, 1), 0.2))).all()


def test_the_daily_wave_is_found_through_weather_and_gaps():
    at = np.arange(28 * DAY)
    hour = 2 * np.pi * (at % DAY) / DAY
    warm = 10 + 0.01 * at + 2.0 * np.cos(hour - 1.0)
    warm = np.stack([warm, np.where(at % 12 == 0, warm, np.nan)], axis=1)  # four times a day
    warm[100:200, 0] = np.nan
    wave = daily_wave(warm, STEP_S)
    # By hand: amplitude 2 K, lag 1 rad; the slow warming leaks 0.15 K into a day at most.
    assert np.hypot(*wave) == pytest.approx([2.0, 2.0], abs=0.3)
    assert np.arctan2(wave[1], wave[0]) == pytest.approx([1.0, 1.0], abs=0.15)


def test_half_days_tell_no_wave():
    at = np.arange(28 * DAY)
    warm = np.where(at % DAY < DAY // 2, 10 + np.cos(2 * np.pi * at / DAY), np.nan)
    assert np.isnan(daily_wave(warm[:, None], STEP_S)).all()


@pytest.mark.parametrize("sensors", [1, 2, 5])
def test_a_sensor_has_the_same_bits_alone_and_among_others(sensors):
    random = np.random.default_rng(2)
    warm = random.normal(10, 3, (28 * DAY, 6)).astype(np.float32)
    warm[random.random(warm.shape) < 0.1] = np.nan
    wave, noise = daily_wave(warm, STEP_S), record_noise(warm)
    part = warm[:, :sensors]
    np.testing.assert_array_equal(daily_wave(part, STEP_S), wave[:, :sensors])
    np.testing.assert_array_equal(record_noise(part), noise[:sensors])
