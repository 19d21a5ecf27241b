"""Stored water of tubes whose sensors log at two intervals, where missing ones are bridged."""

import numpy as np
import pytest

from pipeline.derive.daily import daily_step
from pipeline.derive.layers import model_layers
from pipeline.derive.sensor_means import LayerRules
from pipeline.derive.storage import storage_look, storage_step

QUARTER_S, STEPS = 900, 96
DEPTHS_M = (0.1, 0.2, 0.3)
SLOW = 1  # the sensor at 20 cm logs once an hour


@pytest.fixture
def site(make_site):
    """Return a tube whose middle sensor is another source's, once an hour."""
    bare = make_site(
        depths_m=DEPTHS_M,
        layers=(("top", 0.0, 0.3),),
        interval_s=QUARTER_S,
        missing_sensor="bridge",
    )
    hourly = bare.sources[0].model_copy(update={"id": "slow", "interval_s": 3600})
    wiring = [
        wire.model_copy(update={"source": "slow"}) if wire.depth_m == DEPTHS_M[SLOW] else wire
        for wire in bare.wiring
    ]
    return bare.model_copy(
        update={"sources": (*bare.sources, hourly), "wiring": tuple(wiring)}
    )


def record(lost=slice(0, 0)):
    """Return 0.2, 0.4, 0.2 downwards, with readings of the middle sensor lost."""
    theta = np.tile([0.2, np.nan, 0.2], (STEPS, 1, 1))
    theta[::4, :, SLOW] = 0.4
    theta[lost, :, SLOW] = np.nan
    return theta


def test_a_sensor_is_not_missing_between_its_readings(site, make_block):
    # by hand: 20 cm at 0.2, 0.3, 0.3 in the mean of each 10 cm: 20 + 30 + 30 = 80 mm; by the
    # sensors around alone it would be 60 mm at three steps of four, and 65 in the mean.
    block = make_block(site, record())
    found = storage_step(block, site)
    storage = found["storage"].values[:, 0, 0]
    np.testing.assert_allclose(storage[::4], 80.0, rtol=1e-6)
    assert np.isnan(np.delete(storage, np.s_[::4])).all()
    assert set(found["storage_quality"].values[::4].ravel()) == {1}
    day = daily_step(block.assign(found), site)["daily_storage"]
    assert day.values.ravel().tolist() == pytest.approx([80.0])


@pytest.mark.parametrize("step", ["native", "hourly", "daily"])
def test_layers_of_a_model_go_by_the_same_rule(site, make_block, step):
    block = make_block(site, record(8))
    data = block.assign(sensor_depth=("depth", list(DEPTHS_M), {"units": "m"}))
    for name in ("random_error", "systematic_error"):
        data[name].attrs["units"] = "m3 m-3"
    every = np.array([[QUARTER_S, 3600, QUARTER_S]])
    rules = LayerRules(missing_sensor="bridge", interval_s=every)
    found = model_layers(data, [(0, 0.3)], step, rules=rules)
    storage = found["layer_storage"].values[:, 0, 0]
    if step == "native":
        expected = storage_step(block, site)["storage"].values[:, 0, 0]
        np.testing.assert_allclose(storage, expected, rtol=1e-6)
        assert set(found["layer_quality"].values[[1, 2, 3]].ravel()) == {9}
    else:  # by hand: the lost reading is of the third hour; days have 23 of 24
        whole = [80.0] * 2 + [60.0] + [80.0] * 21 if step == "hourly" else [80.0]
        np.testing.assert_allclose(storage, whole, rtol=1e-6)


def test_a_lost_reading_and_a_dead_sensor_are_bridged(site, make_block):
    # by hand: the reading of step 8 alone is lost; from step 41 on the sensor is dead, and
    # missing from step 44 on, when it was due.
    storage = storage_step(make_block(site, record(8)), site)["storage"].values[:, 0, 0]
    np.testing.assert_allclose(storage[[4, 8, 12]], [80.0, 60.0, 80.0], rtol=1e-6)
    assert np.isnan(storage[[5, 6, 7, 9, 10, 11]]).all()
    found = storage_step(make_block(site, record(slice(41, None))), site)
    storage = found["storage"].values[:, 0, 0]
    assert np.isnan(storage[41:44]).all()
    np.testing.assert_allclose(storage[44:], 60.0, rtol=1e-6)
    assert set(found["storage_quality"].values[44:].ravel()) == {3}


def test_a_step_depends_on_what_it_says_it_looks_at(site, make_block):
    assert storage_look(site) == (3600, 3600)
    block = make_block(site, record(slice(41, None)))
    whole = storage_step(block, site)["storage"].values
    for step in (8, 40, 43, 44, 60):
        part = block.isel(time=slice(step - 4, step + 5))
        np.testing.assert_array_equal(
            storage_step(part, site)["storage"].values[4], whole[step]
        )
