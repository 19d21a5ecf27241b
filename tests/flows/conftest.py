"""One Prefect server for all tests of the flows, and sites whose nights are scripted."""

from __future__ import annotations

import os
from pathlib import Path

import fake_night
import pytest


@pytest.fixture(scope="session")
def prefect_backend(tmp_path_factory):
    """Settings as the command forces them, and a server kept for the whole session."""
    from flows.settings import force_settings

    kept = dict(os.environ)
    state = tmp_path_factory.mktemp("state")
    os.environ["PERCOLOG_STATE"] = str(state)
    force_settings(state)
    from prefect.testing.utilities import prefect_test_harness

    with prefect_test_harness(server_startup_timeout=120):
        yield
    os.environ.clear()
    os.environ.update(kept)


@pytest.fixture
def scripted(monkeypatch, tmp_path):
    """Put the stand-in night in place; return a function that makes a site's folder."""
    from pipeline.nights import parts

    monkeypatch.setenv("PERCOLOG_STATE", str(tmp_path / "state"))
    monkeypatch.setattr(parts, "work", fake_night)

    def make_site(name: str, **failing: str) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        for part, error in failing.items():
            (folder / part).write_text(error)
        return folder

    return make_site
