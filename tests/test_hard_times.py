"""What a machine may do to a night: each time a clear message, the last good state kept."""

import os
import shutil
import subprocess
import sys
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from kill import SITE, differences, export, leftovers, state_of

from pipeline.accounts.verify import verify_site
from pipeline.errors import LockedError, StoreError
from pipeline.ingest import intake
from pipeline.nights import night
from pipeline.nights.parts import run_site
from pipeline.outcomes import describe_failure

NOW = datetime(2023, 4, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def two_nights(tmp_path_factory):
    """Return a site after its first night, and its state after an undisturbed second one."""
    folder = tmp_path_factory.mktemp("two") / "site"
    shutil.copytree(SITE, folder)
    bring(folder, 10)
    night.store_night(folder, NOW)
    after = Path(shutil.copytree(folder, folder.with_name("after")))
    bring(after, 11)
    night.store_night(after, NOW)
    return folder, state_of(folder), state_of(after)


@pytest.fixture
def field(two_nights, tmp_path):
    """Return a copy of the site after its first night, with the second day's file there."""
    folder = Path(shutil.copytree(two_nights[0], tmp_path / "site"))
    bring(folder, 11)
    return folder


def bring(folder, day):
    path = folder / "data" / "logger-a" / f"2023-03-{day}.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(export(day), encoding="utf-8")


def store_of(folder):
    return Path(night.open_description(folder).store)


@contextmanager
def mounted(folder, *options):
    """Mount something over a folder for a while."""
    command = ["mount", *options, str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"needs the right to mount: {done.stderr.strip()}")
    try:
        yield
    finally:
        # Lazily: a file that could not be finished may still be held open by its library.
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(path):
    with path.open("wb", buffering=0) as file:
        while True:
            file.write(b"x" * 4096)


def test_a_full_disk_is_told_and_the_night_made_good_once_there_is_room(field, two_nights):
    _, before, after = two_nights
    store = store_of(field)
    kept = Path(shutil.copytree(store, field / "kept"))
    pages = sum(1 + -(-p.stat().st_size // 4096) for p in kept.rglob("*"))
    with mounted(store, "-t", "tmpfs", "-o", f"size={pages * 4 + 2000}k", "none"):
        shutil.copytree(kept, store, dirs_exist_ok=True)
        filler = store / "filler"
        with pytest.raises(OSError, match="No space"):
            fill(filler)
        with pytest.raises(StoreError, match=r"disk is full.*state before is kept"):
            night.store_night(field, NOW)
        assert differences(state_of(field), before) == []
        filler.unlink()
        night.store_night(field, NOW)
        assert differences(state_of(field), after) == []
        assert verify_site(field)["problems"] == []
        assert leftovers(field) == []


def test_a_full_output_disk_fails_the_delivery_alone(field, two_nights):
    output = night.open_description(field).output
    output.mkdir(exist_ok=True)
    with mounted(output, "-t", "tmpfs", "-o", "size=8k", "none"):
        summary = run_site(field, NOW)
        assert summary["outcome"] == "failed"
        assert {failure["part"] for failure in summary["failures"]} >= {"deliver"}
        for failure in summary["failures"]:
            assert failure["error"].startswith(str(output)), failure
            assert failure["error"].endswith("the disk is full; free some room")
            assert "traceback" not in failure
    assert differences(state_of(field), two_nights[2]) == []
    assert run_site(field, NOW)["outcome"] == "done"
    assert list(output.rglob("*.nc"))


@pytest.mark.parametrize("part", ["store", "."])
def test_a_folder_that_can_only_be_read_is_told(field, two_nights, part):
    folder = store_of(field) if part == "store" else field
    with mounted(folder, "--bind", str(folder)):
        remount = ["mount", "-o", "remount,ro,bind", str(folder)]
        subprocess.run(remount, check=True)
        with pytest.raises(StoreError, match=r"[Rr]ead"):
            night.store_night(field, NOW)
        assert differences(state_of(field), two_nights[1]) == []
    night.store_night(field, NOW)
    assert differences(state_of(field), two_nights[2]) == []


def test_a_file_that_vanishes_between_listing_and_reading_waits(
    field, two_nights, monkeypatch
):
    gone = field / "data" / "logger-a" / "2023-03-11.csv"
    text, genuine = gone.read_text(encoding="utf-8"), intake.open_file

    def vanishing(found, *rest):
        if found.full == gone:
            gone.unlink()
        return genuine(found, *rest)

    monkeypatch.setattr(intake, "open_file", vanishing)
    bring(field, 12)
    result = night.store_night(field, NOW)
    assert [row["file"] for row in result["set_aside"]] == ["logger-a/2023-03-11.csv"]
    assert result["raw_files"]["read"] == 1  # the third day's, all the same
    monkeypatch.undo()
    gone.write_text(text, encoding="utf-8")
    assert night.store_night(field, NOW)["set_aside"] == []


def test_a_data_folder_that_is_gone_is_told_and_takes_nothing_away(field, two_nights):
    (field / "data").rename(field / "elsewhere")
    result = night.store_night(field, NOW)
    [told] = result["set_aside"]
    assert told["found"] == "no such folder"
    assert differences(state_of(field), two_nights[1]) == []


def test_a_present_before_the_stored_past_loses_nothing(field, two_nights):
    """The clock of the machine was set back: what it takes for the future waits."""
    early = NOW - timedelta(days=21, hours=6)  # the 10th, within the first day
    result = night.store_night(field, early)
    assert {row["found"].partition(":")[0] for row in result["set_aside"]} == {"in_future"}
    stored = state_of(field)[0]["readings/voltage"]
    first = two_nights[1][0]["readings/voltage"]
    np.testing.assert_array_equal(stored[: len(first)], first)
    night.store_night(field, NOW)
    assert differences(state_of(field), two_nights[2]) == []


@pytest.mark.skipif(not shutil.which("faketime"), reason="needs faketime")
def test_a_clock_before_the_last_night_is_told(field, two_nights):
    script = (
        "import sys, pathlib, datetime; from pipeline.nights import night; "
        "night.store_night(pathlib.Path(sys.argv[1]), "
        "datetime.datetime(2023, 4, 1, tzinfo=datetime.UTC))"
    )
    command = ["faketime", "2001-01-01", sys.executable, "-c", script]
    done = subprocess.run(
        [*command, str(field)], capture_output=True, text=True, check=False, env=os.environ
    )
    assert "clock stands before the last night (2001-01-01" in done.stderr
    assert differences(state_of(field), two_nights[1]) == []


def test_a_store_of_a_newer_format_is_left_alone(field):
    store = night.site_store(night.open_description(field))
    with store.write() as writer:
        writer.set_attributes({"store_format": 99})
        writer.commit("of the future", {})
    with pytest.raises(StoreError, match="newer percolog"):
        night.store_night(field, NOW)
    with pytest.raises(StoreError, match="newer percolog") as caught:
        verify_site(field)
    assert "damaged" not in str(caught.value)
    assert describe_failure("store", StoreError("x"))["kind"] == "StoreError"


def test_two_nights_at_once_the_second_says_so(field, two_nights):
    store = night.site_store(night.open_description(field))
    with (
        store.write(),
        pytest.raises(LockedError, match="another run is writing"),
        night.site_store(night.open_description(field)).write(wait_s=0.2),
    ):
        pass
    night.store_night(field, NOW)
    assert differences(state_of(field), two_nights[2]) == []
