"""Losses by night and by day, and recessions, of arrays with labels: any tubes, any form."""

import numpy as np
import pandas as pd
import pint
import pytest
import xarray as xr

from pipeline.derive.drainage import recession
from pipeline.derive.event_block import Block, Profile
from pipeline.derive.event_tables import wetting_events
from pipeline.derive.uptake import daily_pattern
from pipeline.derive.water_losses import drainage_and_uptake, recession_fit
from pipeline.errors import UnitsError

DEPTHS_M = [0.1, 0.3, 0.6]
DAYS, PLACE = 6, (50.0, 0.0)
DAY = np.timedelta64(1, "D")


def make_losing(tubes=("T1", "T2")):
    """Return water that sinks always and is used by day, and the depths of its sensors.

    Every sensor loses 0.0005 a day always and 0.004 in each day from 7 to 17 h.
    """
    hour = np.arange(DAYS * 144) / 6
    by_day = np.clip(hour % 24 - 7, 0, 10) / 10 + hour // 24
    course = 0.3 - 0.0005 * hour / 24 - 0.004 * by_day
    time = np.datetime64("2025-03-20", "ns") + np.arange(hour.size) * np.timedelta64(10, "m")
    coords = {"time": time, "tube": list(tubes), "depth": DEPTHS_M}
    values = np.broadcast_to(course[:, None, None], (hour.size, len(tubes), 3))
    water = xr.DataArray(values, coords, name="theta", attrs={"units": "m3 m-3"})
    depth = xr.DataArray(DEPTHS_M, {"depth": DEPTHS_M}, name="z", attrs={"units": "m"})
    return water, depth


def test_layers_lose_by_day_what_the_course_says():
    """By hand: 0.004 a day of 0.2 and 0.3 m of soil are 0.8 and 1.2 mm; by night, long after
    a peak, 0.0005 of 0.2 and 0.5 m sink past the second and third sensor, 0.1 and 0.25 mm.
    """
    water, depth = make_losing()
    found = drainage_and_uptake(water, depth, *PLACE)
    assert dict(found.sizes) == {"day": DAYS, "tube": 2, "depth": 3}
    inner = found.isel(day=slice(2, 4))
    np.testing.assert_allclose(inner["uptake"].sel(depth=0.3), 0.8, rtol=1e-5)
    np.testing.assert_allclose(inner["uptake"].sel(depth=0.6), 1.2, rtol=1e-5)
    np.testing.assert_allclose(inner["night_drainage"].sel(depth=0.3), 0.1, rtol=1e-4)
    np.testing.assert_allclose(inner["night_drainage"].sel(depth=0.6), 0.25, rtol=1e-4)
    for name, array in found.items():
        unit = "m3 m-3" if name == "night_water_content" else "mm d-1"
        assert (array.attrs["units"], bool(array.attrs["long_name"])) == (unit, True)


def test_it_is_what_the_bare_arrays_of_a_tube_give():
    """Against `daily_pattern`, value by value."""
    water, depth = make_losing()
    found = drainage_and_uptake(water, depth, *PLACE).sel(tube="T2")
    first_s = int(water["time"].values[0].astype("datetime64[s]").astype(np.int64))
    block = Block(first_s, 600, np.ascontiguousarray(water[:, 1].values.T))
    profile = Profile("T2", np.array(DEPTHS_M), np.array(DEPTHS_M))
    table = daily_pattern(profile, block, PLACE, np.empty(0, np.int64))
    assert len(table) > 9
    for row in table.itertuples():
        cell = found.sel(day=np.datetime64(int(row.day_s), "s"), depth=row.depth_m)
        for name in ("uptake", "uptake_above", "night_drainage"):
            expected = getattr(row, f"{name}_mm_d")
            np.testing.assert_array_equal(cell[name], expected)
    assert int(found["night_water_content"].notnull().sum()) == len(table)


def test_the_form_of_the_input_does_not_matter():
    """Other order, dask, read-only, percent, a time zone, a place as quantity: the same."""
    water, depth = make_losing()
    expected = drainage_and_uptake(water, depth, *PLACE)
    units = pint.UnitRegistry()
    fixed = water.copy(deep=True)
    fixed.values.flags.writeable = False
    zoned = pd.DatetimeIndex(water["time"].values).tz_localize("UTC").tz_convert("Asia/Tokyo")
    turned = water.transpose("depth", "tube", "time")
    for same in (fixed, turned, water.chunk(time=100), water.assign_coords(time=zoned)):
        xr.testing.assert_identical(drainage_and_uptake(same, depth, *PLACE), expected)
    percent = water.drop_attrs().copy(data=units.Quantity(100 * water.values, "percent"))
    radians = units.Quantity(np.radians(50.0), "radian")
    found = drainage_and_uptake(percent, depth, radians, 0)
    xr.testing.assert_allclose(found, expected, atol=1e-6)
    single = drainage_and_uptake(water.astype(np.float32), depth, *PLACE)
    assert single["uptake"].dtype == np.float64
    np.testing.assert_allclose(single["uptake"], expected["uptake"], atol=0.01)


def test_what_is_not_there_has_no_value():
    water, depth = make_losing()
    none = drainage_and_uptake(water.where(False), depth, *PLACE)
    assert all(array.isnull().all() for array in none.values())
    places = {"tube": ["T1", "T2"], "depth": DEPTHS_M}
    real = xr.DataArray(
        [[0.1, np.nan, 0.6], [np.nan] * 3], places, attrs={"units": "m"}, name="z"
    )
    found = drainage_and_uptake(water, real, *PLACE)
    assert found["uptake"].sel(tube="T2").isnull().all()
    assert found["uptake"].sel(depth=0.3).isnull().all()
    # by hand: 0.004 a day of 0.5 m between the sensors that are there
    third = found["uptake"].sel(tube="T1", depth=0.6).isel(day=slice(2, 4))
    np.testing.assert_allclose(third, 2.0, rtol=1e-5)
    alone = drainage_and_uptake(water[..., 1:2], depth[1:2], *PLACE)
    np.testing.assert_allclose(alone["uptake_above"].isel(day=3), 1.35, atol=0.01)
    rain = xr.zeros_like(water[:, 0, 0].drop_vars(["tube", "depth"])).assign_attrs(units="mm")
    rain[3 * 144 + 6] = 5.0  # at one in the night before the fourth day
    wet = drainage_and_uptake(water, depth, *PLACE, rain)
    assert wet["night_drainage"].isel(day=3).isnull().all()
    assert wet["night_drainage"].isel(day=2).notnull().all()


def test_a_last_day_that_is_not_whole_is_left_out():
    water, depth = make_losing()
    found = drainage_and_uptake(water[:-30], depth, *PLACE)
    assert found.sizes["day"] == DAYS - 1
    assert found["day"].values[-1] == water["time"].values[0] + (DAYS - 2) * DAY


@pytest.mark.parametrize(
    ("change", "error", "told"),
    [
        (lambda w: {"water_content": w[:0]}, ValueError, "a day of times or more, found 0"),
        (lambda w: {"water_content": w[:9]}, ValueError, "or more, found 9 times at 600 s"),
        (lambda w: {"water_content": w[::50]}, ValueError, "divides a day, found 30000 s"),
        (lambda w: {"water_content": w[::-1]}, ValueError, "rising times at one interval"),
        (lambda w: {"water_content": w[:, 0]}, ValueError, "expected the dimensions"),
        (lambda w: {"water_content": w.drop_attrs()}, UnitsError, "'theta': expected units"),
        (lambda w: {"water_content": w.values}, TypeError, "expected a DataArray"),
        (lambda w: {"water_content": w[..., ::-1]}, ValueError, "'z': expected the depth of"),
        (lambda w: {"latitude": 95}, ValueError, "'latitude': expected a number from -90"),
        (
            lambda w: {"latitude": pint.Quantity(5, "m")},
            UnitsError,
            "latitude: expected units",
        ),
        (lambda w: {"rain": w}, ValueError, "expected rain of one gauge"),
    ],
)
def test_what_does_not_fit_is_told(change, error, told):
    water, depth = make_losing()
    given = {"water_content": water, "sensor_depth": depth}
    given |= {"latitude": 50, "longitude": 0} | change(water)
    with pytest.raises(error, match=told):
        drainage_and_uptake(**given)


def test_depths_that_do_not_go_downwards_are_told():
    water, depth = make_losing()
    turned = water[..., ::-1]
    with pytest.raises(ValueError, match=r"must increase downwards, found .*; sort by depth"):
        drainage_and_uptake(turned, depth[::-1], *PLACE)


def test_a_tube_that_is_there_twice_is_told():
    water, depth = make_losing(("T1", "T1"))
    for function in (lambda w, d: drainage_and_uptake(w, d, *PLACE), wetting_events):
        with pytest.raises(ValueError, match=r"'theta': expected each tube once, .* of T1"):
            function(water, depth)


def test_recessions_of_many_series_are_those_of_each():
    """By hand: 0.25 + 0.15 exp(-t / 24 h); 5 % of the fall is left after 24 h ln 20."""
    hours = np.arange(0.0, 121.0)
    fall = 0.15 * np.exp(-hours / 24)
    time = np.datetime64("2025-05-01", "ns") + hours.astype(int) * np.timedelta64(1, "h")
    values = np.stack([0.25 + fall, np.full(121, 0.3), np.full(121, np.nan)], axis=1)
    coords = {"time": time, "depth": DEPTHS_M, "tube": "T1"}
    water = xr.DataArray(values, coords, ("time", "depth"), attrs={"units": "m3 m-3"})
    found = recession_fit(water)
    first = found.sel(depth=0.1)
    np.testing.assert_allclose(first["recession_constant"], 24, rtol=1e-4)
    np.testing.assert_allclose(first["drained_water_content"], 0.25, atol=1e-6)
    np.testing.assert_allclose(first["time_to_drained"], 71.9, atol=0.05)
    assert all(array.sel(depth=[0.3, 0.6]).isnull().all() for array in found.values())
    assert [a.attrs["units"] for a in (found["fall"], found["determination"])] == [
        "m3 m-3",
        "1",
    ]
    assert found["tube"] == "T1"
    bare = recession(hours, values[:, 0])
    names = list(found)[:5]
    assert [float(first[name]) for name in names] == list(bare)
    xr.testing.assert_identical(recession_fit(water.T.chunk()), found)
    units = pint.UnitRegistry()
    percent = water.drop_attrs().copy(data=units.Quantity(100 * values, "percent"))
    xr.testing.assert_allclose(recession_fit(percent), found)


def test_recessions_of_odd_series():
    time = np.datetime64("2025-05-01", "ns") + np.arange(3) * DAY
    water = xr.DataArray([0.3, 0.2, 0.1], {"time": time}, attrs={"units": "m3 m-3"})
    assert np.isnan(recession_fit(water)["fall"])
    assert np.isnan(recession_fit(water[:0])["fall"])
    with pytest.raises(ValueError, match="expected times that rise"):
        recession_fit(water[::-1])
    with pytest.raises(ValueError, match="expected the dimension 'time'"):
        recession_fit(water.rename(time="day"))
    with pytest.raises(UnitsError, match="expected units 'm3 m-3'"):
        recession_fit(water.assign_attrs(units="mm"))
