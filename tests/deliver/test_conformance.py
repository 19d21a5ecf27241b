"""Delivered files against independent checkers, and against what those do not see."""

import re
import shutil
from datetime import timedelta

import netCDF4
import numpy as np
import pytest
from checkers import remarks, second_opinion, standard_names

from pipeline.deliver.netcdf import write_daily, write_native

pytest.importorskip("compliance_checker")
FILES = ("n.nc", "n_weather.nc", "d.nc", "d_weather.nc")
# The two parts of an uncertainty have no CF name: the modifier "standard_error" means their
# sum, and a reader that took one part for it would think too well of the data.
_ERRORS = {
    "random_error",
    "systematic_error",
    "storage_random_error",
    "storage_systematic_error",
}
_CORRECTIONS = {"drift_correction", "temperature_correction"}
NAMELESS = {"n.nc": _ERRORS | _CORRECTIONS, "d.nc": _ERRORS}


@pytest.fixture(scope="module")
def folder(tmp_path_factory, make_site, make_cubes, make_daily, provenance):
    """Return a folder with one of each kind of file."""
    site, folder = make_site(), tmp_path_factory.mktemp("delivered")
    write_native(site, *make_cubes(site), provenance, folder / "n.nc")
    write_daily(site, make_daily(site), provenance, folder / "d.nc")
    assert sorted(path.name for path in folder.iterdir()) == sorted(FILES)
    return folder


@pytest.mark.parametrize("name", FILES)
def test_cf_at_its_strictest_has_no_remark(folder, name):
    assert remarks(folder / name, "cf:1.11", above=0) == []


@pytest.mark.parametrize("name", FILES)
def test_acdd_recommendations_are_met(folder, name):
    found = remarks(folder / name, "acdd:1.3", above=1)
    missing = {re.search(r'variable "(\w+)" missing', group).group(1) for _, group, _ in found}
    assert {message for *_, message in found} <= {"standard_name"}
    assert missing == NAMELESS.get(name, set())


@pytest.mark.parametrize("name", FILES)
def test_coverage_ends_with_the_last_cell_and_stands_in_the_id(folder, name):
    with netCDF4.Dataset(folder / name) as file:
        time = file["time"]
        held = file[time.bounds][:] if "bounds" in time.ncattrs() else time[:]
        first, last = netCDF4.num2date([held.min(), held.max()], time.units)
        told = file.time_coverage_start, file.time_coverage_end
        assert told == (f"{first.isoformat()}Z", f"{last.isoformat()}Z")
        assert file.id.endswith(".".join(told).replace(":", ""))
        if name == "d.nc":  # the last day to its end
            assert last - netCDF4.num2date(time[-1], time.units) == timedelta(days=1)


def test_checker_does_find_a_mistake(folder, tmp_path):
    path = shutil.copy(folder / "n.nc", tmp_path / "wrong.nc")
    with netCDF4.Dataset(path, "a") as file:
        file["soil_water_content"].standard_name = "wetness"
        file["depth"].delncattr("positive")
    text = str(remarks(path, "cf:1.11", above=0))
    assert "wetness" in text
    assert "positive" in text


@pytest.mark.parametrize("name", FILES)
def test_second_checker_has_no_error_and_no_warning(folder, tmp_path, name):
    counts = second_opinion(folder / name, tmp_path)
    assert (counts["FATAL"], counts["ERROR"], counts["WARN"]) == (0, 0, 0)


# What the checkers do not see; each found by an experiment with a file that was wrong.


@pytest.mark.parametrize("name", FILES)
class TestBlindSpots:
    @pytest.fixture
    def file(self, folder, name):
        with netCDF4.Dataset(folder / name) as file:
            yield file

    def test_standard_names_are_no_aliases(self, file):
        used = {
            variable.standard_name
            for variable in file.variables.values()
            if "standard_name" in variable.ncattrs()
        }
        assert used - standard_names() == set()
        assert "time" in used

    def test_every_unit_is_one_of_udunits(self, file):
        cf_units = pytest.importorskip("cf_units")
        units = {v.units for v in file.variables.values() if "units" in v.ncattrs()}
        assert all(not cf_units.Unit(unit).is_unknown() for unit in units)
        assert len(units) > 3

    def test_time_is_complete_and_increases(self, file):
        time = file["time"]
        assert time.calendar == "standard"
        assert time.units == "seconds since 1970-01-01 00:00:00Z"
        assert time.dtype == np.int64
        assert (np.diff(time[:]) > 0).all()

    def test_depth_points_down_and_only_coordinates_are_axes(self, file):
        for variable in file.variables.values():
            if getattr(variable, "standard_name", "") == "depth":
                assert variable.positive == "down"
            if "axis" in variable.ncattrs():
                assert variable.dimensions == (variable.name,)

    def test_feature_type_has_its_one_identifier(self, file):
        assert file.featureType in {"timeSeries", "timeSeriesProfile"}
        roles = [v for v in file.variables.values() if "cf_role" in v.ncattrs()]
        assert [variable.cf_role for variable in roles] == ["timeseries_id"]
        texts = roles[0][:].tolist()
        assert len(set(texts)) == len(texts)

    def test_named_variables_exist(self, file):
        for variable in file.variables.values():
            for attribute in ("bounds", "coordinates", "ancillary_variables", "quantization"):
                if attribute in variable.ncattrs():
                    named = set(variable.getncattr(attribute).split())
                    assert named <= set(file.variables)

    def test_coordinates_bounds_and_flags_have_no_fill_value(self, file):
        coordinates = set(file.dimensions) | {"latitude", "longitude", "altitude"}
        for variable in file.variables.values():
            held = variable.ncattrs()
            bare = (
                variable.name in coordinates
                or variable.name.endswith("_bounds")
                or "flag_meanings" in held
            )
            if bare:
                assert "_FillValue" not in held
                assert "missing_value" not in held
            elif "_FillValue" in held:
                assert variable.getncattr("_FillValue").dtype == variable.dtype

    def test_variables_say_what_they_are(self, file):
        for variable in file.variables.values():
            if not variable.name.endswith("_bounds"):
                assert variable.long_name
        names = [
            variable.long_name
            for variable in file.variables.values()
            if "long_name" in variable.ncattrs()
        ]
        assert len(set(names)) == len(names)
