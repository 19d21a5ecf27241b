"""Delivered files: what goes in comes out, whole, and with the same bytes each time."""

import dataclasses

import netCDF4
import numpy as np
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.deliver.encoding import round_mantissa
from pipeline.deliver.fields import DAILY, NATIVE
from pipeline.deliver.netcdf import write_daily, write_native
from pipeline.qc.flags import TEST_BITS, Quality
from pipeline.site.models import Derive, Layer, Source

RENAMED = {"day": "time"}


def on_disk(field, cube):
    """Return what a field should read back as: rounded, instance first."""
    array = cube[field.source].rename({k: v for k, v in RENAMED.items() if k in cube.dims})
    values = array.transpose(*field.dims("tube")).values
    bits = field.packing.bits
    return values if bits is None else round_mantissa(np.ascontiguousarray(values), bits)


def bytes_of(paths):
    return [path.read_bytes() for path in paths]


@pytest.fixture
def native(tmp_path, make_site, make_cubes, provenance):
    site = make_site()
    cubes = make_cubes(site)
    return site, cubes, write_native(site, *cubes, provenance, tmp_path / "native.nc")


def test_two_files_one_feature_each(native):
    _, _, (profiles, weather) = native
    with netCDF4.Dataset(profiles) as file:
        assert file.featureType == "timeSeriesProfile"
        assert "rain" not in file.variables
    with netCDF4.Dataset(weather) as file:
        assert weather.name == "native_weather.nc"
        assert file.featureType == "timeSeries"
        # No quality test looks at rain, and no soil sensor measured it.
        assert file.processing_level == "as logged, not quality-controlled"
        assert file.instrument == "rain gauge, air thermometer"
        assert "soil" not in file.source + file.platform
        assert set(file.dimensions) == {"station", "time", "bounds", "station_id_strlen"}


@pytest.mark.parametrize("field", [f for f in NATIVE if f.source != "bulk_conductivity"])
def test_native_fields_read_back(native, field):
    _, cubes, (path, _) = native
    cube = next(cube for cube in cubes if field.source in cube)
    with netCDF4.Dataset(path) as file:
        variable = file[field.name]
        variable.set_auto_maskandscale(False)
        assert variable.dimensions == field.dims("tube")
        assert variable[:].tobytes() == on_disk(field, cube).tobytes()


@pytest.mark.parametrize("field", DAILY)
def test_daily_fields_read_back(tmp_path, make_site, make_daily, provenance, field):
    site = make_site()
    daily = make_daily(site)
    path, _ = write_daily(site, daily, provenance, tmp_path / "daily.nc")
    with netCDF4.Dataset(path) as file:
        variable = file[field.name]
        variable.set_auto_maskandscale(False)
        assert variable[:].tobytes() == on_disk(field, daily).tobytes()


def test_xarray_reads_times_depths_tubes_and_values(native):
    site, (water, _, readings), (path, weather) = native
    with xr.open_dataset(path) as file:
        np.testing.assert_array_equal(file["time"].values, water["time"].values)
        np.testing.assert_array_equal(file["depth"].values, water["depth"].values)
        assert file["tube_id"].values.tolist() == [tube.tube for tube in site.tubes]
        found = file["soil_water_content"].transpose("time", "tube", "depth").values
        expected = water["cleaned_water_content"].values
        np.testing.assert_allclose(found, expected, rtol=0, atol=3.1e-5)
        assert file["quality_flag"].dtype == np.uint8
        assert file["tests_fired"].dtype == np.uint16
    with xr.open_dataset(weather) as file:
        np.testing.assert_array_equal(file["rain"].values[0], readings["rain"].values[:, 0])


def test_places_name_their_datum(native):
    # docs/site-description.md asks for WGS 84; without a datum degrees are 100 m unsure
    for path in native[2]:
        with netCDF4.Dataset(path) as file:
            for name in ("latitude", "longitude"):
                assert file[name].long_name.endswith(", WGS 84")
            assert "WGS" not in file["altitude"].long_name


def test_real_depth_carries_the_set_in_offset(native):
    # by hand: tube B1-long sits 5 cm deeper; the deepest sensor of C1 is not wired
    _, _, (path, _) = native
    with netCDF4.Dataset(path) as file:
        depth = file["sensor_depth"][:].filled(np.nan)
    np.testing.assert_allclose(depth[0], [0.1, 0.2, 0.4, 0.8])
    np.testing.assert_allclose(depth[1], [0.15, 0.25, 0.45, 0.85])
    np.testing.assert_allclose(depth[2], [0.1, 0.2, 0.4, np.nan])


def test_the_health_of_each_tube_is_a_flag_with_its_meanings(native):
    _, _, (path, _) = native
    with netCDF4.Dataset(path) as file:
        flag = file["tube_health_flag"]
        assert flag.dimensions == ("tube",)
        assert flag[:].tolist() == [0, 2, 9]  # nobody has judged the third
        meanings = dict(
            zip(flag.flag_values.tolist(), flag.flag_meanings.split(), strict=True)
        )
        assert meanings == {
            **{0: "sound", 1: "use_with_care", 2: "do_not_use"},
            9: "not_judged",
        }
        assert flag.standard_name == "quality_flag"


def test_layers_have_names_and_bounds(native):
    _, _, (path, _) = native
    with netCDF4.Dataset(path) as file:
        assert file["layer_name"][:].tolist() == ["topsoil", "subsoil", "profile"]
        np.testing.assert_allclose(
            file["layer_depth_bounds"][:], [[0, 0.3], [0.3, 0.8], [0, 0.8]]
        )
        np.testing.assert_allclose(file["layer_depth"][:], [0.15, 0.55, 0.4])


def test_flags_are_those_of_the_project(native):
    _, _, (path, _) = native
    with netCDF4.Dataset(path) as file:
        quality, tests = file["quality_flag"], file["tests_fired"]
        assert quality.flag_values.tolist() == [1, 2, 3, 4, 9]
        assert quality.flag_meanings == "good not_evaluated suspect bad missing"
        assert tests.flag_masks.tolist() == list(TEST_BITS.values())
        assert tests.flag_meanings.split() == list(TEST_BITS)
        assert quality.flag_values.dtype == quality.dtype == np.uint8
        assert tests.flag_masks.dtype == tests.dtype == np.uint16
        assert int(Quality.MISSING) in quality.flag_values


def test_chunks_and_compression_are_set(native):
    _, _, (path, _) = native
    with netCDF4.Dataset(path) as file:
        for field in NATIVE:
            if field.name in file.variables:
                assert file[field.name].chunking()[0] == 1
                assert file[field.name].filters()["zlib"]
                assert file[field.name].filters()["shuffle"]


def test_rounding_is_declared(native):
    _, _, (path, _) = native
    with netCDF4.Dataset(path) as file:
        water = file["soil_water_content"]
        assert water.quantization_nsb == 12
        container = water.getncattr("quantization")  # as a plain attribute it is a method
        assert file[container].algorithm == "bitround"
        assert "quantization" not in file["quality_flag"].ncattrs()


def test_text_that_is_not_ascii_survives_as_characters(native):
    _, _, (path, _) = native
    with netCDF4.Dataset(path) as file:
        assert file.institution == "Institut für erfundene Böden"
        assert all(variable.dtype is not str for variable in file.variables.values())


def test_written_twice_the_bytes_are_the_same(
    tmp_path, make_site, make_cubes, make_daily, provenance
):
    site = make_site()
    cubes, daily = make_cubes(site), make_daily(site)
    first, second = tmp_path / "a", tmp_path / "b"
    once = write_native(site, *cubes, provenance, first / "n.nc")
    once += write_daily(site, daily, provenance, first / "d.nc")
    again = write_native(site, *cubes, provenance, second / "other_name.nc")
    again += write_daily(site, daily, provenance, second / "d.nc")
    assert bytes_of(once) == bytes_of(again)
    later = dataclasses.replace(provenance, created="2024-04-01T00:00:00Z")
    other = write_native(site, *cubes, later, first / "n.nc")
    assert bytes_of(other) != bytes_of(again[:2])


def test_cubes_backed_by_a_store_give_the_same_bytes(
    tmp_path, make_site, make_cubes, provenance
):
    site = make_site()
    cubes = make_cubes(site)
    lazy = []
    for number, cube in enumerate(cubes):
        store = tmp_path / f"{number}.zarr"
        names = {n: cube[n].astype(object) for n in ("tube", "layer", "station") if n in cube}
        cube = cube.assign_coords(names)  # fixed-width text is not in the Zarr standard
        sizes = {"time": 24, "tube": 2}
        chunks = {
            name: {
                "chunks": tuple(
                    min(sizes.get(dim, size), size)
                    for dim, size in zip(cube[name].dims, cube[name].shape, strict=True)
                )
            }
            for name in cube.data_vars
        }
        cube.to_zarr(store, encoding=chunks, consolidated=False)
        lazy.append(xr.open_zarr(store, chunks=None, consolidated=False))
    in_memory = write_native(site, *cubes, provenance, tmp_path / "memory.nc")
    from_store = write_native(site, *lazy, provenance, tmp_path / "store.nc")
    assert bytes_of(in_memory) == bytes_of(from_store)


def test_failure_leaves_the_last_delivery(tmp_path, make_site, make_cubes, provenance):
    site = make_site()
    water, products, readings = make_cubes(site)
    path = tmp_path / "n.nc"
    before = bytes_of(write_native(site, water, products, readings, provenance, path))
    broken = products.drop_vars("layer")  # cannot be told which layer is which
    with pytest.raises(KeyError):
        write_native(site, water, broken.isel(layer=[0]), readings, provenance, path)
    assert bytes_of([path, tmp_path / "n_weather.nc"]) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["n.nc", "n_weather.nc"]


def test_site_without_weather_delivers_one_file(tmp_path, make_site, make_cubes, provenance):
    site = make_site(station=())
    paths = write_native(site, *make_cubes(site), provenance, tmp_path / "n.nc")
    assert [path.name for path in paths] == ["n.nc"]


def test_quantity_that_no_channel_logs_is_left_out(native):
    _, _, (path, _) = native
    with netCDF4.Dataset(path) as file:
        assert "soil_temperature" in file.variables
        assert "bulk_conductivity" not in file.variables


def test_layers_and_tubes_are_those_of_the_site(tmp_path, make_site, make_cubes, provenance):
    site = make_site()
    cubes = make_cubes(site)
    fewer = make_site(
        tubes=("C1", "A1"),
        derive=Derive(layers=(Layer(name="profile", top_m=0.0, bottom_m=0.8),)),
    )
    path, _ = write_native(fewer, *cubes, provenance, tmp_path / "n.nc")
    with netCDF4.Dataset(path) as file:
        assert file["tube_id"][:].tolist() == ["C1", "A1"]
        assert file["layer_name"][:].tolist() == ["profile"]
        found = file["soil_water_storage"][:].filled(np.nan)
    expected = cubes[1]["storage"].sel(tube=["C1", "A1"], layer=["profile"])
    expected = expected.transpose("tube", "layer", "time").values
    np.testing.assert_allclose(found, expected, rtol=2e-5)


def test_rain_cells_end_at_the_stamp(native):
    site, (water, _, _), (_, path) = native
    with xr.open_dataset(path) as file:
        bounds = file["time_bounds"].values
    np.testing.assert_array_equal(bounds[:, 1], water["time"].values)
    assert (bounds[:, 1] - bounds[:, 0] == np.timedelta64(site.interval_s, "s")).all()


def test_rain_of_a_slower_source_has_its_own_cells(
    tmp_path, make_site, make_cubes, provenance
):
    site = make_site()
    slow = Source(**{**site.sources[0].model_dump(), "interval_s": 21_600})
    site = site.model_copy(update={"sources": (slow,)})
    _, path = write_native(site, *make_cubes(site), provenance, tmp_path / "n.nc")
    with xr.open_dataset(path) as file:
        bounds = file["time_bounds"].values
    assert (bounds[:, 1] - bounds[:, 0] == np.timedelta64(6, "h")).all()


@pytest.mark.parametrize("every_s", [None, 86_400])
def test_days_have_cells_that_rain_fell_in(
    tmp_path, make_site, make_daily, provenance, every_s
):
    """By CF 1.11 section 7.3 a sum is over its cell: (midnight, next midnight]."""
    site = make_site()
    source = Source(**{**site.sources[0].model_dump(), "interval_s": every_s})
    daily = make_daily(site)
    paths = write_daily(
        site.model_copy(update={"sources": (source,)}), daily, provenance, tmp_path / "d.nc"
    )
    for path in paths:
        with xr.open_dataset(path) as file:
            np.testing.assert_array_equal(file["time"], daily["day"])
            np.testing.assert_array_equal(file["time_bounds"][:, 0], daily["day"])
            day = np.timedelta64(1, "D")
            np.testing.assert_array_equal(file["time_bounds"][:, 1], daily["day"] + day)
            assert file.time_coverage_start == f"{daily['day'].values[0]!s:.19}Z"
    with xr.open_dataset(paths[1]) as file:
        assert file["rain"].attrs["cell_methods"] == "time: sum"
        assert "midnight that ends it" in file["rain"].attrs["comment"]


def test_empty_window_is_refused(tmp_path, make_site, make_cubes, provenance):
    site = make_site()
    cubes = [cube.isel(time=slice(0, 0)) for cube in make_cubes(site)]
    with pytest.raises(ValueError, match="at least one time"):
        write_native(site, *cubes, provenance, tmp_path / "n.nc")
    assert list(tmp_path.iterdir()) == []


@settings(
    max_examples=10,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    seed=st.integers(0, 2**32 - 1),
    steps=st.integers(1, 60),
    tubes=st.integers(1, 4),
)
def test_any_cube_reads_back(tmp_path, make_site, make_cubes, provenance, seed, steps, tubes):
    site = make_site(tubes=tuple(f"T{i}" for i in range(tubes)))
    water, products, readings = make_cubes(site, steps, seed)
    path, _ = write_native(site, water, products, readings, provenance, tmp_path / "n.nc")
    with netCDF4.Dataset(path) as file:
        for field in NATIVE:
            cube = next((c for c in (water, products) if field.source in c), None)
            if cube is not None:
                variable = file[field.name]
                variable.set_auto_maskandscale(False)
                assert variable[:].tobytes() == on_disk(field, cube).tobytes()
        seconds = water["time"].values.astype("datetime64[s]").astype(np.int64)
        np.testing.assert_array_equal(file["time"][:], seconds)
