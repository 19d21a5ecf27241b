"""The flow that recalibrates many sites: one that fails is told of and stops no other."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

NOW = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.mark.slow
def test_each_site_is_recalibrated_whatever_happens_to_the_others(
    prefect_backend, monkeypatch
):
    from flows import recalibrate as flow
    from pipeline.errors import LockedError
    from pipeline.revisions import recalibrate_site

    def work(folder, now, dry_run, consent):
        assert consent is None
        if folder.name == "locked":
            raise LockedError("another run is writing")
        return {"site": folder.name, "done": False, "outcome": "done", "commit": None}

    def redo(given, folder, now, dry_run):
        assert given is recalibrate_site
        return real(work, folder, now, dry_run)

    real = flow.redo
    monkeypatch.setattr(flow, "redo", redo)
    sites = [Path("/north"), Path("/locked"), Path("/south")]
    state = flow.recalibrate(sites, NOW, True, return_state=True)
    accounts = [future.result() for future in state.result()]
    assert [account["outcome"] for account in accounts] == ["done", "failed", "done"]
    assert [account["folder"] for account in accounts] == [str(folder) for folder in sites]
    assert accounts[1]["failures"][0]["error"] == "another run is writing"
