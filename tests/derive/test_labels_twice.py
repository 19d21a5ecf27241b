"""A place that is there twice is refused, and a value without end is none in a mean."""

import numpy as np
import pytest
import xarray as xr

from pipeline.derive.event_tables import wetting_events
from pipeline.derive.fronts import wetting_fronts
from pipeline.derive.layers import model_layers
from pipeline.derive.means import site_mean
from pipeline.derive.sensor_means import sensor_means
from pipeline.derive.stability import relative_differences, stability
from pipeline.derive.storage import profile_storage
from pipeline.derive.water_losses import drainage_and_uptake

DEPTHS_M = [0.1, 0.2]


def make_water(tubes=("T1", "T2", "T1"), depths=DEPTHS_M):
    """Return hourly water content that rises at once on the third day."""
    time = np.datetime64("2025-05-01", "ns") + np.arange(96) * np.timedelta64(1, "h")
    course = np.broadcast_to(
        0.2 + 0.05 * (np.arange(96) >= 48)[:, None, None], (96, len(tubes), len(depths))
    )
    coords = {"time": time, "tube": list(tubes), "depth": list(depths)}
    attrs = {"units": "m3 m-3"}
    return xr.DataArray(course, coords, ("time", "tube", "depth"), "theta", attrs)


def make_dataset(water):
    return xr.Dataset(
        {
            "cleaned_water_content": water,
            "random_error": xr.full_like(water, 0.002),
            "systematic_error": xr.full_like(water, 0.01),
            "quality": xr.ones_like(water).astype(np.uint8),
            "sensor_depth": make_depth(),
        }
    )


def make_depth():
    return xr.DataArray(DEPTHS_M, {"depth": DEPTHS_M}, ("depth",), attrs={"units": "m"})


def make_daily(water):
    days = water.isel(depth=0, drop=True).rename(time="day")
    return days.assign_coords(day=np.arange(96))


ASK = {
    "wetting_fronts": wetting_fronts,
    "wetting_events": lambda water: wetting_events(water, make_depth()),
    "profile_storage": lambda water: profile_storage(water, make_depth(), {"top": (0, 0.2)}),
    "model_layers": lambda water: model_layers(make_dataset(water), [0, 0.2]),
    "sensor_means": lambda water: sensor_means(make_dataset(water)),
    "drainage_and_uptake": lambda water: drainage_and_uptake(water, make_depth(), 50, 10),
    "site_mean": lambda water: site_mean(make_daily(water)),
    "stability": lambda water: stability(make_daily(water)),
    "relative_differences": lambda water: relative_differences(make_daily(water)),
}


@pytest.mark.parametrize("name", ASK)
def test_a_tube_that_is_there_twice_is_refused(name):
    ASK[name](make_water(("T1", "T2", "T3")))
    with pytest.raises(ValueError, match="expected each tube once, found more of T1; drop"):
        ASK[name](make_water())


def test_fronts_of_two_sensors_of_one_name_are_refused():
    with pytest.raises(ValueError, match=r"expected each depth once, found more of 0\.1"):
        wetting_fronts(make_water(("T1",), (0.1, 0.1)))


@pytest.mark.parametrize("endless", [np.inf, -np.inf])
def test_an_endless_value_counts_as_missing_in_a_mean_over_tubes(endless):
    # by hand: offsets are -0.05, 0 and 0.05; where the third is missing they stand in for it
    table = 0.25 + np.array([-0.05, 0.0, 0.05]) + np.linspace(0, 0.02, 30)[:, None]
    table[7, 2] = endless
    coords = {"day": np.arange(30), "tube": ["T1", "T2", "T3"]}
    values = xr.DataArray(table, coords, ("day", "tube"), attrs={"units": "m3 m-3"})
    found = site_mean(values)
    expected = 0.25 + np.linspace(0, 0.02, 30)
    np.testing.assert_allclose(found["mean"], expected, rtol=0, atol=1e-12)
    assert found["measured"].values[[6, 7]].tolist() == [3, 2]
    offset = stability(values)["offset"].values
    np.testing.assert_allclose(offset, [-0.05, 0.0, 0.05], rtol=0, atol=1e-12)
