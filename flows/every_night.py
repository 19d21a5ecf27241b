"""The flow that a schedule runs: the night of every site, its alerts, and no night twice.

Works with any Prefect server and work pool: `percolog schedule` serves it by itself,
docs/every-night.md shows how to deploy it elsewhere.
"""

from __future__ import annotations

import logging
import os
import signal
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from prefect import flow
from prefect.client.schemas.objects import State
from prefect.runtime import flow_run
from prefect.states import Completed, Failed

from flows.cluster import Wanted, cluster, wide
from flows.nightly import nightly
from flows.schedule_book import note_night, read_schedule
from flows.summary import results
from pipeline.outcomes import state_folder, worst
from pipeline.processes import end_with_parent
from pipeline.watch.nights import begin_night, end_night

logger = logging.getLogger("pipeline.schedule")


@flow(name="every-night", flow_run_name="every night", persist_result=False)
def every_night(sites: list[str], workers: int = 0, scheduler: str = "") -> State[Any]:
    """Run the night of every site unless a later one has begun since this was due.

    After the machine was off or asleep several nights may be due at once: the first of them
    does the work of all, the others say so and end.

    Parameters
    ----------
    sites : list of str
        Folders of the site descriptions, absolute.
    workers, scheduler : int, str
        Where the parts are to be done (`flows.cluster.Wanted`).

    Returns
    -------
    State
        Completed, or failed with the sites that failed.
    """
    _end_with_schedule()
    due = flow_run.scheduled_start_time or datetime.now(UTC)
    now = datetime.now(UTC).replace(microsecond=0)
    last = read_schedule(state_folder()).began
    if last is not None and last >= due:
        return _skipped(due, last)
    if (now - due).total_seconds() > 120:
        logger.warning("the night due %s begins late, %s", f"{due:%Y-%m-%d %H:%M}Z", now)
    with note_night(state_folder(), now):
        return _run([Path(site) for site in sites], now, Wanted(workers, scheduler))


def _skipped(due: datetime, last: datetime) -> State[Any]:
    when = f"due {due:%Y-%m-%d %H:%M}Z; the night begun {last:%H:%M}Z did its work"
    told = f"skipped: {when}"
    logger.warning(told)
    return Completed(message=told, name="Skipped")


def _run(folders: list[Path], now: datetime, wanted: Wanted) -> State[Any]:
    for folder in folders:
        begin_night(folder, now)
    with cluster(wanted, folders) as found:
        night = wide(nightly, found)(folders, now, return_state=True)
        states: Any = night.result(raise_on_failure=False)
    if not isinstance(states, list):
        return Failed(message=f"the orchestrator was lost on the way ({states!r})")
    ended = datetime.now(UTC).replace(microsecond=0)
    summaries = [
        end_night(folder, summary, ended)
        for folder, summary in zip(folders, results(folders, states), strict=True)
    ]
    told = "; ".join(f"{row['site']}: {row['outcome']}" for row in summaries)
    if worst(row["outcome"] for row in summaries) in ("failed", "wrong"):
        return Failed(message=told)
    return Completed(message=told)


def _end_with_schedule() -> None:
    """Have the system end this process when the one that serves the schedule is gone.

    A stop is otherwise told to the server's process alone, and a night would go on unseen.
    Only below `percolog schedule`; Linux only.
    """
    if not sys.platform.startswith("linux") or "PERCOLOG_SERVED_BY" not in os.environ:
        return
    end_with_parent()
    if os.getppid() == 1:  # gone before it could be asked for
        os.kill(os.getpid(), signal.SIGTERM)
