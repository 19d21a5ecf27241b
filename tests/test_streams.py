"""Nobody reads what is said: a full log, a closed stream, a user without a home."""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from pipeline import outcomes
from pipeline.compiled import _folder
from pipeline.outcomes import describe_failure
from pipeline.own_folder import state_folder

FAKE = Path(__file__).parent / "support" / "fake_night.py"
FULL = Path("/dev/full")
NIGHT = ["store", "deliver", "draw", "close"]


@pytest.fixture
def run(tmp_path):
    """Return a function that runs the command in a shell that redirects its streams."""
    (tmp_path / "north").mkdir()
    environment = {**os.environ, "PERCOLOG_STATE": str(tmp_path / "state")}
    environment.pop("PYTHONUNBUFFERED", None)

    def run(redirections, *arguments):
        script = f'exec "$@" {redirections}'
        return subprocess.run(
            ["sh", "-c", script, "sh", sys.executable, str(FAKE), *arguments],
            capture_output=True,
            text=True,
            timeout=100,
            cwd=tmp_path,
            env=environment,
            check=False,
        )

    return run


@pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full")
@pytest.mark.parametrize("redirections", [f"2>{FULL}", "2>&-", "<&- >&- 2>&-"])
def test_a_log_that_takes_no_more_stops_no_night(run, tmp_path, redirections):
    ran = run(redirections, "night", "north", "--direct")
    assert ran.returncode == 0
    assert (tmp_path / "north" / "calls").read_text().split() == NIGHT


@pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full")
def test_a_document_that_was_not_written_is_a_failure_and_told(run):
    ran = run(f">{FULL}", "night", "north", "--direct", "--json")
    assert ran.returncode == 1
    assert "standard output: the disk is full; free some room" in ran.stderr
    assert "Exception ignored" not in ran.stderr


@pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full")
@pytest.mark.parametrize("arguments", [["schema"], ["--help"], ["--version"]])
def test_what_a_full_disk_cannot_take_is_told_in_one_line(run, arguments):
    """Much is met by the disk while it is printed, little only as the command ends."""
    ran = run(f">{FULL}", *arguments)
    assert ran.returncode == 1
    assert ran.stderr == (
        "standard output: the disk is full; free some room. What was printed there is not "
        "complete\n"
    )


@pytest.mark.parametrize(
    ("arguments", "code"),
    [(["schema"], 0), (["--help"], 0), (["night", "north", "--direct", "--json"], 3)],
)
def test_a_reader_who_has_left_changes_no_exit_code(tmp_path, arguments, code):
    (tmp_path / "north").mkdir()
    (tmp_path / "north" / "set_aside").write_text("")
    reads, writes = os.pipe()
    os.close(reads)
    environment = {**os.environ, "PERCOLOG_STATE": str(tmp_path / "state")}
    environment["PYTHONUNBUFFERED"] = "1"  # so that even the first line meets the closed end
    ran = subprocess.run(
        [sys.executable, str(FAKE), *arguments],
        stdout=writes,
        stderr=subprocess.PIPE,
        text=True,
        timeout=100,
        cwd=tmp_path,
        env=environment,
        check=False,
    )
    os.close(writes)
    assert ran.returncode == code
    assert "Broken pipe" not in ran.stderr
    assert "Traceback" not in ran.stderr


def test_what_is_opened_never_gets_the_number_of_a_closed_stream():
    script = (
        "import os; from pipeline.cli import _open_streams; _open_streams(); "
        "print('lost'); os._exit(os.open(os.devnull, os.O_RDONLY))"
    )
    shell = 'exec "$@" <&- >&- 2>&-'
    ran = subprocess.run(["sh", "-c", shell, "sh", sys.executable, "-c", script], check=False)
    assert ran.returncode == 3


def test_a_sign_that_the_terminal_lacks_ends_no_command():
    script = "from pipeline.cli import _open_streams; _open_streams(); print('40 \\xb1 2 mm')"
    ran = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        check=False,
    )
    assert (ran.returncode, ran.stdout) == (0, "40 \\xb1 2 mm\n")


def test_a_failure_is_told_though_no_folder_can_take_its_traceback(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setattr(outcomes, "state_folder", lambda: tmp_path / "file")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    account = describe_failure("store", ValueError("shapes do not fit"))
    assert account["error"] == "ValueError: shapes do not fit"
    assert "traceback" not in account


def test_a_user_without_a_home_can_run_nights(monkeypatch):
    def unknown(cls):
        raise RuntimeError("Could not determine home directory.")

    for name in ("PERCOLOG_STATE", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(Path, "home", classmethod(unknown))
    assert state_folder().parts[-3:] == (".local", "state", "percolog")
    _folder.cache_clear()
    assert _folder("pipeline.calibrate.kernels") is not None  # beside the package
