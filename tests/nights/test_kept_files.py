"""Delivered files that the store cannot tell again are kept and told of, others are not."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr
from one_day import HEADER, lay_out

from pipeline import locks
from pipeline.accounts.verify import verify_site
from pipeline.deliver.content import file_digest
from pipeline.deliver.lost_values import lost_values
from pipeline.errors import LockedError
from pipeline.nights import night
from pipeline.nights.manifest import Manifest, sole_writer

NOW = datetime(2023, 4, 1, tzinfo=UTC)
ROUNDS = "time;tube;direction;10;30;50\n2023-03-11 09:00;T1;1;20.1;25.2;28.0\n"
ENDS = ("", "_daily", "_weather", "_daily_weather")
NATIVE, DAILY = "north-slope_2023-03.nc", "north-slope_2023-03_daily.nc"


def bring(folder, day):
    """Write a day on which one sensor reads: 96 values, local time an hour ahead of UTC."""
    rows = "".join(
        f"{day}.03.2023 {h:02d}:{m:02d};{300 + h};;0,2\n"
        for h in range(24)
        for m in (0, 15, 30, 45)
    )
    path = folder / "data" / "logger-a" / f"2023-03-{day}.csv"
    path.write_text(HEADER + rows, encoding="utf-8")
    return path


def run(folder):
    """Run a night but for its pictures; return the delivery's account and what is told."""
    stored = night.store_night(folder, NOW)
    delivered = night.deliver_night(folder, stored)
    summary = night.close_night(folder, stored, delivered)
    told = [row for row in summary["set_aside"] if "/netcdf/" in row["file"]]
    assert summary["outcome"] == ("attention" if summary["set_aside"] else "done")
    return delivered, {Path(row["file"]).name: row for row in told}


def copy_store(source, target):
    """Put a copy of the store and its checksums in the place of another."""
    target.mkdir(exist_ok=True)
    shutil.rmtree(target / "store", ignore_errors=True)
    shutil.copytree(source / "store", target / "store")
    shutil.copyfile(source / "store.sums", target / "store.sums")


@pytest.fixture(scope="module")
def grown(tmp_path_factory):
    """Return a site of two nights, and a backup of its store after the first."""
    home = tmp_path_factory.mktemp("grown")
    folder = lay_out(home / "site")
    run(folder)
    copy_store(folder, home / "backup")
    bring(folder, 11)
    (folder / "data" / "rounds").mkdir()
    (folder / "data" / "rounds" / "march.csv").write_text(ROUNDS, encoding="utf-8")
    assert run(folder)[1] == {}
    return home


@pytest.fixture
def site(grown, tmp_path):
    shutil.copytree(grown, tmp_path / "home")
    return tmp_path / "home" / "site", tmp_path / "home" / "backup"


def test_days_lost_by_a_backup_are_told_once_and_the_files_kept(site):
    folder, backup = site
    held = folder / "out" / "netcdf" / NATIVE
    digest, state = file_digest(held), night.site_store(night.open_description(folder)).read()
    copy_store(backup, folder)
    (folder / "data/logger-a/2023-03-11.csv").unlink()
    # A file of other readings makes a night of the number that the lost one had.
    bring(folder, 12)
    _, told = run(folder)
    assert set(told) == {f"north-slope_2023-03{end}.nc" for end in ENDS}
    row = told[NATIVE]
    # By hand: the 11th local time, a sensor, 96 quarters of an hour.
    gone = "T1 96 from 2023-03-10T23:00Z to 2023-03-11T22:45Z"
    assert row["found"] == f"values gone that the file held: {gone}"
    assert state.commit_id in row["expected"]
    (kept,) = (folder / "out" / "kept").glob("north-slope_2023-03.*.nc")
    assert str(kept) in row["advice"]
    assert file_digest(kept) == digest
    with xr.open_dataset(held) as file:
        days = file["soil_water_content"].dropna("time", how="all")["time"].dt.date.values
    assert {day.day for day in np.unique(days)} == {9, 10, 11, 12}  # of the 10th and 12th
    assert run(folder)[1] == {}


def test_files_of_a_run_that_was_stopped_as_it_wrote_are_not_taken_for_changed(
    site, monkeypatch
):
    folder, _ = site
    bring(folder, 12)
    with monkeypatch.context() as patch:
        # Stopped with the files written and not yet noted.
        patch.setattr(Manifest, "note", lambda *_, **__: (_ for _ in ()).throw(SystemExit))
        with pytest.raises(SystemExit):
            run(folder)
    delivered, told = run(folder)
    assert told == {}
    assert not list((folder / "out" / "kept").glob("*"))
    assert {Path(path).name for path in delivered["delivered"]} >= {NATIVE, DAILY}
    # What is changed after it is told again.
    with (folder / "out" / "netcdf" / NATIVE).open("ab") as file:
        file.write(b"x")
    assert set(run(folder)[1]) == {NATIVE}


def test_a_backup_that_loses_nothing_is_not_told_and_nothing_is_kept(site):
    folder, backup = site
    copy_store(backup, folder)
    delivered, told = run(folder)
    assert told == {}
    assert not list((folder / "out" / "kept").glob("*"))
    # Written anew all the same: they named a state that is no more.
    assert {Path(path).name for path in delivered["delivered"]} >= {NATIVE, DAILY}


def test_a_month_that_a_backup_does_not_know_is_kept(site):
    folder, backup = site
    path = bring(folder, 11)
    text = path.read_text(encoding="utf-8")
    (path.parent / "april.csv").write_text(text.replace("11.03.2023", "01.04.2023"))
    stored = night.store_night(folder, datetime(2023, 5, 1, tzinfo=UTC))
    night.deliver_night(folder, stored)
    copy_store(backup, folder)
    (path.parent / "april.csv").unlink()
    delivered, told = run(folder)
    name = "north-slope_2023-04.nc"
    assert name in {Path(path).name for path in delivered["removed"]}
    assert "T1 96 from 2023-03-31T23:00Z to 2023-04-01T22:45Z" in told[name]["found"]
    assert len(list((folder / "out" / "kept").glob("north-slope_2023-04.*.nc"))) == 1


def test_a_file_changed_by_hand_is_told_by_verify_and_night_and_written_anew(site):
    folder, _ = site
    path = folder / "out" / "netcdf" / DAILY
    digest = file_digest(path)
    with netCDF4.Dataset(path, "a") as file:
        file["soil_water_content"][:] = 0.5
    changed = path.read_bytes()
    (path.parent / NATIVE).rename(folder / NATIVE)
    problems = verify_site(folder)["problems"]
    (folder / NATIVE).rename(path.parent / NATIVE)
    assert [(p["file"], p["found"]) for p in problems] == [
        (str(path.parent / NATIVE), "none"),
        (str(path), "other bytes"),
    ]
    _, told = run(folder)
    assert {name: row["found"] for name, row in told.items()} == {
        DAILY: "other bytes than a night wrote"
    }
    assert file_digest(path) == digest
    (kept,) = (folder / "out" / "kept").iterdir()
    assert kept.read_bytes() == changed
    assert str(kept) in told[DAILY]["advice"]
    assert verify_site(folder)["problems"] == []


def test_a_copied_output_is_written_no_more_than_before(site):
    folder, _ = site
    for path in (folder / "out" / "netcdf").iterdir():
        path.touch()
    assert run(folder)[0]["delivered"] == []


def test_what_is_kept_is_told_also_after_a_stop(site, monkeypatch):
    folder, backup = site
    copy_store(backup, folder)
    (folder / "data/logger-a/2023-03-11.csv").unlink()

    def stopped(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Manifest, "compare_kept", stopped)
        with pytest.raises(KeyboardInterrupt):
            run(folder)
    assert NATIVE in run(folder)[1]


def test_one_run_at_a_time_writes_the_files(site, monkeypatch):
    folder, _ = site
    monkeypatch.setattr(locks, "WAIT_S", 0.1)
    opened = night.open_description(folder)
    stored = night.store_night(folder, NOW)
    with (
        sole_writer(opened),
        pytest.raises(LockedError, match="out: another run is writing the files of this site"),
    ):
        night.deliver_night(folder, stored)


def test_a_run_overtaken_by_another_delivers_the_newest_state(site):
    folder, _ = site
    stored = night.store_night(folder, NOW)
    bring(folder, 13)
    newest = night.store_night(folder, NOW)["commit"]
    night.deliver_night(folder, stored)
    with xr.open_dataset(folder / "out" / "netcdf" / NATIVE) as file:
        assert file.attrs["product_version"] == newest
    assert night.deliver_night(folder, stored)["delivered"] == []


def test_hand_readings_that_are_gone_are_found(site, tmp_path):
    folder, _ = site
    path = folder / "out" / "netcdf" / "north-slope_rounds.nc"
    fewer = tmp_path / "fewer.nc"
    with xr.open_dataset(path) as file:
        left = file.isel(reading=slice(1, None))
        left.drop_vars(["source_path", "source_sha256"]).to_netcdf(fewer)
    (lost,) = lost_values(path, fewer)
    # 09:00 in the site's zone, an hour ahead of UTC.
    assert str(lost) == "T1 1 from 2023-03-11T08:00Z to 2023-03-11T08:00Z"
    assert lost_values(path, path) == []
    assert [one.count for one in lost_values(path, tmp_path / "none.nc")] == [3]
