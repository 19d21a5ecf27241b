"""Daily values: whole days, enough values, one order of summation."""

from datetime import UTC

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.daily import daily_look, daily_step
from pipeline.site.models import Source
from pipeline.variables import SIGNALS


def make_hourly(make_site, make_block, days, **kwargs):
    site = make_site(depths_m=(0.1, 0.3), **kwargs)
    steps = site.axis.steps_per_day * days
    values = 0.2 + 0.001 * np.arange(steps * 2).reshape(steps, 1, 2)
    return site, make_block(site, values)


def test_daily_mean_of_a_ramp_is_its_midpoint(make_site, make_block):
    # by hand: hourly values 0.2 + 0.002 h, h = 0..23, mean 0.2 + 0.002 * 11.5 = 0.223
    site, block = make_hourly(make_site, make_block, days=2)
    result = daily_step(block, site)
    assert result["daily_water_content"].dims == ("day", "tube", "depth")
    assert result["daily_water_content"].values[0, 0, 0] == pytest.approx(0.223, abs=1e-7)
    assert (result["daily_count"] == 24).all()
    assert result["daily_count"].dtype == np.uint16
    assert result["daily_water_content"].dtype == np.float32
    assert result["day"].values.astype("datetime64[D]").astype(str).tolist() == [
        "2024-03-01",
        "2024-03-02",
    ]
    assert daily_look(site) == (0, 0)


@pytest.mark.parametrize(("values", "known"), [(18, True), (17, False)])
def test_day_needs_its_share_of_values(make_site, make_block, values, known):
    # by hand: 0.75 * 24 = 18
    site, block = make_hourly(make_site, make_block, days=1)
    block["cleaned_water_content"][values:] = np.nan
    result = daily_step(block, site)
    assert np.isfinite(result["daily_water_content"]).all() == known
    assert (result["daily_count"] == values).all()


def test_source_slower_than_the_axis_is_measured_by_its_own_interval(make_site, make_block):
    # by hand: four readings a day are due, 0.75 of them are three
    site = make_site(depths_m=(0.1, 0.3))
    slow = Source(**{**site.sources[0].model_dump(), "interval_s": 6 * 3600})
    site = site.model_copy(update={"sources": (slow,)})
    theta = np.full((48, 1, 2), np.nan)
    theta[0:24:6] = 0.3
    theta[[24, 30]] = 0.3
    block = make_block(site, theta)
    block["storage"] = (
        ("time", "tube", "layer"),
        (theta[..., :1] * 100).astype(np.float32),
    )
    result = daily_step(block, site)
    assert np.isfinite(result["daily_water_content"].values[:, 0, 0]).tolist() == [True, False]
    assert np.isfinite(result["daily_storage"].values[:, 0, 0]).tolist() == [True, False]


@pytest.mark.parametrize(("lost", "water"), [((), 0.275), ((12,), 4.8 / 18), ((12, 18), None)])
def test_where_the_interval_changes_a_value_counts_for_its_time(
    make_site, make_block, lost, water
):
    """By hand: hourly 0.2 until six, then 0.3 every six hours: 6 x 0.2 and 3 x 6 x 0.3 of 24.

    Without noon 18 hours are left, just enough; without evening too there are 12.
    """
    site = make_site(depths_m=(0.1,))
    slow = Source(**{**site.sources[0].model_dump(), "id": "slow", "interval_s": 6 * 3600})
    (wire,) = (w for w in site.wiring if w.quantity in SIGNALS)
    at = site.axis.times(6, 7)[0].astype("datetime64[s]").item().replace(tzinfo=UTC)
    first = wire.model_copy(update={"until": at})
    second = wire.model_copy(update={"source": "slow", "start": at})
    changes = {"sources": (*site.sources, slow), "wiring": (first, second)}
    site = site.model_copy(update=changes)
    theta = np.full((24, 1, 1), np.nan)
    theta[:6], theta[6:24:6] = 0.2, 0.3
    theta[list(lost)] = np.nan
    block = make_block(site, theta)
    block["random_error"] = block["cleaned_water_content"] * 0 + 0.01
    block["systematic_error"] = block["cleaned_water_content"] * 0.1
    block["storage"] = (("time", "tube", "layer"), (theta * 100).astype(np.float32))
    result = daily_step(block, site).isel(day=0, tube=0)
    assert result["daily_count"].item() == 9 - len(lost)
    found = result["daily_water_content"].item(), result["daily_storage"].item() / 100
    if water is None:
        assert np.isnan(found).all()
        return
    assert found == pytest.approx((water, water), abs=1e-7)
    assert result["daily_systematic_error"].item() == pytest.approx(water / 10, abs=1e-7)
    if not lost:
        hand = 0.01 * np.sqrt(6 + 3 * 6**2) / 24
        assert result["daily_random_error"].item() == pytest.approx(hand, rel=1e-6)


def test_a_sensor_that_is_not_wired_yet_slows_no_storage(make_site, make_block):
    """By hand: hourly 60 mm until six, then 90 mm every six hours.

    6 x 60 and 3 x 6 x 90 of 24. A second sensor, from noon on, is not waited for before; by
    its pace all day the nine values would count alike.
    """
    site = make_site(depths_m=(0.1, 0.3))
    upper, lower = (w for w in site.wiring if w.quantity in SIGNALS)
    slow = Source(**{**site.sources[0].model_dump(), "id": "slow", "interval_s": 6 * 3600})
    six, noon = (
        site.axis.times(step, step + 1)[0].astype("datetime64[s]").item().replace(tzinfo=UTC)
        for step in (6, 12)
    )
    wiring = (
        upper.model_copy(update={"until": six}),
        upper.model_copy(update={"source": "slow", "start": six}),
        lower.model_copy(update={"source": "slow", "start": noon}),
    )
    site = site.model_copy(update={"sources": (*site.sources, slow), "wiring": wiring})
    stored = np.full((24, 1, 1), np.nan, np.float32)
    stored[:6], stored[6:24:6] = 60.0, 90.0
    block = make_block(site, np.full((24, 1, 2), np.nan))
    block["storage"] = (("time", "tube", "layer"), stored)
    result = daily_step(block, site)["daily_storage"].item()
    assert result == pytest.approx((6 * 60 + 18 * 90) / 24)


@pytest.mark.parametrize(("logged", "known"), [(18, True), (17, False)])
def test_before_a_change_a_value_counts_no_longer_than_to_it(
    make_site, make_block, logged, known
):
    """By hand: six-hourly until seven, then hourly: 6 + 1 + 11 hours to 18, just enough."""
    site = make_site(depths_m=(0.1,))
    (wire,) = (w for w in site.wiring if w.quantity in SIGNALS)
    slow = Source(**{**site.sources[0].model_dump(), "id": "slow", "interval_s": 6 * 3600})
    at = site.axis.times(7, 8)[0].astype("datetime64[s]").item().replace(tzinfo=UTC)
    first = wire.model_copy(update={"source": "slow", "until": at})
    second = wire.model_copy(update={"start": at})
    changes = {"sources": (*site.sources, slow), "wiring": (first, second)}
    site = site.model_copy(update=changes)
    theta = np.full((24, 1, 1), 0.2)
    theta[[1, 2, 3, 4, 5, *range(logged, 24)]] = np.nan
    result = daily_step(make_block(site, theta), site)
    assert np.isfinite(result["daily_water_content"].item()) == known


def test_storage_of_a_day_is_the_mean_of_its_values(make_site, make_block):
    site, block = make_hourly(make_site, make_block, days=1)
    storage = np.full((24, 1, 2), 60.0, np.float32)
    storage[12:] = 80.0
    block["storage"] = (("time", "tube", "layer"), storage)
    result = daily_step(block, site)
    assert result["daily_storage"].dims == ("day", "tube", "layer")
    assert result["daily_storage"].values.ravel().tolist() == [70.0, 70.0]


@pytest.mark.parametrize("window", [slice(0, 25), slice(1, 25), slice(0, 0)])
def test_windows_that_are_not_whole_days_are_refused(make_site, make_block, window):
    site, block = make_hourly(make_site, make_block, days=2)
    with pytest.raises(ValueError, match="widen the window to day boundaries"):
        daily_step(block.isel(time=window), site)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), cut=st.integers(1, 5), tube_cut=st.integers(1, 2))
def test_windows_and_blocks_do_not_change_a_bit(make_site, make_block, seed, cut, tube_cut):
    site = make_site(set_in_m=tuple((f"T{i}", 0.0) for i in range(3)))
    random = np.random.default_rng(seed)
    theta = random.uniform(0.05, 0.45, (6 * 24, 3, 6)).astype(np.float32)
    theta[random.random(theta.shape) < 0.2] = np.nan
    block = make_block(site, theta)
    whole = daily_step(block, site)
    parts = xr.combine_by_coords(
        daily_step(block.isel(time=t, tube=p), site)
        for t in (slice(None, cut * 24), slice(cut * 24, None))
        for p in (slice(None, tube_cut), slice(tube_cut, None))
    )
    for name in whole:
        assert whole[name].values.tobytes() == parts[name].values.tobytes()
    assert np.isnan(whole["daily_water_content"]).any()


def test_random_errors_of_a_day_average_out_and_systematic_ones_do_not(make_site, make_block):
    # by hand: 24 independent errors of 0.012, mean 0.012 / sqrt(24) = 0.0024495; 0.02 stays
    site, block = make_hourly(make_site, make_block, days=2)
    block["random_error"] = xr.full_like(block["cleaned_water_content"], 0.012)
    block["systematic_error"] = xr.full_like(block["cleaned_water_content"], 0.02)
    result = daily_step(block, site)
    random, systematic = (result[f"daily_{n}_error"] for n in ("random", "systematic"))
    np.testing.assert_allclose(random, 0.012 / np.sqrt(24), rtol=1e-6)
    np.testing.assert_allclose(systematic, 0.02, rtol=1e-6)
    assert random.attrs["units"] == systematic.attrs["units"] == "m3 m-3"
    assert random.dtype == np.float32


def test_errors_are_of_the_values_that_counted_and_of_complete_days_only(
    make_site, make_block
):
    # by hand: 20 of 24 counted, 0.01 / sqrt(20); the four removed erred ten times as much
    site, block = make_hourly(make_site, make_block, days=2)
    errors = np.full(block["cleaned_water_content"].shape, 0.01, np.float32)
    errors[20:24] = 0.1
    block["random_error"] = (("time", "tube", "depth"), errors)
    block["systematic_error"] = block["random_error"]
    block["cleaned_water_content"][20:24] = np.nan
    block["cleaned_water_content"][30:40] = np.nan
    result = daily_step(block, site)
    random = result["daily_random_error"].values[:, 0, 0]
    np.testing.assert_allclose(random, [0.01 / np.sqrt(20), np.nan], rtol=1e-6)
    systematic = result["daily_systematic_error"].values[:, 0, 0]
    np.testing.assert_allclose(systematic, [0.01, np.nan], rtol=1e-6)
