"""Layer storage against identities worked by hand and the law of propagation of errors."""

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive import storage
from pipeline.derive.spacing import VARIOGRAM, Slopes
from pipeline.derive.storage import (
    EndRules,
    layer_weights,
    profile_storage,
    storage_look,
    storage_step,
)
from pipeline.errors import UnitsError
from pipeline.variables import VARIABLES

# A profile for the identity of the trapezoidal and the mid-point rule (ours, by hand).
DEPTHS_M = (0.10, 0.20, 0.30, 0.40, 0.60, 1.00)
THETA = (0.18, 0.22, 0.25, 0.27, 0.30, 0.31)
KNOWN = EndRules("constant", "constant")

sensor_depths = st.lists(st.integers(1, 200), min_size=1, max_size=8, unique=True).map(
    lambda cm: [d / 100 for d in sorted(cm)]
)
layer_edges = st.lists(st.integers(0, 250), min_size=2, max_size=2, unique=True).map(
    lambda cm: (min(cm) / 100, max(cm) / 100)
)


def storage_mm(depths_m, theta, layer, rules=KNOWN):
    return float(1000 * layer_weights(depths_m, [layer], rules)[0] @ np.asarray(theta))


def make_water(theta, units="m3 m-3"):
    """Return water content over depth, and the depths, with units attached."""
    water = xr.DataArray(list(theta), dims="depth", attrs={"units": units}, name="theta")
    depth = xr.DataArray(list(DEPTHS_M), dims="depth", attrs={"units": "m"}, name="z")
    return water, depth


def test_trapezoid_between_the_first_and_last_sensor_is_248_5_mm():
    # by hand: 1/2 sum (theta_i + theta_i+1)(z_i+1 - z_i), 10 to 100 cm
    assert storage_mm(DEPTHS_M, THETA, (0.1, 1.0)) == pytest.approx(248.5, abs=1e-9)


def test_constant_top_adds_the_first_sensor_times_its_depth_266_5_mm():
    # by hand: 248.5 + 1000 * 0.18 * 0.10; the mid-point rule with layer edges at
    # 0 15 25 35 50 80 100 cm gives the same, also by hand
    edges = np.array([0, 0.15, 0.25, 0.35, 0.50, 0.80, 1.00])
    midpoint = 1000 * np.diff(edges) @ np.array(THETA)
    assert midpoint == pytest.approx(266.5, abs=1e-9)
    assert storage_mm(DEPTHS_M, THETA, (0.0, 1.0)) == pytest.approx(266.5, abs=1e-9)


def test_layer_that_ends_between_sensors_takes_part_of_the_segment():
    # by hand: 0.10 to 0.15 m of the line from 0.20 to 0.30: 0.05 * (0.20 + 0.25) / 2 m
    assert storage_mm((0.1, 0.2), (0.2, 0.3), (0.10, 0.15)) == pytest.approx(11.25, abs=1e-9)


def test_tube_set_in_deeper_shifts_its_sensors(make_site, make_block):
    # by hand: sensors at 10 and 20 cm in a tube set 5 cm deeper are at 15 and 25 cm. Layer
    # 0-20 cm: 15 cm of 0.20 and 5 cm of the line from 0.20 to 0.30, mean 0.225: 41.25 mm.
    # At nominal depths: 10 cm of 0.20 and 10 cm with mean 0.25: 45 mm.
    tubes = (("A1", 0.0), ("B1", 0.05))
    site = make_site(depths_m=(0.1, 0.2), set_in_m=tubes, layers=(("top", 0.0, 0.2),))
    block = make_block(site, [[[0.2, 0.3], [0.2, 0.3]]])
    result = storage_step(block, site)
    np.testing.assert_allclose(result["storage"].values[0, :, 0], [45.0, 41.25], rtol=1e-6)


def test_sensor_above_the_surface_has_no_part(make_site, make_block):
    # by hand: the tube stands 15 cm proud, so the 10-cm sensor is in the air; the 30-cm
    # sensor is at 15 cm and the layer 0-10 cm is constant at its 0.30: 30 mm
    site = make_site(
        depths_m=(0.1, 0.3), set_in_m=(("A1", -0.15),), layers=(("top", 0.0, 0.1),)
    )
    result = storage_step(make_block(site, [[[0.02, 0.3]]]), site)
    assert result["storage"].item() == pytest.approx(30.0, rel=1e-6)


@pytest.mark.parametrize(
    ("rules", "layer", "known"),
    [
        (EndRules("none", "none"), (0.0, 0.5), False),
        (EndRules("none", "none"), (0.1, 1.0), True),
        (EndRules("constant", "none"), (0.0, 1.0), True),
        (EndRules("constant", "none"), (0.0, 1.01), False),
        (EndRules("constant", "constant"), (0.0, 1.5), True),
        (EndRules("none", "constant"), (1.2, 1.5), True),
        (EndRules("constant", "none"), (1.2, 1.5), False),
    ],
)
def test_layers_beyond_the_sensors_follow_the_rules(rules, layer, known):
    weights = layer_weights(DEPTHS_M, [layer], rules)
    assert np.isfinite(weights).all() == known
    assert np.isnan(weights).all() == (not known)


def test_layer_below_all_sensors_is_constant_never_a_continued_slope():
    assert storage_mm(DEPTHS_M, THETA, (1.2, 1.5)) == pytest.approx(300 * 0.31, abs=1e-9)


def test_tube_without_sensors_has_no_storage():
    assert np.isnan(layer_weights([np.nan, np.nan], [(0.0, 0.3)], KNOWN)).all()


@pytest.mark.parametrize("depths", [[0.2, 0.1], [0.1, 0.1]])
def test_sensors_out_of_order_are_refused(depths):
    with pytest.raises(ValueError, match="must increase downwards"):
        layer_weights(depths, [(0.0, 0.3)])


@pytest.mark.parametrize("layer", [(0.3, 0.3), (0.3, 0.1), (-0.1, 0.2)])
def test_layers_upside_down_or_in_the_air_are_refused(layer):
    with pytest.raises(ValueError, match="0 <= top < bottom"):
        layer_weights(DEPTHS_M, [layer])


@given(depths=sensor_depths, layer=layer_edges, theta=st.floats(0, 1))
def test_constant_profile_stores_water_content_times_thickness(depths, layer, theta):
    stored = storage_mm(depths, [theta] * len(depths), layer)
    assert stored == pytest.approx(1000 * theta * (layer[1] - layer[0]), abs=1e-9)


@given(depths=sensor_depths, layer=layer_edges)
def test_weights_are_never_negative_and_add_up_to_the_thickness(depths, layer):
    weights = layer_weights(depths, [layer], KNOWN)[0]
    assert (weights >= 0).all()
    assert weights.sum() == pytest.approx(layer[1] - layer[0], abs=1e-9)


@given(depths=sensor_depths, layer=layer_edges, cut=st.floats(0.1, 0.9))
def test_a_layer_holds_what_its_two_parts_hold(depths, layer, cut):
    top, bottom = layer
    middle = top + cut * (bottom - top)
    whole, upper, lower = layer_weights(
        depths, [layer, (top, middle), (middle, bottom)], KNOWN
    )
    np.testing.assert_allclose(upper + lower, whole, rtol=0, atol=1e-8)


def test_layer_needs_exactly_the_sensors_with_weight(make_site, make_block):
    site = make_site(layers=(("top", 0.0, 0.3),))
    deep_missing = [[[0.1, 0.2, 0.3, np.nan, np.nan, np.nan]]]
    shallow_missing = [[[np.nan, 0.2, 0.3, 0.3, 0.3, 0.3]]]
    assert storage_step(make_block(site, deep_missing), site)["storage_quality"].item() == 1
    result = storage_step(make_block(site, shallow_missing), site)
    assert np.isnan(result["storage"].item())
    assert np.isnan(result["storage_random_error"].item())
    assert result["storage_quality"].item() == 9


@pytest.mark.parametrize(
    ("quality", "expected"),
    [
        ([1, 1, 1, 3, 1, 1], 1),  # the suspect sensor has no part in 0-30 cm
        ([1, 3, 1, 1, 1, 1], 3),
        ([2, 1, 1, 1, 1, 1], 2),
        ([2, 3, 1, 1, 1, 1], 3),
        ([9, 1, 1, 1, 1, 1], 9),
    ],
)
def test_layer_is_as_doubtful_as_its_most_doubtful_sensor(
    make_site, make_block, quality, expected
):
    site = make_site(layers=(("top", 0.0, 0.3),))
    result = storage_step(make_block(site, [[[0.2] * 6]], quality=quality), site)
    assert result["storage_quality"].item() == expected
    assert np.isnan(result["storage"].item()) == (expected == 9)


FOUR = {
    "depths_m": (0.1, 0.3, 0.5, 0.7),
    "layers": (("four", 0.0, 0.8),),
    "below_last_sensor": "constant",
}


def test_random_errors_add_in_quadrature_and_systematic_ones_fully(
    make_site, make_block, monkeypatch
):
    # by hand: four sensors that each stand for 200 mm, u = 0.02: 200 * 0.02 * sqrt(4) = 8.0 mm
    # independent, 4 * 200 * 0.02 = 16.0 mm fully correlated (GUM equations 10 and 16).
    # Linear interpolation gives four equal weights when the layer's edges lie half a spacing
    # beyond the outer sensors and both ends are constant.
    monkeypatch.setattr(storage, "VARIOGRAM", Slopes(0.0, 0.0, 0.0, 0.0))
    site = make_site(**FOUR)
    block = make_block(site, [[[0.2, 0.3, 0.25, 0.3]]], random=0.02, systematic=0.02)
    result = storage_step(block, site)
    assert result["storage_random_error"].item() == pytest.approx(8.0, rel=1e-6)
    assert result["storage_systematic_error"].item() == pytest.approx(16.0, rel=1e-6)


def test_the_distance_between_sensors_adds_its_part(make_site, make_block):
    # by hand: between sensors 0.2 m apart that differ by d the variance of the integral is
    # slope * 0.2^3 / 12 with slope = share * d^2 / 0.2 + least; 0.1 m beyond the outer ones
    # it is slope * 0.1^3 / 3. All independent.
    share, least, above, below = VARIOGRAM
    slopes = [share * d**2 / 0.2 + least for d in (0.1, 0.05, 0.05)]
    variance = sum(slopes) * 0.2**3 / 12 + (above + below) * 0.1**3 / 3
    site = make_site(**FOUR)
    block = make_block(site, [[[0.2, 0.3, 0.25, 0.3]]], random=0.02, systematic=0.0)
    found = storage_step(block, site)["storage_systematic_error"].item()
    assert found == pytest.approx(1000 * np.sqrt(variance), rel=1e-5)
    block = make_block(site, [[[0.2, 0.3, 0.25, 0.3]]], random=0.02, systematic=0.02)
    both = storage_step(block, site)["storage_systematic_error"].item()
    assert both == pytest.approx(np.hypot(16.0, found), rel=1e-6)


@pytest.mark.parametrize("systematic", [0.02, np.nan])
def test_a_layer_no_sensor_is_near_is_suspect_unless_its_error_says_so(
    make_site, make_block, systematic
):
    # by hand: the outer sensors are at 10 and 70 cm; only the last layer is wholly beyond 80.
    # Its spacing error is that of a free walk: the slope below the sensors times the integral
    # of min(u, v) over 15 to 35 cm from the last one, summed here.
    layers = (("near", 0.75, 1.0), ("reached", 0.8, 1.0), ("far", 0.85, 1.05))
    site = make_site(**FOUR | {"layers": layers})
    block = make_block(site, [[[0.2, 0.3, 0.25, 0.3]]], random=0.02, systematic=systematic)
    found = storage_step(block, site)
    flags = found["storage_quality"].values.ravel().tolist()
    assert flags == ([1, 1, 3] if np.isnan(systematic) else [1, 1, 1])
    u = np.linspace(0.15, 0.35, 2001)
    walk = np.minimum(u[:, None], u[None, :]).mean() * 0.2**2
    spacing = VARIOGRAM.below * walk
    expected = 1000 * np.sqrt((0.2 * systematic) ** 2 + spacing)
    error = found["storage_systematic_error"].values.ravel()[-1]
    assert error == pytest.approx(expected, rel=1e-3, nan_ok=True)


def test_unwired_sensor_belongs_to_no_tube(make_site, make_block):
    tubes = (("A1", 0.0), ("B1", 0.0))
    site = make_site(set_in_m=tubes, without=[("B1", 0.2)], layers=(("top", 0.0, 0.3),))
    theta = np.full((1, 2, 6), 0.2)
    theta[:, 1, 1] = np.nan
    result = storage_step(make_block(site, theta), site)
    np.testing.assert_allclose(result["storage"].values.ravel(), [60.0, 60.0], rtol=1e-6)


def test_tables_of_attributes_and_types(make_site, make_block):
    site = make_site()
    result = storage_step(make_block(site, np.full((2, 1, 6), 0.2)), site)
    assert storage_look(site) == (0, 0)
    assert result["storage"].dims == ("time", "tube", "layer")
    assert result["layer"].values.tolist() == ["top", "profile"]
    for name in ("storage", "storage_random_error", "storage_systematic_error"):
        assert result[name].dtype == np.float32
        assert result[name].attrs["units"] == VARIABLES[name].units == "mm"
    assert result["storage_quality"].dtype == np.uint8


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), cut=st.integers(1, 39), tube_cut=st.integers(1, 4))
def test_windows_and_blocks_do_not_change_a_bit(make_site, make_block, seed, cut, tube_cut):
    site = make_site(set_in_m=tuple((f"T{i}", i / 100) for i in range(5)))
    random = np.random.default_rng(seed)
    theta = random.uniform(0.05, 0.45, (40, 5, 6)).astype(np.float32)
    theta[random.random(theta.shape) < 0.1] = np.nan
    block = make_block(site, theta, random=0.011, systematic=0.017)
    whole = storage_step(block, site)
    parts = xr.combine_by_coords(
        storage_step(block.isel(time=t, tube=p), site)
        for t in (slice(None, cut), slice(cut, None))
        for p in (slice(None, tube_cut), slice(tube_cut, None))
    )
    for name in whole:
        assert whole[name].values.tobytes() == parts[name].values.tobytes()


def test_function_for_notebooks_gives_the_bits_of_the_step(make_site, make_block):
    site = make_site(set_in_m=(("A1", 0.0), ("B1", 0.05)))
    theta = np.random.default_rng(5).uniform(0.05, 0.45, (30, 2, 6)).astype(np.float32)
    theta[3, 0, 2] = np.nan
    block = make_block(site, theta)
    depth = xr.DataArray(
        [[site.sensor_depth_m(t, d) for d in site.depths_m] for t in ("A1", "B1")],
        coords={"tube": ["A1", "B1"], "depth": list(site.depths_m)},
        dims=("tube", "depth"),
        attrs={"units": "m"},
    )
    layers = {layer.name: (layer.top_m, layer.bottom_m) for layer in site.derive.layers}
    result = profile_storage(block["cleaned_water_content"], depth, layers)
    expected = storage_step(block, site)["storage"]
    assert result.dims == expected.dims
    assert result.attrs["units"] == "mm"
    assert result.values.astype(np.float32).tobytes() == expected.values.tobytes()


def test_function_for_notebooks_stays_lazy():
    dask = pytest.importorskip("dask")

    def refuse(*args, **kwargs):
        raise RuntimeError("computed")

    water, depth = make_water(THETA)
    with dask.config.set(scheduler=refuse):
        lazy = profile_storage(water.chunk(), depth, {"all": (0.0, 1.0)})
    assert lazy.compute().item() == pytest.approx(266.5, abs=1e-9)


def test_function_for_notebooks_checks_units():
    water, depth = make_water(THETA, units="percent")
    with pytest.raises(UnitsError, match="expected units 'm3 m-3', found 'percent'"):
        profile_storage(water, depth, {"all": (0.0, 1.0)})


def bridging(make_site, **changes):
    return make_site(missing_sensor="bridge", below_last_sensor="constant", **changes)


def test_a_missing_sensor_is_bridged_by_its_neighbours(make_site, make_block):
    # by hand: with 20 cm missing the line runs from 0.2 at 10 cm to 0.3 at 30 cm. Layer
    # 0-30 cm: 10 cm of 0.2 and 20 cm with mean 0.25: 70 mm, whatever 20 cm held before.
    site = bridging(make_site, layers=(("top", 0.0, 0.3), ("deep", 0.4, 1.0)))
    theta = np.array([[[0.2, 0.9, 0.3, 0.3, 0.3, 0.3]], [[0.2, np.nan, 0.3, 0.3, 0.3, 0.3]]])
    whole, bridged = (storage_step(make_block(site, theta), site).isel(time=t) for t in (0, 1))
    assert bridged["storage"].values[0].tolist() == pytest.approx([70.0, 180.0])
    assert bridged["storage_quality"].values[0].tolist() == [3, 1]
    assert whole["storage_quality"].values[0].tolist() == [1, 1]


def test_bridging_costs_certainty_by_the_distance(make_site, make_block):
    # by hand: the gap of 0.2 m between 0.2 and 0.3, and 0.1 m above the first sensor
    site = bridging(make_site, layers=(("top", 0.0, 0.3),))
    block = make_block(site, [[[0.2, np.nan, 0.3, 0.3, 0.3, 0.3]]])
    slope = VARIOGRAM.share * 0.1**2 / 0.2 + VARIOGRAM.least
    variance = slope * 0.2**3 / 12 + VARIOGRAM.above * 0.1**3 / 3
    found = storage_step(block, site)["storage_systematic_error"].item()
    assert found == pytest.approx(1000 * np.sqrt(variance), rel=1e-5)


@pytest.mark.parametrize("lost", [0, 5, (0, 1), (4, 5), (0, 1, 2, 3, 4, 5)])
def test_the_outer_sensors_are_never_bridged(make_site, make_block, lost):
    site = bridging(make_site, layers=(("all", 0.0, 1.0),))
    theta = np.full((1, 1, 6), 0.2)
    theta[..., lost] = np.nan
    result = storage_step(make_block(site, theta), site)
    assert np.isnan(result["storage"].item())
    assert result["storage_quality"].item() == 9


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), cut=st.integers(1, 39), tube_cut=st.integers(1, 4))
def test_bridging_gives_the_same_bits_in_any_window(
    make_site, make_block, seed, cut, tube_cut
):
    site = bridging(make_site, set_in_m=tuple((f"T{i}", i / 100) for i in range(5)))
    random = np.random.default_rng(seed)
    theta = random.uniform(0.05, 0.45, (40, 5, 6)).astype(np.float32)
    theta[random.random(theta.shape) < 0.3] = np.nan
    block = make_block(site, theta, random=0.011, systematic=0.017)
    whole = storage_step(block, site)
    assert (whole["storage_quality"] == 3).any()
    parts = xr.combine_by_coords(
        storage_step(block.isel(time=t, tube=p), site)
        for t in (slice(None, cut), slice(cut, None))
        for p in (slice(None, tube_cut), slice(tube_cut, None))
    )
    for name in whole:
        assert whole[name].values.tobytes() == parts[name].values.tobytes()


def test_asawa_example_of_available_water_by_layers():
    # Asawa, Irrigation and Water Resources Engineering, Example 3.4 (rows seen; result by
    # hand): layers, apparent specific gravity, water by mass at field capacity and wilting.
    # 15 cm * 1.25 * (0.24 - 0.13) and so on give 2.0625, 2.73, 6.48, 7.56, in all 18.8325 cm.
    rows = [(0, 15, 1.25, 0.24, 0.13), (15, 30, 1.30, 0.28, 0.14)]
    rows += [(30, 60, 1.35, 0.31, 0.15), (60, 90, 1.40, 0.33, 0.15)]
    available = [density * (full - dry) for _, _, density, full, dry in rows]
    # Layers that are uniform within: a sensor at each layer's top and bottom.
    eps = 1e-6
    depths = [z for top, bottom, *_ in rows for z in (top / 100 + eps, bottom / 100 - eps)]
    theta = np.repeat(available, 2)
    spans = [(top / 100, bottom / 100) for top, bottom, *_ in rows]
    by_layer = 100 * layer_weights(depths, spans, KNOWN) @ theta
    assert by_layer == pytest.approx([2.0625, 2.73, 6.48, 7.56], abs=1e-4)
    assert by_layer.sum() == pytest.approx(18.83, abs=0.005)
