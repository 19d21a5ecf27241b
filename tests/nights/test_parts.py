"""The parts of a night without an orchestrator: what fails is told and stops nothing else."""

from __future__ import annotations

from datetime import UTC, datetime

import fake_night
import pytest

from pipeline.nights import parts
from pipeline.nights.summary import summarise, write_summary

NOW = datetime(2026, 3, 1, 2, tzinfo=UTC)
FAILURE = {"part": "deliver", "kind": "OSError", "error": "OSError: disk full"}


@pytest.fixture
def site(monkeypatch, tmp_path):
    monkeypatch.setattr(parts, "work", fake_night)
    monkeypatch.setenv("PERCOLOG_STATE", str(tmp_path / "state"))
    folder = tmp_path / "north"
    folder.mkdir()
    return folder


def test_both_failing_parts_are_told(site):
    (site / "deliver").write_text("OSError")
    (site / "draw").write_text("ValueError")
    summary = parts.run_site(site, NOW)
    assert [failure["part"] for failure in summary["failures"]] == ["deliver", "draw"]
    assert summary["outcome"] == "failed"
    assert summary["commit"] == "ABC123"


def test_what_was_stored_is_told_even_if_the_summary_cannot_be_written(site):
    (site / "close").write_text("OSError")
    summary = parts.run_site(site, NOW)
    assert (summary["outcome"], summary["commit"]) == ("failed", "ABC123")
    assert [failure["part"] for failure in summary["failures"]] == ["close"]


def test_nothing_is_tried_after_a_failed_store(site):
    (site / "store").write_text("LockedError")
    summary = parts.run_site(site, NOW)
    assert (site / "calls").read_text().split() == ["store"]
    assert summary["failures"][0]["error"] == "store: another run is writing"
    assert "traceback" not in summary["failures"][0]  # an error of ours speaks for itself


def test_a_night_that_was_cut_off_counts_as_failed(tmp_path):
    summary = parts.result_of(tmp_path, {"store": {"site": "north", "commit": "ABC123"}})
    assert summary["outcome"] == "failed"
    assert summary["commit"] == "ABC123"


def test_the_summary_on_disk_names_what_failed(tmp_path):
    night = {
        "title": "North",
        "site": "north",
        "commit": "ABC123",
        "message": "2 files",
        "ledger": dict.fromkeys(
            (
                "values_read",
                "stored",
                "duplicates",
                "superseded",
                "rejected",
                "rows_read",
                "files",
            ),
            0,
        ),
        "tubes": [],
        "set_aside": [],
    }
    summary = summarise(night, {"pictures": []}, {"failures": [FAILURE]})
    assert summary["outcome"] == "failed"
    _document, page = write_summary(tmp_path, summary)
    assert "- deliver: OSError: disk full" in page.read_text()
