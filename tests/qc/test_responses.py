"""Wetting responses: onset, size, and how long they last, on courses made by hand."""

import numpy as np
import pandas as pd
import pytest

from pipeline.qc.responses import AHEAD_S, BACK_S, LEAST_RISE, find_responses

STEP_S = 600
DAY = 86_400 // STEP_S


def quiet(days=6, level=0.2, noise=0.0, seed=1):
    steps = days * DAY
    return level + noise * np.random.default_rng(seed).standard_normal(steps)


def table_of(*arguments):
    return pd.DataFrame(find_responses(*arguments))


def found_in(series):
    return table_of(np.asarray(series)[:, None], STEP_S, 0, len(series))


def test_a_front_is_timed_and_measured():
    series = quiet()
    series[300:] += 0.08
    (row,) = found_in(series).itertuples()
    assert (row.sensor, row.step) == (0, 300)
    # By hand: it rises at once by 0.08 and stays.
    assert row.rise == pytest.approx(0.08)
    assert row.rise_in_hour == pytest.approx(0.08)
    assert np.isnan(row.half_h)
    assert row.kept == pytest.approx(1.0)


def test_what_fills_and_drains_has_a_half_life():
    series = quiet()
    hours = np.arange(len(series) - 300) / 6
    series[300:] += 0.1 * np.exp(-hours / 2.0)
    (row,) = found_in(series).itertuples()
    # By hand: medians of three take the second reading for the peak, 0.1 x exp(-1/12) = 0.092;
    # half of it is left after -2 h x ln 0.46 = 1.55 h, so first seen in the step at 1.67 h.
    assert row.half_h == pytest.approx(10 / 6)
    assert row.kept < 0.01


def test_a_slow_rise_is_one_response_and_not_a_quick_one():
    series = quiet()
    series[300:] += np.minimum(0.05 * np.arange(len(series) - 300) / (2 * DAY), 0.05)
    (row,) = found_in(series).itertuples()
    assert row.rise_in_hour < 0.01 <= row.rise


@pytest.mark.parametrize("height", [0.05, -0.05])
def test_a_single_reading_off_is_no_response(height):
    series = quiet()
    series[300] += height
    assert found_in(series).empty


def test_noise_and_a_burst_of_noise_are_no_responses():
    series = quiet(days=40, noise=0.0008)
    burst = slice(2000, 2200)
    series[burst] += 0.015 * np.random.default_rng(2).standard_normal(200)
    assert found_in(series).empty


def test_a_front_in_a_noisy_record_is_found():
    series = quiet(noise=0.002)
    series[300:] += 0.06
    found = found_in(series)
    assert found["step"].tolist() == [300]


def test_a_rise_across_a_gap_has_no_onset():
    series = quiet()
    series[280:310] = np.nan  # five hours
    series[310:] += 0.08
    assert found_in(series).empty


def test_what_comes_after_a_gap_neither_makes_nor_unmakes_a_response():
    """A night sees the record end there, a run over everything what came days later."""
    series = quiet(16)
    series[300:] += 0.03
    series[310 : 310 + 10 * DAY] = np.nan
    series[310 + 10 * DAY :] = 0.4
    for until in (310, len(series)):
        (row,) = table_of(series[:until, None], STEP_S, 0, 2 * DAY + 30).itertuples()
        assert (row.step, row.rise) == (300, pytest.approx(0.03))


def test_a_small_rise_does_not_count():
    series = quiet()
    series[300:] += 0.9 * LEAST_RISE
    assert found_in(series).empty


def test_slow_loggers_on_a_fast_axis_are_read_at_their_own_pace():
    series = np.full(6 * DAY, np.nan)
    series[::3] = 0.2
    series[300::3] = 0.28
    (row,) = found_in(series).itertuples()
    assert row.step == 300


def test_responses_do_not_depend_on_where_the_block_begins():
    random = np.random.default_rng(3)
    steps = 40 * DAY
    storms = np.sort(random.integers(0, steps, 60))
    series = 0.2 + 0.0007 * random.standard_normal((steps, 2))
    for at in storms:
        fall = np.exp(-np.arange(steps - at) / random.uniform(5, 2000))
        series[at:] += random.uniform(0.005, 0.06) * fall[:, None]
    series[random.random(series.shape) < 0.1] = np.nan
    series = series.astype(np.float32)
    whole = table_of(series, STEP_S, 0, steps)
    assert len(whole) > 30
    back, ahead = BACK_S // STEP_S, AHEAD_S // STEP_S
    for first in (17 * DAY, 17 * DAY + 5, 20 * DAY):
        stop = first + 3 * DAY
        start = first - back
        part = table_of(series[start : stop + ahead], STEP_S, back, stop - start)
        part["step"] += start
        expected = whole[(whole["step"] >= first) & (whole["step"] < stop)]
        assert part.equals(expected.reset_index(drop=True))
