"""A delivered value found again in the state it was made from, and told where it differs."""

import shutil

import netCDF4
import numpy as np
import pytest
from traced_site import NOW, make_field

from pipeline.errors import StoreError
from pipeline.lineage.delivered import largest_rounding
from pipeline.lineage.trace import Question, trace
from pipeline.lineage.view import TraceError
from pipeline.nights import night
from pipeline.site.fingerprint import site_hash


@pytest.fixture(scope="module")
def field(tmp_path_factory):
    folder = make_field(tmp_path_factory.mktemp("delivered") / "site")
    night.deliver_night(folder, night.store_night(folder, NOW))
    return folder


def netcdf(folder, name="north-slope_2023-03.nc"):
    return folder / "out" / "netcdf" / name


def question(tube="T1", depth_cm=10.0, when=0.5, **more):
    """Ask for an hour of 10 March 2023, UTC."""
    at = NOW.replace(month=3, day=10, hour=int(when), minute=int(when % 1 * 60))
    return Question(tube, at, depth_cm, **more)


ASKED = {
    "water": ("north-slope_2023-03.nc", question()),
    "storage": ("north-slope_2023-03.nc", question(product="storage", depth_cm=None)),
    "rain": ("north-slope_2023-03_weather.nc", question("", None, product="rain")),
    "day": ("north-slope_2023-03_daily.nc", question(when=12)),
    "day's storage": ("north-slope_2023-03_daily.nc", question(product="storage")),
    "day's rain": ("north-slope_2023-03_daily_weather.nc", question("", product="rain")),
    "missing": ("north-slope_2023-03.nc", question(when=11)),
}


@pytest.mark.parametrize("kind", ASKED)
def test_every_kind_of_value_is_that_of_the_store(field, kind):
    name, asked = ASKED[kind]
    found = trace(None, netcdf(field, name), asked)
    assert found["delivered"]["agrees"]
    assert found["outcome"] == "done"
    assert found["remarks"] == []
    if kind == "missing":
        assert found["delivered"]["value"] is None
        assert "spike" in found["why_missing"]
    else:
        stored, value = found["delivered"]["stored"], found["delivered"]["value"]
        assert value == pytest.approx(stored, rel=2**-13)
    if kind.startswith("day"):
        assert found["product"].startswith("daily_")


def test_a_value_changed_after_delivery_is_told(field, tmp_path):
    path = tmp_path / "copy.nc"
    shutil.copy(netcdf(field), path)
    with netCDF4.Dataset(path, "a") as file:
        file["soil_water_content"][:] = file["soil_water_content"][:] + np.float32(1e-4)
    found = trace(field, path, question())
    assert not found["delivered"]["agrees"]
    assert "IS NOT" in found["delivered"]["said"]
    assert found["outcome"] == "attention"


def test_the_site_is_asked_for_where_it_is_not_near(field, tmp_path):
    far = tmp_path.joinpath(*"abcdef")
    far.mkdir(parents=True)
    shutil.copy(netcdf(field), far / "x.nc")
    with pytest.raises(TraceError, match="'north-slope' near the file"):
        trace(None, far / "x.nc", question())


def test_the_site_is_found_from_a_file_of_a_delivery(field, tmp_path):
    site = tmp_path / "site"
    shutil.copytree(field, site)
    inner = site / "out" / "deliveries" / "all" / "r0001" / "netcdf"
    inner.mkdir(parents=True)
    shutil.copy(netcdf(field), inner / "x.nc")
    assert trace(None, inner / "x.nc", question())["delivered"]["agrees"]


def test_a_file_by_layers_of_a_model_sends_to_the_sensors(field, tmp_path):
    path = tmp_path / "copy.nc"
    shutil.copy(netcdf(field), path)
    with netCDF4.Dataset(path, "a") as file:
        file.renameVariable("sensor_depth", "depth_elsewhere")
    with pytest.raises(TraceError, match=r"by layers of a model.*native or the daily"):
        trace(field, path, question())


def test_a_state_that_is_no_longer_kept_is_told(field, tmp_path):
    path = tmp_path / "copy.nc"
    shutil.copy(netcdf(field), path)
    with netCDF4.Dataset(path, "a") as file:
        file.product_version = "D2P11XSMBEBQ2Y95M1H0"
    with pytest.raises(StoreError, match="no state 'D2P11XSMBEBQ2Y95M1H0'"):
        trace(field, path, question())


WRONG = {
    "tube": (question("T9"), "'T1', 'T2'"),
    "depth": (question(depth_cm=70.0), "expected one of 10, 30"),
    "field": (question(product="rain"), "field 'rain'"),
    "time": (Question("T1", NOW.replace(year=2024), 10.0), "expected one from 2023"),
}


@pytest.mark.parametrize("kind", WRONG)
def test_what_a_file_lacks_is_told_with_what_it_has(field, kind):
    asked, words = WRONG[kind]
    with pytest.raises(TraceError, match=words):
        trace(None, netcdf(field), asked)


def test_a_file_of_others_is_refused(tmp_path):
    with netCDF4.Dataset(tmp_path / "other.nc", "w") as file:
        file.title = "not ours"
    with pytest.raises(TraceError, match="written by percolog"):
        trace(None, tmp_path / "other.nc", question())
    (tmp_path / "text.nc").write_text("no netcdf")
    with pytest.raises(TraceError, match="expected a NetCDF file"):
        trace(None, tmp_path / "text.nc", question())


def test_the_largest_rounding_by_hand():
    """Between 0.25 and 0.5 the last of 12 bits is 2**-2 / 2**12; half of it is the most."""
    assert largest_rounding(0.3, 12) == 2.0**-15
    assert largest_rounding(0.5, 12) == 2.0**-14
    assert largest_rounding(0.0, 12) == 0.0
    assert largest_rounding(0.3, None) == 0.0


def test_the_hash_in_the_file_is_that_of_the_description(field):
    with netCDF4.Dataset(netcdf(field)) as file:
        assert site_hash(night.open_description(field)) in file.history
