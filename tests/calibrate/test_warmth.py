"""Soil temperature in the water content step: where it is used, and how sure it is."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from bare_site import make_block, make_horizon, make_law, make_probe_law, make_site, make_wire

from pipeline.calibrate.laws import check_laws
from pipeline.calibrate.steps import calibrate_look, water_content_step
from pipeline.calibrate.warmth import NEAR_S, between
from pipeline.site.instruments import Uncertainty, Warmth
from pipeline.site.models import Soil

NAN = float("nan")
# Root permittivity of a soil of porosity 0.45 with 0.30 m3 m-3 of water, by hand: at 5 and at
# 20 degC (tests/calibrate/test_temperature.py).
COLD, WARM = 4.01441, 3.92117


def site_of(temperature, depths=(0.1,), warm_depths=(0.1,), **law):
    fields = {
        "form": "linear_root_permittivity",
        "coefficients": {"slope": 0.1, "offset": -0.1},
        "valid_from": 1.0,
        "valid_to": 9.0,
        "temperature": temperature,
    }
    wires = [make_wire(depth_m=d, quantity="root_permittivity", unit="1") for d in depths]
    wires += [make_wire(depth_m=d, quantity="soil_temperature") for d in warm_depths]
    return make_site(
        laws=(make_law(**{**fields, **law}),),
        wiring=tuple(wires),
        uncertainty=Uncertainty(depth_m=0.0),
    )


ASKED = Warmth(reference_degc=20.0, porosity=0.45)


def step(site, root, celsius):
    block = make_block(site, root_permittivity=root, soil_temperature=celsius)
    return water_content_step(block, site)


def test_a_cold_reading_becomes_that_of_the_reference_temperature():
    found = step(site_of(ASKED), [COLD, WARM], [5.0, 20.0])
    theta = found["calibrated_water_content"].values.ravel()
    # By hand: 0.1 * 3.92117 - 0.1 in both.
    np.testing.assert_allclose(theta, 0.292117, atol=3e-6)
    change = found["temperature_correction"].values.ravel()
    np.testing.assert_allclose(change, [0.1 * (WARM - COLD), 0.0], atol=3e-6)
    # By hand: the law's 0.02 and half of the change.
    error = found["systematic_error"].values.ravel()
    np.testing.assert_allclose(error, np.hypot(0.02, 0.5 * np.abs(change)), rtol=1e-5)


def test_one_law_that_asks_among_others_is_enough():
    """Of two sensors, the lower one has a law that asks; the upper and the probe's do not."""
    asks = site_of(ASKED, depths=(0.1, 0.3), warm_depths=(0.1, 0.3))
    (law,) = asks.laws
    horizons = (
        make_horizon(bottom_m=0.2, calibration="plain"),
        make_horizon(name="B", top_m=0.2),
    )
    other = law.model_copy(update={"id": "plain", "temperature": None})
    site = asks.model_copy(
        update={
            "laws": (make_probe_law(), other, law),
            "soils": {"loam": Soil(id="loam", horizons=horizons)},
        }
    )
    assert calibrate_look(site) == (6 * 3600, 6 * 3600)  # docs: no farther apart than 6 h
    found = step(site, [[COLD, COLD]], [[5.0, 5.0]])
    theta = found["calibrated_water_content"].values.ravel()
    # By hand: 0.1 * 4.01441 - 0.1 as read, and 0.1 * 3.92117 - 0.1.
    np.testing.assert_allclose(theta, [0.301441, 0.292117], atol=3e-6)


def test_nothing_is_done_where_no_law_asks_or_no_temperature_is_known():
    plain = step(site_of(None), [COLD], [5.0])
    assert plain["temperature_correction"].item() == 0.0
    assert calibrate_look(site_of(None)) == (0, 0)
    assert calibrate_look(site_of(ASKED)) == (NEAR_S, NEAR_S)
    found = step(site_of(ASKED), [COLD, COLD, COLD], [NAN, -1.0, 70.0])
    assert not found["temperature_correction"].values.any()
    xr.testing.assert_equal(
        found["calibrated_water_content"][:1], plain["calibrated_water_content"]
    )


def test_the_nearest_temperature_within_ten_centimetres_counts():
    site = site_of(ASKED, depths=(0.1, 0.3, 0.6), warm_depths=(0.2, 0.3))
    assert site.depths_m == (0.1, 0.2, 0.3, 0.6)
    root = np.array([[COLD, NAN, COLD, COLD]])
    found = step(site, root, np.array([[NAN, 5.0, 20.0, NAN]]))
    change = found["temperature_correction"].values.ravel()
    np.testing.assert_allclose(change, [0.1 * (WARM - COLD), 0, 0, 0], atol=3e-6)


def test_where_the_nearest_has_none_the_next_within_ten_centimetres_counts():
    """The sensor's own thermometer fails after two readings; another lies 10 cm deeper."""
    site = site_of(ASKED, depths=(0.1,), warm_depths=(0.1, 0.2))
    celsius = np.full((10, 1, 2), NAN)
    celsius[:2, 0, 0], celsius[:, 0, 1] = 5.0, 20.0
    root = np.full((10, 1, 2), NAN)
    root[..., 0] = COLD
    change = step(site, root, celsius)["temperature_correction"].values[:, 0, 0]
    np.testing.assert_allclose(change, [0.1 * (WARM - COLD)] * 2 + [0.0] * 8, atol=3e-6)
    celsius[:, 0, 1] = 5.0
    change = step(site, root, celsius)["temperature_correction"].values[:, 0, 0]
    np.testing.assert_allclose(change, 0.1 * (WARM - COLD), atol=3e-6)


def test_between_two_temperatures_it_is_linear_and_not_beyond():
    hours = np.arange(16) * 3600
    celsius = np.full(16, NAN)
    celsius[[2, 6, 14]] = [4.0, 8.0, 10.0]
    expected = np.full(16, NAN)
    expected[2:7] = [4, 5, 6, 7, 8]  # eight hours to the next one are too long
    expected[14] = 10
    np.testing.assert_array_equal(between(hours, celsius), expected)
    assert np.isnan(between(hours, np.full(16, NAN))).all()


def test_a_law_that_cannot_be_freed_is_told():
    bare = Warmth(reference_degc=20.0)
    (problem,) = check_laws(site_of(bare))
    assert "porosity" in problem.found
    dense = make_horizon(bulk_density=1.4)
    site = site_of(bare).model_copy(
        update={"soils": {"loam": Soil(id="loam", horizons=(dense,))}}
    )
    assert check_laws(site) == []
    (problem,) = check_laws(
        site_of(ASKED, form="as_logged", coefficients={}, valid_from=0.0, valid_to=1.0)
    )
    assert problem.found == "a 'temperature'"


def test_a_law_holds_for_the_root_at_its_own_temperature():
    """Its samples reached to 3.95; a cold soil reads 4.01441 and is no wetter than 3.92117."""
    covariance = ((1e-4, 0.0), (0.0, 0.0))  # of the slope alone: 0.01 a unit of root
    site = site_of(ASKED, valid_to=3.95, covariance=covariance, standard_error=None)
    probe = make_probe_law(covariance=((0.0, 0.0), (0.0, 0.01)))  # 0.1 V a volt
    wires = (
        make_wire(),
        *(w for w in site.wiring if w.quantity != "root_permittivity"),
    )
    site = site.model_copy(
        update={
            "laws": (*site.laws, probe),
            "wiring": wires,
            "sensor_noise": {"voltage": 0.001},
        }
    )
    volts = (np.array([COLD, WARM, 3.96]) - 1.0) / 8.0
    block = make_block(site, voltage=volts, soil_temperature=[5.0, 20.0, 35.0])
    found = {name: a.values.ravel() for name, a in water_content_step(block, site).items()}
    theta = found["calibrated_water_content"]
    # By hand: 0.292117 of both; a warm soil that reads 3.96 is wetter than the law tells.
    np.testing.assert_allclose(theta, [0.292117, 0.292117, NAN], atol=3e-6)
    assert found["outside_calibration"].tolist() == [0, 0, 2]
    change = found["temperature_correction"]
    np.testing.assert_allclose(change, [0.1 * (WARM - COLD), 0, 0], atol=3e-6)
    # By hand: noise through 8 a volt and 0.1 a root; 0.01 of the root freed, a tenth of the
    # volts through both slopes, and half of the change.
    random = found["random_error"]
    np.testing.assert_allclose(random, [0.0008, 0.0008, NAN], rtol=1e-4)
    parts = 0.01 * WARM, 0.1 * volts[0] * 0.1, 0.5 * change[0]
    expected = [np.linalg.norm(parts), np.hypot(0.01 * WARM, 0.1 * volts[1] * 0.1), NAN]
    np.testing.assert_allclose(found["systematic_error"], expected, rtol=2e-3)


@pytest.mark.parametrize("first", [0, 1, 5, 9])
def test_a_block_may_begin_anywhere_that_its_look_reaches(first):
    site = site_of(ASKED)
    random = np.random.default_rng(1)
    celsius = np.where(np.arange(24) % 5 == 0, random.uniform(1, 25, 24), NAN)
    root = random.uniform(3, 5, 24)
    whole = step(site, root, celsius)["calibrated_water_content"].values.ravel()
    block = make_block(
        site, first, root_permittivity=root[first:], soil_temperature=celsius[first:]
    )
    part = water_content_step(block, site)["calibrated_water_content"].values.ravel()
    reach = NEAR_S // 3600
    np.testing.assert_array_equal(part[reach:], whole[first + reach :])
