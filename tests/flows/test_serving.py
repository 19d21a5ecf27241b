"""The schedule as it is served: one catch-up night, no second one, nothing left behind."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

SITE = Path(__file__).parents[1] / "site" / "field"
COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()", "schedule"]
NIGHT_WITHIN_S, STOP_WITHIN_S = 240, 60


def below(pid: int) -> set[int]:
    """Return the processes started by one, and by those."""
    found = set()
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(path.read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if parent == pid:
            child = int(path.parent.name)
            found |= {child} | below(child)
    return found


def night_of(state: Path, process: subprocess.Popen) -> dict:
    """Wait for the night to be noted as ended and return the note."""
    give_up = time.monotonic() + NIGHT_WITHIN_S
    while time.monotonic() < give_up:
        path = state / "schedule-night.json"
        note = json.loads(path.read_text()) if path.exists() else {}
        if "ended" in note:
            return note
        if process.poll() is not None:
            break
        time.sleep(0.3)
    process.kill()
    raise AssertionError(f"no night came: {process.communicate()[1]}")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs Linux's /proc")
def test_a_missed_night_is_caught_up_once_and_a_stop_leaves_nothing(tmp_path):
    state, site = tmp_path / "state", Path(shutil.copytree(SITE, tmp_path / "site"))
    (site / "data").mkdir()
    state.mkdir()
    began = datetime.now(UTC)
    # Due a minute ago, and served since three days before: three nights were missed.
    at = f"{began - timedelta(minutes=1):%H:%M}"
    since = (began - timedelta(days=3)).isoformat()
    plan = {"sites": [str(site)], "at": at, "zone": "UTC", "since": since}
    (state / "schedule.json").write_text(json.dumps(plan))
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT")}
    environment["PERCOLOG_STATE"] = str(state)
    arguments = [*COMMAND, str(site), "--at", at, "--zone", "UTC"]
    process = subprocess.Popen(
        arguments,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        note = night_of(state, process)
        assert datetime.fromisoformat(note["began"]) >= began.replace(microsecond=0)
        assert (site / "out" / "summary.json").exists()

        second = subprocess.run(
            arguments, env=environment, capture_output=True, text=True, timeout=60, check=False
        )
        assert second.returncode not in (0, 143)
        assert "another percolog schedule is served" in second.stderr

        family = below(process.pid)
        assert family  # its server at least
        process.send_signal(signal.SIGTERM)
        _, told = process.communicate(timeout=STOP_WITHIN_S)
    finally:
        process.kill()
    assert process.returncode == 143
    assert told.count("one night catches up now") == 1
    assert json.loads((state / "schedule-night.json").read_text()) == note  # no other came
    gone_by = time.monotonic() + 10
    while (left := {p for p in family if alive(p)}) and time.monotonic() < gone_by:
        time.sleep(0.2)
    assert left == set()


def alive(pid: int) -> bool:
    try:
        text = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False
    return text.rpartition(")")[2].split()[0] != "Z"
