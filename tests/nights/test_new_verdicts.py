"""A verdict that changes: files of the past tell it, keep their values, and cost little."""

import shutil
from datetime import UTC, datetime

import netCDF4
import pyarrow as pa
import pytest
from one_day import HEADER, lay_out

from pipeline.accounts.verify import verify_site
from pipeline.deliver.content import content_digest, file_digest
from pipeline.deliver.own_files import own_files
from pipeline.nights import handover, night
from pipeline.nights.manifest import Manifest
from pipeline.products.tube_health import VERDICTS
from pipeline.qc.findings import Verdict
from pipeline.store.site_store import SiteStore

NOW = datetime(2023, 5, 1, tzinfo=UTC)
FLAG = "tube_health_flag"
MONTHS = ("2023-03", "2023-04")


def judge(folder, verdict):
    """Commit another verdict on every tube; return the store's newest state."""
    with stored(folder).write() as writer:
        table = writer.table("tube_verdicts")
        assert table.num_rows > 1
        at = table.schema.get_field_index("verdict")
        found = pa.array([int(verdict)] * table.num_rows, VERDICTS.field("verdict").type)
        writer.put_table("tube_verdicts", table.set_column(at, table.schema[at], found))
        return writer.commit("judged", {})


def stored(folder) -> SiteStore:
    return night.site_store(night.open_description(folder))


def deliver(folder):
    """Return the names of the files written."""
    found = night.deliver_night(folder, {})["delivered"]
    return sorted(path.rpartition("/")[2] for path in found if path.endswith(".nc"))


def files(folder):
    return sorted((folder / "out" / "netcdf").glob("*.nc"))


def flags(folder):
    """Return what each file of profiles tells of tubes."""
    told = {}
    for path in files(folder):
        with netCDF4.Dataset(path) as file:
            if FLAG in file.variables:
                told[path.name] = file[FLAG][:].tolist()
    return told


@pytest.fixture(scope="module")
def two_months(tmp_path_factory):
    """Return a site with files of a day in each of two months."""
    folder = lay_out(tmp_path_factory.mktemp("judged") / "site")
    rows = "".join(f"10.04.2023 {hour:02d}:00;{300 + hour};400;0,2\n" for hour in range(24))
    (folder / "data" / "logger-a" / "2023-04.csv").write_text(HEADER + rows, encoding="utf-8")
    night.store_night(folder, NOW)
    judge(folder, Verdict.SOUND)
    deliver(folder)
    return folder


@pytest.fixture
def folder(two_months, tmp_path):
    return shutil.copytree(two_months, tmp_path / "site")


@pytest.fixture
def whole(monkeypatch):
    """Return the periods whose files are written from the arrays, as it goes on."""
    written, write = [], handover._write_period

    def noted(site, snapshot, period, *others):
        written.append(period.name)
        return write(site, snapshot, period, *others)

    monkeypatch.setattr(handover, "_write_period", noted)
    return written


def test_all_files_say_what_ones_made_from_the_new_state_say(folder, whole, tmp_path):
    before = flags(folder)
    assert len(before) == 2 * len(MONTHS)
    assert {flag for row in before.values() for flag in row} == {Verdict.SOUND}
    judge(folder, Verdict.DO_NOT_USE)
    assert deliver(folder) == [path.name for path in files(folder)]
    assert whole == []
    assert {flag for row in flags(folder).values() for flag in row} == {Verdict.DO_NOT_USE}
    fresh = shutil.copytree(folder, tmp_path / "fresh")
    shutil.rmtree(fresh / "out")
    deliver(fresh)
    assert whole == list(MONTHS)
    assert len(files(folder)) == len(files(fresh)) == 4 * len(MONTHS)
    for changed, made in zip(files(folder), files(fresh), strict=True):
        assert changed.name == made.name
        assert content_digest(changed) == content_digest(made)
        with netCDF4.Dataset(changed) as one, netCDF4.Dataset(made) as other:
            told = {name: one.getncattr(name) for name in one.ncattrs()}
            assert told == {name: other.getncattr(name) for name in other.ncattrs()}


def test_the_files_name_the_new_state_and_the_list_holds_their_bytes(folder, whole):
    commit = judge(folder, Verdict.USE_WITH_CARE)
    deliver(folder)
    site = night.open_description(folder)
    manifest = Manifest(site, {commit})
    assert list(manifest.spoilt()) == []
    for month in MONTHS:
        entry = manifest.entry(month)
        assert entry["commit"] == commit
        for file, (_, _, digest) in entry["written"].items():
            assert file_digest(manifest.folder / file) == digest
            with netCDF4.Dataset(manifest.folder / file) as found:
                assert found.product_version == commit
                assert f"from store state {commit} (" in found.history
    # A list that is lost is made again from what the files tell of themselves.
    assert set(own_files(site, manifest.folder, {commit})) == set(MONTHS)
    assert verify_site(folder)["problems"] == []
    assert deliver(folder) == []


def test_a_file_that_is_gone_or_changed_is_made_anew_with_all_of_its_period(folder, whole):
    gone, changed = (folder / "out" / "netcdf" / f"north-slope_{m}.nc" for m in MONTHS)
    gone.unlink()
    changed.write_bytes(changed.read_bytes() + b"x")
    judge(folder, Verdict.DO_NOT_USE)
    deliver(folder)
    assert whole == list(MONTHS)
    assert {flag for row in flags(folder).values() for flag in row} == {Verdict.DO_NOT_USE}


def test_one_that_was_stopped_half_way_is_taken_up(folder, whole, monkeypatch):
    judge(folder, Verdict.DO_NOT_USE)
    restate, done = handover.restate, []

    def stopped(*arguments):
        if len(done) == 2:
            raise KeyboardInterrupt
        done.append(arguments)
        restate(*arguments)

    with monkeypatch.context() as patch:
        patch.setattr(handover, "restate", stopped)
        with pytest.raises(KeyboardInterrupt):
            deliver(folder)
    deliver(folder)
    assert whole == ["2023-03"]  # two of its files are not as they were listed
    assert {flag for row in flags(folder).values() for flag in row} == {Verdict.DO_NOT_USE}
    assert not (folder / "out" / "kept").exists()


def test_files_without_room_for_verdicts_are_made_anew(folder, whole):
    with stored(folder).write() as writer:
        writer.put_table("tube_verdicts", writer.table("tube_verdicts").slice(0, 0))
        writer.commit("none", {})
    deliver(folder)
    assert whole == list(MONTHS)
    assert flags(folder) == {}
    judge_anew = pa.Table.from_pylist([{"tube": "T1", "verdict": 1}])
    with stored(folder).write() as writer:
        writer.put_table("tube_verdicts", judge_anew)
        writer.commit("some", {})
    whole.clear()
    deliver(folder)
    assert whole == list(MONTHS)
    assert len(flags(folder)) == 2 * len(MONTHS)


def test_days_that_are_computed_anew_are_written_from_the_arrays(folder, whole):
    judge(folder, Verdict.DO_NOT_USE)
    rows = "".join(f"11.04.2023 {hour:02d}:00;{300 + hour};400;0,2\n" for hour in range(24))
    path = folder / "data" / "logger-a" / "2023-04-11.csv"
    path.write_text(HEADER + rows, encoding="utf-8")
    night.store_night(folder, NOW)
    deliver(folder)
    assert "2023-04" in whole
    assert "2023-03" not in whole
