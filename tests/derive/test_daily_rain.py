"""Daily rain: a total is stamped at its end, so that the one of midnight fell before it.

Expected sums are worked by hand. A day is (midnight, next midnight].
"""

from datetime import timedelta

import numpy as np
import pytest
import xarray as xr
from bare_site import START, make_site, make_wire
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.daily_rain import daily_rain_look, daily_rain_step

HOUR_S, DAY_S = 3600, 86_400
BLANK = {"tube": "", "depth_m": None, "quantity": "rain", "unit": "mm", "probe": ""}


def rainy_site(interval_s=HOUR_S, every_s=None, **changes):
    """Return a site with one gauge that logs every ``every_s``, by default each step."""
    logger = make_site().sources[0].model_copy(update={"interval_s": every_s})
    wire = make_wire(channel="r", **BLANK)
    settings = {"interval_s": interval_s, "sources": (logger,), "wiring": (wire,)}
    return make_site(**settings | changes)


def rain_of(site, days, totals, fill=0.0):
    """Return a block of whole days; ``totals`` [mm] by the second of their stamp."""
    steps = days * site.axis.steps_per_day
    values = np.full((steps, 1), fill, np.float32)
    for at_s, total in totals.items():
        values[at_s // site.interval_s] = total
    coords = {"time": site.axis.times(0, steps), "station": ["logger"]}
    return xr.Dataset({"rain": (("time", "station"), values)}, coords)


def sums_of(block, site):
    return daily_rain_step(block, site)["daily_rain"].values[:, 0].tolist()


NONE = pytest.approx(np.nan, nan_ok=True)


@pytest.mark.parametrize("interval_s", [600, HOUR_S])
def test_what_is_stamped_at_midnight_fell_in_the_day_before(interval_s):
    """By hand: 4 mm in the last interval of the first day, 2 mm in the first of the second."""
    site = rainy_site(interval_s)
    totals = {0: 7.0, interval_s: 1.0, DAY_S: 4.0, DAY_S + interval_s: 2.0, 2 * DAY_S: 8.0}
    assert sums_of(rain_of(site, 3, totals), site) == [5.0, 10.0, 0.0]


@pytest.mark.parametrize("interval_s", [600, HOUR_S, DAY_S])
def test_daily_totals_are_those_of_the_day_that_ended(interval_s):
    """By hand: a gauge read at midnight; what it shows is the day's that is over."""
    site = rainy_site(interval_s, every_s=DAY_S)
    block = rain_of(site, 4, {0: 9.0, DAY_S: 3.0, 3 * DAY_S: 5.0}, fill=np.nan)
    assert sums_of(block, site) == [3.0, NONE, 5.0, NONE]


def test_a_total_that_spans_midnight_counts_whole_where_it_ends():
    """A gauge read at nine: much may have fallen the day before, but none is split off."""
    site = rainy_site(every_s=DAY_S)
    nine = 9 * HOUR_S
    block = rain_of(site, 3, {nine: 1.0, DAY_S + nine: 6.0, 2 * DAY_S + nine: 2.0}, np.nan)
    assert sums_of(block, site) == [1.0, 6.0, 2.0]


@pytest.mark.parametrize(("missing", "total"), [(6, 18.0), (7, NONE)])
def test_a_day_that_lacks_too_many_totals_has_no_sum(missing, total):
    """By hand: of 24 hourly totals of 1 mm, 0.75 are 18; that of midnight is one of them."""
    site = rainy_site()
    hours = range(DAY_S - (missing - 1) * HOUR_S, DAY_S + 1, HOUR_S)
    block = rain_of(site, 2, dict.fromkeys(hours, np.nan), fill=1.0)
    assert sums_of(block, site) == [total, 23.0]  # the second day's midnight is yet to come


def test_the_midnight_of_the_day_before_completes_no_day():
    """By hand: 17 totals are its own, the 18th is of the day before."""
    site = rainy_site()
    lost = range(DAY_S + 18 * HOUR_S, 2 * DAY_S + 1, HOUR_S)
    block = rain_of(site, 3, dict.fromkeys(lost, np.nan), fill=1.0)
    assert sums_of(block, site) == [24.0, NONE, 23.0]


def test_an_interval_that_changes_at_midnight_leaves_no_total_out():
    """By hand: hourly to midnight, then every ten minutes: 23 x 6 mm, and 1 mm at midnight.

    From then on 144 x 1 mm a day. A logger set to another interval is a source of its own.
    """
    change = START + timedelta(days=1)
    hourly = make_site().sources[0].model_copy(update={"interval_s": HOUR_S})
    quick = hourly.model_copy(update={"id": "quick", "interval_s": 600})
    wiring = (
        make_wire(channel="r", until=change, **BLANK),
        make_wire(channel="r", source="quick", start=change, **BLANK),
    )
    site = rainy_site(600, sources=(hourly, quick), wiring=wiring)
    values = np.full((3 * 144, 2), np.nan, np.float32)
    values[6:144:6, 0] = 6.0
    values[144:, 1] = 1.0
    coords = {"time": site.axis.times(0, 3 * 144), "station": ["logger", "quick"]}
    block = xr.Dataset({"rain": (("time", "station"), values)}, coords)
    found = daily_rain_step(block, site)["daily_rain"].values
    assert found[:, 0].tolist() == [NONE, NONE, NONE]
    assert found[:, 1].tolist() == [23 * 6.0 + 1.0, 144.0, 143.0]


def test_days_are_those_of_the_sites_own_standard_time():
    """By hand: midnight at UTC-05:00 is 05:00 UTC."""
    start = START + timedelta(hours=5)
    site = rainy_site(start=start, utc_offset_s=-5 * HOUR_S)
    block = rain_of(site, 2, {DAY_S: 4.0})
    result = daily_rain_step(block, site)
    assert result["day"].values[0] == np.datetime64(start.replace(tzinfo=None), "ns")
    assert result["daily_rain"].values[:, 0].tolist() == [4.0, 0.0]


def test_a_site_without_a_gauge_has_days_without_rain():
    """A station that logs air temperature alone."""
    site = rainy_site()
    block = rain_of(site, 2, {}).drop_vars("rain")
    result = daily_rain_step(block, site)["daily_rain"]
    assert result.dims == ("day", "station")
    assert result.isnull().all()


def test_what_comes_out_is_described_and_in_millimetres():
    site = rainy_site()
    result = daily_rain_step(rain_of(site, 1, {}), site)["daily_rain"]
    assert (result.dtype, result.attrs["units"]) == (np.float32, "mm")
    assert daily_rain_look(site) == (0, HOUR_S)


@pytest.mark.parametrize("window", [slice(0, 25), slice(1, 25), slice(0, 0)])
def test_windows_that_are_not_whole_days_are_refused(window):
    site = rainy_site()
    block = rain_of(site, 2, {}).isel(time=window)
    with pytest.raises(ValueError, match="widen the window to day boundaries"):
        daily_rain_step(block, site)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), cut=st.integers(1, 5))
def test_a_window_with_the_day_after_it_gives_the_bits_of_the_whole(seed, cut):
    """As the engine cuts it: by the look, a day more than is written."""
    site = rainy_site()
    random = np.random.default_rng(seed)
    block = rain_of(site, 7, {})
    rain = random.gamma(0.1, 3.0, (7 * 24, 1)).astype(np.float32)
    rain[random.random(rain.shape) < 0.15] = np.nan
    block["rain"] = (("time", "station"), rain)
    whole = daily_rain_step(block, site)["daily_rain"].values
    early = daily_rain_step(block.isel(time=slice(None, (cut + 1) * 24)), site)
    late = daily_rain_step(block.isel(time=slice(cut * 24, None)), site)
    parts = [early["daily_rain"].values[:cut], late["daily_rain"].values]
    assert np.concatenate(parts).tobytes() == whole.tobytes()
