"""The part of a doubt about depth in the systematic error, by hand and by properties."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from bare_site import make_block, make_horizon, make_law, make_site, make_tube, make_wire

from pipeline.calibrate.depth_error import depth_error, make_ladder
from pipeline.calibrate.felt import horizon_edges, steeper_slope
from pipeline.calibrate.steps import water_content_step
from pipeline.site.instruments import Uncertainty
from pipeline.site.models import Soil

NAN = float("nan")
DEPTHS = (0.1, 0.2, 0.4)


def site_of(edge_m=2.0, doubt_m=0.01, depths=DEPTHS, **tube):
    """Return a site of one tube; two horizons meet at an edge."""
    horizons = (
        make_horizon(name="A", top_m=0.0, bottom_m=edge_m),
        make_horizon(name="B", top_m=edge_m, bottom_m=9.0),
    )
    return make_site(
        wiring=tuple(make_wire(depth_m=d, quantity="water_content", unit="1") for d in depths),
        soils={"S": Soil(id="S", horizons=horizons)},
        tubes=(make_tube(soil="S", **tube),),
        uncertainty=Uncertainty(depth_m=doubt_m),
    )


def parts(site, rows, depths=DEPTHS):
    content = xr.DataArray(
        np.array(rows, np.float32)[:, None, :],
        {"tube": [site.tubes[0].tube], "depth": list(depths)},
        ("time", "tube", "depth"),
    )
    return depth_error(content, site)[:, 0]


def test_doubt_times_the_steeper_slope_by_hand():
    # Provenance: by hand. Slopes 0.05 / 0.1 m = 0.5 and 0.02 / 0.2 m = 0.1 per metre; the
    # steeper one on each side times 0.01 m.
    found = parts(site_of(), [[0.20, 0.25, 0.27]])
    np.testing.assert_allclose(found, [[0.005, 0.005, 0.001]], rtol=1e-5)


def test_the_sensor_behind_a_missing_one_is_taken():
    # By hand: from 10 to 40 cm 0.07 / 0.3 m = 0.2333 per metre.
    found = parts(site_of(), [[0.20, NAN, 0.27]])
    np.testing.assert_allclose(found, [[0.07 / 30, NAN, 0.07 / 30]], rtol=1e-5)


@pytest.mark.parametrize("odd", [-0.1, 1.3, np.inf])
def test_what_cannot_be_water_counts_as_missing(odd):
    found = parts(site_of(), [[0.20, odd, 0.27]])
    assert found[0, 0] == pytest.approx(0.07 / 30, rel=1e-5)


def test_alone_nothing_is_known_of_a_gradient():
    np.testing.assert_array_equal(parts(site_of(), [[NAN, 0.25, NAN]]), [[NAN, 0.0, NAN]])


def test_an_edge_counts_only_where_it_is_felt():
    # By hand: the edge at 29 cm is 9 cm below the sensor at 20 and 11 cm above that at 40.
    found = parts(site_of(edge_m=0.29), [[0.20, 0.21, 0.31]])
    np.testing.assert_allclose(found, [[0.001, 0.005, 0.0]], rtol=1e-5, atol=1e-12)


def test_depths_in_any_order_of_the_store():
    order = (0.4, 0.1, 0.2)
    found = parts(site_of(), [[0.27, 0.20, 0.25]], order)
    np.testing.assert_allclose(found, [[0.001, 0.005, 0.005]], rtol=1e-5)


def test_a_tube_states_its_own_doubt_and_its_real_depths_count():
    site = site_of(depth_uncertainty_m=0.02, set_in_m=0.05)
    ladder = make_ladder(site, [site.tubes[0].tube], list(DEPTHS))
    np.testing.assert_allclose(ladder.depth_m[0], [0.15, 0.25, 0.45])
    assert parts(site, [[0.20, 0.25, 0.27]])[0, 0] == pytest.approx(0.01, rel=1e-5)
    assert not parts(site_of(depth_uncertainty_m=0.0), [[0.2, 0.3, 0.4]]).any()


def test_the_trace_finds_the_very_gradient_of_the_step():
    site = site_of(edge_m=0.29)
    random = np.random.default_rng(7)
    rows = random.uniform(-0.1, 0.6, (40, 3)).astype(np.float32)
    rows[random.random((40, 3)) < 0.2] = NAN
    edges = horizon_edges(site, site.tubes[0].tube)
    for row, found in zip(rows, parts(site, rows), strict=True):
        profile = [
            (depth, None if np.isnan(value) else float(value))
            for depth, value in zip(DEPTHS, row, strict=True)
        ]
        again = [0.01 * steeper_slope(edges, profile, depth) for depth in DEPTHS]
        np.testing.assert_allclose(found[~np.isnan(row)], np.array(again)[~np.isnan(row)])


def test_the_step_adds_it_in_quadrature_to_what_the_law_leaves_open():
    # By hand: the law leaves 0.012 open, the depth 0.005: 0.013.
    site = site_of()
    law = make_law(form="as_logged", coefficients={}, standard_error=0.012)
    block = make_block(site, water_content=np.array([[0.20, 0.25, 0.27]]))
    stated = site.model_copy(update={"laws": (law,)})
    found = water_content_step(block, stated)["systematic_error"].values[0, 0]
    np.testing.assert_allclose(found[:2], 0.013, rtol=1e-5)
    unstated = site.model_copy(
        update={"laws": (law.model_copy(update={"standard_error": None}),)}
    )
    assert np.isnan(water_content_step(block, unstated)["systematic_error"]).all()
