"""The calibration steps: which law holds where and when, values, errors, refusals."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest
import xarray as xr
from bare_site import (
    at,
    make_block,
    make_horizon,
    make_law,
    make_probe_law,
    make_site,
    make_tube,
    make_wire,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.calibrate.effective import effective_parameters
from pipeline.calibrate.forms import make_curve
from pipeline.calibrate.steps import (
    calibrate_look,
    root_permittivity_step,
    water_content_step,
)
from pipeline.site.models import Soil

NAN = float("nan")


def series(result, name):
    """Return one variable of a block with one sensor as a plain series."""
    return result[name].values.ravel()


def line_law(slope, offset, **changes):
    fields = {
        "form": "linear_root_permittivity",
        "coefficients": {"slope": slope, "offset": offset},
        "valid_from": 1.0,
        "valid_to": 9.0,
    }
    return make_law(**{**fields, **changes})


def test_voltage_to_water_content_by_hand():
    # Provenance: by hand. 0.25 V gives 1 + 8 * 0.25 = 3, permittivity 9, and Topp's Eq. 7
    # -0.053 + 0.0292 * 9 - 0.00055 * 81 + 4.3e-6 * 729 = 0.1683847.
    site = make_site()
    block = make_block(site, voltage=[0.25])
    assert series(root_permittivity_step(block, site), "root_permittivity")[0] == 3.0
    theta = series(water_content_step(block, site), "calibrated_water_content")[0]
    assert theta == np.float32(0.1683847)


def test_results_are_described_and_shaped_as_the_block():
    site = make_site()
    block = make_block(site, voltage=[0.25, NAN])
    result = water_content_step(block, site)
    assert {name: str(v.dtype) for name, v in result.items()} == {
        "calibrated_water_content": "float32",
        "random_error": "float32",
        "systematic_error": "float32",
        "outside_calibration": "uint8",
        "correction": "float32",
        "temperature_correction": "float32",
    }
    for variable in (*result.values(), *root_permittivity_step(block, site).values()):
        assert variable.dims == ("time", "tube", "depth")
        xr.testing.assert_equal(variable.coords.to_dataset(), block.coords.to_dataset())
    assert result["calibrated_water_content"].attrs["units"] == "m3 m-3"
    assert result["outside_calibration"].attrs["flag_masks"].dtype == np.uint8
    assert calibrate_look(site) == (0, 0)


def test_the_preferred_signal_counts_at_each_cell():
    site = make_site(laws=(line_law(0.1, -0.1), make_probe_law()))
    block = make_block(
        site,
        voltage=[0.25, 0.25, 0.25, 0.25, NAN],  # root 3
        permittivity=[NAN, 16.0, 16.0, 16.0, NAN],  # root 4
        root_permittivity=[NAN, NAN, 5.0, 5.0, NAN],
        water_content=[NAN, NAN, NAN, 0.123, NAN],
    )
    root = series(root_permittivity_step(block, site), "root_permittivity")
    np.testing.assert_array_equal(root, np.float32([3, 4, 5, 5, NAN]))
    theta = series(water_content_step(block, site), "calibrated_water_content")
    np.testing.assert_array_equal(theta, np.float32([0.2, 0.3, 0.4, 0.123, NAN]))


def test_refusals_are_told_apart_and_missing_is_none():
    laws = (line_law(0.1, -0.1, valid_to=5.0), make_probe_law())
    wires = (make_wire(), make_wire(depth_m=0.2, probe="P9"))
    site = make_site(laws=laws, wiring=wires)
    first = [0.25, 1.01, 0.75, NAN]  # good, beyond the probe, beyond the soil, missing
    volts = np.stack([first, [0.25, NAN, 0.0, 0.5]], axis=1)
    result = water_content_step(make_block(site, voltage=volts), site)
    outside = result["outside_calibration"].values[:, 0]
    np.testing.assert_array_equal(outside, [[0, 4], [1, 0], [2, 4], [0, 4]])
    known = ~np.isnan(result["calibrated_water_content"].values[:, 0])
    np.testing.assert_array_equal(known, [[1, 0], [0, 0], [0, 0], [0, 0]])
    for name in ("random_error", "systematic_error"):
        assert np.isnan(result[name].values[:, 0][~known]).all()


@pytest.mark.parametrize("eps", [0.0, -3.0])
def test_a_permittivity_not_above_zero_is_refused(eps):
    site = make_site()
    result = water_content_step(make_block(site, permittivity=[eps]), site)
    assert series(result, "outside_calibration") == [1]
    assert np.isnan(series(result, "calibrated_water_content"))


def test_errors_of_a_voltage_by_hand():
    # Provenance: by hand. d root/dV = 8, d theta/d root = 0.1: random 0.1 * 8 * 0.002 =
    # 0.0016; systematic sqrt(0.02^2 + (0.1 * 0.05)^2).
    laws = (line_law(0.1, -0.1), make_probe_law(standard_error=0.05))
    site = make_site(laws=laws, sensor_noise={"voltage": 0.002})
    result = water_content_step(make_block(site, voltage=[0.25]), site)
    assert series(result, "random_error")[0] == pytest.approx(0.0016, rel=1e-6)
    expected = np.hypot(0.02, 0.1 * 0.05)
    assert series(result, "systematic_error")[0] == pytest.approx(expected, rel=1e-6)


# Provenance: by hand, slope 0.1. Permittivity 16, u 0.8: u(root) = 0.8 / (2 * 4) = 0.1.
@pytest.mark.parametrize(
    ("signal", "value", "noise", "expected"),
    [
        ("permittivity", 16.0, 0.8, 0.01),
        ("root_permittivity", 4.0, 0.05, 0.005),
        ("water_content", 0.3, 0.004, 0.004),
    ],
)
def test_random_error_of_every_signal_by_hand(signal, value, noise, expected):
    site = make_site(laws=(line_law(0.1, -0.1),), sensor_noise={signal: noise})
    result = water_content_step(make_block(site, **{signal: [value]}), site)
    assert series(result, "random_error")[0] == pytest.approx(expected, rel=1e-6)


def test_an_error_nobody_stated_is_unknown_not_zero():
    site = make_site(laws=(line_law(0.1, -0.1, standard_error=None), make_probe_law()))
    result = water_content_step(make_block(site, voltage=[0.25]), site)
    assert np.isfinite(series(result, "calibrated_water_content")).all()
    assert np.isnan(series(result, "random_error")).all()
    assert np.isnan(series(result, "systematic_error")).all()


def test_random_error_covers_simulated_noise():
    # Provenance: simulation. The spread of many noisy readings is the stated random error.
    laws = (make_law(), make_probe_law(coefficients={"c0": 1.0, "c1": 6.0, "c2": 2.0}))
    site = make_site(laws=laws, sensor_noise={"voltage": 0.003})
    noisy = 0.4 + np.random.default_rng(1).normal(0, 0.003, 40_000)
    result = water_content_step(make_block(site, dtype=np.float64, voltage=noisy), site)
    spread = np.std(series(result, "calibrated_water_content").astype(np.float64))
    assert np.median(series(result, "random_error")) == pytest.approx(spread, rel=0.02)


def test_water_content_as_logged_takes_range_and_error_from_its_law():
    law = make_law(form="as_logged", standard_error=0.03, valid_from=0.0, valid_to=0.6)
    site = make_site(laws=(law,))
    result = water_content_step(make_block(site, water_content=[0.3, 0.61, NAN]), site)
    np.testing.assert_array_equal(
        series(result, "calibrated_water_content"), np.float32([0.3, NAN, NAN])
    )
    np.testing.assert_array_equal(series(result, "outside_calibration"), [0, 2, 0])
    np.testing.assert_allclose(series(result, "systematic_error"), [0.03, NAN, NAN], rtol=1e-6)


def test_a_new_version_holds_from_its_day_and_a_higher_number_wins():
    laws = (
        line_law(0.1, 0.0, version=1),
        line_law(0.2, 0.0, version=2, effective=at(2)),
        line_law(0.3, 0.0, version=4, effective=at(3)),
        # Dated later but superseded before: version 4 stays in force.
        line_law(0.4, 0.0, version=3, effective=at(4)),
    )
    site = make_site(laws=laws)
    block = make_block(site, root_permittivity=np.ones(5 * 24))
    theta = series(water_content_step(block, site), "calibrated_water_content")
    expected = np.repeat(np.float32([0.1, 0.2, 0.3, 0.3, 0.3]), 24)
    np.testing.assert_array_equal(theta, expected)
    dates = [start for start, _ in effective_parameters(site, "T1")]
    assert dates == [None, at(2).timestamp(), at(3).timestamp()]


def test_no_law_before_the_first_version():
    site = make_site(laws=(line_law(0.1, 0.0, effective=at(1, 2)),))
    result = water_content_step(make_block(site, root_permittivity=np.ones(4)), site)
    np.testing.assert_array_equal(series(result, "outside_calibration"), [4, 4, 0, 0])


@pytest.mark.parametrize(("minutes", "probes"), [(3, "1222"), (0, "1112"), (-20, "1222")])
def test_a_reading_is_calibrated_by_the_probe_that_took_it(minutes, probes):
    """Swapped at 01:03, at 02:00 and at 00:40, hourly readings.

    The second reading was taken four minutes after its step, the third four before.
    """
    second = make_probe_law(id="other", probes=("P2",), coefficients={"c0": 2.0, "c1": 8.0})
    swap = at(1, 2 if minutes == 0 else 1) + timedelta(minutes=minutes)
    wires = (make_wire(until=swap), make_wire(probe="P2", start=swap))
    site = make_site(laws=(line_law(0.1, -0.1), make_probe_law(), second), wiring=wires)
    block = make_block(site, voltage=[0.25] * 4)
    # A preferred signal that was not read tells nothing of when the volts were.
    block = block.assign(
        root_permittivity=block["voltage"] * np.nan,
        root_permittivity_offset_s=xr.zeros_like(block["voltage"], dtype=np.int32),
        voltage_offset_s=block["voltage"].copy(
            data=np.int32([0, 240, -240, 0])[:, None, None]
        ),
    )
    root = series(root_permittivity_step(block, site), "root_permittivity")
    np.testing.assert_array_equal(root, [{"1": 3.0, "2": 4.0}[probe] for probe in probes])
    theta = series(water_content_step(block, site), "calibrated_water_content")
    np.testing.assert_array_equal(theta, np.float32(0.1 * root.astype(float) - 0.1))


def test_a_swapped_probe_brings_its_own_law():
    second = make_probe_law(id="other", probes=("P2",), coefficients={"c0": 2.0, "c1": 8.0})
    wires = (make_wire(until=at(1, 2)), make_wire(probe="P2", start=at(1, 3)))
    site = make_site(laws=(make_law(), make_probe_law(), second), wiring=wires)
    block = make_block(site, voltage=[0.25] * 5)
    root = series(root_permittivity_step(block, site), "root_permittivity")
    # Nothing is wired from 02:00 to 03:00: whose volts these are cannot be told.
    np.testing.assert_array_equal(root, np.float32([3, 3, NAN, 4, 4]))


def test_the_horizon_is_that_of_the_real_depth():
    horizons = (
        make_horizon(bottom_m=0.3, calibration="upper"),
        make_horizon(name="B", top_m=0.3, calibration="lower"),
    )
    tubes = (make_tube("T1"), make_tube("T2", set_in_m=0.05))
    site = make_site(
        soils={"loam": Soil(id="loam", horizons=horizons)},
        tubes=tubes,
        wiring=(make_wire("T1", 0.25), make_wire("T2", 0.25)),
        laws=(line_law(0.1, 0.0, id="upper"), line_law(0.2, 0.0, id="lower")),
    )
    block = make_block(site, root_permittivity=[[2.0, 2.0]])
    theta = series(water_content_step(block, site), "calibrated_water_content")
    # T2's sensor really lies at 0.30 m, where the lower horizon begins.
    np.testing.assert_array_equal(theta, np.float32([0.2, 0.4]))


def test_a_sensor_below_all_horizons_has_no_law():
    site = make_site(wiring=(make_wire(depth_m=2.5),))
    result = water_content_step(make_block(site, permittivity=[10.0]), site)
    assert series(result, "outside_calibration") == [4]


def test_bulk_density_comes_from_the_horizon():
    # Provenance: reference code, numpy 2.4.6: Malicki et al. (1996) Eq. 10, eps 10, rho 1.5.
    horizon = make_horizon(bulk_density=1.5)
    site = make_site(
        laws=(make_law(form="malicki_1996"),),
        soils={"loam": Soil(id="loam", horizons=(horizon,))},
    )
    result = water_content_step(make_block(site, permittivity=[10.0]), site)
    assert series(result, "calibrated_water_content")[0] == pytest.approx(0.19391, abs=5e-6)


volts = st.lists(
    st.one_of(st.floats(-0.25, 1.25, width=32), st.just(NAN)), min_size=2, max_size=60
)


@settings(max_examples=60, deadline=None)
@given(volts, st.data())
def test_any_window_gives_the_same_bits(values, data):
    laws = (
        make_law(),
        make_law(version=2, form="nadler_1991", effective=at(1, 5)),
        make_probe_law(
            form="table",
            coefficients={
                "voltage": [0.0, 0.3, 0.6, 1.0],
                "root_permittivity": [1.0, 2.5, 4.5, 6.5],
                "interpolation": "pchip",
            },
            valid_from=None,
            valid_to=None,
            standard_error=0.05,
        ),
    )
    site = make_site(laws=laws, sensor_noise={"voltage": 0.002})
    first = data.draw(st.integers(0, len(values) - 1))
    stop = data.draw(st.integers(first + 1, len(values)))
    block = make_block(site, voltage=values)
    for step in (root_permittivity_step, water_content_step):
        whole, part = step(block, site), step(block.isel(time=slice(first, stop)), site)
        xr.testing.assert_identical(whole.isel(time=slice(first, stop)), part)


def test_the_step_and_the_function_give_the_same_bits():
    site = make_site()
    eps = np.linspace(2.0, 45.0, 2000)
    block = make_block(site, dtype=np.float64, permittivity=eps)
    theta = series(water_content_step(block, site), "calibrated_water_content")
    root = np.sqrt(eps.astype(np.float32).astype(np.float64))
    np.testing.assert_array_equal(theta, make_curve(make_law()).value(root).astype(np.float32))


def test_inputs_are_not_changed():
    site = make_site()
    block = make_block(site, voltage=[0.25, NAN, 2.0])
    before = block.copy(deep=True)
    root_permittivity_step(block, site)
    water_content_step(block, site)
    xr.testing.assert_identical(block, before)


def test_effective_parameters_are_canonical_and_name_what_decides():
    site = make_site(sensor_noise={"voltage": 0.002})
    ((start, text),) = effective_parameters(site, "T1")
    assert start is None
    content = json.loads(text)
    sensor = content["depths"]["0.1"]
    assert content["sensor_noise"] == {"voltage": 0.002}
    assert (sensor["real_depth_m"], sensor["soil"]["form"]) == (0.1, "topp_1980")
    assert sensor["probe"]["coefficients"] == {"c0": 1.0, "c1": 8.0}
    assert text == json.dumps(content, sort_keys=True, separators=(",", ":"))


CHANGES = {
    "noise": {"sensor_noise": {"voltage": 0.001}},
    "soil law": {"laws": (make_law(standard_error=0.03), make_probe_law())},
    "probe law": {"laws": (make_law(), make_probe_law(coefficients={"c0": 1.0, "c1": 7.0}))},
    "set-in": {"tubes": (make_tube(set_in_m=0.05),)},
    "horizon": {
        "laws": (make_law(form="malicki_1996"), make_probe_law()),
        "soils": {"loam": Soil(id="loam", horizons=(make_horizon(bulk_density=1.4),))},
    },
    "probe": {"wiring": (make_wire(probe="P2"),)},
}
NO_CHANGES = {
    "title": {"title": "Another"},
    "origin": {"laws": (make_law(origin="told otherwise"), make_probe_law())},
    "law of another probe": {
        "laws": (make_law(), make_probe_law(), make_probe_law(id="x", probes=("P7",)))
    },
    "texture": {"soils": {"loam": Soil(id="loam", horizons=(make_horizon(texture="loam"),))}},
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_that_matters_changes_the_text(name):
    changed = effective_parameters(make_site(**CHANGES[name]), "T1")
    assert changed != effective_parameters(make_site(), "T1")


@pytest.mark.parametrize("name", NO_CHANGES)
def test_a_change_that_does_not_matter_keeps_the_text(name):
    changed = effective_parameters(make_site(**NO_CHANGES[name]), "T1")
    assert changed == effective_parameters(make_site(), "T1")
