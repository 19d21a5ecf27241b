"""What moved in weather and hand rounds, which no table of a delivery holds."""

import shutil

import netCDF4
import numpy as np
import pytest
import xarray as xr

from pipeline.deliver.netcdf import write_native
from pipeline.deliver.netcdf_changes import compare_files


@pytest.fixture
def native(tmp_path, make_site, make_cubes, provenance):
    site = make_site()
    return write_native(site, *make_cubes(site), provenance, tmp_path / "old.nc")


def test_rain_put_right_is_told_by_station(native, tmp_path):
    old = native[1]
    new = shutil.copy(old, tmp_path / "new.nc")
    assert compare_files("weather", old, new) == []
    with netCDF4.Dataset(new, "a") as file:
        station = file["station_id"][0]
        first, second = np.flatnonzero(np.isfinite(file["rain"][0]))[:2]
        file["rain"][0, first] += 1.5
        file["rain"][0, second] = np.nan
    (change,) = compare_files("weather", old, new)
    told = f"weather rain, station {station}, all: 1 changed, 1 gone, mean +1.5, largest +1.5;"
    assert str(change).startswith(told)


def test_profiles_are_left_to_the_tables(native, tmp_path):
    old = native[0]
    new = shutil.copy(old, tmp_path / "new.nc")
    with netCDF4.Dataset(new, "a") as file:
        file["soil_water_content"][:] = 0.1
    assert compare_files("profiles", old, new) == []


def test_hand_readings_are_told_by_tube_and_depth(tmp_path):
    def write(name, tubes, water):
        seconds = 1_700_000_000 + 60 * np.arange(len(water))
        xr.Dataset(
            {
                "tube_id": ("profile", np.array(tubes, dtype="S2")),
                "direction": ("profile", [0.0] * len(tubes)),
                "profile_index": ("reading", np.repeat(np.arange(len(tubes)), 2)),
                "reading_time": ("reading", seconds, {"units": "seconds since 1970-01-01"}),
                "nominal_depth": ("reading", [0.1, 0.2] * len(tubes)),
                "soil_water_content": ("reading", water),
            }
        ).to_netcdf(tmp_path / name)
        return tmp_path / name

    old = write("old.nc", ["T1"], [0.2, 0.3])
    new = write("new.nc", ["T1", "T2"], [0.2, 0.31, 0.25, 0.26])
    assert [str(c).split(";")[0] for c in compare_files("rounds", old, new)] == [
        "rounds row, tube T2, 10 cm: 1 new",
        "rounds row, tube T2, 20 cm: 1 new",
        "rounds soil_water_content, tube T1, 20 cm: 1 changed, mean +0.01, largest +0.01",
    ]
