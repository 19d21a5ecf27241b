"""The command ``percolog``: help, exit codes, what goes to which stream, and being stopped.

Most tests run the command as a process, on stand-in nights (tests/support/fake_night.py),
because streams, signals and exit codes belong to a process.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.cli import EXIT_HELP, main
from pipeline.outcomes import EXIT_CODES, SEVERITY, worst

FAKE = Path(__file__).parent / "support" / "fake_night.py"
HEAVY = {"dask", "icechunk", "matplotlib", "numba", "numpy", "pandas", "pint", "prefect"}
HEAVY |= {"pyarrow", "scipy", "xarray", "zarr"}


@pytest.fixture(scope="module")
def state(tmp_path_factory):
    """One state folder for all runs: making the server's database takes many seconds."""
    return tmp_path_factory.mktemp("state")


@pytest.fixture
def percolog(tmp_path, state):
    """Return a function that runs the command and returns the finished process."""
    environment = {
        **{
            name: value for name, value in os.environ.items() if not name.startswith("PREFECT")
        },
        "PERCOLOG_STATE": str(state),
        "COLUMNS": "100",
    }

    def run(*arguments, **more):
        return subprocess.run(
            [sys.executable, str(FAKE), *map(str, arguments)],
            capture_output=True,
            text=True,
            timeout=300,
            cwd=tmp_path,
            env={**environment, **more},
            check=False,
        )

    run.environment = environment
    return run


@pytest.fixture
def make_site(tmp_path):
    def make(name: str, **script: str) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        for part, content in script.items():
            (folder / part.replace("_sleep", ".sleep")).write_text(content)
        return folder

    return make


@pytest.mark.parametrize(
    ("arguments", "allowed"),
    [(["--help"], set()), (["night", "--help"], {"pydantic"})],  # the command library's own
)
def test_help_imports_nothing_heavy(arguments, allowed):
    command = [sys.executable, "-X", "importtime", "-m", "pipeline.cli", *arguments]
    shown = subprocess.run(command, capture_output=True, text=True, check=True)
    lines = [line for line in shown.stderr.splitlines() if line.startswith("import time:")]
    imported = {line.rpartition("|")[2].strip().split(".")[0] for line in lines}
    assert "typer" in imported  # the list was read rightly
    assert imported & (HEAVY | {"pydantic"}) <= allowed


def test_help_states_every_exit_code():
    shown = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "night", "--help"],
        capture_output=True,
        text=True,
        check=True,
    )
    for line in EXIT_HELP.splitlines()[1:]:
        assert line.strip() in shown.stdout
    assert [str(code) in EXIT_HELP for code in EXIT_CODES.values()] == [True] * 4


def test_version_is_the_installed_one():
    from importlib.metadata import version

    shown = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "--version"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert shown.stdout == f"percolog {version('percolog')}\n"


# What a library's thread does to a process whose interpreter is taken down under it.
LATE = """
import os, sys
class Late:
    def __del__(self, abort=os.abort):
        abort()
sys.late = Late()
sys.argv = ["percolog", *{arguments}]
from pipeline.cli import command
command()
"""


@pytest.mark.parametrize(("arguments", "code"), [(["--version"], 0), (["nonsense"], 2)])
def test_the_end_of_the_interpreter_cannot_change_the_exit_code(arguments, code):
    source = LATE.format(arguments=arguments)
    shown = subprocess.run([sys.executable, "-c", source], capture_output=True, text=True)
    assert shown.returncode == code
    assert shown.stdout.startswith("percolog ") or "No such command" in shown.stderr


def test_of_several_outcomes_the_worst_counts():
    assert [EXIT_CODES[outcome] for outcome in SEVERITY] == [0, 3, 2, 1]
    assert worst([]) == "done"
    assert worst(["done", "attention", "done"]) == "attention"
    assert worst(["wrong", "attention"]) == "wrong"
    assert worst(["wrong", "failed", "done"]) == "failed"


@pytest.mark.parametrize(
    ("script", "code", "outcome"),
    [
        ({}, 0, "done"),
        ({"set_aside": ""}, 3, "attention"),
        ({"store": "SiteError"}, 2, "wrong"),
        ({"store": "LockedError"}, 1, "failed"),
        ({"draw": "ValueError"}, 1, "failed"),
        ({"close": "OSError"}, 1, "failed"),
    ],
)
def test_exit_code_and_document_agree(percolog, make_site, script, code, outcome):
    ran = percolog("night", make_site("north", **script), "--direct", "--json")
    assert ran.returncode == code
    document = json.loads(ran.stdout)
    assert (document["exit_code"], document["outcome"]) == (code, outcome)
    assert document["sites"][0]["outcome"] == outcome
    assert document["orchestrated"] is False
    assert "Traceback" not in ran.stderr


def test_the_document_is_strict_json_alone_on_stdout(percolog, make_site):
    ran = percolog("night", make_site("north"), "--direct", "--json", "--now", "2026-03-01")

    def refuse(constant):
        raise AssertionError(f"{constant} is no JSON")

    document = json.loads(ran.stdout, parse_constant=refuse)
    assert document["now"] == "2026-03-01T00:00:00Z"  # no offset: UTC
    assert document["sites"][0]["message"] == "2 files, 2026-03-01"
    assert document["sites"][0]["tubes"][0]["missing_pct"] is None


def test_without_json_stdout_stays_empty_and_people_read_stderr(percolog, make_site):
    ran = percolog("night", make_site("north", set_aside=""), "--direct")
    assert ran.stdout == ""
    assert "attention: north: 2 files" in ran.stderr
    assert "tubes.csv: 12 rows, the first in line 3, column soil: found 'loma'" in ran.stderr
    assert "\x1b" not in ran.stderr
    assert "\r" not in ran.stderr


def test_one_broken_site_does_not_stop_the_next(percolog, make_site):
    sites = make_site("broken", store="ValueError"), make_site("sound")
    ran = percolog("night", *sites, "--direct", "--json")
    assert ran.returncode == 1
    outcomes = {site["site"]: site["outcome"] for site in json.loads(ran.stdout)["sites"]}
    assert outcomes == {"broken": "failed", "sound": "done"}


def test_a_surprise_is_one_line_and_its_traceback_is_in_the_file_named(percolog, make_site):
    ran = percolog("night", make_site("north", store="ValueError"), "--direct", "--json")
    (failure,) = json.loads(ran.stdout)["sites"][0]["failures"]
    assert failure["error"] == "ValueError: shapes do not fit"
    assert failure["traceback"] in ran.stderr
    assert "Traceback (most recent call last)" not in ran.stderr
    trace = Path(failure["traceback"]).read_text()
    assert "in store_night" in trace


def test_a_site_named_twice_runs_once(percolog, make_site):
    site = make_site("north")
    percolog("night", site, site / ".." / "north", "--direct")
    percolog("night", "north", site, "--direct")
    assert (site / "calls").read_text().split().count("store") == 3


@pytest.mark.parametrize(
    "arguments", [["night"], ["night", "x", "--now", "May"], ["nihgt", "x"]]
)
def test_wrong_usage_is_2_and_says_nothing_on_stdout(percolog, arguments):
    ran = percolog(*arguments)
    assert ran.returncode == 2
    assert ran.stdout == ""
    assert "Traceback" not in ran.stderr


def test_check_lists_every_mistake_with_its_place(percolog, make_site):
    ran = percolog("check", make_site("north"), "--json")
    assert ran.returncode == 2
    (problem,) = json.loads(ran.stdout)["sites"][0]["problems"]
    assert problem["place"] == "line 3, column soil"
    told = (
        "tubes.csv, line 3, column soil: found 'loma'; expected a soil of soils.toml. Mend it."
    )
    assert told in ran.stderr


def test_ledger_of_one_file_leaves_the_others_out_and_cannot_drive_the_terminal(
    percolog, make_site
):
    ran = percolog("ledger", make_site("north"), "--file", "a.csv")
    assert ran.returncode == 0
    assert "a.csv" in ran.stdout
    assert "b.csv" not in ran.stdout
    assert "\\x1b[2J" in ran.stdout
    assert "\x1b" not in ran.stdout


def test_ledger_of_an_unknown_file_names_those_it_has(percolog, make_site):
    ran = percolog("ledger", make_site("north"), "--file", "c.csv")
    assert ran.returncode == 1
    assert "found no file 'c.csv' in the ledger" in ran.stderr
    assert "'a.csv', 'b.csv'" in ran.stderr


def test_an_unreachable_server_is_told_and_the_night_done_without_it(percolog, make_site):
    # Port 9 (discard) is closed on any ordinary machine: the refusal is at once.
    api = "http://127.0.0.1:9/api"
    ran = percolog("night", make_site("north"), "--json", PREFECT_API_URL=api)
    assert ran.returncode == 0
    assert json.loads(ran.stdout)["orchestrated"] is False
    assert json.loads(ran.stdout)["cluster"] is None  # none was wanted
    assert f"going on without the orchestrator: Prefect's server does not answer at {api}" in (
        ran.stderr
    )


def test_a_state_folder_that_cannot_be_written_does_not_stop_the_night(percolog, make_site):
    blocked = make_site("north") / "calls" / "state"  # below a file
    (blocked.parent).write_text("")
    ran = percolog("night", blocked.parents[1], PERCOLOG_STATE=str(blocked))
    assert ran.returncode == 0
    assert "set PERCOLOG_STATE to a folder that can be written" in ran.stderr


@pytest.mark.slow
def test_two_sites_under_the_temporary_server(percolog, make_site, tmp_path):
    sites = make_site("north", set_aside=""), make_site("south", store="SiteError")
    (tmp_path / ".env").write_text("PREFECT_API_URL=http://127.0.0.1:9/api\n")  # not ours
    ran = percolog("night", *sites, "--json")
    document = json.loads(ran.stdout)
    assert document["orchestrated"] is True
    assert {s["site"]: s["outcome"] for s in document["sites"]} == {
        "north": "attention",
        "south": "wrong",
    }
    assert ran.returncode == 2
    for noise in ("Traceback", "prefect", "Prefect", "API"):
        assert noise not in ran.stderr


def told_without_orchestrator(ran):
    assert ran.returncode == 0, ran.stderr
    document = json.loads(ran.stdout)
    assert document["orchestrated"] is False
    assert [site["outcome"] for site in document["sites"]] == ["done"]
    assert "going on without the orchestrator" in ran.stderr


@pytest.mark.slow
def test_a_locked_database_of_the_orchestrator_does_not_stop_the_night(
    percolog, make_site, tmp_path
):
    home = tmp_path / "state" / "prefect"
    home.mkdir(parents=True)
    with contextlib.closing(sqlite3.connect(home / "prefect.db")) as database:
        database.execute("BEGIN EXCLUSIVE")
        ran = percolog(
            "night",
            make_site("north"),
            "--json",
            PERCOLOG_STATE=str(tmp_path / "state"),
            PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS="6",
        )
        database.rollback()
    told_without_orchestrator(ran)


def children(pid: int) -> list[int]:
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    return [int(child) for child in listed.split()]


def start_and_wait_for_work(percolog, *arguments):
    """Start the command and return it once a part is running."""
    process = subprocess.Popen(
        [sys.executable, str(FAKE), *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=percolog.environment,
    )
    told = ""
    for told in process.stderr:
        if "reading and computing ..." in told:
            return process
    process.wait()
    raise AssertionError(f"the work never began: {told}")


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_sigterm_without_the_orchestrator_ends_at_once_with_143(percolog, make_site):
    process = start_and_wait_for_work(
        percolog, "night", make_site("north", store_sleep="60"), "--direct"
    )
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=10)
    assert process.returncode == 143


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs Linux's /proc")
def test_an_orchestrator_killed_midway_does_not_stop_the_night(percolog, make_site):
    site = make_site("north", store_sleep="2")
    percolog.environment["PREFECT_CLIENT_MAX_RETRIES"] = "0"  # the wait is not what is tested
    process = start_and_wait_for_work(percolog, "night", site, "--json")
    (server,) = children(process.pid)
    os.kill(server, signal.SIGKILL)
    out, err = process.communicate(timeout=200)
    ran = subprocess.CompletedProcess([], process.returncode, out, err)
    told_without_orchestrator(ran)
    assert "Prefect was lost on the way" in err


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs Linux's /proc")
def test_a_stopped_run_takes_its_server_along_and_a_killed_one_is_tidied_up(
    percolog, make_site
):
    arguments = "night", make_site("north", store_sleep="60")
    process = start_and_wait_for_work(percolog, *arguments)
    (server,) = children(process.pid)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)  # would hang if the server held the pipes
    assert process.returncode == 143
    assert not Path(f"/proc/{server}").exists()

    process = start_and_wait_for_work(percolog, *arguments)
    (orphan,) = children(process.pid)
    process.kill()
    process.communicate(timeout=20)
    assert Path(f"/proc/{orphan}").exists()  # nothing could end it

    from flows.server import end_orphans

    assert orphan in end_orphans()
    gone_by = time.monotonic() + 10
    while Path(f"/proc/{orphan}").exists() and time.monotonic() < gone_by:
        time.sleep(0.1)
    assert not Path(f"/proc/{orphan}/environ").exists() or not (
        Path(f"/proc/{orphan}/environ").read_bytes()
    )


@pytest.mark.parametrize("command", ["space", "limits"])
def test_a_command_that_fails_still_prints_its_document(
    tmp_path, monkeypatch, capsys, command
):
    monkeypatch.setattr("sys.argv", ["percolog", command, str(tmp_path), "--json"])
    monkeypatch.setattr("signal.signal", lambda number, handler: None)
    with pytest.raises(SystemExit) as ended:
        main()
    told = capsys.readouterr()
    printed = json.loads(told.out)
    assert ended.value.code == printed["exit_code"] == 2
    assert (printed["command"], printed["outcome"]) == (command, "wrong")
    (failure,) = printed["failures"]
    assert all(line in told.err for line in failure["error"].splitlines())
