"""Prefect's server: the operator's own, or a temporary one on loopback, started quietly.

A temporary server outlives a run that is killed. Each is therefore marked with the start time
of the process it belongs to, and one whose owner is gone is ended at the next start (Linux,
where ``/proc`` tells).
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from flows.settings import force_settings
from pipeline.errors import PercologError
from pipeline.processes import started, status

MARK = "PERCOLOG_SERVER_OWNER"
_LOG_LIMIT_BYTES = 1_000_000
_STOP_WITHIN_S = 5.0
_ROOM_BYTES = 20_000_000


class OrchestratorError(PercologError, RuntimeError):
    """Prefect's server cannot be started or reached, or was lost during a run."""


@contextmanager
def orchestrator(state: Path) -> Iterator[None]:
    """Provide a Prefect server for the duration of a run.

    Parameters
    ----------
    state : Path
        Folder for Prefect's own files; made if absent.

    Raises
    ------
    OrchestratorError
        If there is no server to be had.
    """
    before = Path.cwd()
    try:
        state.mkdir(mode=0o700, parents=True, exist_ok=True)
        force_settings(state)
        # Prefect also takes settings from files in the working folder, whoever put them there.
        os.chdir(state)
    except OSError as error:
        raise OrchestratorError(
            f"{state}: cannot be used for the orchestrator's files ({error}); "
            f"set PERCOLOG_STATE to a folder that can be written"
        ) from error
    temporary = not os.environ.get("PREFECT_API_URL")
    try:
        if temporary:
            _require_room(state)
        _connect(state)
        yield
    finally:
        if temporary:
            stop_temporary_server()
        os.chdir(before)


def _require_room(state: Path) -> None:
    """Refuse a folder without room at once; the server would be waited for two minutes."""
    free = shutil.disk_usage(state).free
    if free < _ROOM_BYTES or not os.access(state, os.W_OK):
        found = f"only {free / 1e6:.1f} MB free" if free < _ROOM_BYTES else "no right to write"
        raise OrchestratorError(
            f"{state}: found {found}, expected room for the orchestrator's files "
            f"({_ROOM_BYTES / 1e6:.0f} MB); free some, or set PERCOLOG_STATE to a folder that "
            f"has it"
        )


def _connect(state: Path) -> None:
    if not os.environ.get("PREFECT_API_URL"):
        end_orphans()
        os.environ[MARK] = started(os.getpid()) or ""
    try:
        with _output_to(state / "server.log"):
            from prefect.client.orchestration import get_client

            with get_client(sync_client=True) as client:  # starts the temporary server
                unwell = client.api_healthcheck()
    except Exception as error:  # whatever keeps Prefect from starting, the night can go on
        raise OrchestratorError(f"Prefect cannot be used ({error!r})") from error
    if unwell is not None:
        where = os.environ.get("PREFECT_API_URL", "the temporary server")
        raise OrchestratorError(f"Prefect's server does not answer at {where} ({unwell})")


@contextmanager
def _output_to(path: Path) -> Iterator[None]:
    # By file descriptor, because the server is another process: it must neither write among
    # our messages nor keep the pipes open that a caller of ours waits on.
    if path.exists() and path.stat().st_size > _LOG_LIMIT_BYTES:
        path.unlink()
    kept = os.dup(1), os.dup(2)
    log = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(log, 1)
    os.dup2(log, 2)
    os.close(log)
    try:
        yield
    finally:
        for number, copy in enumerate(kept, start=1):
            os.dup2(copy, number)
            os.close(copy)


def stop_temporary_server() -> None:
    """Stop the temporary server of this process, if it started one."""
    module = sys.modules.get("prefect.server.api.server")
    if module is not None:
        module.SubprocessASGIServer().stop()  # the class hands out its one instance


def end_orphans() -> list[int]:
    """End temporary servers whose owner was killed; return their process ids."""
    ended = []
    for folder in Path("/proc").glob("[0-9]*"):
        pid = int(folder.name)
        if _is_orphan(folder) and _end(pid):
            ended.append(pid)
    return ended


def _is_orphan(folder: Path) -> bool:
    try:
        environment = (folder / "environ").read_bytes().split(b"\0")
        command = (folder / "cmdline").read_bytes()
    except OSError:  # another user's, or gone meanwhile
        return False
    marks = [entry for entry in environment if entry.startswith(MARK.encode() + b"=")]
    if not marks or b"prefect.server.api.server:create_app" not in command:
        return False
    fields = status(folder)
    if fields is None:
        return False
    # The parent of an orphan is another process than the one that started it.
    return started(int(fields[1])) != marks[0].partition(b"=")[2].decode()


def _end(pid: int) -> bool:
    """Ask a process to end, insist after a while; tell whether it was ours to end."""
    born = started(pid)
    try:
        os.kill(pid, signal.SIGTERM)
        give_up = time.monotonic() + _STOP_WITHIN_S
        while started(pid) == born and time.monotonic() < give_up:
            time.sleep(0.05)
        if started(pid) == born:
            os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return True
    except PermissionError:
        return False
    return True
