"""The flows on a local cluster of two processes, against the same work without it."""

from __future__ import annotations

import logging
import shutil
import socket
import time
import urllib.error
import urllib.request
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import hard_work
import pytest
import states
import typer
from one_day import lay_out

from flows import cluster as adapter
from flows.cluster import ClusterError, Wanted, WorkerLostError
from pipeline.commands.shared import place
from pipeline.nights import parts

NOW = datetime(2023, 4, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory):
    """Two processes of this machine, for all tests of this file."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PERCOLOG_STATE", str(tmp_path_factory.mktemp("state")))
        with adapter.cluster(Wanted(workers=2), []) as found:
            assert found is not None
            yield found


@pytest.fixture
def run(prefect_backend, two_workers, monkeypatch):
    """Return a function that runs the night of sites on the two workers."""
    from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

    from flows import nightly, summary

    for name in parts.PARTS:
        quick = getattr(nightly, name).with_options(retry_delay_seconds=0)
        monkeypatch.setattr(nightly, name, quick)

    def run_flow(*sites):
        flow = adapter.wide(nightly.nightly, two_workers)
        with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
            state = flow(list(sites), NOW, return_state=True)
        return summary.results(list(sites), state.result(raise_on_failure=False))

    return run_flow


@pytest.fixture
def scripted_there(scripted, two_workers):
    """Script the nights of the workers too."""
    two_workers._client.run(hard_work.script_nights)
    yield scripted
    two_workers._client.run(hard_work.unscript_nights)


def told(summary, folder):
    """Return what an account tells, without what differs between any two nights."""
    text = str({k: v for k, v in summary.items() if k not in ("timings_s", "commit")})
    return text.replace(str(folder), "").replace(summary.get("commit") or "-", "")


def test_a_night_on_two_workers_gives_the_same_bits_and_a_broken_site_stops_none(
    run, tmp_path
):
    names = ("north", "broken", "south")
    here, there = (
        [lay_out(tmp_path / place / name, row) for row, name in enumerate(names)]
        for place in ("here", "there")
    )
    for folder in (here[1], there[1]):
        (folder / "tubes.csv").write_text("not a table of tubes\n")
    expected = [parts.run_site(folder, NOW) for folder in here]
    found = run(*there)
    assert [summary["outcome"] for summary in found] == [s["outcome"] for s in expected]
    assert found[1]["outcome"] == "wrong"
    assert found[1]["failures"][0]["problems"] == expected[1]["failures"][0]["problems"]
    for mine, other, ours, theirs in zip(found, expected, there, here, strict=True):
        assert told(mine, ours) == told(other, theirs)
    for at in (0, 2):
        states.assert_same_results(states.newest(there[at]), states.newest(here[at]))


def test_recalibration_and_delivery_on_two_workers_are_those_without(
    prefect_backend, two_workers, tmp_path
):
    from flows.deliver import deliver
    from flows.recalibrate import recalibrate
    from pipeline.delivering.contents import Request
    from pipeline.history.revisions import recalibrate_site
    from pipeline.nights import night

    here = lay_out(tmp_path / "here" / "north")
    night.store_night(here, NOW)
    there = shutil.copytree(here, tmp_path / "there" / "north")
    for site in (here, there):
        path = site / "calibrations.toml"
        path.write_text(path.read_text().replace("slope = 0.119", "slope = 0.125"))
    expected = recalibrate_site(here, NOW, dry_run=False)
    (done,) = adapter.wide(recalibrate, two_workers)([there], NOW, False)
    account = done.result()
    assert account["outcome"] == "done"
    assert account["tubes"] == expected["tubes"]
    states.assert_same_results(states.newest(there), states.newest(here))
    request = Request(pictures=False, spreadsheets=False)
    (made,) = adapter.wide(deliver, two_workers)([there], request)
    delivered = made.result()
    assert (delivered["outcome"], delivered["new"]) == ("done", True)
    assert delivered["commit"] == account["commit"]
    assert list(Path(delivered["revision_folder"]).glob("netcdf/*.nc"))


@pytest.mark.parametrize(
    ("error", "attempts"), [("OSError", 3), ("LockedError", 3), ("ValueError", 1)]
)
def test_errors_come_home_as_they_are_and_are_tried_again_as_without(
    run, scripted_there, error, attempts
):
    site, sound = scripted_there("north", draw=error), scripted_there("south")
    bad, good = run(site, sound)
    assert (bad["outcome"], good["outcome"]) == ("failed", "done")
    (failure,) = bad["failures"]
    assert (failure["part"], failure["kind"]) == ("draw", error)
    assert (site / "calls").read_text().split().count("draw") == attempts
    if "traceback" in failure:  # the line of the work, not of the way there
        assert "in draw_night" in Path(failure["traceback"]).read_text()


def test_a_worker_killed_under_a_part_costs_a_second_attempt(two_workers, tmp_path):
    assert two_workers.call(hard_work.be_killed, tmp_path, 1) == "done"
    assert (tmp_path / "calls").read_text().split() == ["called"] * 2


def test_a_part_that_ends_every_worker_is_told_and_the_cluster_goes_on(two_workers, tmp_path):
    with pytest.raises(WorkerLostError, match="memory"):
        two_workers.call(hard_work.be_killed, tmp_path, 99)
    assert len((tmp_path / "calls").read_text().split()) == 3
    assert two_workers.call(len, [1, 2]) == 2
    assert not two_workers._lost.is_set()


def test_only_this_machine_and_the_holder_of_the_key_reach_the_workers(two_workers, caplog):
    info = two_workers._client.scheduler_info()
    places = [info["address"], *info["workers"]]
    assert len(places) >= 2
    assert all(address.startswith("tls://127.0.0.1:") for address in places)
    with adapter.cluster(Wanted(scheduler=info["address"]), []) as stranger:
        assert stranger is None
    assert info["address"] in caplog.text
    with pytest.raises(urllib.error.HTTPError, match="404"):  # no pages for the curious
        urllib.request.urlopen(f"http://127.0.0.1:{info['services']['dashboard']}/health")


@pytest.fixture
def impatient(monkeypatch):
    monkeypatch.setattr(adapter, "ANSWER_WITHIN_S", 2.0)


def refused(address, caplog):
    """Return what is told of a scheduler that cannot be used, and after how many seconds."""
    caplog.set_level(logging.WARNING)
    begun = time.monotonic()
    with adapter.cluster(Wanted(scheduler=address), []) as found:
        assert found is None
        assert adapter.anywhere(len)([1]) == 1  # done here
    assert adapter.use_of_cluster() == {"scheduler": address, "used": "no"}
    return caplog.text, time.monotonic() - begun


def test_a_scheduler_that_is_not_there_is_told_within_seconds(impatient, caplog):
    with socket.socket() as silent:  # takes the connection and says nothing
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        address = f"tcp://127.0.0.1:{silent.getsockname()[1]}"
        text, seconds = refused(address, caplog)
        assert seconds < 10
        assert f"at {address} within 2 s" in text
    for other in (address, "carrier-pigeon://host:1"):  # nobody listens; no such way
        caplog.clear()
        text, seconds = refused(other, caplog)
        assert seconds < 10
        assert other in text
        assert "going on without the cluster" in text


@pytest.fixture
def other_cluster():
    """A scheduler of somebody else, with as many workers as asked for."""
    from distributed import LocalCluster

    made = []

    def start(workers):
        options = {"processes": False, "dashboard_address": None, "host": "127.0.0.1"}
        made.append(
            LocalCluster(n_workers=workers, threads_per_worker=1, protocol="tcp://", **options)
        )
        return made[-1]

    yield start
    for cluster in made:
        cluster.close()


def test_a_scheduler_without_workers_is_told(impatient, other_cluster, caplog):
    address = other_cluster(0).scheduler_address
    text, _ = refused(address, caplog)
    assert f"no scheduler with workers at {address}" in text


def test_a_cluster_lost_on_the_way_leaves_the_work_here(impatient, other_cluster, caplog):
    other = other_cluster(1)
    with adapter.cluster(Wanted(scheduler=other.scheduler_address), []) as found:
        assert found.threads() == 1
        assert found.call(len, [1, 2]) == 2
        wanted = {"scheduler": other.scheduler_address}
        assert adapter.use_of_cluster() == {**wanted, "used": "yes"}
        other.close()
        assert [found.call(len, [1] * n) for n in (3, 4)] == [3, 4]
    assert caplog.text.count("it was lost") == 1
    assert adapter.use_of_cluster() == {**wanted, "used": "in part"}
    with adapter.cluster(Wanted(), []):
        assert adapter.use_of_cluster() is None


def test_workers_unlike_this_process_are_refused(tmp_path):
    mine = adapter.introduce([])

    def answering(**changes):
        return SimpleNamespace(run=lambda *_: {"tls://far:1": {**mine, **changes}})

    adapter._examine(answering(), [tmp_path], "far")
    versions = {**mine["versions"], "numba": "0.1"}
    with pytest.raises(ClusterError, match=r"tls://far:1 has .*numba.*0\.1"):
        adapter._examine(answering(versions=versions), [tmp_path], "far")
    with pytest.raises(ClusterError, match="tls://far:1 does not see /srv/hill"):
        adapter._examine(answering(missing=["/srv/hill"]), [tmp_path], "far")


def test_options_that_exclude_each_other_are_told():
    assert place(2, "", False) == Wanted(workers=2)
    assert not place(0, "", True)
    for options in ((2, "tcp://host:8786", False), (2, "", True), (0, "tcp://host:1", True)):
        with pytest.raises(typer.BadParameter, match="expected one of them"):
            place(*options)
