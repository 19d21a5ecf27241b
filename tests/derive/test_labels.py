"""Arrays that do not fit together are refused: kernels go by position, not by label."""

import numpy as np
import pandas as pd
import pint
import pytest
import xarray as xr

from pipeline.derive.event_tables import wetting_events
from pipeline.derive.fronts import wetting_fronts
from pipeline.derive.layers import model_layers
from pipeline.derive.limits import sensor_limits
from pipeline.derive.limits_water import relative_available_water
from pipeline.derive.means import site_mean
from pipeline.derive.sensor_means import LayerRules, sensor_means
from pipeline.derive.stability import relative_differences, stability
from pipeline.derive.storage import profile_storage
from pipeline.derive.weights import EndRules
from pipeline.qc.flags import describe_quality
from pipeline.qc.univariate import flag_flat_line, flag_rate_of_change

DEPTHS_M = [0.1, 0.2, 0.4]
LAYERS = {"profile": (0.0, 0.4)}


def make_water(steps=96, interval_min=15):
    """Return water content of two tubes that rises with depth, the depths, and rain."""
    time = np.datetime64("2025-05-01", "ns") + np.arange(steps) * np.timedelta64(
        interval_min, "m"
    )
    coords = {"time": time, "tube": ["T1", "T2"], "depth": DEPTHS_M}
    profile = np.broadcast_to([0.1, 0.2, 0.3], (steps, 2, 3))
    water = xr.DataArray(profile, coords, ("time", "tube", "depth"), "theta")
    places = {"tube": coords["tube"], "depth": DEPTHS_M}
    depth = xr.DataArray([DEPTHS_M, DEPTHS_M], places, ("tube", "depth"), "sensor_depth")
    rain = xr.DataArray(np.zeros(steps), {"time": time}, "time", "rain")
    return (
        water.assign_attrs(units="m3 m-3"),
        depth.assign_attrs(units="m"),
        rain.assign_attrs(units="mm"),
    )


def make_daily():
    table = np.random.default_rng(1).uniform(0.1, 0.4, (30, 3))
    coords = {"day": np.arange(30), "tube": ["T1", "T2", "T3"]}
    return xr.DataArray(table, coords, ("day", "tube"), "theta", {"units": "m3 m-3"})


def test_storage_refuses_depths_in_another_order():
    water, depth, _ = make_water()
    turned = water.isel(depth=[2, 1, 0])
    with pytest.raises(
        ValueError, match=r"'sensor_depth': .*depth of 'theta', 0.4, found 0.1"
    ):
        profile_storage(turned, depth, LAYERS)


def test_storage_refuses_fewer_depths():
    water, depth, _ = make_water()
    with pytest.raises(ValueError, match=r"the depth of 'theta', 2, found 3"):
        profile_storage(water.isel(depth=[0, 1]), depth, LAYERS)


def test_storage_takes_the_tubes_it_needs_and_misses_none():
    water, depth, _ = make_water()
    expected = [0.1 * 100 + 0.15 * 100 + 0.25 * 200] * 2
    turned = profile_storage(water, depth.isel(tube=[1, 0]), LAYERS)
    assert turned["tube"].values.tolist() == ["T1", "T2"]
    np.testing.assert_allclose(turned[0, :, 0], expected, rtol=0, atol=1e-12)
    with pytest.raises(ValueError, match="found none of T2"):
        profile_storage(water, depth.isel(tube=[0]), LAYERS)
    with pytest.raises(ValueError, match="each tube once, found more of T1"):
        profile_storage(water, depth.isel(tube=[0, 0, 1]), LAYERS)


def test_one_tube_selected_from_many_has_its_own_depths_and_no_other():
    water, depth, _ = make_water()
    depth = depth.assign_coords(tube=["T2", "T1"]) * [[1], [0.5]]
    depth = depth.assign_attrs(units="m")
    layers = {"top": (0.0, 0.2)}
    found = profile_storage(water.sel(tube="T1"), depth, layers)
    # By hand: T1 has its sensors at 5, 10 and 20 cm; 0.1 above, then 0.15 and 0.25.
    assert found.dims == ("time", "layer")
    np.testing.assert_allclose(found, 0.1 * 50 + 0.15 * 50 + 0.25 * 100, rtol=0, atol=1e-12)
    with pytest.raises(ValueError, match=r"'sensor_depth': .*one tube, .* found 2 tubes"):
        profile_storage(water.isel(tube=0, drop=True), depth, layers)
    with pytest.raises(ValueError, match="found none of T2"):
        profile_storage(water.sel(tube="T2"), depth.sel(tube="T1"), layers)


def test_a_sensor_in_the_air_has_no_part_in_storage_and_in_events():
    water, depth, _ = make_water()
    raised = depth * 1.0
    raised[:, 0] = -0.05
    raised = raised.assign_attrs(units="m")
    found = profile_storage(water, raised, {"top": (0.0, 0.1)})
    np.testing.assert_allclose(found, 0.2 * 100, rtol=0, atol=1e-12)  # that of the second
    rising = water + 0.05 * (np.arange(96) >= 48)[:, None, None]
    _, sensors = wetting_events(rising.assign_attrs(units="m3 m-3"), raised)
    assert sensors["depth_m"].unique().tolist() == [0.2, 0.4]


def test_an_end_rule_with_a_typing_error_is_refused():
    water, depth, _ = make_water()
    with pytest.raises(ValueError, match=r"expected each of .*found {'non'}"):
        profile_storage(water, depth, LAYERS, EndRules(below="non"))


def test_layers_that_are_none_are_refused():
    water, depth, _ = make_water()
    with pytest.raises(TypeError, match=r"expected a mapping of name to .*found list"):
        profile_storage(water, depth, [(0.0, 0.4)])
    with pytest.raises(ValueError, match=r"layer 'a': expected \(top, bottom\)"):
        profile_storage(water, depth, {"a": (0.0, 0.2, 0.4)})
    with pytest.raises(TypeError, match="expected a DataArray with units 'm3 m-3', found nd"):
        profile_storage(water.values, depth, LAYERS)


def test_layers_may_have_bounds_with_units():
    water, depth, _ = make_water()
    bounds = pint.UnitRegistry().Quantity([0, 40], "cm")
    expected = profile_storage(water, depth, LAYERS)
    np.testing.assert_array_equal(profile_storage(water, depth, {"a": bounds}), expected)


def test_a_quantity_counts_by_its_own_units_whatever_its_attribute_says():
    water, depth, _ = make_water()
    units = pint.UnitRegistry()
    stale = water.copy(data=units.Quantity(100 * water.values, "percent"))
    assert stale.attrs["units"] == "m3 m-3"
    far = depth.copy(data=units.Quantity(100 * depth.values, "cm"))
    expected = profile_storage(water, depth, LAYERS)
    np.testing.assert_allclose(profile_storage(stale, far, LAYERS), expected, rtol=1e-12)
    held = xr.DataArray(units.Quantity([2.0], "cm"), dims="layer", attrs={"units": "1"})
    np.testing.assert_allclose(relative_available_water(held, 30.0, 10.0), [0.5])


def make_layers_dataset(water, depth):
    """Return what `model_layers` asks for."""
    error = (water * 0 + 0.01).assign_attrs(units="m3 m-3")
    return xr.Dataset(
        {
            "cleaned_water_content": water,
            "random_error": error,
            "systematic_error": error,
            "quality": xr.ones_like(water, np.uint8),
            "sensor_depth": depth,
        }
    )


def ask_of_times(water, depth):
    """Return results of every function that reckons with times."""
    dataset = make_layers_dataset(water, depth)
    daily = model_layers(dataset, [0, 0.4], step="daily")
    return {
        "layers": daily["layer_storage"],
        "native": model_layers(dataset, [0, 0.4])["layer_storage"],
        "fronts": wetting_fronts(water),
        "events": wetting_events(water, depth)[0],
        "rate": flag_rate_of_change(water, 0.05),
        "flat": flag_flat_line(water, 3),
    }


def test_times_of_a_zone_are_taken_for_the_instants_they_are():
    water, depth, _ = make_water()
    water = water + 0.05 * (np.arange(96) >= 48)[:, None, None]
    water = water.assign_attrs(units="m3 m-3")
    index = pd.DatetimeIndex(water["time"].values, tz="UTC").tz_convert("Etc/GMT-5")
    expected = ask_of_times(water, depth)
    found = ask_of_times(water.assign_coords(time=index), depth)
    assert len(expected["events"]) == 2
    for name in ("fronts", "events"):
        pd.testing.assert_frame_equal(found[name], expected[name])
    for name in ("layers", "native"):
        xr.testing.assert_identical(found[name], expected[name])
    for name in ("rate", "flat"):
        np.testing.assert_array_equal(found[name], expected[name])


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda x: x.drop_vars("time"), "'time': expected .*instants.*found int64"),
        (lambda x: x.assign_coords(time=np.arange(96) / 4), "found float64"),
        (lambda x: x.assign_coords(time=x["time"].where(x["time"] != x["time"][5])), "NaT"),
    ],
)
@pytest.mark.parametrize("name", ["model_layers", "wetting_fronts", "wetting_events", "flag"])
def test_times_that_are_no_instants_are_refused(change, told, name):
    water, depth, _ = make_water()
    ask = {
        "model_layers": lambda x: model_layers(make_layers_dataset(x, depth), [0, 0.4]),
        "wetting_fronts": wetting_fronts,
        "wetting_events": lambda x: wetting_events(x, depth),
        "flag": lambda x: flag_flat_line(x, 3),
    }[name]
    with pytest.raises(ValueError, match=told):
        ask(change(water))


def test_times_that_show_no_interval_make_no_day_incomplete_in_silence():
    water, depth, _ = make_water(192)
    dataset = make_layers_dataset(water, depth)
    odd = dataset["time"].values.copy()
    odd[5] += np.timedelta64(1, "s")
    stray = dataset.assign_coords(time=odd)
    with pytest.raises(ValueError, match=r"'time': steps of 899 to 901 s, .*interval_s"):
        model_layers(stray, [0, 0.4], step="daily")
    quarter = pint.UnitRegistry().Quantity(15, "min")
    stated = model_layers(stray, [0, 0.4], "daily", rules=LayerRules(interval_s=quarter))
    holed = model_layers(dataset.isel(time=np.r_[0:40, 50:192]), [0, 0.4], step="daily")
    for found in (stated, holed):
        np.testing.assert_allclose(found["layer_storage"][..., 0], 75, rtol=0, atol=1e-9)


@pytest.mark.parametrize("step", ["native", "hourly", "daily"])
def test_no_times_give_no_layers(step):
    water, depth, _ = make_water()
    dataset = make_layers_dataset(water, depth).isel(time=slice(0))
    assert dict(model_layers(dataset, [0, 0.4], step=step).sizes)["time"] == 0


def test_what_is_described_anew_leaves_the_input_as_it_was():
    flag = xr.DataArray(np.array([1], np.uint8), dims="time", name="own", attrs={"a": 1})
    assert describe_quality(flag).attrs["units"] == "1"
    assert (flag.name, flag.attrs) == ("own", {"a": 1})


def test_depths_rounded_to_single_precision_are_the_same_depths():
    water, depth, _ = make_water()
    single = depth.assign_coords(depth=np.array(DEPTHS_M, np.float32))
    expected = profile_storage(water, depth, LAYERS)
    np.testing.assert_array_equal(profile_storage(water, single, LAYERS), expected)


@pytest.mark.parametrize("change", ["shifted", "shorter", "of two gauges"])
def test_events_refuse_rain_that_is_not_on_their_times(change):
    water, depth, rain = make_water()
    odd = {
        "shifted": rain.assign_coords(time=rain["time"] + np.timedelta64(1, "D")),
        "shorter": rain.isel(time=slice(50)),
        "of two gauges": rain.expand_dims(station=2),
    }[change]
    with pytest.raises(ValueError, match=r"'rain': expected .*time"):
        wetting_events(water, depth, odd)


def test_events_refuse_times_that_are_not_at_one_interval():
    water, depth, _ = make_water()
    holed = water.isel(time=np.r_[0:40, 60:96])
    with pytest.raises(ValueError, match="steps of 900 to 18900 s"):
        wetting_events(holed, depth)
    with pytest.raises(ValueError, match="expected two or more times, found 1"):
        wetting_events(water.isel(time=[0]), depth)
    with pytest.raises(ValueError, match="expected two or more times, found 0"):
        wetting_events(water.isel(time=slice(0)), depth)


def test_a_record_without_events_gives_tables_with_their_columns():
    water, depth, rain = make_water()
    rising = (water + 0.05 * (np.arange(96) >= 48)[:, None, None]).assign_attrs(water.attrs)
    for found, expected in zip(
        wetting_events(water, depth, rain), wetting_events(rising, depth, rain), strict=True
    ):
        assert len(found) == 0
        assert len(expected) > 0
        assert found.dtypes.to_dict() == expected.dtypes.to_dict()


def test_depths_of_a_probe_hold_for_every_tube():
    water, depth, _ = make_water()
    rising = (water + 0.05 * (np.arange(96) >= 48)[:, None, None]).assign_attrs(water.attrs)
    expected = wetting_events(rising, depth)
    found = wetting_events(rising, depth.isel(tube=0, drop=True))
    pd.testing.assert_frame_equal(found[1], expected[1])


ASK = {
    "wetting_fronts": lambda water, depth: wetting_fronts(water),
    "wetting_events": wetting_events,
    "model_layers": lambda water, depth: model_layers(
        make_layers_dataset(water, depth), [0, 0.4]
    ),
}


@pytest.mark.parametrize("name", ASK)
def test_a_dimension_that_lacks_is_named(name):
    water, depth, _ = make_water()
    told = r"expected the dimensions \('time', 'tube', 'depth'\), found \('time', 'depth'\)"
    with pytest.raises(ValueError, match=told):
        ASK[name](water.sel(tube="T1"), depth)


def test_means_name_the_dimension_that_lacks():
    values = make_daily().rename(day="time")
    for ask in (site_mean, stability, relative_differences):
        with pytest.raises(ValueError, match=r"'theta': expected the dimensions \('day',"):
            ask(values)


def test_layers_name_the_variable_that_lacks_and_the_rule_that_is_none():
    dataset = make_layers_dataset(*make_water()[:2])
    with pytest.raises(ValueError, match=r"expected variables .*found no quality, random_err"):
        model_layers(dataset.drop_vars(["random_error", "quality"]), [0, 0.4])
    with pytest.raises(TypeError, match="expected a Dataset, found DataArray"):
        model_layers(dataset["quality"], [0, 0.4])
    with pytest.raises(ValueError, match="'none' or 'bridge', found 'bridged'"):
        LayerRules(missing_sensor="bridged")
    with pytest.raises(ValueError, match="a share from 0 to 1, found 75"):
        LayerRules(completeness=75)


@pytest.mark.parametrize("step", ["native", "hourly", "daily"])
def test_means_of_sensors_give_the_layers_that_the_dataset_gives(step):
    water, depth, _ = make_water(192)
    course = water + 0.05 * np.sin(np.arange(192) / 9)[:, None, None]
    dataset = make_layers_dataset(course.assign_attrs(water.attrs), depth)
    dataset = dataset.isel(time=slice(20, None))  # of the first day less than asked for
    means = sensor_means(dataset, step, LayerRules(completeness=0.8))
    expected = model_layers(dataset, [0, 0.4], step, rules=LayerRules(completeness=0.8))
    found = model_layers(means, [0, 0.4])
    for name in ("layer_storage", "layer_random_error", "layer_systematic_error"):
        np.testing.assert_array_equal(found[name], expected[name])
    np.testing.assert_array_equal(means["time"], expected["time"])
    if step == "daily":
        last = course.isel(time=slice(96, None)).mean("time")
        np.testing.assert_allclose(means["cleaned_water_content"][1], last, rtol=1e-12)
        np.testing.assert_allclose(means["random_error"][1], 0.01 / np.sqrt(96), rtol=1e-12)
        assert means["quality"][:, 0, 0].values.tolist() == [9, 1]
        assert means["cleaned_water_content"].attrs["cell_methods"] == "time: mean"
        assert sensor_limits(means["cleaned_water_content"][:, 0, 0]).highest > 0.1


def test_a_reading_whose_flag_is_masked_is_none():
    dataset = make_layers_dataset(*make_water()[:2])
    masked = dataset.where(dataset["time"] > dataset["time"][0])
    found = model_layers(masked.assign(sensor_depth=dataset["sensor_depth"]), [0, 0.4])
    assert found["layer_quality"][:2, 0, 0].values.tolist() == [9, 1]


@pytest.mark.parametrize(
    ("days", "told"),
    [(range(29, -1, -1), "steps of -1 to -1 days"), (range(0, 60, 2), "2 to 2")],
)
def test_days_that_do_not_follow_each_other_are_refused(days, told):
    at = np.datetime64("2025-05-01", "ns") + np.array(days) * np.timedelta64(1, "D")
    values = make_daily().assign_coords(day=at)
    with pytest.raises(ValueError, match=f"'day': expected each day after .*{told}"):
        stability(values)
    with pytest.raises(ValueError, match=told):
        sensor_limits(values[:, 0])
    with pytest.raises(ValueError, match=r"of one sensor, .* found 2 dimensions"):
        sensor_limits(values)


def test_columns_of_means_and_stability_say_what_they_are():
    values = make_daily()
    for found in (site_mean(values), stability(values)):
        assert all(column.attrs["long_name"] for column in found.values())


@pytest.mark.parametrize(
    ("change", "told"),
    [({"tube": [2, 1, 0]}, "tube of 'theta', T1, found T3"), ({"day": [0]}, "30, found 1")],
)
def test_a_mean_refuses_errors_of_other_tubes_or_days(change, told):
    values = make_daily()
    error = (values * 0 + 0.01).rename("error").assign_attrs(units="m3 m-3")
    with pytest.raises(ValueError, match=told):
        site_mean(values, error.isel(change))


def test_means_and_stability_take_quantities():
    values = make_daily()
    units = pint.UnitRegistry()
    share = units.Quantity(100 * values.values, "percent")
    quantity = values.drop_attrs().copy(data=share)
    stored = values.drop_attrs().copy(data=units.Quantity(10 * values.values, "cm"))
    assert site_mean(quantity)["mean"].attrs["units"] == "m3 m-3"
    np.testing.assert_allclose(site_mean(quantity)["mean"], site_mean(values)["mean"])
    mean = site_mean(stored)["mean"]
    assert mean.attrs["units"] == "mm"
    np.testing.assert_allclose(mean, 100 * site_mean(values)["mean"])
    np.testing.assert_allclose(relative_differences(stored), relative_differences(values))
    np.testing.assert_allclose(stability(quantity)["offset"], stability(values)["offset"])


def test_stored_water_as_an_array_of_quantities_is_known_for_a_length():
    units = pint.UnitRegistry()
    held = xr.DataArray(units.Quantity([2.0], "cm"), dims="layer")
    found = relative_available_water(held, units.Quantity(30, "mm"), units.Quantity(1, "cm"))
    np.testing.assert_allclose(found, [0.5])
