"""The nightly flow on a real Prefect server, with scripted nights."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from pipeline.nights.parts import PARTS

NOW = datetime(2026, 3, 1, 2, tzinfo=UTC)


@pytest.fixture
def run(prefect_backend, scripted, monkeypatch):
    """Return a function that runs the flow and returns its state and the summaries."""
    from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

    from flows import nightly, summary

    for name in PARTS:
        quick = getattr(nightly, name).with_options(retry_delay_seconds=0)
        monkeypatch.setattr(nightly, name, quick)

    def run_flow(*sites):
        with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
            state = nightly.nightly(list(sites), NOW, return_state=True)
        return state, summary.results(list(sites), state.result(raise_on_failure=False))

    return run_flow


def calls(site):
    return (site / "calls").read_text().split()


def test_sound_sites_end_completed_each_with_its_own_summary(run, scripted):
    sites = [scripted(name) for name in ("north", "south", "west")]
    state, summaries = run(*sites)
    assert state.is_completed()
    assert [(s["site"], s["outcome"]) for s in summaries] == [
        ("north", "done"),
        ("south", "done"),
        ("west", "done"),
    ]
    assert all(sorted(calls(site)) == sorted(PARTS) for site in sites)


def test_a_failing_site_does_not_stop_the_others_and_fails_the_run(run, scripted):
    broken, sound = scripted("broken", store="ValueError"), scripted("sound")
    state, (bad, good) = run(broken, sound)
    assert state.is_failed()
    assert (bad["outcome"], good["outcome"]) == ("failed", "done")
    assert bad["failures"][0]["error"] == "ValueError: shapes do not fit"
    assert calls(broken) == ["store"]  # arithmetic is not tried again
    assert sorted(calls(sound)) == sorted(PARTS)


def test_a_failing_part_leaves_the_other_parts_and_the_summary_standing(run, scripted):
    site = scripted("north", deliver="ValueError")
    _, (summary,) = run(site)
    assert summary["outcome"] == "failed"
    assert summary["commit"] == "ABC123"
    assert summary["pictures"] == [str(site / "T1.png")]
    assert [failure["part"] for failure in summary["failures"]] == ["deliver"]
    assert sorted(calls(site)) == sorted(PARTS)


@pytest.mark.parametrize(
    ("error", "attempts"),
    [("OSError", 3), ("LockedError", 3), ("FileNotFoundError", 1), ("ValueError", 1)],
)
def test_only_io_is_tried_again(run, scripted, error, attempts):
    site = scripted("north", draw=error)
    _, (summary,) = run(site)
    assert summary["outcome"] == "failed"
    assert calls(site).count("draw") == attempts
    assert calls(site).count("store") == 1


def test_a_wrong_description_is_told_as_such(run, scripted):
    _, (summary,) = run(scripted("north", store="SiteError"))
    assert summary["outcome"] == "wrong"
    (problem,) = summary["failures"][0]["problems"]
    assert problem["place"] == "line 3, column soil"


def test_the_run_keeps_a_summary_page(run, scripted):
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import ArtifactFilter, ArtifactFilterFlowRunId

    state, _ = run(scripted("north"), scripted("pipe_site", deliver="OSError"))
    mine = ArtifactFilter(
        flow_run_id=ArtifactFilterFlowRunId(any_=[state.state_details.flow_run_id])
    )
    with get_client(sync_client=True) as client:
        (page,) = client.read_artifacts(artifact_filter=mine)
    assert (page.key, page.type) == ("nightly-summary", "markdown")
    header, _rule, north, south = page.data.split("\n")
    assert header == "| site | outcome | commit | what happened |"
    assert north == "| north | done | ABC123 | 2 files, 2026-03-01 |"
    assert south.startswith("| pipe\\_site | failed | ABC123 | deliver: OSError")


def test_the_flow_keeps_no_results_and_no_cache(prefect_backend):
    from prefect.cache_policies import NO_CACHE

    from flows import nightly

    for name in PARTS:
        part = getattr(nightly, name)
        assert part.cache_policy == NO_CACHE
        assert part.persist_result is False
        assert part.retry_delay_seconds == nightly.RETRY_DELAYS_S


def test_a_lost_artifact_does_not_change_the_outcome(run, scripted, monkeypatch):
    from flows import nightly

    def unreachable(*_args, **_kwargs):
        raise ConnectionError("server gone")

    monkeypatch.setattr(nightly, "create_markdown_artifact", unreachable)
    state, (summary,) = run(scripted("north"))
    assert state.is_completed()
    assert summary["outcome"] == "done"
