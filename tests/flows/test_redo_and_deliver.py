"""Recalibration and delivery of several sites, on a real Prefect server and real stores."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

import pytest
from one_day import lay_out

from pipeline.delivering.contents import Request
from pipeline.nights import night

NOW = datetime(2023, 4, 1, tzinfo=UTC)
PLAIN = Request(pictures=False, spreadsheets=False)


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Return a site after a night with one day of readings."""
    folder = lay_out(tmp_path_factory.mktemp("redo") / "north")
    night.store_night(folder, NOW)
    return folder


@pytest.fixture
def sites(prefect_backend, stored, tmp_path, monkeypatch):
    """Return three copies of the site, the second with a mistake in its description."""
    monkeypatch.setenv("PERCOLOG_STATE", str(tmp_path / "state"))
    copies = [
        shutil.copytree(stored, tmp_path / name) for name in ("north", "broken", "south")
    ]
    (copies[1] / "tubes.csv").write_text("not a table of tubes\n")
    return copies


@pytest.fixture
def run(prefect_backend):
    """Return a function that runs a flow and returns the accounts of its sites."""
    from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

    def run_flow(flow, *arguments):
        with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
            state = flow(*arguments, return_state=True)
        found = state.result(raise_on_failure=False)
        return [part.result() for part in found]

    return run_flow


def change_law(site):
    """Give the soil's law another slope."""
    path = site / "calibrations.toml"
    text = path.read_text()
    assert "slope = 0.119" in text
    path.write_text(text.replace("slope = 0.119", "slope = 0.125"))


def test_recalibration_does_what_was_edited_and_a_broken_site_stops_no_other(run, sites):
    from flows.recalibrate import recalibrate

    north, _, south = sites
    change_law(north)
    stores = [night.site_store(night.open_description(site)) for site in (north, south)]
    before = [store.read().commit_id for store in stores]

    looked = run(recalibrate, sites, NOW, True)
    assert [account["outcome"] for account in looked] == ["done", "wrong", "done"]
    assert [store.read().commit_id for store in stores] == before  # only looked at
    assert looked[0]["tubes"]
    assert not looked[2]["tubes"]

    done = run(recalibrate, sites, NOW, False)
    assert [account["outcome"] for account in done] == ["done", "wrong", "done"]
    assert [account["folder"] for account in done] == [str(site) for site in sites]
    assert "tubes.csv" in str(done[1]["failures"])
    after = [store.read().commit_id for store in stores]
    assert after[0] != before[0]
    assert after[1] == before[1]  # nothing was edited there


def test_deliveries_are_numbered_by_site_and_a_broken_site_stops_no_other(run, sites):
    from flows.deliver import deliver

    for revision in (True, False):
        accounts = run(deliver, sites, PLAIN)
        assert [account["outcome"] for account in accounts] == ["done", "wrong", "done"]
        assert [account.get("new") for account in accounts] == [revision, None, revision]
    for site in (sites[0], sites[2]):
        assert [p.name for p in (site / "out" / "deliveries").glob("*/r*")] == ["r0001"]
    assert not (sites[1] / "out" / "deliveries").exists()


def test_neither_flow_keeps_results(prefect_backend):
    from prefect.cache_policies import NO_CACHE

    from flows import deliver, recalibrate

    for part in (deliver.deliver_one, recalibrate.recalibrate_one):
        assert part.cache_policy == NO_CACHE
        assert part.persist_result is False
    for flow in (deliver.deliver, recalibrate.recalibrate):
        assert flow.persist_result is False
