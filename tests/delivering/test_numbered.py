"""Deliveries: numbered, unchangeable, the same in every format, new only if they say more."""

import csv
import json
import os
import shutil
import stat
from datetime import UTC, datetime
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import xarray as xr
from checkers import remarks
from kill import SITE, export

from pipeline import locks
from pipeline.accounts.verify import verify_site
from pipeline.deliver.content import content_digest, file_digest
from pipeline.delivering import numbered as delivering
from pipeline.delivering.contents import Request
from pipeline.delivering.numbered import deliver_site, requested_period
from pipeline.delivering.revision_files import newest_revision
from pipeline.errors import LockedError, PercologError
from pipeline.nights import night

NOW = datetime(2023, 4, 1, tzinfo=UTC)
PLAIN = Request(pictures=False, name="plain")
LAYERS = Request(
    steps=("native", "hourly", "daily"),
    layers_cm=(0, 10, 30),
    covariance=True,
    pictures=False,
    spreadsheets=False,
    name="model",
)


def bring(folder, day):
    path = folder / "data" / "logger-a" / f"2023-03-{day}.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(export(day), encoding="utf-8")
    night.store_night(folder, NOW)


@pytest.fixture(scope="module")
def delivered(tmp_path_factory):
    """Return a site of two nights and what was delivered after each, plain and in layers."""
    folder = tmp_path_factory.mktemp("delivered") / "site"
    shutil.copytree(SITE, folder)
    accounts = {}
    for revision, day in enumerate((10, 11), start=1):
        bring(folder, day)
        accounts[revision] = deliver_site(folder, PLAIN)
    accounts["layers"] = deliver_site(folder, LAYERS)
    return folder, accounts


def files_of(account):
    folder = Path(account["revision_folder"])
    return {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if p.is_file()}


def test_revisions_are_numbered_and_cannot_be_written_to(delivered):
    _, accounts = delivered
    assert [accounts[n]["revision"] for n in (1, 2)] == [1, 2]
    for path in files_of(accounts[1]).values():
        assert not path.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)


def test_nothing_new_makes_no_revision_and_leaves_no_draft(delivered):
    folder, accounts = delivered
    again = deliver_site(folder, PLAIN)
    assert (again["new"], again["revision"]) == (False, 2)
    assert accounts[2]["folder"] == str(folder)
    home = Path(accounts[2]["revision_folder"]).parent
    assert sorted(os.listdir(home)) == ["r0001", "r0002"]


def test_made_twice_from_one_state_no_byte_differs(delivered, tmp_path):
    folder, accounts = delivered
    first = {name: file_digest(path) for name, path in files_of(accounts["layers"]).items()}
    home = Path(accounts["layers"]["revision_folder"])
    shutil.move(home, tmp_path / "kept")
    home.parent.with_name(".model.number").unlink()
    again = files_of(deliver_site(folder, LAYERS))
    assert {name: file_digest(path) for name, path in again.items()} == first


def test_the_descriptor_holds_for_every_file(delivered):
    """Data Package (Frictionless): each file is a resource with its size and its SHA-256."""
    _, accounts = delivered
    files = files_of(accounts[2])
    descriptor = json.loads(files["datapackage.json"].read_text(encoding="utf-8"))
    resources = {resource["path"]: resource for resource in descriptor["resources"]}
    assert resources.keys() == files.keys() - {"datapackage.json"}
    for name, resource in resources.items():
        assert resource["bytes"] == files[name].stat().st_size
        assert resource["hash"] == f"sha256:{file_digest(files[name])}"
        assert resource["name"] == resource["name"].lower()
    for name in (n for n in files if n.startswith("csv/")):
        with files[name].open(newline="", encoding="utf-8") as file:
            header = next(csv.reader(file))
        assert [field["name"] for field in resources[name]["schema"]["fields"]] == header


def test_the_formats_say_the_same(delivered):
    """NetCDF (rounded to 12 bits, 3e-5), Parquet and CSV hold one and the same water."""
    _, accounts = delivered
    files = files_of(accounts[2])
    with xr.open_dataset(files["netcdf/north-slope_all.nc"]) as native:
        theta = native["soil_water_content"].load()
        names = native["tube_id"].values.astype(str).tolist()
    rows = pd.read_parquet(files["parquet/north-slope_all_water.parquet"])
    sheet = pd.read_csv(files["csv/north-slope_all_water_T1.csv"])
    tube = rows[(rows["tube"] == "T1") & np.isclose(rows["depth"], 0.1)]
    from_parquet = tube["cleaned_water_content"].to_numpy()
    from_csv = sheet["cleaned_water_content 10 cm"].to_numpy()
    from_netcdf = theta[names.index("T1")].sel(depth=0.1).values
    assert np.isfinite(from_parquet).sum() >= 150
    np.testing.assert_allclose(from_netcdf, from_parquet, atol=3e-5)
    np.testing.assert_allclose(from_csv, from_parquet, rtol=1e-6)
    assert tube["time"].iloc[-1] == pd.Timestamp(sheet["time"].iloc[-1])


@pytest.mark.parametrize(("table", "prefix"), [("water", ""), ("storage", "storage_")])
def test_daily_tables_say_how_sure_they_are(delivered, table, prefix):
    files = files_of(delivered[1][2])
    stem = f"north-slope_all_daily_{table}"
    rows = pd.read_parquet(files[f"parquet/{stem}.parquet"])
    sheet = pd.read_csv(files[f"csv/{stem}_T1.csv"])
    with xr.open_dataset(files["netcdf/north-slope_all_daily.nc"]) as file:
        for error in ("random_error", "systematic_error"):
            stated = np.sort(file[f"{prefix}{error}"].values, axis=None)
            found = np.sort(rows[f"daily_{prefix}{error}"])
            np.testing.assert_allclose(found, stated, rtol=2e-3)  # rounded to 9 bits
            assert np.isfinite(found).any()
            assert sheet.filter(like=f"daily_{prefix}{error} ").notna().any(axis=None)


def test_changes_tell_what_where_and_why(delivered):
    _, accounts = delivered
    text = files_of(accounts[2])["CHANGES.txt"].read_text(encoding="utf-8")
    assert "new raw file: logger-a/2023-03-11.csv" in text
    # The second day's file holds 96 quarters of an hour, local time one hour ahead of UTC.
    assert "cleaned_water_content, tube T1, 10 cm: 96 new" in text
    assert "2023-03-10T23:00Z to 2023-03-11T22:45Z" in text
    # Weather is in no table.
    assert "north-slope_all_weather row, station logger-a, all: 96 new" in text


def test_a_new_law_is_named_with_the_size_of_its_effect(delivered, tmp_path):
    folder = Path(shutil.copytree(delivered[0], tmp_path / "site"))
    calibrations = folder / "calibrations.toml"
    text = calibrations.read_text(encoding="utf-8")
    edited = text.replace("offset = -0.19 }", "offset = -0.186 }")
    assert edited != text
    calibrations.write_text(edited, encoding="utf-8")
    night.store_night(folder, NOW)
    account = deliver_site(folder, PLAIN)
    assert account["new"]
    assert any("calibrate" in line and "became" in line for line in account["reasons"])
    changed = [c for c in account["changes"] if "water cleaned_water_content" in c]
    assert changed
    assert all("changed, mean" in line for line in changed)


def test_layers_keep_storage_and_are_strict_cf(delivered):
    _, accounts = delivered
    files = files_of(accounts["layers"])
    for step in ("native", "hourly", "daily"):
        path = files[f"netcdf/north-slope_all_layers_{step}.nc"]
        assert remarks(path, "cf:1.11", above=0) == []
        with netCDF4.Dataset(path) as file:
            assert file["depth_bounds"][:].tolist() == [[0.0, 0.1], [0.1, 0.3]]
            variance = file["storage_error_variance"][:].filled(np.nan)
            between = file["storage_error_covariance"]
            order = [between.dimensions.index(n) for n in ("tube", "time", "depth")]
            order.append(6 - sum(order))  # the other layer's
            matrix = between[:].filled(np.nan).transpose(order)
            diagonal = np.einsum("...ii->...i", matrix)
            known = np.isfinite(variance)
            assert known.any()
            np.testing.assert_allclose(diagonal[known], variance[known], rtol=5e-3)
            storage, theta = file["soil_water_storage"][:], file["soil_water_content"][:]
            # By hand: storage [mm] = water content x thickness.
            np.testing.assert_allclose(storage[..., 1], theta[..., 1] * 200, rtol=2e-4)
    table = pq.read_table(files["parquet/north-slope_all_layers_daily.parquet"])
    assert set(table["layer"].to_pylist()) == {"0-10 cm", "10-30 cm"}


def test_a_digest_tells_content_from_the_instant_of_writing(delivered, tmp_path):
    _, accounts = delivered
    source = files_of(accounts[2])["netcdf/north-slope_all.nc"]
    path = tmp_path / "copy.nc"
    shutil.copyfile(source, path)
    with netCDF4.Dataset(path, "a") as file:
        file.date_created = "2001-01-01T00:00:00Z"
    assert content_digest(path) == content_digest(source)
    with netCDF4.Dataset(path, "a") as file:
        file["soil_water_content"].long_name = "something else"
    assert content_digest(path) != content_digest(source)


@pytest.mark.parametrize(
    ("text", "first", "days"),
    [
        ("all", 0, 10),
        ("2023", 0, 10),
        ("2023-03", 0, 10),
        ("2023-03-04", 3, 1),
        ("2023-03-02/2023-03-05", 1, 3),
    ],
)
def test_periods(field_site, text, first, days):
    period = requested_period(field_site, 10, text)
    assert (period.start_day, period.stop_day - period.start_day) == (first, days)


@pytest.mark.parametrize(
    "text",
    ["2022", "last week", "2023-13", "2023-03-04-05", "9999", "9" * 20, "1/2/3", ""],
)
def test_what_is_no_period_is_refused(field_site, text):
    with pytest.raises(PercologError, match="expected"):
        requested_period(field_site, 10, text)


@pytest.mark.parametrize(
    "request_",
    [
        Request(steps=("weekly",)),
        Request(layers_cm=(0, 30, 10)),
        Request(layers_cm=(10,)),
        Request(name="../elsewhere"),
        Request(name="a\nb"),
        Request(name=".hidden"),
    ],
)
def test_a_wrong_request_is_refused_and_makes_nothing(delivered, request_):
    folder, _ = delivered
    before = sorted((folder / "out").rglob("*"))
    with pytest.raises(PercologError, match="expected"):
        deliver_site(folder, request_)
    assert sorted((folder / "out").rglob("*")) == before


@pytest.fixture
def copied(delivered, tmp_path):
    """Return a copy of the site to spoil, and the folder of its plain delivery."""
    folder = Path(shutil.copytree(delivered[0], tmp_path / "site"))
    return folder, folder / "out" / "deliveries" / "plain"


def accounts_state(revision):
    return json.loads((revision / "datapackage.json").read_bytes())["percolog"]["state"]


def spoil(path):
    path.chmod(0o644)
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def test_a_spoilt_revision_is_named_by_verify_and_by_what_would_go_by_it(copied, monkeypatch):
    folder, home = copied
    table = next((home / "r0002" / "parquet").iterdir())
    spoil(table)
    (told,) = verify_site(folder)["problems"]
    assert (told["file"], told["found"]) == (str(table), "other bytes")
    monkeypatch.setattr(delivering, "_says_the_same", lambda *_: False)
    with pytest.raises(PercologError, match=rf"{table}: found other bytes; .* copy"):
        deliver_site(folder, PLAIN)
    assert sorted(os.listdir(home)) == ["r0001", "r0002"]  # no draft is left


@pytest.mark.parametrize("content", [None, "", "{}", '{"resources": [], "percolog": 1'])
def test_a_lost_list_of_a_revision_is_told_with_what_to_do(copied, content):
    folder, home = copied
    listed = home / "r0002" / "datapackage.json"
    listed.unlink()
    if content is not None:
        listed.write_text(content)
    with pytest.raises(PercologError, match=f"{listed}: expected .* copy, or move"):
        deliver_site(folder, PLAIN)
    assert [p["file"] for p in verify_site(folder)["problems"]] == [str(listed)]


def test_no_number_is_given_twice_whatever_is_removed_by_hand(copied):
    folder, home = copied
    shutil.rmtree(home / "r0002")
    account = deliver_site(folder, PLAIN)
    assert (account["revision"], Path(account["revision_folder"]).name) == (3, "r0003")
    told = "revision 2 was made before and removed by hand"
    assert told in account["reasons"]
    text = (home / "r0003" / "CHANGES.txt").read_text(encoding="utf-8")
    assert f"Against revision 1 (state {accounts_state(home / 'r0001')})" in text
    assert told in text
    shutil.rmtree(home)
    account = deliver_site(folder, PLAIN)
    assert account["revision"] == 4
    text = (home / "r0004" / "CHANGES.txt").read_text(encoding="utf-8")
    assert "revisions to 3 were made before and removed by hand; nothing to compare" in text


def test_of_two_deliveries_at_once_the_second_waits_and_then_says_so(copied, monkeypatch):
    folder, home = copied
    shutil.rmtree(home / "r0002")
    monkeypatch.setattr(locks, "WAIT_S", 0.1)
    make = delivering._make

    def meanwhile(*arguments):
        with pytest.raises(LockedError, match=f"{home}: another run is delivering to it"):
            deliver_site(folder, PLAIN)
        return make(*arguments)

    monkeypatch.setattr(delivering, "_make", meanwhile)
    assert deliver_site(folder, PLAIN)["new"]
    assert sorted(os.listdir(home)) == ["r0001", "r0003"]


def test_the_newest_revision_goes_by_number(tmp_path):
    for name in ("r9999", "r10000", "r0001.old", "r0002"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "datapackage.json").write_text('{"resources": [], "percolog": {}}')
    assert newest_revision(tmp_path)[0].name == "r10000"
