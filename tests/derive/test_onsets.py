"""The curve that times an onset, against known climbs."""

import numpy as np
import pytest
import xarray as xr

from pipeline.derive.fronts import wetting_fronts

STEPS, FOOT = 12 * 144, 700
NOISE = 6e-4  # m3 m-3, as the sensors of the test fields have


@pytest.mark.parametrize("climb", [1e-4, 3e-4, 3e-3])
def test_a_climb_in_noise_is_timed_as_surely_as_said(climb):
    # by hand: the climb is 0.005 above its foot 0.005 / climb steps after it.
    rng = np.random.default_rng(11)
    steps = np.arange(STEPS)
    shape = 0.2 + 2e-5 * np.maximum(FOOT - steps, 0) + climb * np.maximum(steps - FOOT, 0)
    readings = np.minimum(shape, 0.26)[:, None] + NOISE * rng.standard_normal((STEPS, 80))
    times = np.datetime64("2025-03-01", "ns") + steps * np.timedelta64(600, "s")
    coords = {"time": times, "tube": ["T"], "depth": np.arange(1, 81) / 100}
    water = xr.DataArray(readings[:, None], coords, tuple(coords), attrs={"units": "m3 m-3"})
    fronts = wetting_fronts(water).drop_duplicates("depth_m")
    assert len(fronts) == 80
    start_s = int(times[0].astype("datetime64[s]").astype(np.int64))
    off = (fronts["onset_s"] - start_s) / 600 - np.ceil(FOOT + 0.005 / climb)
    error = fronts["onset_error_s"] / 600
    assert (np.abs(off) <= 1.96 * error + 0.5).mean() >= 0.9
    assert abs(off.median()) <= max(1.0, error.median())  # a sharp foot is rounded off
    # A line through the climb alone, with a base of twelve readings, is sure to 0.4 of the
    # noise over the slope and worse; the curve does better where the climb is slow.
    assert off.std() < np.hypot(0.6, 0.4 * NOISE / climb)  # with whole steps


def test_soil_that_freezes_to_and_fro_has_its_onset_between_foot_and_peak():
    """Medians of three lie at the low of the jumps, the mean of the readings far above."""
    fro = (0.427, 0.398, 0.398, 0.427, 0.396, 0.423, 0.394, 0.422, 0.420, 0.419)
    steps = np.arange(60 * 24)
    readings = np.full(steps.size, 0.401)
    readings[200:210] = fro
    readings[210:] = 0.419 - 1e-4 * np.minimum(np.arange(steps.size - 210), 600)
    readings[1100:] += 0.15  # a front of spring, five weeks later
    readings += 3e-4 * np.random.default_rng(5).standard_normal(steps.size)
    times = np.datetime64("2025-01-01", "ns") + steps * np.timedelta64(3600, "s")
    coords = {"time": times, "tube": ["T"], "depth": [0.05]}
    water = xr.DataArray(
        readings[:, None, None], coords, tuple(coords), attrs={"units": "m3 m-3"}
    )
    fronts = wetting_fronts(water)
    assert (fronts["onset_s"] <= fronts["peak_s"]).all()
    assert (fronts["foot_s"] < fronts["onset_s"]).all()
    assert (fronts["before_s"] < fronts["onset_s"]).all()
    hours = (fronts["onset_s"] - fronts["foot_s"]) / 3600
    assert hours.max() <= 24
    assert len(fronts) >= 2  # with the one of spring
