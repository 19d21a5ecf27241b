"""Layers of a model: storage is kept, errors follow from the sensors, steps are complete."""

import numpy as np
import pint
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.derive.calibrations import Calibrations
from pipeline.derive.layers import layer_spans, model_layers
from pipeline.derive.sensor_means import LayerRules
from pipeline.derive.spacing import VARIOGRAM
from pipeline.derive.storage import storage_step
from pipeline.derive.weights import EndRules
from pipeline.errors import UnitsError

DEPTHS_M = (0.10, 0.20, 0.30, 0.40, 0.60, 1.00)
THETA = (0.18, 0.22, 0.25, 0.27, 0.30, 0.31)
KNOWN = LayerRules(ends=EndRules("constant", "constant"))
EVER = np.iinfo(np.int64).min


def make_data(theta=THETA, random=0.002, systematic=0.01, interval_s=3600, depths=DEPTHS_M):
    """Return a dataset of one tube; ``theta`` (time, depth) or (depth)."""
    theta = np.atleast_2d(np.asarray(theta, dtype=np.float64))[:, None, :]
    dims, units = ("time", "tube", "depth"), {"units": "m3 m-3"}
    seconds = np.arange(len(theta)) * np.timedelta64(interval_s, "s")
    return xr.Dataset(
        {
            "cleaned_water_content": (dims, theta, units),
            "random_error": (dims, np.full(theta.shape, random), units),
            "systematic_error": (dims, np.full(theta.shape, systematic), units),
            "quality": (dims, np.where(np.isnan(theta), 9, 1).astype(np.uint8)),
            "sensor_depth": (("tube", "depth"), [list(depths)], {"units": "m"}),
        },
        {
            "time": np.datetime64("2025-05-01", "ns") + seconds,
            "tube": ["T1"],
            "depth": list(depths),
        },
    )


def test_layers_of_a_land_surface_model_by_hand():
    # by hand: 100 * 0.18; trapezoid 10-40 cm; trapezoid 40-100 cm. Sum 266.5, the identity
    # of the trapezoidal and the mid-point rule in test_storage.
    found = model_layers(make_data(), [0, 0.1, 0.4, 1.0])
    assert found["layer_storage"].values.ravel() == pytest.approx([18.0, 69.5, 179.0])
    content = found["layer_water_content"].values.ravel()
    assert content == pytest.approx([0.18, 69.5 / 300, 179 / 600])
    assert found["layer"].values == pytest.approx([0.05, 0.25, 0.7])
    assert found["layer_bounds"].values.tolist() == [[0, 0.1], [0.1, 0.4], [0.4, 1.0]]


@pytest.mark.parametrize("thickness", [0.05, 0.15])
def test_layers_of_a_crop_model_hold_what_the_profile_holds(thickness):
    edges = [*np.arange(0, 1.0, thickness), 1.0]
    found = model_layers(make_data(), edges)["layer_storage"].values
    assert found.sum() == pytest.approx(266.5, rel=1e-14)


@settings(max_examples=60, deadline=None)
@given(
    depths=st.lists(st.integers(1, 150), min_size=1, max_size=7, unique=True),
    edges=st.lists(st.integers(0, 2000), min_size=2, max_size=30, unique=True),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_layers_keep_storage_and_its_variance(depths, edges, seed):
    depths, edges = [d / 100 for d in sorted(depths)], [e / 1000 for e in sorted(edges)]
    theta = np.random.default_rng(seed).uniform(0, 0.6, (3, len(depths)))
    data = make_data(theta, depths=depths)
    parts = model_layers(data, edges, covariance=True, rules=KNOWN)
    whole = model_layers(data, [edges[0], edges[-1]], rules=KNOWN)
    # Each of n + k additions may cost half a unit in the last place of the whole.
    stored = whole["layer_storage"].values[..., 0]
    ulp = np.spacing(stored.max()) * (len(edges) + len(depths)) + 1e-9 * len(edges)
    np.testing.assert_allclose(parts["layer_storage"].sum("layer"), stored, rtol=0, atol=ulp)
    np.testing.assert_allclose(
        parts["layer_covariance"].sum(("layer", "other_layer")),
        whole["layer_variance"].values[..., 0],
        rtol=1e-6,
    )
    diagonal = np.diagonal(parts["layer_covariance"].values, axis1=2, axis2=3)
    np.testing.assert_allclose(diagonal, parts["layer_variance"], rtol=1e-9)


def test_storage_of_the_step_is_that_of_the_same_layer(make_site, make_block):
    site = make_site(layers=(("top", 0.0, 0.3), ("profile", 0.0, 1.0)))
    theta = np.random.default_rng(3).uniform(0.1, 0.4, (5, 1, 6)).astype(np.float32)
    theta[2, 0, 1] = np.nan
    block = make_block(site, theta, random=0.003, systematic=0.01)
    stored = storage_step(block, site)
    data = block.assign(sensor_depth=(("tube", "depth"), [list(DEPTHS_M)], {"units": "m"}))
    for name in ("random_error", "systematic_error"):
        data[name].attrs["units"] = "m3 m-3"
    found = model_layers(data, [(0, 0.3), (0, 1.0)])
    for ours, theirs in (
        ("layer_storage", "storage"),
        ("layer_random_error", "storage_random_error"),
        ("layer_systematic_error", "storage_systematic_error"),
    ):
        np.testing.assert_allclose(found[ours], stored[theirs], rtol=1e-6)
    assert found["layer_quality"].values.tolist() == stored["storage_quality"].values.tolist()


def test_covariance_between_two_layers_by_hand():
    # by hand: sensors at 10 and 30 cm, layers 0-20 and 20-40 cm. Weights: the first sensor
    # 0.10 above it and 0.075 of the line down to 20 cm, 0.025 below; so (0.175, 0.025) and
    # (0.025, 0.175). Noise r: r^2 * 2 * 0.175 * 0.025. Shared error s: (0.2 s)^2. Spacing:
    # the bridge over 0.2 m between its halves, slope * (0.1^2 * 0.1 / 2 - ...) as below.
    data = make_data([0.2, 0.3], random=0.01, systematic=0.02, depths=(0.1, 0.3))
    found = model_layers(data, [0, 0.2, 0.4], covariance=True, rules=KNOWN)
    matrix = found["layer_covariance"].values[0, 0]
    noise = 0.01**2 * 2 * 0.175 * 0.025
    shared = (0.2 * 0.02) ** 2
    # int over u in (0, h/2), v in (h/2, h) of u (h - v) / h = h^3 / 64, with h = 0.2
    slope = VARIOGRAM.share * 0.1**2 / 0.2 + VARIOGRAM.least
    spacing = slope * 0.2**3 / 64
    assert matrix[0, 1] == pytest.approx(1e6 * (noise + shared + spacing), rel=1e-9)
    assert matrix[0, 1] == matrix[1, 0]
    own = Calibrations(
        np.array([EVER]), np.array([[[0, 1]]]), np.full((1, 1, 2), 0.02)
    )  # all of it each sensor's own: quadrature, as noise
    rules = LayerRules(ends=EndRules("constant", "constant"), calibrations=own)
    found = model_layers(data, [0, 0.2, 0.4], covariance=True, rules=rules)
    matrix = found["layer_covariance"].values[0, 0]
    assert matrix[0, 1] == pytest.approx(1e6 * (5 * noise + spacing), rel=1e-9)


def test_who_shares_a_calibration_is_told_apart_after_however_many_changes():
    # By hand: layers 0-20 and 20-40 cm of sensors at 10 and 30 cm; one law for both until, at
    # the 257th of 300 changes at the site, each has its own: the covariance of s = 0.02 is
    # then (0.2 s)^2 less what a law of its own tells, 2 * 0.175 * 0.025 s^2.
    data = make_data(np.tile([0.2, 0.2], (301, 1)), 0.0, 0.02, depths=(0.1, 0.3))
    begin = data["time"].values.astype("datetime64[s]").astype(np.int64)
    group = np.zeros((300, 1, 2), np.int64)
    group[256:, 0, 1] = 1
    laws = Calibrations(np.array([EVER, *begin[1:300]]), group, np.zeros((300, 1, 2)))
    rules = LayerRules(ends=EndRules("constant", "constant"), calibrations=laws)
    found = model_layers(data, [0, 0.2, 0.4], covariance=True, rules=rules)
    apart = found["layer_covariance"].values[:, 0, 0, 1] / (1e6 * 0.02**2)
    spacing = VARIOGRAM.least * 0.2**3 / 64 / 0.02**2
    assert apart[:256] - spacing == pytest.approx(np.full(256, 0.04), rel=1e-9)
    assert apart[256:] - spacing == pytest.approx(np.full(45, 0.00875), rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_covariances_are_symmetric_and_never_negative(seed):
    random = np.random.default_rng(seed)
    data = make_data(random.uniform(0.05, 0.5, (2, 6)), random=0.004, systematic=0.012)
    edges = np.sort(random.choice(np.arange(0, 101), 8, replace=False)) / 100
    matrix = model_layers(data, edges, covariance=True)["layer_covariance"].values
    np.testing.assert_allclose(matrix, np.swapaxes(matrix, -1, -2), rtol=1e-12)
    assert np.linalg.eigvalsh(matrix).min() > -1e-9 * matrix.max()


def test_days_are_means_of_sensors_and_errors_of_readings_average_out():
    # by hand: 24 hourly readings rise by 0.01 a step from 0.10: mean 0.215; noise 0.002 over
    # sqrt(24) readings; what is systematic stays
    theta = np.repeat(0.10 + 0.01 * np.arange(24)[:, None], 6, axis=1)
    found = model_layers(make_data(theta), [0, 1.0], "daily")
    assert found["layer_storage"].item() == pytest.approx(215.0)
    weights = np.array([0.15, 0.10, 0.10, 0.15, 0.30, 0.20])
    noise = 1000 * 0.002 / np.sqrt(24) * np.sqrt((weights**2).sum())
    assert found["layer_random_error"].item() == pytest.approx(noise)
    once = model_layers(make_data(theta[:1]), [0, 1.0])
    assert found["layer_systematic_error"].item() == pytest.approx(
        once["layer_systematic_error"].item()
    )
    assert found["layer_storage"].attrs["cell_methods"] == "time: mean layer: sum"
    bounds = found["time_bounds"].values[0]
    assert bounds[1] - bounds[0] == np.timedelta64(1, "D")


def test_daily_layers_hold_the_daily_profile_also_where_sensors_lack_readings():
    random = np.random.default_rng(8)
    theta = random.uniform(0.1, 0.4, (48, 6))
    theta[random.random(theta.shape) < 0.1] = np.nan
    data = make_data(theta)
    parts = model_layers(data, [0, 0.1, 0.4, 1.0], "daily")["layer_storage"].sum("layer")
    whole = model_layers(data, [0, 1.0], "daily")["layer_storage"].isel(layer=0)
    np.testing.assert_allclose(parts, whole, rtol=1e-14)


@pytest.mark.parametrize(("there", "known"), [(18, True), (17, False), (0, False)])
def test_a_day_needs_three_quarters_of_its_readings(there, known):
    theta = np.full((24, 6), 0.2)
    theta[there:, 2] = np.nan
    found = model_layers(make_data(theta), [0, 0.2, 1.0], "daily")
    assert np.isfinite(found["layer_storage"].values.ravel()).tolist() == [True, known]
    assert found["layer_quality"].values.ravel().tolist() == [1, 1 if known else 9]


def test_slow_sensors_are_measured_against_their_own_interval():
    theta = np.full((24, 6), 0.2)
    theta[np.arange(24) % 6 > 0] = np.nan  # all but every sixth hour
    assert np.isnan(model_layers(make_data(theta), [0, 1.0], "daily")["layer_storage"]).all()
    rules = LayerRules(interval_s=np.full((1, 6), 6 * 3600.0))
    found = model_layers(make_data(theta), [0, 1.0], "daily", rules=rules)
    assert found["layer_storage"].item() == pytest.approx(200.0)


def rules_of_a_change(data, step, after_s, **more):
    """Return rules of sensors that log hourly until a step, then every ``after_s``."""
    at_s = data["time"].values.astype("datetime64[s]").astype(np.int64)
    paces = [np.full((1, 6), 3600.0), np.full((1, 6), after_s)]
    ever = np.iinfo(np.int64).min
    return LayerRules(
        interval_s=np.stack(paces), interval_from_s=np.array([ever, at_s[step]]), **more
    )


@pytest.mark.parametrize(
    ("lost", "water"), [((), 0.275), ((36,), 4.8 / 18), ((36, 42), np.nan)]
)
def test_where_a_logger_was_set_to_another_interval_a_reading_counts_for_its_time(lost, water):
    """By hand: hourly 0.2 until six of the second day, then 0.3 every six hours.

    That day holds 6 x 0.2 and 3 x 6 x 0.3 of 24; without noon 18 hours are left, just enough;
    without evening too there are 12. So do daily values.
    """
    theta = np.full((72, 6), 0.2)
    theta[30:] = 0.3
    theta[30:][np.arange(30, 72) % 6 > 0] = np.nan
    theta[list(lost)] = np.nan
    data = make_data(theta, random=0.01)
    data["systematic_error"] = data["cleaned_water_content"] * 0.1
    found = model_layers(data, [0, 1.0], "daily", rules=rules_of_a_change(data, 30, 21600.0))
    held = found["layer_storage"].values.ravel()
    np.testing.assert_allclose(held, [200.0, 1000 * water, 300.0], rtol=1e-12)
    if not lost:  # six hours and three readings of six hours each, of six alike sensors
        first, second = (found["layer_random_error"].values.ravel()[day] for day in (0, 1))
        by_day = np.sqrt(6 + 3 * 6**2) / 24, 1 / np.sqrt(24)
        assert second / first == pytest.approx(by_day[0] / by_day[1], rel=1e-9)


def test_a_reading_stands_for_no_time_after_the_next_change():
    """By hand: every six hours until seven, then hourly: 6 + 1 + 17 hours, no more than a day.

    Without the last six hours there are 18, just enough; without the last seven too few.
    """
    theta = np.full((24, 6), 0.2)
    theta[[1, 2, 3, 4, 5]] = np.nan
    for lost, known in ((6, True), (7, False)):
        theta[24 - lost :] = np.nan
        data = make_data(theta)
        rules = rules_of_a_change(data, 7, 3600.0)
        rules.interval_s[0] = 21600.0
        found = model_layers(data, [0, 1.0], "daily", rules=rules)["layer_storage"]
        assert np.isfinite(found.values).all() == known


def test_while_nothing_is_wired_the_fastest_of_the_day_is_missed_or_the_fastest_ever():
    """Every six hours to the evening of the first day, hourly long ago: 3 of 4 are there."""
    theta = np.full((48, 6), np.nan)
    theta[[0, 6, 12, 24, 30, 36, 42]] = 0.2
    data = make_data(theta)
    at_s = data["time"].values.astype("datetime64[s]").astype(np.int64)
    paces = [np.full((1, 6), pace) for pace in (3600.0, 21600.0, np.nan)]
    from_s = np.array([np.iinfo(np.int64).min, at_s[0] - 86400, at_s[18]])
    rules = LayerRules(interval_s=np.stack(paces), interval_from_s=from_s)
    found = model_layers(data, [0, 1.0], "daily", rules=rules)["layer_storage"].values.ravel()
    np.testing.assert_allclose(found, [200.0, np.nan])


def test_days_begin_at_the_sites_own_midnight():
    data = make_data(np.full((48, 6), 0.2))
    rules = LayerRules(utc_offset_s=3600, completeness=0.01)
    found = model_layers(data, [0, 1.0], "daily", rules=rules)
    starts = found["time"].values.astype("datetime64[h]").astype(str).tolist()
    assert starts == ["2025-04-30T23", "2025-05-01T23", "2025-05-02T23"][: len(starts)]


def test_hours_take_the_stamps_from_their_beginning_on():
    theta = np.repeat(np.arange(12)[:, None] / 100, 6, axis=1)
    found = model_layers(make_data(theta, interval_s=600), [0, 1.0], "hourly")
    # by hand: means of 0..5 and 6..11 hundredths over a metre
    assert found["layer_storage"].values.ravel() == pytest.approx([25.0, 85.0])


def test_a_reading_taken_out_as_bad_counts_as_none():
    """It has no value, but the flag of a bad reading, not that of a missing one."""
    theta = np.tile(THETA, (24, 1))
    theta[5] = np.nan
    data = make_data(theta)
    data["quality"][5] = 4
    day = model_layers(data, [0, 0.1, 0.4, 1.0], "daily")
    assert day["layer_storage"].values.ravel() == pytest.approx([18.0, 69.5, 179.0])
    # By hand: 23 readings of one sensor alone in the first layer, 100 mm * 0.002 / sqrt(23).
    error = day["layer_random_error"].values.ravel()
    assert error[0] == pytest.approx(0.2 / 23**0.5)


def test_a_sensor_in_the_air_has_no_part():
    data = make_data((0.02, 0.20, 0.30), depths=(-0.05, 0.10, 0.30))
    found = model_layers(data, [0, 0.1, 0.3])
    # By hand: 100 * 0.20 and 200 * 0.25.
    assert found["layer_storage"].values.ravel() == pytest.approx([20.0, 50.0])


def test_a_missing_sensor_takes_its_layers_or_is_bridged():
    theta = np.array(THETA)
    theta[1] = np.nan
    data = make_data(theta)
    none = model_layers(data, [0, 0.1, 0.4, 1.0])
    assert none["layer_quality"].values.ravel().tolist() == [1, 9, 1]
    bridge = LayerRules(missing_sensor="bridge")
    found = model_layers(data, [0, 0.1, 0.4, 1.0], rules=bridge)
    assert found["layer_quality"].values.ravel().tolist() == [1, 3, 1]
    # by hand: 20 cm with mean 0.215 and 10 cm with mean 0.26
    assert found["layer_storage"].values[0, 0, 1] == pytest.approx(43.0 + 26.0)
    whole = model_layers(make_data(), [0, 0.1, 0.4, 1.0])
    worse = found["layer_variance"].values > whole["layer_variance"].values * (1 + 1e-9)
    assert worse.ravel().tolist() == [False, True, False]


def test_layers_beyond_the_sensors_are_unknown_unless_the_rules_say():
    found = model_layers(make_data(), [0, 0.5, 1.0, 1.5])["layer_storage"].values.ravel()
    assert np.isnan(found).tolist() == [False, False, True]


@pytest.mark.parametrize("systematic", [0.01, np.nan])
def test_a_layer_no_sensor_is_near_is_suspect_unless_its_error_says_so(systematic):
    data = make_data(systematic=systematic)
    found = model_layers(data, [0, 1.0, 1.1, 1.2, 1.5], rules=KNOWN)
    # by hand: the last sensor is at 100 cm, and only what begins below 110 cm is far from it
    suspect = 3 if np.isnan(systematic) else 1
    assert found["layer_quality"].values.ravel().tolist() == [1, 1, 1, suspect]


def test_quantities_of_any_unit_and_registry_are_taken():
    units = pint.UnitRegistry()
    data = make_data()
    plain = model_layers(data, [0, 0.1, 0.4, 1.0])
    for name in ("cleaned_water_content", "random_error", "systematic_error"):
        percent = units.Quantity(100 * data[name].values, "percent")
        data[name] = xr.DataArray(percent, data[name].coords, data[name].dims)
    depth = units.Quantity(100 * data["sensor_depth"].values, "cm")
    data["sensor_depth"] = xr.DataArray(depth, dims=("tube", "depth"))
    found = model_layers(data, units.Quantity([0, 10, 40, 100], "cm"))
    for name in plain:
        np.testing.assert_allclose(found[name], plain[name], rtol=1e-12)


def test_units_that_do_not_fit_are_refused():
    data = make_data()
    data["systematic_error"].attrs["units"] = "percent"
    with pytest.raises(UnitsError, match="expected units 'm3 m-3', found 'percent'"):
        model_layers(data, [0, 1.0])
    with pytest.raises(UnitsError, match="'m' or others"):
        layer_spans(pint.UnitRegistry().Quantity([0, 1], "kg"))


@pytest.mark.parametrize("bounds", [[0], [0.1, 0.1], [1, 0], [-0.1, 0.2], [[0, 1, 2]]])
def test_bounds_that_are_no_layers_are_refused(bounds):
    with pytest.raises(ValueError, match="bounds: expected"):
        layer_spans(bounds)


def test_an_unknown_step_is_refused():
    with pytest.raises(ValueError, match=r"expected one of .*, found 'weekly'"):
        model_layers(make_data(), [0, 1.0], "weekly")
