"""The file of a model's layers: independent checkers, bounds, and values kept in full."""

import netCDF4
import numpy as np
import pytest
import xarray as xr
from checkers import remarks

from pipeline.deliver.model_layers import write_model_layers
from pipeline.derive.layers import model_layers

pytest.importorskip("compliance_checker")
EDGES = [0.0, 0.1, 0.4, 1.0]


@pytest.fixture(scope="module")
def made(make_site, tmp_path_factory, provenance):
    """Return layers by day and reading of a site's tubes, and the files of both."""
    site, folder = make_site(), tmp_path_factory.mktemp("layers")
    tubes, depths = [tube.tube for tube in site.tubes], [0.1, 0.2, 0.3, 0.4, 0.6, 1.0]
    dims, units = ("time", "tube", "depth"), {"units": "m3 m-3"}
    per_day = site.axis.steps_per_day
    theta = np.random.default_rng(2).uniform(0.1, 0.4, (2 * per_day, len(tubes), 6))
    theta[3, 0, 1] = np.nan
    data = xr.Dataset(
        {
            "cleaned_water_content": (dims, theta, units),
            "random_error": (dims, np.full(theta.shape, 0.002), units),
            "systematic_error": (dims, np.full(theta.shape, 0.01), units),
            "quality": (dims, np.where(np.isnan(theta), 9, 1).astype(np.uint8)),
            "sensor_depth": (("tube", "depth"), [depths] * len(tubes), {"units": "m"}),
        },
        {"time": site.axis.times(0, 2 * per_day), "tube": tubes, "depth": depths},
    )
    files = {}
    for step in ("native", "daily"):
        layers = model_layers(data, EDGES, step, covariance=step == "daily")
        path = write_model_layers(site, layers, provenance, folder / f"{step}.nc")
        files[step] = (layers, path)
    return files


@pytest.mark.parametrize("step", ["native", "daily"])
def test_cf_at_its_strictest_has_no_remark(made, step):
    assert remarks(made[step][1], "cf:1.11", above=0) == []


def test_a_day_is_a_mean_over_its_cell_and_a_layer_a_sum_over_its_own(made):
    with netCDF4.Dataset(made["daily"][1]) as file:
        assert file["soil_water_storage"].cell_methods == "time: mean depth: sum"
        assert file["soil_water_content"].cell_methods == "time: mean depth: mean"
        assert file["depth_bounds"][:].tolist() == [[0, 0.1], [0.1, 0.4], [0.4, 1.0]]
        assert (np.diff(file["time_bounds"][:], axis=1) == 86_400).all()
        assert "storage_error_covariance" in file.variables
    with netCDF4.Dataset(made["native"][1]) as file:
        assert file["soil_water_storage"].cell_methods == "time: point depth: sum"
        assert "time_bounds" not in file.variables
        assert "storage_error_covariance" not in file.variables


@pytest.mark.parametrize("step", ["native", "daily"])
def test_values_are_kept_to_the_last_bit_of_single_precision(made, step):
    layers, path = made[step]
    with xr.open_dataset(path) as file:
        for source, name in (
            ("layer_storage", "soil_water_storage"),
            ("layer_covariance", "storage_error_covariance"),
        ):
            if source in layers:
                dims = ("time", "tube", "depth", "other_depth")[: layers[source].ndim]
                kept = file[name].transpose(*dims).values
                expected = layers[source].values.astype(np.float32)
                assert kept.tobytes() == expected.tobytes()
        flags = file["storage_quality_flag"].transpose("time", "tube", "depth").values
        np.testing.assert_array_equal(flags, layers["layer_quality"])


def test_layers_that_do_not_follow_downwards_are_refused(
    made, make_site, provenance, tmp_path
):
    layers = made["native"][0].isel(layer=[1, 0])
    with pytest.raises(ValueError, match="follow each other downwards"):
        write_model_layers(make_site(), layers, provenance, tmp_path / "x.nc")
    nobody = made["native"][0].isel(tube=slice(0, 0))
    with pytest.raises(ValueError, match="at least one time and one tube"):
        write_model_layers(make_site(), nobody, provenance, tmp_path / "x.nc")
