"""A disk that takes no more: told at once, with the folder; alerts go out all the same."""

import errno
import resource
import shutil
from datetime import timedelta
from types import SimpleNamespace

import netCDF4
import numpy as np
import pytest
from bare_site import START
from mail_host import web_address

from flows import nightly, schedule_book, server
from pipeline.deliver.atomic import replacing
from pipeline.errors import StoreError
from pipeline.outcomes import describe_failure
from pipeline.site.load import load_site
from pipeline.watch import book, status
from pipeline.watch.nights import begin_night, end_night

NOW = START + timedelta(days=10)
FULL = OSError(errno.ENOSPC, "No space left on device")


def test_a_netcdf_file_that_finds_no_room_says_so_and_which_file(tmp_path):
    """Of a full disk the library says "HDF error", without any number."""
    path, before = tmp_path / "out.nc", resource.getrlimit(resource.RLIMIT_FSIZE)
    path.write_text("old")

    def write():
        with replacing(path) as temporary, netCDF4.Dataset(temporary, "w") as file:
            file.createDimension("time", 20_000)
            file.createVariable("water", "f8", ("time",))[:] = np.arange(20_000.0)

    resource.setrlimit(resource.RLIMIT_FSIZE, (16_384, before[1]))
    try:
        with pytest.raises(OSError, match="File too large") as caught:
            write()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert caught.value.filename == str(path)
    assert [name.name for name in tmp_path.iterdir()] == ["out.nc"]
    assert path.read_text() == "old"


def test_a_refusal_names_the_file_and_what_to_do_without_a_traceback(tmp_path):
    path = tmp_path / "netcdf" / "out.nc"
    with pytest.raises(OSError, match="No space") as caught, replacing(path):
        raise FULL
    account = describe_failure("deliver", caught.value)
    assert account["error"] == f"{path}: the disk is full; free some room"
    assert "traceback" not in account


def test_a_full_disk_is_not_tried_again_a_minute_later():
    def again(error):
        state = SimpleNamespace(result=lambda raise_on_failure: error)
        return nightly.only_io(None, None, state)

    behind = StoreError("the disk is full")
    behind.__cause__ = FULL
    assert [again(FULL), again(behind)] == [False, False]
    assert again(OSError(errno.EIO, "Input/output error"))


def test_what_cannot_be_remembered_is_told_all_the_same_and_again(make_site, monkeypatch):
    with web_address() as web:
        folder = make_site()
        hook = f'\n[alerts.webhook]\nurl = "http://127.0.0.1:{web.server_address[1]}/"\n'
        text = (folder / "site.toml").read_text()
        (folder / "site.toml").write_text(text + hook)
        output = load_site(folder).output

        def night(**failed):
            begin_night(folder, NOW)
            return end_night(folder, {"site": "s", "outcome": "done", **failed}, NOW)["alerts"]

        night()
        kept = (output / "watch.json").read_bytes()
        with monkeypatch.context() as patch:
            patch.setattr(book, "replacing", refusing)
            failures = [{"part": "draw", "kind": "OSError", "error": "the disk is full"}]
            accounts = [night(outcome="failed", failures=failures) for _ in range(2)]
    assert (output / "watch.json").read_bytes() == kept
    for account in accounts:
        assert account["raised"] == ["the night failed (draw)"]
        [failure] = account["failures"]
        assert failure["error"].startswith(f"{output / 'watch.json'}: the disk is full; free")
    told = [alert["what"] for _, sent in web.received for alert in sent["alerts"]]
    assert told == ["the night failed (draw)"] * 2
    assert len((output / "alerts.jsonl").read_text().splitlines()) == 2


def refusing(path):
    raise OSError(errno.ENOSPC, "No space left on device", str(path))


def test_a_state_folder_without_room_is_told_before_the_orchestrator_is_waited_for(
    tmp_path, monkeypatch
):
    monkeypatch.delenv("PREFECT_API_URL", raising=False)
    monkeypatch.setattr(server, "force_settings", lambda state: None)
    monkeypatch.setattr(server, "_connect", lambda state: None)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=200_000))
    with (
        pytest.raises(server.OrchestratorError, match=r"only 0\.2 MB free.*PERCOLOG_STATE"),
        server.orchestrator(tmp_path / "state"),
    ):
        pass


def test_status_tells_of_an_output_on_a_disk_of_its_own_that_is_full(tmp_path, monkeypatch):
    site = SimpleNamespace(output=tmp_path / "out" / "deep", store="s3://bucket/prefix")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=200_000))
    account = {"why": [], "disk": {}}
    status._tell_output(account, site)
    assert account == {
        "why": ["only 0.0 GB are free where the output lies"],
        "disk": {"output_free_bytes": 200_000},
    }


def test_a_night_that_falls_due_runs_where_no_note_of_it_can_be_kept(tmp_path, caplog):
    (tmp_path / "state").write_text("a file in place of the folder refuses it, too")
    ran = False
    with schedule_book.note_night(tmp_path / "state", NOW):
        ran = True
    assert ran
    assert "the night could not be noted" in caplog.text
