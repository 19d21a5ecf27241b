"""Serve the nightly schedule: a persistent server on loopback, the deployment, its runner.

All in one command: when it ends, by Ctrl-C, SIGTERM or a kill, nothing of it stays behind.
That a kill takes the server along is Linux's doing; elsewhere it must be ended by hand.
"""

from __future__ import annotations

import asyncio
import logging
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from filelock import FileLock, Timeout

from flows.cluster import Wanted
from flows.schedule_book import read_schedule, write_plan
from flows.server import MARK, OrchestratorError, end_orphans
from flows.settings import force_settings
from pipeline.processes import end_with_parent, started
from pipeline.watch.due import ScheduleError, last_due
from pipeline.watch.nights import note_schedule

if TYPE_CHECKING:  # Prefect is imported once its settings stand
    from prefect.runner import Runner

logger = logging.getLogger("pipeline.schedule")
DEPLOYMENT = "percolog"
_START_WITHIN_S, _STOP_WITHIN_S = 120.0, 10.0
_LOOK_EVERY_S = 10


def serve(sites: list[Path], at: str, zone: ZoneInfo, now: datetime, wanted: Wanted) -> None:
    """Serve the nights of sites until told to stop.

    Parameters
    ----------
    sites : list of Path
        Folders of the site descriptions, absolute.
    at : str
        Time of day, "02:30".
    zone : ZoneInfo
        Where that time holds.
    now : datetime
        The present.
    wanted : Wanted
        Where the parts of the nights are to be done.

    Raises
    ------
    ScheduleError
        If another schedule is served from the same state folder.
    OrchestratorError
        If Prefect cannot be started, or was lost.
    """
    from pipeline.outcomes import state_folder

    state = state_folder()
    state.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = FileLock(state / "schedule.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise ScheduleError(
            f"another percolog schedule is served from {state}; stop that one, name all sites "
            f"in one schedule, or set PERCOLOG_STATE to another folder"
        ) from None
    with lock, _server(state):
        write_plan(state, [str(site) for site in sites], at, zone.key, now)
        for site in sites:
            note_schedule(site, at, zone.key)
        _run(state, sites, at, zone, wanted)


def missed_night(state: Path, at: str, zone: ZoneInfo, now: datetime) -> datetime | None:
    """Return the last night that was due and has not begun; None if none was missed.

    However many were: one night takes in all that has come since. A schedule just set up, or
    changed, has missed only what fell due while it was being started.
    """
    book = read_schedule(state)
    due = last_due(at, zone, now)
    begun = [instant for instant in (book.since, book.began) if instant is not None]
    return due if begun and due > max(begun) else None


def _run(state: Path, sites: list[Path], at: str, zone: ZoneInfo, wanted: Wanted) -> None:
    from prefect.exceptions import PrefectException
    from prefect.runner import Runner

    runner = Runner(
        name=DEPLOYMENT, limit=1, pause_on_shutdown=False, query_seconds=_LOOK_EVERY_S
    )
    try:
        asyncio.run(_deploy_and_start(runner, state, sites, at, zone, wanted))
    except (PrefectException, OSError) as error:
        raise OrchestratorError(f"Prefect was lost ({error!r}); start it again") from error
    raise SystemExit(128 + signal.SIGTERM)  # the runner takes SIGTERM over and returns


async def _deploy_and_start(
    runner: Runner,
    state: Path,
    sites: list[Path],
    at: str,
    zone: ZoneInfo,
    wanted: Wanted,
) -> None:
    from prefect.client.orchestration import get_client
    from prefect.flows import EntrypointType
    from prefect.schedules import Cron

    from flows.every_night import every_night

    hour, minute = at.split(":")
    deployment = await every_night.ato_deployment(
        DEPLOYMENT,
        parameters={"sites": [str(site) for site in sites], **wanted.options()},
        schedule=Cron(f"{int(minute)} {int(hour)} * * *", timezone=zone.key),
        entrypoint_type=EntrypointType.MODULE_PATH,
        description="Nights of soil-water sites, by percolog schedule",
    )
    # A deployment anew takes back all runs planned before: nights missed are not all run.
    found = await runner.aadd_deployment(deployment)
    missed = missed_night(state, at, zone, datetime.now(UTC))
    if missed is not None:
        due = f"{missed:%Y-%m-%d %H:%M}Z"
        logger.warning("the night due %s was missed; one night catches up now", due)
        async with get_client() as client:
            await client.create_flow_run_from_deployment(found, name="catch-up night")
    await runner.start()


@contextmanager
def _server(state: Path) -> Iterator[None]:
    """Provide a server that can schedule: the operator's own, or one of ours on loopback."""
    # A home of its own: servers of single nights must not share its database.
    home = state / "schedule"
    home.mkdir(mode=0o700, exist_ok=True)
    force_settings(home)
    os.environ["PERCOLOG_SERVED_BY"] = str(os.getpid())
    before = Path.cwd()
    os.chdir(state)  # Prefect takes settings from files in the working folder
    try:
        if os.environ.get("PREFECT_API_URL"):
            yield
            return
        with _own_server(state):
            yield
    finally:
        os.chdir(before)


@contextmanager
def _own_server(state: Path) -> Iterator[None]:
    end_orphans()
    port = _free_port()
    # Without it every user of this machine could have the server run flows in our name.
    secret = f"percolog:{secrets.token_urlsafe(24)}"
    os.environ[MARK] = started(os.getpid()) or ""
    os.environ["PREFECT_SERVER_API_AUTH_STRING"] = secret
    os.environ["PREFECT_API_AUTH_STRING"] = secret
    os.environ["PREFECT_UI_ENABLED"] = "false"
    os.environ["PREFECT_API_URL"] = f"http://127.0.0.1:{port}/api"
    process = _start(state, port)
    try:
        _wait_until_up(process, port, state)
        yield
    finally:
        process.terminate()
        try:
            process.wait(_STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _start(state: Path, port: int) -> subprocess.Popen[bytes]:
    import prefect

    command = [sys.executable, "-m", "uvicorn"]
    command += ["--app-dir", str(Path(prefect.__file__).parents[1]), "--factory"]
    command += ["prefect.server.api.server:create_app", "--host", "127.0.0.1"]
    command += ["--port", str(port), "--log-level", "error", "--lifespan", "on"]
    log = os.open(state / "server.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        # A session of its own: Ctrl-C at the terminal is ours to pass on, in order.
        return subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            start_new_session=True,
            preexec_fn=end_with_parent,
        )
    finally:
        os.close(log)


def _wait_until_up(process: subprocess.Popen[bytes], port: int, state: Path) -> None:
    give_up = time.monotonic() + _START_WITHIN_S
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    while time.monotonic() < give_up:
        if process.poll() is not None:
            break
        try:
            with opener.open(f"http://127.0.0.1:{port}/api/health", timeout=2):
                return
        except OSError:
            time.sleep(0.2)
    raise OrchestratorError(
        f"Prefect's server did not start on 127.0.0.1:{port}; {state / 'server.log'} tells why"
    )


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
