"""Functions for notebooks and odd forms of the same water: one result, or a clear error.

Expected is what the plain form gives; that this is right is for the tests of each function.
"""

import numpy as np
import pandas as pd
import pint
import pytest
import xarray as xr

from pipeline.derive.event_tables import wetting_events
from pipeline.derive.fronts import wetting_fronts
from pipeline.derive.layers import model_layers
from pipeline.derive.sensor_means import sensor_means
from pipeline.derive.storage import profile_storage
from pipeline.errors import UnitsError

DEPTHS_M = [0.1, 0.3, 0.6]
TIME = pd.date_range("2025-05-01", periods=96, freq="h")
UNITS = pint.UnitRegistry()


def make_water():
    """Return water content of two tubes with a rise at the first sensor, and the depths."""
    coords = {"time": TIME, "tube": ["T1", "T2"], "depth": DEPTHS_M}
    water = xr.DataArray(np.full((96, 2, 3), 0.2), coords, name="theta")
    water[48:, :, 0] += 0.08
    depth = xr.DataArray(DEPTHS_M, {"depth": DEPTHS_M}, name="z", attrs={"units": "m"})
    return water.assign_attrs(units="m3 m-3"), depth


def dataset_of(water, depth):
    error = 0.1 * water
    error = error.assign_attrs(water.attrs)
    quality = xr.DataArray(np.ones(water.shape, np.uint8), water.coords, water.dims)
    return xr.Dataset(
        {
            "cleaned_water_content": water,
            "random_error": error,
            "systematic_error": error,
            "quality": quality,
            "sensor_depth": depth,
        }
    )


FUNCTIONS = {
    "profile_storage": lambda water, z: profile_storage(water, z, {"all": (0, 0.6)}),
    "wetting_events": lambda water, z: wetting_events(water, z)[1],
    "wetting_fronts": lambda water, z: wetting_fronts(water),
    "sensor_means": lambda water, z: sensor_means(dataset_of(water, z), "daily"),
    "model_layers": lambda water, z: model_layers(dataset_of(water, z), [0, 0.2, 0.6]),
}


def read_only(water):
    found = water.copy(deep=True)
    found.values.flags.writeable = False
    return found


def in_percent(water):
    return water.drop_attrs().copy(data=UNITS.Quantity(100 * water.values, "percent"))


FORMS = {
    "another order": lambda water: water.transpose("depth", "tube", "time"),
    "dask": lambda water: water.chunk(time=10, tube=1),
    "read-only": read_only,
    "percent": in_percent,
    "time zone": lambda water: water.assign_coords(
        time=TIME.tz_localize("UTC").tz_convert("Asia/Tokyo")
    ),
    "float32": lambda water: water.astype(np.float32),
    "spelling": lambda water: water.assign_attrs(units="m^3/m^3"),
}


def same(found, expected, name):
    """Raise unless two results agree to the rounding of float32."""
    if isinstance(expected, pd.DataFrame):
        assert len(expected)
        pd.testing.assert_frame_equal(found, expected, rtol=1e-3, atol=1e-5)
        return
    assert expected.count() if isinstance(expected, xr.DataArray) else len(expected)
    if "time" in found.coords and name == "time zone":  # the labels are those that were given
        found = found.assign_coords(time=expected["time"])
    found = found.transpose(*expected.dims)
    xr.testing.assert_allclose(found, expected, rtol=1e-3, atol=1e-5)
    arrays = found.values() if isinstance(found, xr.Dataset) else [found]
    for array in arrays:
        assert not hasattr(array.variable._data, "magnitude")  # plain numbers come back
    if isinstance(found, xr.DataArray):
        assert found.attrs["units"] == expected.attrs["units"]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("function", FUNCTIONS)
def test_the_form_does_not_matter(function, form):
    water, depth = make_water()
    ask = FUNCTIONS[function]
    same(ask(FORMS[form](water), depth), ask(water, depth), form)
    assert water.attrs == {"units": "m3 m-3"}


@pytest.mark.parametrize("function", FUNCTIONS)
def test_nothing_but_missing_readings_gives_nothing(function):
    water, depth = make_water()
    found = FUNCTIONS[function](water.where(False), depth)
    if isinstance(found, pd.DataFrame):
        assert found.empty
        assert "depth_m" in found
        return
    arrays = found.values() if isinstance(found, xr.Dataset) else [found]
    real = [array for array in arrays if array.dtype.kind == "f" and "time" in array.dims]
    assert real
    assert all(array.isnull().all() for array in real)


@pytest.mark.parametrize("function", FUNCTIONS)
def test_another_dimension_and_no_units_are_refused(function):
    water, depth = make_water()
    wrong = water.drop_attrs().copy(data=UNITS.Quantity(water.values, "mm"))
    with pytest.raises(UnitsError, match=r"expected units 'm3 m-3' or others .* millimeter"):
        FUNCTIONS[function](wrong, depth)
    with pytest.raises(UnitsError, match=r"expected units 'm3 m-3', found None; state"):
        FUNCTIONS[function](water.drop_attrs(), depth)


def test_a_selection_that_left_nothing_is_told():
    water, depth = make_water()
    none, of_none = water[..., :0], depth[:0]
    for name in ("profile_storage", "wetting_events", "wetting_fronts"):
        with pytest.raises(
            ValueError, match="'theta': expected one depth or more, found none"
        ):
            FUNCTIONS[name](none, of_none)
    empty = FUNCTIONS["profile_storage"](water[:0], depth)
    assert dict(empty.sizes) == {"time": 0, "tube": 2, "layer": 1}


@pytest.mark.parametrize("name", ["profile_storage", "wetting_events", "model_layers"])
def test_sensors_that_do_not_go_downwards_are_told(name):
    water, depth = make_water()
    turned = [1, 0, 2]
    for readings in (water, 0 * water):  # without an event too
        readings = readings.assign_attrs(units="m3 m-3")[..., turned]
        with pytest.raises(ValueError, match="must increase downwards"):
            FUNCTIONS[name](readings, depth[turned])
